package web

import (
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"
)

type reportView struct {
	Report
	File    bool
	Address string // of the report in other forms, to which "format=" is added
	Sets    []string
}

// reportAsked reads which report is wanted.
func (s *Server) reportAsked(r *http.Request, more ...string) (ReportOptions, url.Values, error) {
	q, err := query(r, append([]string{"units", "criteria"}, more...)...)
	if err != nil {
		return ReportOptions{}, nil, err
	}
	o := ReportOptions{Criteria: q.Get("criteria"), Version: s.opts.Version, Now: time.Now()}
	for name := range strings.SplitSeq(q.Get("units"), ",") {
		if name = strings.TrimSpace(name); name != "" {
			o.Units = append(o.Units, name)
		}
	}
	return o, q, nil
}

func (s *Server) reportPage(w http.ResponseWriter, r *http.Request) error {
	o, q, err := s.reportAsked(r)
	if err != nil {
		return err
	}
	rep, err := BuildReport(r.Context(), s.store, o)
	if err != nil {
		return err
	}
	v := reportView{Report: rep, Address: "/api/report?"}
	if len(q) > 0 {
		v.Address += q.Encode() + "&"
	}
	sets, err := s.store.Criteria().All(r.Context())
	if err != nil {
		return err
	}
	for _, c := range sets {
		v.Sets = append(v.Sets, c.Name)
	}
	f := s.frameOf(r, "Report", "/report", "", false)
	f.Page = v
	return s.render(w, r, http.StatusOK, "report", f)
}

var reportFormats = []string{"json", "csv", "html"}

func (s *Server) getReport(w http.ResponseWriter, r *http.Request) error {
	o, q, err := s.reportAsked(r, "format")
	if err != nil {
		return err
	}
	format := q.Get("format")
	if format != "" && !slices.Contains(reportFormats, format) {
		return outOfRange("use json, csv or html", "format: there is no format %q", clip(format))
	}
	rep, err := BuildReport(r.Context(), s.store, o)
	if err != nil {
		return err
	}
	switch format {
	case "csv":
		w.Header().Set("Content-Type", "text/csv; charset=utf-8")
		w.Header().Set("Content-Disposition", `attachment; filename="shelf.csv"`)
		return WriteReportCSV(w, rep)
	case "html":
		done, err := s.oneDeriving(r)
		if err != nil {
			return err
		}
		defer done()
		w.Header().Set("Content-Type", "text/html; charset=utf-8")
		w.Header().Set("Content-Disposition", `attachment; filename="shelf.html"`)
		return WriteReport(r.Context(), w, s.opts.Files, s.store, rep, s.opts.Derive)
	}
	s.writeJSON(w, r, http.StatusOK, rep)
	return nil
}
