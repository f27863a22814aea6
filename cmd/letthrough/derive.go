package main

import (
	"iter"

	"letthrough/capture/trace"
	"letthrough/capture/trip"
	"letthrough/capture/words"
)

// derive gives marks and figures of recorded samples, in words.
func derive(s trace.Settings, marks []trace.Mark, batches iter.Seq2[trace.Batch, error]) (trace.Derivation, error) {
	d, err := trip.Read(s, marks, batches)
	if err != nil {
		return trace.Derivation{}, err
	}
	out := d.Finish()
	words.Fill(&out, s)
	return out, nil
}

// explain derives and says which readings each figure rests on.
func explain(s trace.Settings, marks []trace.Mark, batches iter.Seq2[trace.Batch, error]) (trace.Derivation, trace.Uses, error) {
	d, err := trip.Read(s, marks, batches)
	if err != nil {
		return trace.Derivation{}, nil, err
	}
	out := d.Finish()
	words.Fill(&out, s)
	return out, d.Used(), nil
}
