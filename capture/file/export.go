package file

import (
	"archive/zip"
	"errors"
	"fmt"
	"io"
	"iter"
	"slices"
	"strings"
	"time"

	"letthrough/capture/trace"
)

// ExportOptions say how a run is written, each for the formats that heed it.
type ExportOptions struct {
	Run      int64  // the run's number where it comes from
	Data     string // of COMTRADE: ASCII, BINARY, BINARY32 or FLOAT32
	Captions CaptionOptions
	By       string // the program and its version, for a bundle
}

// ExportFormat is one way to write a run. Its name is what a person asks for.
type ExportFormat struct {
	Name      string
	Extension string
	Kind      string // content type
	write     func(w io.Writer, rec trace.Recording, o ExportOptions) error
}

// ExportFormats lists them all.
var ExportFormats = []ExportFormat{
	{"csv", "csv", "text/csv; charset=utf-8; header=present", func(w io.Writer, rec trace.Recording, _ ExportOptions) error {
		return WriteCSVRows(w, rec.Channels, rec.Corrected().Batches)
	}},
	{"json", "json", "application/json", func(w io.Writer, rec trace.Recording, o ExportOptions) error { return WriteJSON(w, rec, o.Run) }},
	{"comtrade", "zip", "application/zip", writeComtradeZip},
	{"cff", "cff", "application/octet-stream", func(w io.Writer, rec trace.Recording, o ExportOptions) error {
		return WriteCFF(w, ComtradeOf(rec, o.Data), rec.Channels, rec.Corrected().Batches)
	}},
	{"parquet", "parquet", "application/vnd.apache.parquet", func(w io.Writer, rec trace.Recording, o ExportOptions) error {
		return WriteParquet(w, rec.Corrected(), o.Run)
	}},
	{"vtt", "vtt", "text/vtt; charset=utf-8", func(w io.Writer, rec trace.Recording, o ExportOptions) error {
		return WriteWebVTT(w, rec.Corrected(), o.captions(rec))
	}},
	{"srt", "srt", "application/x-subrip; charset=utf-8", func(w io.Writer, rec trace.Recording, o ExportOptions) error {
		return WriteSubRip(w, rec.Corrected(), o.captions(rec))
	}},
	{"bundle", "zip", "application/zip", func(w io.Writer, rec trace.Recording, o ExportOptions) error {
		return WriteBundle(w, o.By, func(yield func(trace.Recording, error) bool) { yield(rec, nil) })
	}},
}

// FindExportFormat finds a format by its name.
func FindExportFormat(name string) (ExportFormat, error) {
	i := slices.IndexFunc(ExportFormats, func(f ExportFormat) bool { return f.Name == name })
	if i < 0 {
		var names []string
		for _, f := range ExportFormats {
			names = append(names, f.Name)
		}
		return ExportFormat{}, fmt.Errorf("there is no format %.40q: want %s", name, strings.Join(names, ", "))
	}
	return ExportFormats[i], nil
}

// Write writes a run in this format. Formats that hold the settings have the samples as they were shown,
// from which the figures can be derived again; all others have them corrected.
func (f ExportFormat) Write(w io.Writer, rec trace.Recording, o ExportOptions) error {
	return f.write(w, rec, o)
}

func (o ExportOptions) captions(rec trace.Recording) CaptionOptions {
	c := o.Captions
	if c.StepA == 0 {
		c.StepA = rec.Start.Settings.ResolutionA
	}
	return c
}

// ComtradeOf says of a run what a COMTRADE record has room for.
func ComtradeOf(rec trace.Recording, data string) ComtradeRun {
	run := ComtradeRun{Data: data, Station: "letthrough", Unit: rec.Start.Unit.Name, Started: rec.Start.Started,
		Marks: slices.Concat(rec.End.Derivation.Marks, rec.Marks)}
	if len(rec.Channels) > 0 {
		run.Recorder = rec.Channels[0].Instrument
	}
	if onset, ok := rec.End.Derivation.FirstMark(trace.Onset); ok {
		ns := trace.NS(onset.T)
		run.OnsetNS = &ns
	}
	return run
}

// writeComtradeZip puts configuration and data, which belong together, into one archive.
func writeComtradeZip(w io.Writer, rec trace.Recording, o ExportOptions) error {
	name := "run"
	if o.Run != 0 {
		name = fmt.Sprintf("run-%d", o.Run)
	}
	rec = rec.Corrected()
	z := zip.NewWriter(w)
	c, err := newComtradeWriter(ComtradeOf(rec, o.Data), rec.Channels, rec.Batches, false)
	if err != nil {
		return err
	}
	cfg, err := z.Create(name + ".cfg")
	if err == nil {
		_, err = cfg.Write(c.configuration())
	}
	if err != nil {
		return fmt.Errorf("write configuration: %w", err)
	}
	dat, err := z.Create(name + ".dat")
	if err != nil {
		return fmt.Errorf("write data: %w", err)
	}
	if err := c.data(dat, rec.Channels, rec.Batches); err != nil {
		return err
	}
	return z.Close()
}

// Recording makes a run of a trace: its first sample becomes the run's time 0. derive gives marks and
// figures from the samples and the marks that the file carries.
func (t Trace) Recording(start trace.RunStart, derive func(s trace.Settings, marks []trace.Mark, samples iter.Seq2[trace.Batch, error]) (trace.Derivation, error)) (trace.Recording, error) {
	first, last, any := int64(0), int64(0), false
	for _, channel := range [][]trace.Sample{t.Current, t.Voltage} {
		for _, s := range channel {
			if !any {
				first, last, any = s.AtNS, s.AtNS, true
			}
			first, last = min(first, s.AtNS), max(last, s.AtNS)
		}
	}
	if !any {
		return trace.Recording{}, &Error{File: t.Name, Want: "want samples", Got: "none"}
	}
	if last-first < 0 {
		return trace.Recording{}, &Error{File: t.Name, Want: "want samples within a century", Got: "times further apart"}
	}
	moved := Trace{Name: t.Name, Current: moved(t.Current, first), Voltage: moved(t.Voltage, first)}
	rec := trace.Recording{Start: start, Channels: moved.Channels(), Batches: moved.Batches()}
	for _, m := range t.Marks {
		m.T -= float64(first) / 1e9
		rec.Marks = append(rec.Marks, m)
	}
	if rec.Start.Started.IsZero() {
		if rec.Start.Started = time.Now(); !t.Started.IsZero() {
			rec.Start.Started = t.Started.Add(time.Duration(first))
		}
	}
	rec.Start.Settings = rec.Start.Settings.Shifted(-float64(first) / 1e9) // told on the file's times
	d, err := derive(rec.Start.Settings, rec.Marks, rec.Batches)
	if err != nil {
		return rec, errors.Join(err)
	}
	d.ZeroAt = "file"
	d.Warnings = append(slices.Clone(t.Warnings), d.Warnings...)
	rec.End = trace.RunEnd{State: trace.RunComplete, Settings: rec.Start.Settings, Derivation: d, EndNS: last - first,
		Ended: rec.Start.Started.Add(time.Duration(last - first))}
	return rec, nil
}

func moved(s []trace.Sample, by int64) []trace.Sample {
	if by == 0 {
		return s
	}
	out := make([]trace.Sample, len(s))
	for i, x := range s {
		x.AtNS -= by
		out[i] = x
	}
	return out
}
