package trace_test

import (
	"cmp"
	"errors"
	"iter"
	"slices"
	"testing"

	"letthrough/capture/trace"

	"pgregory.net/rapid"
)

// source cuts the samples of a channel into batches.
func source(c trace.Channel, s []trace.Sample, cut int, end error) iter.Seq2[trace.Batch, error] {
	return func(yield func(trace.Batch, error) bool) {
		for part := range slices.Chunk(s, cut) {
			if !yield(trace.Batch{Channel: c, Samples: part}, nil) {
				return
			}
		}
		if end != nil {
			yield(trace.Batch{}, end)
		}
	}
}

func TestMergeKeepsEverythingInOrder(t *testing.T) {
	type stamped struct {
		channel int
		s       trace.Sample
	}
	rapid.Check(t, func(rt *rapid.T) {
		var sources []iter.Seq2[trace.Batch, error]
		var want []stamped
		for i := range rapid.IntRange(1, 3).Draw(rt, "channels") {
			times := rapid.SliceOf(rapid.Int64Range(0, 40)).Draw(rt, "times")
			slices.Sort(times)
			var s []trace.Sample
			for j, at := range times {
				s = append(s, trace.Sample{AtNS: at, Value: float64(j)})
				want = append(want, stamped{i, s[j]})
			}
			sources = append(sources, source(trace.Channel{Instrument: string(rune('a' + i))}, s, rapid.IntRange(1, 9).Draw(rt, "cut"), nil))
		}
		slices.SortStableFunc(want, func(a, b stamped) int { return cmp.Compare(a.s.AtNS, b.s.AtNS) })
		var got []stamped
		for b, err := range trace.Merge(sources...) {
			if err != nil || len(b.Samples) == 0 {
				rt.Fatalf("a batch of %d samples, %v", len(b.Samples), err)
			}
			for _, s := range b.Samples {
				got = append(got, stamped{int(b.Channel.Instrument[0] - 'a'), s})
			}
		}
		if !slices.Equal(got, want) {
			rt.Fatalf("got %v, want %v", got, want)
		}
	})
}

func TestMergeEndsWithTheErrorOfASource(t *testing.T) {
	broken := errors.New("damaged")
	s := []trace.Sample{{AtNS: 1}, {AtNS: 2}}
	var last error
	for _, err := range trace.Merge(source(trace.Channel{}, s, 1, broken), source(trace.Channel{}, s, 1, nil)) {
		last = err
	}
	if last != broken {
		t.Errorf("got %v, want %v", last, broken)
	}
	for range trace.Merge(source(trace.Channel{}, s, 1, nil), source(trace.Channel{}, s, 1, nil)) {
		break // leaving early is allowed
	}
}
