package store

import (
	"errors"
	"reflect"
	"testing"

	"letthrough/capture/trace"

	"pgregory.net/rapid"
)

// However a trace comes in pieces, what is read ahead is the same samples of the same channels in
// the same order, and then the same error.
func TestAheadChangesNothing(t *testing.T) {
	broken := errors.New("broken")
	rapid.Check(t, func(t *rapid.T) {
		type one struct {
			channel trace.Channel
			s       trace.Sample
		}
		var want, got []one
		var batches []trace.Batch
		at := int64(0)
		for range rapid.IntRange(0, 20).Draw(t, "batches") {
			c := trace.Channel{Instrument: "shunt", Quantity: trace.Quantity(rapid.IntRange(0, 1).Draw(t, "quantity"))}
			b := trace.Batch{Channel: c}
			for range rapid.SampledFrom([]int{0, 1, 2, 8191, 8193}).Draw(t, "n") {
				at++
				b.Samples = append(b.Samples, trace.Sample{AtNS: at})
				want = append(want, one{c, trace.Sample{AtNS: at}})
			}
			batches = append(batches, b)
		}
		fails := rapid.Bool().Draw(t, "fails")
		stopAt := rapid.IntRange(-1, 5).Draw(t, "stop at")
		var failed error
		n := 0
		for b, err := range ahead(func(yield func(trace.Batch, error) bool) {
			for _, b := range batches {
				if !yield(b, nil) {
					return
				}
			}
			if fails {
				yield(trace.Batch{}, broken)
			}
		}) {
			if n == stopAt {
				return // whoever stops early leaves no goroutine behind: see TestMain
			}
			n++
			failed = err
			for _, s := range b.Samples {
				got = append(got, one{b.Channel, s})
			}
		}
		if !reflect.DeepEqual(got, want) || (failed != nil) != fails {
			t.Fatalf("%d samples and %v, want %d and failing %v", len(got), failed, len(want), fails)
		}
	})
}
