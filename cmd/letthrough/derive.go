package main

import (
	"cmp"
	"iter"
	"slices"
	"sort"

	"letthrough/capture/trace"
	"letthrough/capture/trip"
	"letthrough/capture/words"
)

// derive gives marks and figures of recorded samples, in words. Marks from outside are handed over
// where their time comes, as they were live.
func derive(s trace.Settings, marks []trace.Mark, batches iter.Seq2[trace.Batch, error]) (trace.Derivation, error) {
	d, err := trip.New(s)
	if err != nil {
		return trace.Derivation{}, err
	}
	marks = slices.Clone(marks)
	slices.SortStableFunc(marks, func(a, b trace.Mark) int { return cmp.Compare(a.T, b.T) })
	for b, err := range batches {
		if err != nil {
			return trace.Derivation{}, err
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
	for _, m := range marks {
		d.Mark(m)
	}
	out := d.Finish()
	words.Fill(&out, s)
	return out, nil
}
