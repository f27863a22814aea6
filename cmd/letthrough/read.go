package main

import (
	"errors"
	"fmt"
	"io"

	"letthrough/capture/file"
	"letthrough/capture/trace"
	"letthrough/capture/words"
)

type readCmd struct {
	Files         []string `arg:"" name:"file" help:"Traces: CSV with a header such as time_s,current_a, or COMTRADE (.cfg with its .dat, .cff); with --timecode notes from a video."`
	JSON          bool     `help:"Print a JSON array, one entry a file."`
	TimeColumn    string   `help:"Header or number (from 1) of the column with the time." placeholder:"COLUMN"`
	CurrentColumn string   `help:"Header or number of the column with the current." placeholder:"COLUMN"`
	VoltageColumn string   `help:"Header or number of the column with the voltage." placeholder:"COLUMN"`
	timecodeFlags `embed:""`
	settingsFlags `embed:""`
}

// entry is what is told of one trace, whether it came from a file, a run or the simulation.
type entry struct {
	File string `json:"file"`
	trace.Derivation
}

func (c readCmd) Run(env *surroundings) error {
	rate, err := c.rate()
	if err != nil {
		return err
	}
	s, err := c.overWith(trace.Settings{}, rate)
	if err != nil {
		return err
	}
	var entries []entry
	var errs []error
	for _, path := range c.Files {
		e, es, err := c.read(path, s, rate)
		if err != nil {
			errs = append(errs, err)
			continue
		}
		entries = append(entries, e)
		if !c.JSON {
			sheet(env.stdout, e.File, e.Derivation, es)
		}
	}
	if c.JSON && len(entries) > 0 {
		if err := printJSON(env.stdout, entries); err != nil {
			return err
		}
	}
	return errors.Join(errs...)
}

// read derives one file. What the file itself tells of the instrument counts where no flag does.
func (c readCmd) read(path string, s trace.Settings, rate *file.FrameRate) (entry, trace.Settings, error) {
	t, err := readTrace(path, file.Options{CSV: file.CSVOptions{
		TimeColumn: c.TimeColumn, CurrentColumn: c.CurrentColumn, VoltageColumn: c.VoltageColumn,
	}}, rate, &s)
	if err != nil {
		return entry{}, s, err
	}
	if s.ResolutionA == 0 {
		s.ResolutionA = t.ResolutionA
	}
	d, err := derive(s, t.Marks, t.Batches())
	if err != nil {
		return entry{}, s, fmt.Errorf("%s: %w", path, err)
	}
	d.ZeroAt = "file"
	d.Warnings = append(t.Warnings, d.Warnings...)
	return entry{File: path, Derivation: whole(d)}, s, nil
}

// whole makes lists of what is empty: in JSON a list is never null.
func whole(d trace.Derivation) trace.Derivation {
	if d.Marks == nil {
		d.Marks = []trace.Mark{}
	}
	if d.Figures == nil {
		d.Figures = trace.Figures{}
	}
	if d.Warnings == nil {
		d.Warnings = []trace.Warning{}
	}
	return d
}

// sheet prints a derivation for a person.
func sheet(w io.Writer, title string, d trace.Derivation, s trace.Settings) {
	fmt.Fprintf(w, "%s\n  %s: %s", title, words.Procedure(d.Procedure), words.Behaviour(d.Behaviour))
	if d.ApparentBehaviour != d.Behaviour && d.ApparentBehaviour != "" {
		fmt.Fprintf(w, " (looks like: %s)", words.Behaviour(d.ApparentBehaviour))
	}
	fmt.Fprintln(w)
	for _, f := range d.Figures {
		if f.Text != "" {
			fmt.Fprintf(w, "  %s\n", f.Text)
		}
	}
	if d.Recovery != "" && d.Recovery != trace.NotTested {
		fmt.Fprintf(w, "  %s\n", words.Recovery(d.Recovery))
	}
	if len(d.Marks) > 0 {
		fmt.Fprintln(w, "  marks:")
	}
	for _, m := range d.Marks {
		if m.Withdrawn {
			continue
		}
		fmt.Fprintf(w, "    %12.4f s  %s", m.T, words.Mark(m.Kind))
		if m.By != trace.Detector {
			fmt.Fprintf(w, " (by %s)", m.By)
		}
		if m.Text != "" {
			fmt.Fprintf(w, ": %s", m.Text)
		}
		fmt.Fprintln(w)
	}
	for _, n := range d.Warnings {
		fmt.Fprintf(w, "  note: %s\n", n.Text)
	}
}
