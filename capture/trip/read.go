package trip

import (
	"cmp"
	"fmt"
	"iter"
	"slices"
	"sort"

	"letthrough/capture/trace"
)

// Chosen tells of which channels the figures are: of those that the settings name, else of the first of each
// quantity that comes. A run may hold more, which are kept and shown.
func Chosen(s trace.Settings) func(trace.Channel) bool {
	of := map[trace.Quantity]string{}
	for q, name := range map[trace.Quantity]string{trace.Current: s.CurrentFrom, trace.Voltage: s.VoltageFrom} {
		if name != "" {
			of[q] = name
		}
	}
	return func(c trace.Channel) bool {
		name, known := of[c.Quantity]
		if !known {
			of[c.Quantity], name = c.Instrument, c.Instrument
		}
		return c.Instrument == name
	}
}

// Read gives a detector that has read a whole recording, for Finish. Marks from outside are handed over where their time
// comes, as they were live.
func Read(s trace.Settings, marks []trace.Mark, batches iter.Seq2[trace.Batch, error]) (*Detector, error) {
	d, err := New(s)
	if err != nil {
		return nil, err
	}
	marks = slices.Clone(marks)
	slices.SortStableFunc(marks, func(a, b trace.Mark) int { return cmp.Compare(a.T, b.T) })
	ours := Chosen(s)
	seen, found := "", false // a channel of current, and the one that is asked for
	for b, err := range batches {
		if err != nil {
			return nil, err
		}
		if b.Channel.Quantity == trace.Current {
			seen, found = b.Channel.Instrument, found || ours(b.Channel)
		}
		if !ours(b.Channel) {
			continue
		}
		for samples := b.Samples; len(samples) > 0; {
			n := len(samples)
			if len(marks) > 0 {
				n = sort.Search(n, func(i int) bool { return samples[i].At() > marks[0].T })
			}
			if b.Channel.Quantity == trace.Voltage {
				d.Voltage(samples[:n])
			} else {
				d.Current(samples[:n])
			}
			if samples = samples[n:]; len(samples) > 0 {
				d.Mark(marks[0])
				marks = marks[1:]
			}
		}
	}
	if s.CurrentFrom != "" && seen != "" && !found {
		return nil, fmt.Errorf("current_from: nothing was recorded of the current of %s, but of that of %s", s.CurrentFrom, seen)
	}
	for _, m := range marks {
		d.Mark(m)
	}
	return d, nil
}
