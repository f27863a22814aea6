package compare

import (
	"encoding/json"
	"math"

	"letthrough/capture/trace"
)

// Order says how a figure of one run stands to the same figure of another.
type Order string

// The orders. Same means that both are exact and differ by no more than their combined uncertainty.
const (
	More          Order = "more"
	Less          Order = "less"
	Same          Order = "same"
	NotDetermined Order = "not_determined"
	NotApplicable Order = "not_applicable"
)

func (o Order) reversed() Order {
	switch o {
	case More:
		return Less
	case Less:
		return More
	}
	return o
}

// decided tells that one of the two is the larger one for certain.
func (o Order) decided() bool { return o == More || o == Less }

// Value is a difference or a ratio with its expanded uncertainty (k about 2) and bound. The limit of a
// bound has its uncertainty in it already, so U is 0 there.
type Value struct {
	Value, U float64
	Bound    trace.Bound
}

// MarshalJSON writes value and u as null where there is none.
func (v Value) MarshalJSON() ([]byte, error) {
	j := struct {
		Value *float64    `json:"value"`
		U     *float64    `json:"u"`
		Bound trace.Bound `json:"bound"`
	}{Bound: v.Bound}
	if v.Bound.HasValue() {
		j.Value, j.U = &v.Value, &v.U
	}
	return json.Marshal(j)
}

// mostRelative is the relative uncertainty of a divisor up to which the quotient's first-order sum holds
// (JCGM 100, 5.1.2: the note on non-linearity); beyond it a ratio is only a bound.
const mostRelative = 0.2

// span is what a figure allows its true value to be. An exact one is bounded by its expanded uncertainty
// on both sides, a bound on one.
type span struct{ lo, hi float64 }

// spanOf gives what a figure allows; a figure without a number allows everything.
func spanOf(f trace.Figure) span {
	all := span{math.Inf(-1), math.Inf(1)}
	if !f.Bound.HasValue() || !finite(f.Value) || !finite(f.U) {
		return all
	}
	u := math.Abs(f.U)
	switch f.Bound {
	case trace.Exact:
		return span{f.Value - u, f.Value + u}
	case trace.AtMost:
		return span{all.lo, f.Value + u}
	default:
		return span{f.Value - u, all.hi}
	}
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

// compared sets figure a against figure b: the order, a - b and a / b.
//
// Two exact figures differ by d with U(d) = sqrt(U(a)² + U(b)²), the root sum of squares of independent
// ones (JCGM 100, 5.1.2); they are told apart where |d| exceeds it. What two runs have in common, such as
// the gain of one instrument, would cancel in the difference, so that this is on the safe side. With a
// bound the limits themselves are set against each other, and the order is told only where they do not
// overlap.
func compared(a, b trace.Figure) (Order, Value, Value) {
	none := Value{Bound: trace.NotResolved}
	if a.Bound == trace.NotApplicable || b.Bound == trace.NotApplicable {
		return NotApplicable, Value{Bound: trace.NotApplicable}, Value{Bound: trace.NotApplicable}
	}
	sa, sb := spanOf(a), spanOf(b)
	if a.Bound == trace.Exact && b.Bound == trace.Exact && finite(sa.lo+sb.lo) {
		d := Value{a.Value - b.Value, math.Hypot(a.U, b.U), trace.Exact}
		return orderOf(d), d, exactRatio(a, b)
	}
	switch low, high := sa.lo-sb.hi, sa.hi-sb.lo; {
	case low > 0:
		return More, Value{low, 0, trace.AtLeast}, ratioAtLeast(sa.lo, sb.hi)
	case high < 0:
		return Less, Value{high, 0, trace.AtMost}, ratioAtMost(sa.hi, sb.lo)
	}
	return NotDetermined, none, none
}

func orderOf(d Value) Order {
	switch {
	case d.Value > d.U:
		return More
	case d.Value < -d.U:
		return Less
	}
	return Same
}

// exactRatio is a / b: the relative uncertainties of a quotient add as root sum of squares (JCGM 100,
// 5.1.6). A divisor that is known too badly for that leaves a bound; one that may be nothing leaves none.
func exactRatio(a, b trace.Figure) Value {
	if !(b.Value > 0) || a.Value < 0 {
		return Value{Bound: trace.NotResolved}
	}
	if b.U <= mostRelative*b.Value {
		r := a.Value / b.Value
		return Value{r, math.Hypot(a.U, r*b.U) / b.Value, trace.Exact}
	}
	return ratioAtLeast(a.Value-a.U, b.Value+b.U)
}

func ratioAtLeast(lo, hi float64) Value {
	if !(lo > 0) || !(hi > 0) {
		return Value{Bound: trace.NotResolved}
	}
	return Value{lo / hi, 0, trace.AtLeast}
}

func ratioAtMost(hi, lo float64) Value {
	if !(lo > 0) || !(hi >= 0) {
		return Value{Bound: trace.NotResolved}
	}
	return Value{hi / lo, 0, trace.AtMost}
}
