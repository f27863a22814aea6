package file

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"strconv"
	"time"

	"letthrough/capture/trace"
)

// The JSON of a run is what `read --json` gives of a trace, with what only a run has under "run"
// and every sample under "trace". Times count from the run's zero, its onset, but for those on the
// run's own time base, which say so.
type runDocument struct {
	File string `json:"file"`
	ID   int64  `json:"id,omitempty"` // where it was written
	Unit string `json:"unit"`
	trace.Derivation
	Run runPart `json:"run"`
}

// runPart is what a run knows beside its marks and figures.
type runPart struct {
	UUID         string                 `json:"uuid"`
	Unit         string                 `json:"unit"`
	Plate        trace.Unit             `json:"plate"`
	Output       string                 `json:"output"`
	Setting      string                 `json:"setting"`
	Rig          string                 `json:"rig"`
	Note         string                 `json:"note"`
	State        trace.RunState         `json:"state"`
	Reason       string                 `json:"reason"` // of an interruption
	Exclusion    string                 `json:"exclusion"`
	Started      time.Time              `json:"started"`
	Ended        time.Time              `json:"ended"`
	Version      string                 `json:"version"`
	ZeroNS       int64                  `json:"zero_ns"` // on the run's own time base, as the next two
	OpenedNS     int64                  `json:"opened_ns"`
	EndNS        int64                  `json:"end_ns"`
	Settings     trace.Settings         `json:"settings"`      // the run was recorded with
	DerivedWith  trace.Settings         `json:"derived_with"`  // the marks and figures were
	Derived      trace.Derivation       `json:"derivation"`    // as above, to the last bit: on the run's own time base
	OutsideMarks []trace.Mark           `json:"outside_marks"` // on the run's own time base
	Edits        []trace.MarkEdit       `json:"edits"`         // of marks, by a person, likewise
	Instruments  []trace.RunInstrument  `json:"instruments"`
	Counts       trace.Counts           `json:"counts"`
	Earlier      []trace.PastDerivation `json:"earlier"`         // on the run's own time base
	Load         *trace.Load            `json:"load,omitempty"`  // the weakest that the unit feeds
	Built        *trace.Rig             `json:"built,omitempty"` // the rig by its parts
	Criteria     []trace.CriteriaSet    `json:"criteria,omitempty"`
}

// documentOf describes a recording.
func documentOf(rec trace.Recording, run int64) runDocument {
	zero := rec.ZeroNS()
	d := rec.End.Derivation.Shifted(-float64(zero)/1e9, "onset")
	d.Marks, d.Warnings = listed(d.Marks), listed(d.Warnings)
	if d.Figures == nil {
		d.Figures = trace.Figures{}
	}
	s, e := rec.Start, rec.End
	name := "run " + rec.UUID
	if run != 0 {
		name = fmt.Sprintf("run %d", run)
	}
	return runDocument{File: name, ID: run, Unit: s.Unit.Name, Derivation: d, Run: runPart{
		UUID: rec.UUID, Unit: s.Unit.Name, Plate: s.Unit, Output: s.Output, Setting: s.Setting, Rig: s.Rig, Note: s.Note,
		State: e.State, Reason: e.Reason, Exclusion: rec.Exclusion, Started: s.Started, Ended: e.Ended, Version: s.Version,
		ZeroNS: zero, OpenedNS: s.OpenedNS, EndNS: e.EndNS, Settings: s.Settings, DerivedWith: e.Settings, Derived: e.Derivation,
		OutsideMarks: listed(rec.Marks), Edits: listed(rec.Edits), Instruments: listed(s.Instruments), Counts: e.Counts, Earlier: listed(rec.Earlier),
		Load: rec.Load, Built: rec.Built, Criteria: rec.Criteria,
	}}
}

// listed makes an empty list of none: in JSON a list is never null.
func listed[T any](s []T) []T {
	if s == nil {
		return []T{}
	}
	return s
}

// recording takes the description back.
func (d runDocument) recording() trace.Recording {
	r := d.Run
	rec := trace.Recording{UUID: r.UUID, Exclusion: r.Exclusion, Marks: r.OutsideMarks, Edits: r.Edits, Earlier: r.Earlier, Load: r.Load, Built: r.Built, Criteria: r.Criteria}
	rec.Start = trace.RunStart{Unit: r.Plate, Output: r.Output, Setting: r.Setting, Rig: r.Rig, Note: r.Note, Settings: r.Settings,
		Started: r.Started, OpenedNS: r.OpenedNS, Instruments: r.Instruments, Version: r.Version}
	rec.Start.Unit.ID = 0
	rec.Shown = &d.Derivation
	rec.End = trace.RunEnd{State: r.State, Reason: r.Reason, Settings: r.DerivedWith, Derivation: r.Derived,
		Ended: r.Ended, EndNS: r.EndNS, Counts: r.Counts}
	return rec
}

// flagBelow, in JSON only: beyond the range on the negative side, with no number.
const flagBelow = 4

// WriteJSON writes all of a run. run is its number where it comes from, or 0.
func WriteJSON(w io.Writer, rec trace.Recording, run int64) error {
	b := bufio.NewWriterSize(w, 64<<10)
	head, err := json.Marshal(documentOf(rec, run))
	if err != nil {
		return fmt.Errorf("write JSON: %w", err)
	}
	b.Write(head[:len(head)-1]) // the writer keeps the first error until Flush
	b.WriteString(`,"trace":[`)
	for i, c := range rec.Channels {
		if i > 0 {
			b.WriteByte(',')
		}
		if err := writeJSONChannel(b, rec, c); err != nil {
			return err
		}
	}
	b.WriteString("\n]}\n")
	if err := b.Flush(); err != nil {
		return fmt.Errorf("write JSON: %w", err)
	}
	return nil
}

// writeJSONChannel writes one channel as rows of time in seconds from the run's zero, value (null
// where there is no number) and flags.
func writeJSONChannel(b *bufio.Writer, rec trace.Recording, c trace.Channel) error {
	head, err := json.Marshal(jsonChannel{c, c.Quantity.Unit(), []string{"t_s", "value", "flags"}})
	if err != nil {
		return fmt.Errorf("write JSON: %w", err)
	}
	b.WriteByte('\n')
	b.Write(head[:len(head)-1])
	b.WriteString(`,"rows":[`)
	zero, first, gap := rec.ZeroNS(), true, false
	var row []byte
	for batch, err := range rec.Batches {
		if err != nil {
			return err
		}
		if batch.Channel != c {
			continue
		}
		for _, s := range batch.Samples {
			if math.IsNaN(s.Value) {
				gap = true // no number, and none may be made of it
				continue
			}
			if gap {
				s.Flags, gap = s.Flags|trace.Gap, false
			}
			row = append(row[:0], ",\n["...)
			if first {
				row, first = append(row[:0], "\n["...), false
			}
			row = appendRow(row, s, zero)
			if _, err := b.Write(row); err != nil {
				return fmt.Errorf("write JSON: %w", err)
			}
		}
	}
	_, err = b.WriteString("]}")
	return err
}

type jsonChannel struct {
	trace.Channel
	Unit    string   `json:"unit"`
	Columns []string `json:"columns"`
}

func appendRow(row []byte, s trace.Sample, zero int64) []byte {
	row = append(appendTime(row, s.AtNS-zero), ',')
	flags := uint64(s.Flags)
	if math.IsInf(s.Value, 0) {
		row = append(row, "null"...)
		flags |= uint64(trace.Over)
		if s.Value < 0 {
			flags |= flagBelow
		}
	} else {
		row = strconv.AppendFloat(row, s.Value, 'g', -1, 64)
	}
	row = append(row, ',')
	return append(strconv.AppendUint(row, flags, 10), ']')
}
