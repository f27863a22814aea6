package web

import (
	"net/http"

	"letthrough/capture"
	"letthrough/capture/contact"
)

func (s *Server) getContact(w http.ResponseWriter, r *http.Request) error {
	if _, err := query(r); err != nil {
		return err
	}
	s.writeJSON(w, r, http.StatusOK, s.bench.State().ContactIs)
	return nil
}

func (s *Server) postContact(w http.ResponseWriter, r *http.Request) error {
	if !s.bench.HasContact() {
		return notFound("no contact is configured on this bench")
	}
	var in struct {
		Do     string   `json:"do"`
		AfterS *float64 `json:"after_s"`
	}
	if err := readJSON(w, r, &in); err != nil {
		return err
	}
	if in.AfterS != nil && in.Do != "close" {
		return outOfRange("leave it out", "after_s: only closing has a countdown")
	}
	switch in.Do {
	case "close":
		if in.AfterS != nil {
			return s.did(w, r, contactFault(s.bench.CloseContactIn(*in.AfterS)))
		}
		return s.did(w, r, contactFault(s.bench.DriveContact(true)))
	case "open":
		return s.did(w, r, contactFault(s.bench.DriveContact(false)))
	case "check":
		return s.did(w, r, contactFault(s.bench.CheckContact()))
	case "":
		return malformed("use close, open or check", "do: is missing")
	}
	return outOfRange("use close, open or check", "do: the contact cannot %q", clip(in.Do))
}

func (s *Server) putContact(w http.ResponseWriter, r *http.Request) error {
	var in struct {
		Spec string `json:"spec"`
	}
	if err := readJSON(w, r, &in); err != nil {
		return err
	}
	if in.Spec == "" {
		return malformed("name its port: {\"spec\":\"/dev/ttyUSB1?sense=cts\"}", "spec: is missing")
	}
	spec, err := contact.ParseSpec(in.Spec)
	if err != nil {
		return outOfRange("write "+contact.How, "%s", err)
	}
	if err := contactFault(s.bench.UseContact(spec, false)); err != nil {
		return err
	}
	return s.did(w, r, s.store.KeepContact(r.Context(), spec.String()))
}

func (s *Server) deleteContact(w http.ResponseWriter, r *http.Request) error {
	if err := readOptionalJSON(w, r, &struct{}{}); err != nil {
		return err
	}
	if err := contactFault(s.bench.RemoveContact()); err != nil {
		return err
	}
	return s.did(w, r, s.store.KeepContact(r.Context(), ""))
}

// contactFault says what keeps the contact from moving: whoever stands at the bench has to know.
func contactFault(err error) error {
	if err == nil {
		return nil
	}
	if _, known := faultOf(err); known {
		return err
	}
	return &fault{http.StatusServiceUnavailable, codeUnavailable, "the contact did not answer: " + clip(err.Error()),
		"open it by hand, then look at its port and cable"}
}

// contactPanel is the contact below the list of instruments.
type contactPanel struct {
	Shape, Say, Spec, Do string
	Simulated, Open      bool
	Ports                []portChoice
	Other                string
	Drive, Lowered       bool
	Sense                string
}

var contactShapes = map[string]string{capture.ContactReady: "pass", capture.ContactRefused: "fail", capture.ContactAway: "caution"}

func (s *Server) contactPanel() *contactPanel {
	is := s.bench.State().ContactIs
	p := &contactPanel{Shape: contactShapes[is.State], Say: asSentence(is.Say), Spec: is.Spec, Do: is.Do, Drive: true}
	if p.Shape == "" {
		p.Shape = "unknown"
	}
	if is.Trouble != "" {
		p.Shape = "fail"
	}
	p.Simulated = is.Driven && is.Port == "" || is.Port == "simulated"
	p.Open = is.State == capture.ContactRefused
	var on contact.Spec
	if is.Spec != "" {
		if spec, err := contact.ParseSpec(is.Spec); err == nil {
			on = spec
			p.Drive, p.Sense, p.Lowered = spec.Drive, spec.Sense, spec.Lowered
		}
	}
	ports, err := s.ports()
	if err != nil {
		s.log.Warn("list ports", "err", err) // its path can be written
	}
	p.Ports, p.Other = portChoices(ports, on.Port)
	return p
}

// portChoices offers the ports that are present; other is the chosen one where it is none of them.
func portChoices(ports []Port, chosen string) (out []portChoice, other string) {
	other = chosen
	for _, p := range ports {
		c := portChoice{Path: p.Path, Text: portText(p), Chosen: chosen != "" && (p.Path == chosen || p.Device == chosen)}
		if c.Chosen {
			c.Path, other = chosen, ""
		}
		out = append(out, c)
	}
	return out, other
}
