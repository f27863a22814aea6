package web

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"net/http"
	"strconv"
	"strings"
	"time"

	"letthrough/capture/file"
	"letthrough/capture/trace"
	"letthrough/store"
)

// exportFormat writes a run in one format.
type exportFormat struct {
	name  string
	kind  string // content type
	write func(s *Server, r *http.Request, w io.Writer, run store.Run) error
}

// exportFormats are those that exist; the name is also the file's extension.
var exportFormats = []exportFormat{
	{"csv", "text/csv; charset=utf-8; header=present", (*Server).exportCSV},
	{"json", "application/json", (*Server).exportJSON},
}

func (s *Server) getExport(w http.ResponseWriter, r *http.Request) error {
	id, err := idOf(r, "run")
	if err != nil {
		return err
	}
	q, err := query(r, "format")
	if err != nil {
		return err
	}
	format, err := exportFormatOf(q.Get("format"))
	if err != nil {
		return err
	}
	run, err := s.store.Run(r.Context(), id)
	if err != nil {
		return err
	}
	out := &download{w: w, rc: http.NewResponseController(w)}
	out.head = func() {
		h := w.Header()
		h.Set("Content-Type", format.kind)
		h.Set("Cache-Control", "no-store")
		h.Set("Content-Disposition", fmt.Sprintf("attachment; filename=%q", exportName(run, format.name)))
		w.WriteHeader(http.StatusOK)
	}
	b := bufio.NewWriterSize(out, 64<<10)
	if err = format.write(s, r, b, run); err == nil {
		err = b.Flush()
	}
	if err != nil && out.begun {
		// Half a file must not look like a whole one: the connection is cut instead.
		if r.Context().Err() == nil { // else the other end has gone, which is its own affair
			s.log.Error("export broke off", "run", id, "format", format.name, "err", err)
		}
		panic(http.ErrAbortHandler)
	}
	return err
}

func exportFormatOf(name string) (exportFormat, error) {
	var names []string
	for _, f := range exportFormats {
		if f.name == name {
			return f, nil
		}
		names = append(names, f.name)
	}
	hint := "use format=" + strings.Join(names, " or format=")
	if name == "" {
		return exportFormat{}, malformed(hint, "format: is missing")
	}
	return exportFormat{}, outOfRange(hint, "format: there is no format %q", clip(name))
}

// exportName makes a file name of letters, digits and dashes whatever a unit is called.
func exportName(run store.Run, ext string) string {
	unit := strings.Map(func(c rune) rune {
		if c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9' {
			return c
		}
		return '-'
	}, run.Unit)
	return fmt.Sprintf("run-%d-%s.%s", run.ID, strings.Trim(unit, "-"), ext)
}

// download is an answer that may take as long as its reader keeps taking.
type download struct {
	w     http.ResponseWriter
	rc    *http.ResponseController
	head  func()
	begun bool
}

// Write sends a piece, with the whole time-out for each.
func (d *download) Write(b []byte) (int, error) {
	if !d.begun {
		d.begun = true
		d.head()
	}
	_ = d.rc.SetWriteDeadline(time.Now().Add(answerTimeout)) // a recorder in a test has none
	return d.w.Write(b)
}

// exportCSV writes the samples as the trace CSV, on the run's own time base.
func (s *Server) exportCSV(r *http.Request, w io.Writer, run store.Run) error {
	channels := make([]trace.Channel, len(run.Channels))
	for i, c := range run.Channels {
		channels[i] = c.Channel
	}
	return file.WriteCSVRows(w, channels, s.store.Batches(r.Context(), run.ID))
}

// exportJSON writes the run as GET /api/runs/{id} does and, under trace, every sample of every
// channel, times from the onset.
func (s *Server) exportJSON(r *http.Request, w io.Writer, run store.Run) error {
	head, err := json.Marshal(runJSONOf(run))
	if err != nil {
		return err
	}
	if _, err = w.Write(append(head[:len(head)-1], `,"trace":[`...)); err != nil {
		return err
	}
	for i, c := range run.Channels {
		if i > 0 {
			if _, err = io.WriteString(w, ","); err != nil {
				return err
			}
		}
		if err = s.exportChannel(r, w, run, c.Channel); err != nil {
			return err
		}
	}
	_, err = io.WriteString(w, "]}\n")
	return err
}

// exportChannel writes one channel as rows [t_s, value, flags]; a value that is no number is null.
func (s *Server) exportChannel(r *http.Request, w io.Writer, run store.Run, ch trace.Channel) error {
	head, err := json.Marshal(struct {
		trace.Channel
		Unit    string   `json:"unit"`
		Columns []string `json:"columns"`
	}{ch, ch.Quantity.Unit(), []string{"t_s", "value", "flags"}})
	if err != nil {
		return err
	}
	if _, err = w.Write(append(head[:len(head)-1], `,"rows":[`...)); err != nil {
		return err
	}
	first, zero := true, trace.NS(run.ZeroS)
	var row []byte
	for samples, err := range s.store.Samples(r.Context(), run.ID, ch) {
		if err != nil {
			return err
		}
		for _, x := range samples {
			row = row[:0]
			if !first {
				row = append(row, ',')
			}
			first = false
			row = append(row, "\n["...)
			row = strconv.AppendFloat(row, float64(x.AtNS-zero)/1e9, 'f', -1, 64)
			row = append(row, ',')
			if math.IsInf(x.Value, 0) || math.IsNaN(x.Value) {
				row = append(row, "null"...)
			} else {
				row = strconv.AppendFloat(row, x.Value, 'g', -1, 64)
			}
			row = append(row, ',')
			row = strconv.AppendUint(row, uint64(x.Flags), 10)
			row = append(row, ']')
			if _, err := w.Write(row); err != nil {
				return err
			}
		}
	}
	_, err = io.WriteString(w, "]}")
	return err
}
