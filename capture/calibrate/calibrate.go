// Package calibrate finds the offset and the gain of a channel from pairs of readings: what a trusted
// meter showed and what this instrument showed at the same time. It is pure: pairs in, a calibration
// with its uncertainties out.
package calibrate

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"

	"letthrough/capture/trace"
)

// Pair is one level as two meters show it.
type Pair = trace.CalibrationPair

// Options are what is known besides the pairs. The zero value is nothing.
type Options struct {
	// Trusted is the accuracy of the trusted meter. What one of its counts is worth is taken from there,
	// else from TrustedResolution.
	Trusted trace.Accuracy
	// TrustedResolution and ShownResolution are one count of each meter, A or V; 0: the last decimal place
	// that its readings have as numbers, which have lost the zeros at their end: LastPlace of what was
	// written knows better.
	TrustedResolution, ShownResolution float64
	// Reversed says that a falling line is meant: the instrument's leads are reversed.
	Reversed bool
}

// Result is a calibration and how it came about.
type Result struct {
	trace.Calibration
	// SDOffset, SDGain are the standard deviations that the pairs' scatter alone gives the two, as any
	// table of least squares has them; 0 with two pairs.
	SDOffset, SDGain float64
	R2               float64
	Notes            []string // what a person should know, in words
}

const (
	// MaxPairs bounds what a person can have written down.
	MaxPairs  = 1000
	mostValue = 1e4 // A or V
	leastGain = 1e-3
	mostGain  = 1e3
	oddGain   = 0.2 // a gain further from 1 than this is remarked on
)

// Fit lays a straight line through the pairs by least squares: trusted = offset + gain × shown.
//
// The uncertainty has two parts. What scatters, from three pairs on: the standard deviation of the pairs
// about the line with n-2 degrees of freedom, widened by Student's t (JCGM 100:2008, H.3 and G.3); it is
// never taken as less than what the last digits of both meters leave open, which is also all there is
// with two pairs. What all pairs have in common: the trusted meter's own accuracy, rectangular, its
// percentage an error of the gain and its counts one of the offset (JCGM 100:2008, 4.3.7).
func Fit(pairs []Pair, o Options) (Result, error) {
	if err := check(pairs); err != nil {
		return Result{}, err
	}
	x, y := make([]float64, len(pairs)), make([]float64, len(pairs))
	for i, p := range pairs {
		x[i], y[i] = p.Shown, p.Trusted
	}
	var r Result
	offset, gain := stat.LinearRegression(x, y, nil, false)
	if err := checkGain(gain, o); err != nil {
		return Result{}, err
	}
	r.Offset, r.Gain, r.Pairs = offset, gain, len(pairs)
	r.From, r.To = extremes(y)
	r.R2 = stat.RSquared(x, y, nil, offset, gain)
	r.spread(x, y, o)
	r.notes(pairs, o)
	return r, r.Validate()
}

func check(pairs []Pair) error {
	if len(pairs) < 2 {
		return errors.New("a calibration needs at least two pairs: one near zero, one near the largest current of the tests")
	}
	if len(pairs) > MaxPairs {
		return fmt.Errorf("%d pairs are too many, at most %d", len(pairs), MaxPairs)
	}
	lo, hi := math.Inf(1), math.Inf(-1)
	for i, p := range pairs {
		for _, v := range []float64{p.Trusted, p.Shown} {
			if math.IsNaN(v) || math.Abs(v) > mostValue {
				return fmt.Errorf("pair %d: %g is out of range, allowed is -%g to %g", i+1, v, float64(mostValue), float64(mostValue))
			}
		}
		lo, hi = min(lo, p.Shown), max(hi, p.Shown)
	}
	if !(hi-lo > 1e-9*max(1, math.Abs(hi), math.Abs(lo))) {
		return fmt.Errorf("the instrument showed %g in every pair: no line goes through one level, take a second one well apart from it", lo)
	}
	return nil
}

func checkGain(gain float64, o Options) error {
	switch size := math.Abs(gain); {
	case math.IsNaN(gain) || size < leastGain || size > mostGain:
		return fmt.Errorf("the pairs give a gain of %.3g, which no instrument has: is every pair trusted meter first, then this instrument, both in A or both in V?", gain)
	case gain < 0 && !o.Reversed:
		return fmt.Errorf("the pairs give a gain of %.3g: the instrument falls while the trusted meter rises. Turn its leads round, or say that they are reversed", gain)
	case gain > 0 && o.Reversed:
		return errors.New("the leads are said to be reversed, but both meters rise together: leave that out")
	}
	return nil
}

func extremes(v []float64) (lo, hi float64) {
	lo, hi = v[0], v[0]
	for _, x := range v {
		lo, hi = min(lo, x), max(hi, x)
	}
	return lo, hi
}

// spread works out the uncertainties.
func (r *Result) spread(x, y []float64, o Options) {
	n := float64(len(x))
	mean := stat.Mean(x, nil)
	var sxx, sse float64
	for i := range x {
		sxx += (x[i] - mean) * (x[i] - mean)
		e := y[i] - r.Offset - r.Gain*x[i]
		sse += e * e
	}
	scatter := math.Hypot(o.count(y), r.Gain*o.shownCount(x)) / math.Sqrt(12)
	if dof := n - 2; dof > 0 {
		r.ResidualS = math.Sqrt(sse / dof)
		r.SDGain = r.ResidualS / math.Sqrt(sxx)
		r.SDOffset = r.ResidualS * math.Sqrt(1/n+mean*mean/sxx)
		scatter = max(scatter, r.ResidualS*Student95(dof)/2)
	}
	vOffset := scatter * scatter * (1/n + mean*mean/sxx)
	vGain := scatter * scatter / sxx
	cov := -scatter * scatter * mean / sxx

	percent, counts := o.trusted(y)
	rel := percent / 100 / math.Sqrt(3)
	vOffset += rel*rel*r.Offset*r.Offset + counts*counts/3
	vGain += rel * rel * r.Gain * r.Gain
	cov += rel * rel * r.Offset * r.Gain
	r.UOffset, r.UGain, r.Covariance = 2*math.Sqrt(vOffset), 2*math.Sqrt(vGain), cov
}

// Student95 is Student's t for an interval of 95 % (JCGM 100:2008, table G.2).
func Student95(dof float64) float64 {
	return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: dof}.Quantile(0.975)
}

// trusted gives what the trusted meter's accuracy leaves open in the pairs at most: a percentage, and
// the counts in A or V.
func (o Options) trusted(y []float64) (percent, counts float64) {
	for _, v := range y {
		spec := o.Trusted.At(v)
		percent = max(percent, spec.Percent)
		count := spec.Resolution
		if count == 0 {
			count = o.trustedCount(y)
		}
		counts = max(counts, spec.Counts*count)
	}
	return percent, counts
}

// count is one count of the trusted meter in the coarsest of its ranges that was used.
func (o Options) count(y []float64) (count float64) {
	for _, v := range y {
		count = max(count, o.Trusted.At(v).Resolution)
	}
	if count == 0 {
		count = o.trustedCount(y)
	}
	return count
}

func (o Options) trustedCount(y []float64) float64 {
	if o.TrustedResolution > 0 {
		return o.TrustedResolution
	}
	return lastPlace(y)
}

func (o Options) shownCount(x []float64) float64 {
	if o.ShownResolution > 0 {
		return o.ShownResolution
	}
	return lastPlace(x)
}

func lastPlace(v []float64) float64 {
	var written []string
	for _, x := range v {
		written = append(written, strconv.FormatFloat(x, 'f', -1, 64))
	}
	return LastPlace(written...)
}

// LastPlace is the last decimal place that any of the numbers has as it was written: 0.001 of 1.5 and
// 3.000; 0 where there is none.
func LastPlace(written ...string) float64 {
	if len(written) == 0 {
		return 0
	}
	places := 0
	for _, w := range written {
		if _, decimals, ok := strings.Cut(strings.TrimSpace(w), "."); ok {
			places = max(places, len(decimals))
		}
	}
	return math.Pow10(-min(places, 9))
}

func (r *Result) notes(pairs []Pair, o Options) {
	note := func(format string, args ...any) { r.Notes = append(r.Notes, fmt.Sprintf(format, args...)) }
	if len(pairs) == 2 {
		note("with two pairs the line goes through both: the uncertainty comes from the trusted meter's accuracy and the last digits only, and nothing shows whether the scale is straight; a third pair does")
	}
	if o.Trusted == (trace.Accuracy{}) {
		note("the trusted meter's accuracy was not given, so its own error is not in the uncertainties")
	}
	if r.Gain < 0 {
		note("the leads are reversed: what is shown as negative counts as positive")
	}
	if math.Abs(math.Abs(r.Gain)-1) > oddGain {
		note("a gain of %.3g is far from 1: is the unit right, and the shunt's value?", r.Gain)
	}
	if r.ResidualS > 0.02*(r.To-r.From) {
		note("the pairs lie %.2g about the line, over 2 %% of their span: was every pair read at one and the same current?", r.ResidualS)
	}
	note("what lies outside %.4g to %.4g is extrapolated", r.From, r.To)
}
