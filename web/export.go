package web

import (
	"bufio"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"letthrough/capture/file"
	"letthrough/capture/trace"
	"letthrough/capture/words"
	"letthrough/store"
)

func (s *Server) getExport(w http.ResponseWriter, r *http.Request) error {
	id, err := idOf(r, "run")
	if err != nil {
		return err
	}
	q, err := query(r, "format", "data", "rate", "offset_s", "words")
	if err != nil {
		return err
	}
	format, o, err := exportOptions(q)
	if err != nil {
		return err
	}
	o.Run, o.By = id, "letthrough "+s.opts.Version
	run, err := s.store.Run(r.Context(), id)
	if err != nil {
		return err
	}
	rec := trace.Recording{Start: trace.RunStart{Instruments: run.Instruments}, End: trace.RunEnd{Settings: run.DerivedWith}, Batches: s.store.Batches(r.Context(), id)}
	for _, c := range run.Channels {
		rec.Channels = append(rec.Channels, c.Channel)
	}
	if format.Name != "csv" { // which needs no more of a run, so that one which is still open can be had
		if rec, err = s.store.Recording(r.Context(), id); err != nil {
			return err
		}
	}
	out := &download{w: w, rc: http.NewResponseController(w)}
	out.head = func() {
		h := w.Header()
		h.Set("Content-Type", format.Kind)
		h.Set("Cache-Control", "no-store")
		h.Set("Content-Disposition", fmt.Sprintf("attachment; filename=%q", exportName(run, format.Extension)))
		w.WriteHeader(http.StatusOK)
	}
	b := bufio.NewWriterSize(out, 64<<10)
	if err = format.Write(b, rec, o); err == nil {
		err = b.Flush()
	}
	if err != nil && out.begun {
		// Half a file must not look like a whole one: the connection is cut instead.
		if r.Context().Err() == nil { // else the other end has gone, which is its own affair
			s.log.Error("export broke off", "run", id, "format", format.Name, "err", err)
		}
		panic(http.ErrAbortHandler)
	}
	var bad *file.Error
	if errors.As(err, &bad) { // such as a run without a current
		return outOfRange("", "%s", bad)
	}
	return err
}

// exportOptions reads what is asked for; what a format does not heed does no harm.
func exportOptions(q url.Values) (format file.ExportFormat, o file.ExportOptions, err error) {
	name := q.Get("format")
	if format, err = file.FindExportFormat(name); err != nil {
		var names []string
		for _, f := range file.ExportFormats {
			names = append(names, f.Name)
		}
		hint := "use format=" + strings.Join(names, " or format=")
		if name == "" {
			return format, o, malformed(hint, "format: is missing")
		}
		return format, o, outOfRange(hint, "format: there is no format %q", clip(name))
	}
	o.Data = q.Get("data")
	switch strings.ToUpper(o.Data) {
	case "", file.ASCII, file.Binary, file.Binary32, file.Float32:
	default:
		return format, o, outOfRange("use data=ascii, binary, binary32 or float32", "data: there is no kind %q", clip(o.Data))
	}
	for key, to := range map[string]*float64{"rate": &o.Captions.RateHz, "offset_s": &o.Captions.OffsetS} {
		if !q.Has(key) {
			continue
		}
		if *to, err = strconv.ParseFloat(q.Get(key), 64); err != nil {
			return format, o, malformed("", "%s: %q is no number", key, clip(q.Get(key)))
		}
	}
	if err := o.Captions.Validate(); err != nil || q.Has("rate") && o.Captions.RateHz == 0 {
		return format, o, outOfRange("", "captions: over 0 and at most 60 a second, an offset of at most 360000 s")
	}
	switch want := q.Get("words"); want {
	case "", "yes":
		o.Captions.Phase = words.Phase
	case "no":
	default:
		return format, o, outOfRange("use words=yes or words=no", "words: there is no %q", clip(want))
	}
	return format, o, nil
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
