package trip

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"gonum.org/v1/gonum/integrate"
	"gonum.org/v1/gonum/stat"
)

func within(t *testing.T, what string, got, want, relative float64) {
	t.Helper()
	if math.Abs(got-want) > relative*math.Abs(want) {
		t.Errorf("%s: %.17g, want %.17g within %g of it", what, got, want, relative)
	}
}

// Worked examples of JCGM 100:2008. H.1 (end gauge): the components 25, 5.8, 3.9, 6.7, 16.599 and 2.88679 nm
// combine to 31.66 nm, printed as 32 nm; within them d = 9.68 nm from 5.8, 3.9 and 6.7. H.2: the standard
// uncertainty of the mean of five voltages is 0.0032 V. Type B: a rectangle of half-width a has a/sqrt 3.
func TestCombinationMeetsTheGuide(t *testing.T) {
	within(t, "H.1 u(d)", combine(part{5.8, false}, part{3.9, false}, part{6.7, false}), 9.681941953967707, 1e-12)
	gauge := []part{{25, false}, {5.8, false}, {3.9, false}, {6.7, false}, {16.599, true}, {5 / math.Sqrt(3), true}}
	within(t, "H.1 combined", combine(gauge...), 31.663879111008633, 1e-5)
	within(t, "H.1 expanded, normal contributions lead", expand(gauge...), 2*31.663879111008633, 1e-5)

	volts := []float64{5.007, 4.994, 5.005, 4.990, 4.999}
	mean := stat.Mean(volts, nil)
	var devs []part
	for _, v := range volts {
		devs = append(devs, part{(v - mean) / math.Sqrt(5*4), false})
	}
	within(t, "H.2 u(V)", combine(devs...), 0.0032093613071761794, 1e-9)

	// EA-4/02 (from memory): a single rectangle is covered to 95 % by 1.65 times its standard uncertainty, 0.95 a.
	within(t, "a rectangle alone", expand(part{1 / math.Sqrt(3), true}), 0.95, 0.005)
	if got := expand(); got != 0 {
		t.Errorf("nothing combines to %v", got)
	}
	// Between the two the factor never leaves 1.65 to 2.
	rnd := rand.New(rand.NewPCG(1, 2))
	for range 1000 {
		parts := []part{{rnd.Float64(), true}, {rnd.Float64(), rnd.IntN(2) == 0}, {rnd.Float64(), false}}
		if k := expand(parts...) / combine(parts...); k < 1.65-1e-9 || k > 2+1e-9 {
			t.Fatalf("factor %v of %v", k, parts)
		}
	}
}

// gonum is the reference for medians, quantiles, slopes and integrals.
func TestSumsAndLevelsMeetGonum(t *testing.T) {
	rnd := rand.New(rand.NewPCG(3, 4))
	for _, n := range []int{3, 17, 101, 399} { // odd: one reading is the middle
		xs := make([]float64, n)
		ts := make([]float64, n)
		sq := make([]float64, n)
		r := newRing()
		r.quiet = false
		h := newHistogram(1e-4)
		for i := range xs {
			ts[i] = float64(i)*1e-3 + 2e-4*rnd.Float64()
			xs[i] = 3 + math.Sin(float64(i)/9) + 0.1*rnd.NormFloat64()
			sq[i] = xs[i] * xs[i]
			r.push(&obs{t: ts[i], x: xs[i]})
			h.add(xs[i], 1e-3)
		}
		d := &Detector{ring: r}
		slope, span := d.slope(0, n)
		_, want := stat.LinearRegression(ts, xs, nil, false)
		within(t, "slope", slope, want, 1e-9)
		within(t, "span", span, ts[n-1]-ts[0], 1e-12)

		s := r.sums(n - 1)
		within(t, "charge", s.q, integrate.Trapezoidal(ts, xs), 1e-12)
		within(t, "i² linear", s.trap, integrate.Trapezoidal(ts, sq), 1e-12)
		if n > 3 { // the parabola through three points of i² and the exact square of the chord agree for a fine trace
			within(t, "i linear", s.chord, integrate.Simpsons(ts, sq), 0.01)
		}

		sorted := slices.Sorted(slices.Values(xs))
		within(t, "median", medianOf(slices.Clone(xs)), stat.Quantile(0.5, stat.Empirical, sorted, nil), 1e-15)
		for _, q := range []float64{0.25, 0.5, 0.75} {
			got, ok := h.quantile(q)
			want := stat.Quantile(q, stat.Empirical, sorted, nil)
			// Between readings the histogram interpolates: it stays between the neighbours.
			i := slices.Index(sorted, want)
			lo, hi := sorted[max(i-1, 0)], sorted[min(i+1, n-1)]
			if !ok || got < lo-1e-4 || got > hi+1e-4 {
				t.Errorf("quantile %v of %d: %v, want %v (%v to %v)", q, n, got, want, lo, hi)
			}
		}
	}
}

// joule integrates i(t) over 0..length from so many samples with the detector's own sums.
func joule(n int, length float64, i func(t float64) float64) float64 {
	r := newRing()
	r.quiet = false
	for k := range n + 1 {
		t := length * float64(k) / float64(n)
		r.push(&obs{t: t, x: i(t)})
	}
	return r.sums(n).chord
}

// Two makers' worked pulses. AVX, "Designing for current pulse situations" (Accu-Guard): a half sine of 4.8 A
// in 7.7 us lets through 8.9e-5 A²s, a triangle of 1.5 A in 3 ms 2.25e-3 A²s. ROHM, ICP-S technical manual, page
// 10: a pulse through 10, 8, 6, 3.5, 2 and 0 A over 0.06, 0.1, 0.35, 0.25 and 0.55 ms lets through 20.54e-3
// A²s; the manual cuts each of its terms off, the exact sum is 20.5633e-3.
func TestSumsMeetTheMakersWorkedPulses(t *testing.T) {
	within(t, "half sine", joule(2000, 7.7e-6, func(t float64) float64 { return 4.8 * math.Sin(math.Pi*t/7.7e-6) }), 8.8704e-5, 1e-5)
	within(t, "half sine as printed", joule(2000, 7.7e-6, func(t float64) float64 { return 4.8 * math.Sin(math.Pi*t/7.7e-6) }), 8.9e-5, 0.005)
	within(t, "triangle", joule(3000, 3e-3, func(t float64) float64 { return 1.5 * (1 - math.Abs(t/1.5e-3-1)) }), 2.25e-3, 1e-6)

	corners := []float64{10, 8, 6, 3.5, 2, 0}
	lengths := []float64{0.06e-3, 0.1e-3, 0.35e-3, 0.25e-3, 0.55e-3}
	piecewise := func(t float64) float64 {
		for k, l := range lengths {
			if t <= l {
				return corners[k] + (corners[k+1]-corners[k])*t/l
			}
			t -= l
		}
		return 0
	}
	got := joule(1310, 1.31e-3, piecewise)
	within(t, "piecewise, exact", got, 20.563333333333333e-3, 1e-6)
	within(t, "piecewise, as printed with its terms cut off", got, 20.54e-3, 0.002)

	// From its corners alone, up to the last one but one: only an integrator that takes i for linear finds
	// 19.83e-3 (printed 19.81e-3), one that takes i² for linear 20.40e-3.
	r := newRing()
	r.quiet = false
	at := 0.0
	for k, x := range corners {
		r.push(&obs{t: at, x: x})
		if k < len(lengths) {
			at += lengths[k]
		}
	}
	within(t, "piecewise from its corners", r.sums(4).chord, 19.83e-3, 1e-9)
	within(t, "... as printed", r.sums(4).chord, 19.81e-3, 0.002)
}

// Closed forms: rectangle I²T, triangle Ip²T/3, half sine Ip²T/2, decay I0² tau/2 (1-e^(-2T/tau)), R-L rise.
func TestSumsMeetClosedForms(t *testing.T) {
	within(t, "rectangle", joule(10, 0.5, func(float64) float64 { return 4 }), 8, 1e-12)
	within(t, "ramp a to b", joule(10, 2, func(t float64) float64 { return 3 + t }), (9+15+25)*2.0/3, 1e-12)
	within(t, "half sine from eleven samples", joule(10, 0.01, func(t float64) float64 { return 10 * math.Sin(math.Pi*t/0.01) }), 0.49, 0.05)
	within(t, "decay from 30 A, tau 5 ms, to 2.5 ms", joule(1000, 2.5e-3, func(t float64) float64 { return 30 * math.Exp(-t/5e-3) }), 1.4222712573642546, 1e-6)
	within(t, "R-L rise, 24 A, tau 1 ms, 5 ms", joule(50000, 5e-3, func(t float64) float64 { return 24 * (1 - math.Exp(-t/1e-3)) }), 2.023749039763175, 1e-6)
}
