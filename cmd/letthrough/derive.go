package main

import (
	"iter"
	"slices"

	"letthrough/capture/trace"
	"letthrough/capture/trip"
	"letthrough/capture/words"
)

// derive gives marks and figures of recorded samples, in words. Marks from outside are handed over
// where their time comes.
func derive(s trace.Settings, marks []trace.Mark, batches iter.Seq2[trace.Batch, error]) (trace.Derivation, error) {
	d, err := trip.New(s)
	if err != nil {
		return trace.Derivation{}, err
	}
	marks = slices.Clone(marks)
	slices.SortStableFunc(marks, func(a, b trace.Mark) int {
		switch {
		case a.T < b.T:
			return -1
		case a.T > b.T:
			return 1
		}
		return 0
	})
	for b, err := range batches {
		if err != nil {
			return trace.Derivation{}, err
		}
		for len(marks) > 0 && len(b.Samples) > 0 && marks[0].T < b.Samples[0].At() {
			d.Mark(marks[0])
			marks = marks[1:]
		}
		if b.Channel.Quantity == trace.Voltage {
			d.Voltage(b.Samples)
		} else {
			d.Current(b.Samples)
		}
	}
	for _, m := range marks {
		d.Mark(m)
	}
	out := d.Finish()
	words.Fill(&out, s)
	return out, nil
}
