package compare

import (
	"math"

	"letthrough/capture/trace"
	"letthrough/capture/words"
)

// Align is the instant that the runs' times count from when they are laid beside each other.
type Align string

// The alignments: each run's own onset, its own cut-off (or limitation), or the time of day.
const (
	AtOnset  Align = "onset"
	AtCutOff Align = "cut_off"
	AtClock  Align = "clock"
)

// Alignments lists them in the order a page offers them.
var Alignments = []Align{AtOnset, AtCutOff, AtClock}

// ShiftOf gives what has to be added to a run's times, which count from its zero, and which mark became
// nought; empty where the run has no such mark and its zero stays. clockS is the time of day of the run's
// zero in seconds; it counts only for AtClock.
func ShiftOf(a Align, d trace.Derivation, clockS float64) (shiftS float64, at trace.MarkKind) {
	kinds := []trace.MarkKind{trace.Onset}
	switch a {
	case AtClock:
		return clockS, ""
	case AtCutOff:
		kinds = []trace.MarkKind{trace.CutOff, trace.Limited, trace.Onset}
	}
	for _, k := range kinds {
		if m, ok := d.FirstMark(k); ok {
			return -m.T, k
		}
	}
	return 0, ""
}

// Misaligned says which runs could not be aligned as asked; empty where all were.
func Misaligned(a Align, at []trace.MarkKind, names []string) string {
	var none, limited []string
	for i, k := range at {
		switch {
		case a == AtClock:
		case k == "":
			none = append(none, names[i])
		case a == AtCutOff && k == trace.Onset:
			none = append(none, names[i])
		case k == trace.Limited:
			limited = append(limited, names[i])
		}
	}
	return words.Misaligned(string(a), none, limited)
}

// Trace is one channel as a picture shows it: column i stands for what was read from T[i] up to the next.
type Trace struct {
	T, Min, Max, Mean []float64 // seconds; A or V
	Flags             []trace.Flags
	Single            bool // every column is one reading
}

// Reduce sums up readings between two times (seconds, both included) in at most n columns; no extreme is
// lost. It is what the store does from its overview, for readings that are in memory.
func Reduce(samples []trace.Sample, from, to float64, n int) Trace {
	var in []trace.Sample
	lo, hi := 0, len(samples)
	for lo < hi && samples[lo].At() < from {
		lo++
	}
	for hi > lo && samples[hi-1].At() > to {
		hi--
	}
	if in = samples[lo:hi]; len(in) == 0 {
		return Trace{Single: true}
	}
	out := Trace{Single: len(in) <= n}
	first, span := in[0].At(), in[len(in)-1].At()-in[0].At()
	finites, place := 0, -1
	var sum float64
	for _, s := range in {
		at := len(out.T)
		if !out.Single {
			at = min(int((s.At()-first)/span*float64(n)), n-1)
		}
		if at != place || out.Single {
			place, sum, finites = at, 0, 0
			out.add(s)
		}
		last := len(out.T) - 1
		out.Min[last], out.Max[last] = min(out.Min[last], s.Value), max(out.Max[last], s.Value)
		out.Flags[last] |= s.Flags
		if finite(s.Value) {
			sum += s.Value
			finites++
		}
		out.Mean[last] = math.NaN()
		if finites > 0 {
			out.Mean[last] = sum / float64(finites)
		}
	}
	return out
}

func (t *Trace) add(s trace.Sample) {
	t.T, t.Min, t.Max = append(t.T, s.At()), append(t.Min, s.Value), append(t.Max, s.Value)
	t.Mean, t.Flags = append(t.Mean, s.Value), append(t.Flags, s.Flags)
}

// Shifted moves a trace in time.
func (t Trace) Shifted(by float64) Trace {
	moved := make([]float64, len(t.T))
	for i, v := range t.T {
		moved[i] = v + by
	}
	t.T = moved
	return t
}

// Envelope is what several traces of one unit span: at every instant the least, the mean and the largest
// of their currents.
type Envelope struct {
	T, Min, Mean, Max []float64
}

// EnvelopeOf lays traces over each other between two times, in n columns. Where one of them has no
// readings, before its beginning, after its end or over a gap, there is no envelope. The mean is that of
// the runs, each with the same weight.
func EnvelopeOf(traces []Trace, from, to float64, n int) Envelope {
	var e Envelope
	if !(to > from) || n < 1 || len(traces) == 0 {
		return e
	}
	width := (to - from) / float64(n)
	at := make([]int, len(traces))
	for k := range n {
		a, b := from+float64(k)*width, from+float64(k+1)*width
		lo, hi, sum := math.Inf(1), math.Inf(-1), 0.0
		whole := true
		for i, t := range traces {
			l, h, m, ok := t.between(a, b, &at[i])
			if !ok {
				whole = false
				continue
			}
			lo, hi, sum = min(lo, l), max(hi, h), sum+m
		}
		if whole {
			e.T = append(e.T, a+width/2)
			e.Min, e.Max, e.Mean = append(e.Min, lo), append(e.Max, hi), append(e.Mean, sum/float64(len(traces)))
		}
	}
	return e
}

// between gives what a trace was from a up to b: the extremes and the mean of its columns there, or, where
// none begins there, what lies on the line between its neighbours. at is where the search goes on.
func (t Trace) between(a, b float64, at *int) (lo, hi, mean float64, ok bool) {
	i := *at
	for i < len(t.T) && t.T[i] < a {
		i++
	}
	*at = i
	lo, hi = math.Inf(1), math.Inf(-1)
	n := 0
	for ; i < len(t.T) && t.T[i] < b; i++ {
		if finite(t.Mean[i]) {
			lo, hi, mean = min(lo, t.Min[i]), max(hi, t.Max[i]), mean+t.Mean[i]
			n++
		}
	}
	if n > 0 {
		return lo, hi, mean / float64(n), true
	}
	if i == 0 || i == len(t.T) || t.Flags[i]&trace.Gap != 0 {
		return 0, 0, 0, false
	}
	if !t.Single { // a column reaches up to the next
		return t.Min[i-1], t.Max[i-1], t.Mean[i-1], finite(t.Mean[i-1])
	}
	share := ((a+b)/2 - t.T[i-1]) / (t.T[i] - t.T[i-1])
	v := t.Mean[i-1] + share*(t.Mean[i]-t.Mean[i-1])
	return v, v, v, finite(v)
}
