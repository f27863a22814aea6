package contact

import (
	"fmt"
	"net/url"
	"strings"
)

// The lines that a contact can be sensed on.
const (
	SenseCTS = "cts"
	SenseDSR = "dsr"
)

// Spec says which port the contact hangs on and what its lines do.
type Spec struct {
	Port  string
	Drive bool   // RTS and DTR drive it
	Sense string // SenseCTS, SenseDSR, or empty: it is not sensed
	// Lowered: the sensed line is lowered while the contact is closed, not raised.
	Lowered bool
}

// maxSpecBytes bounds what is taken as a line.
const maxSpecBytes = 1000

// How says how a line is written.
const How = "PORT?option=value&..., options drive=yes|no, sense=cts|dsr, closed=raised|lowered"

// ParseSpec reads PORT?option=value&... : drive (yes, no; default yes), sense (cts, dsr; default none) and
// closed (raised, lowered; default raised: what the sensed line is while the contact is closed). Values are
// percent-decoded.
func ParseSpec(line string) (Spec, error) {
	if len(line) > maxSpecBytes {
		return Spec{}, fmt.Errorf("contact: %d bytes are too long, at most %d", len(line), maxSpecBytes)
	}
	path, query, _ := strings.Cut(line, "?")
	s := Spec{Port: path, Drive: true}
	if strings.TrimSpace(path) == "" || strings.ContainsFunc(path, func(r rune) bool { return r < ' ' || r == 0x7f }) {
		return Spec{}, fmt.Errorf("contact: %.80q names no port: write %s", line, How)
	}
	values, err := url.ParseQuery(query)
	if err != nil {
		return Spec{}, fmt.Errorf("contact: %.80q: %w", query, err)
	}
	for name, all := range values {
		if len(all) != 1 {
			return Spec{}, fmt.Errorf("contact: option %.40q is given %d times", name, len(all))
		}
		if err := s.option(name, all[0]); err != nil {
			return Spec{}, err
		}
	}
	switch {
	case !s.Drive && s.Sense == "":
		return Spec{}, fmt.Errorf("contact: with drive=no nothing is left to do: sense it with sense=cts or sense=dsr")
	case s.Lowered && s.Sense == "":
		return Spec{}, fmt.Errorf("contact: closed=lowered says what the sensed line does: name it with sense=cts or sense=dsr")
	}
	return s, nil
}

func (s *Spec) option(name, value string) error {
	pick := func(words ...string) error {
		return fmt.Errorf("contact: option %s: %.40q is none of %s", name, value, strings.Join(words, ", "))
	}
	switch name {
	case "drive":
		if value != "yes" && value != "no" {
			return pick("yes", "no")
		}
		s.Drive = value == "yes"
	case "sense":
		if value != SenseCTS && value != SenseDSR {
			return pick(SenseCTS, SenseDSR)
		}
		s.Sense = value
	case "closed":
		if value != "raised" && value != "lowered" {
			return pick("raised", "lowered")
		}
		s.Lowered = value == "lowered"
	default:
		return fmt.Errorf("contact: there is no option %.40q: write %s", name, How)
	}
	return nil
}

// String writes a line that ParseSpec reads as the same.
func (s Spec) String() string {
	var options []string
	if !s.Drive {
		options = append(options, "drive=no")
	}
	if s.Sense != "" {
		options = append(options, "sense="+s.Sense)
	}
	if s.Lowered {
		options = append(options, "closed=lowered")
	}
	if len(options) == 0 {
		return s.Port
	}
	return s.Port + "?" + strings.Join(options, "&")
}

// closed tells what the sensed line says.
func (s Spec) closed(cts, dsr bool) bool {
	raised := cts
	if s.Sense == SenseDSR {
		raised = dsr
	}
	return raised != s.Lowered
}
