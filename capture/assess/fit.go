package assess

import (
	"cmp"
	"encoding/json"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/optimize"
)

// Fit is a curve fitted to the points of a unit by least squares in ln t.
type Fit struct {
	Model      string      `json:"model"` // thermal, or inverse with its exponent
	Name       string      `json:"name"`
	Parameters []Parameter `json:"parameters"` // the trip current first
	ResidualLn float64     `json:"residual_ln"`
	AICc       float64     `json:"aicc"`
	N          int         `json:"n"`
	shape      shape
	at         []float64 // the parameters as they were sought
}

// Parameter is one of a fit with its 95 % interval. High is +Inf and Low 0 where the points leave it open.
type Parameter struct {
	Key   string  `json:"key"`
	Name  string  `json:"name"`
	Unit  string  `json:"unit"`
	Value float64 `json:"value"`
	Low   float64 `json:"low"`
	High  float64 `json:"high"`
}

// MarshalJSON writes an end of the interval that the points leave open as null.
func (p Parameter) MarshalJSON() ([]byte, error) {
	type plain Parameter
	out := struct {
		plain
		High *float64 `json:"high"`
	}{plain: plain(p)}
	if !math.IsInf(p.High, 1) {
		out.High = &p.High
	}
	return json.Marshal(out)
}

func (p Parameter) say() string {
	unit := p.Unit
	if unit != "" {
		unit = " " + unit
	}
	switch {
	case math.IsInf(p.High, 1) || p.High > 1e6*p.Value:
		return fmt.Sprintf("%s %s%s, which the points leave open upwards (at least %s%s)", p.Name, number(p.Value), unit, number(p.Low), unit)
	case p.Low < 1e-6*p.Value:
		return fmt.Sprintf("%s %s%s, which the points leave open downwards (at most %s%s)", p.Name, number(p.Value), unit, number(p.High), unit)
	}
	return fmt.Sprintf("%s %s%s (95 %%: %s to %s)", p.Name, number(p.Value), unit, number(p.Low), number(p.High))
}

// shape is a family of curves. All are ln t = u + g(I): the factor of time is a sum in ln t and falls out
// of the search.
type shape struct {
	model, name string
	alpha       float64 // 0: to be found
	thermal     bool
}

// The families. That a fixed exponent is tried beside a free one is for the corrected AIC to judge.
var shapes = []shape{
	{model: "thermal", name: "a body of one time constant from cold (IEC 60255-149)", thermal: true},
	{model: "inverse A", name: "inverse (IEC 60255-151 form, exponent 0.02)", alpha: 0.02},
	{model: "inverse B", name: "very inverse (IEC 60255-151 form, exponent 1)", alpha: 1},
	{model: "inverse C", name: "extremely inverse (IEC 60255-151 form, exponent 2)", alpha: 2},
	{model: "inverse", name: "IEC 60255-151 form with a free exponent"},
}

// q are the parameters as they are sought: any real numbers. q[0]: w with Is = least/(1+e^w), so that
// the trip current stays below the least current that tripped; q[1]: ln alpha where it is free.
func (s shape) tripA(q []float64, least float64) float64 { return least / (1 + math.Exp(q[0])) }

func (s shape) exponent(q []float64) float64 {
	if s.alpha > 0 {
		return s.alpha
	}
	return math.Exp(q[1])
}

// form is g(I), ln of the time but for its factor.
func (s shape) form(q []float64, least, currentA float64) float64 {
	x := currentA / s.tripA(q, least)
	if s.thermal {
		return math.Log(-math.Log1p(-1 / (x * x)))
	}
	return -math.Log(math.Expm1(s.exponent(q) * math.Log(x)))
}

func (s shape) searched() int {
	if s.thermal || s.alpha > 0 {
		return 1
	}
	return 2
}

// Seconds is the time of the fitted curve at a current; +Inf up to its trip current.
func (f Fit) Seconds(currentA float64) float64 {
	if !(currentA > f.Parameters[0].Value) {
		return math.Inf(1)
	}
	least := f.at[len(f.at)-1]
	return math.Exp(f.at[len(f.at)-2] + f.shape.form(f.at, least, currentA))
}

// CurrentFor is the current at which the fitted curve takes so many seconds.
func (f Fit) CurrentFor(seconds float64) float64 {
	low, high := math.Log(f.Parameters[0].Value), math.Log(1e6*f.Parameters[0].Value)
	for range 200 {
		mid := (low + high) / 2
		if f.Seconds(math.Exp(mid)) > seconds {
			low = mid
		} else {
			high = mid
		}
	}
	return math.Exp((low + high) / 2)
}

// FitCurve fits every family to the exact points, the best by corrected AIC first. None below five points
// at three different currents, nor where the time does not fall as the current rises.
func FitCurve(points []Point) []Fit {
	var x, y []float64
	for _, p := range exactPoints(points) {
		if p.CurrentA > 0 && p.TimeS > 0 {
			x, y = append(x, p.CurrentA), append(y, math.Log(p.TimeS))
		}
	}
	fits := []Fit{}
	if len(x) < leastFitted || different(x) < 3 || !falls(x, y) {
		return fits
	}
	for _, s := range shapes {
		if f, ok := s.fit(x, y); ok {
			fits = append(fits, f)
		}
	}
	slices.SortStableFunc(fits, func(a, b Fit) int { return cmp.Compare(a.AICc, b.AICc) })
	return fits
}

// different counts currents that are more than a fiftieth apart.
func different(x []float64) int {
	sorted := slices.Clone(x)
	slices.Sort(sorted)
	n, last := 0, 0.0
	for _, v := range sorted {
		if v > 1.02*last {
			n, last = n+1, v
		}
	}
	return n
}

func falls(x, y []float64) bool {
	lx := make([]float64, len(x))
	for i, v := range x {
		lx[i] = math.Log(v)
	}
	l, ok := fitLine(lx, y)
	return ok && l.b1 < 0
}

// fit seeks the parameters of one family.
func (s shape) fit(x, y []float64) (Fit, bool) {
	least := slices.Min(x)
	factor := func(q []float64) float64 { // the best ln of the time factor
		sum := 0.0
		for i := range x {
			sum += y[i] - s.form(q, least, x[i])
		}
		return sum / float64(len(x))
	}
	squares := func(q []float64) float64 {
		if math.Abs(q[0]) > 30 || len(q) > 1 && math.Abs(q[1]) > 5 {
			return 1e12 * (1 + math.Abs(q[0]))
		}
		u, sum := factor(q), 0.0
		for i := range x {
			r := y[i] - u - s.form(q, least, x[i])
			sum += r * r
		}
		if math.IsNaN(sum) || math.IsInf(sum, 0) {
			return 1e12
		}
		return sum
	}
	best, ok := s.seek(squares)
	if !ok {
		return Fit{}, false
	}
	n, k := float64(len(x)), float64(s.searched()+1)
	f := Fit{Model: s.model, Name: s.name, N: len(x), shape: s, at: append(slices.Clone(best), factor(best), least)}
	sum := squares(best)
	if n > k {
		f.ResidualLn = math.Sqrt(sum / (n - k))
	}
	if n < k+3 {
		return Fit{}, false // the corrected AIC is not defined
	}
	// Noise below a ten-thousandth of the time is none that a test could have; it keeps perfect data finite.
	all := k + 1
	f.AICc = n*math.Log(max(sum/n, 1e-8)) + 2*all + 2*all*(all+1)/(n-all-1)
	f.Parameters = s.parameters(x, f.at, f.ResidualLn, tFactor(0.95, n-k))
	return f, true
}

// seek finds the least squares: over a grid first, since a flat valley leads a search astray, then from
// its best point.
func (s shape) seek(squares func([]float64) float64) (best []float64, ok bool) {
	least := math.Inf(1)
	exponents := []float64{0}
	if s.searched() == 2 {
		exponents = []float64{-4, -2, -1, -0.3, 0.3, 0.7, 1.2, 1.8}
	}
	for w := -8.0; w <= 8; w += 0.5 {
		for _, e := range exponents {
			q := []float64{w, e}[:s.searched()]
			if v := squares(q); v < least {
				least, best = v, q
			}
		}
	}
	if best == nil {
		return nil, false
	}
	settings := &optimize.Settings{Converger: &optimize.FunctionConverge{Absolute: 1e-14, Relative: 1e-10, Iterations: 60}}
	r, err := optimize.Minimize(optimize.Problem{Func: squares}, best, settings, &optimize.NelderMead{SimplexSize: 0.25})
	if r != nil && err == nil && r.F <= least {
		best, least = r.X, r.F
	}
	return best, least < 1e11
}

// parameters gives those of a fit in a person's terms with their intervals: linearised about the best, in the
// coordinates that were sought, in which they are nearly normal.
func (s shape) parameters(x, at []float64, residual, t float64) []Parameter {
	m := s.searched()
	q, u, least := at[:m], at[m], at[m+1]
	se := s.errors(x, q, least, residual)
	trip := Parameter{Key: "trip_current_a", Name: "extrapolated trip current", Unit: "A", Value: s.tripA(q, least),
		Low: s.tripA([]float64{q[0] + t*se[0]}, least), High: s.tripA([]float64{q[0] - t*se[0]}, least)}
	scale := Parameter{Key: "time_factor_s", Name: "time factor", Unit: "s", Value: math.Exp(u), Low: math.Exp(u - t*se[m]), High: math.Exp(u + t*se[m])}
	if s.thermal {
		scale.Key, scale.Name = "tau_s", "time constant"
	}
	out := []Parameter{trip, scale}
	if m == 2 {
		out = append(out, Parameter{Key: "alpha", Name: "exponent", Value: math.Exp(q[1]), Low: math.Exp(q[1] - t*se[1]), High: math.Exp(q[1] + t*se[1])})
	}
	return out
}

// errors are the standard errors of what was sought and of ln of the time factor, the last; +Inf where the
// points do not determine it.
func (s shape) errors(x, q []float64, least, residual float64) []float64 {
	m := len(q)
	out := make([]float64, m+1)
	inverse, err := s.covariance(x, q, least)
	for k := range out {
		out[k] = math.Inf(1)
		if v := 0.0; err == nil {
			if v = inverse.At(k, k); v > 0 {
				out[k] = residual * math.Sqrt(v)
			}
		}
	}
	return out
}

// slope is how ln t at a current changes with each of what was sought, and with ln of the time factor.
func (s shape) slope(q []float64, least, currentA float64) []float64 {
	out := make([]float64, len(q)+1)
	for k := range q {
		const h = 1e-4
		up, down := slices.Clone(q), slices.Clone(q)
		up[k], down[k] = q[k]+h, q[k]-h
		out[k] = (s.form(up, least, currentA) - s.form(down, least, currentA)) / (2 * h)
	}
	out[len(q)] = 1
	return out
}

// covariance is (J'J)⁻¹ at the points: that of what was sought but for the square of the residual.
func (s shape) covariance(x, q []float64, least float64) (*mat.Dense, error) {
	j := mat.NewDense(len(x), len(q)+1, nil)
	for i, v := range x {
		j.SetRow(i, s.slope(q, least, v))
	}
	var jj, inverse mat.Dense
	jj.Mul(j.T(), j)
	err := inverse.Inverse(&jj)
	return &inverse, err
}

// variance of ln t at a current over the square of the residual; 0 where it cannot be told.
func (f Fit) variance(x []float64, currentA float64) float64 {
	q, least := f.at[:f.shape.searched()], f.at[len(f.at)-1]
	inverse, err := f.shape.covariance(x, q, least)
	if err != nil {
		return 0
	}
	g := mat.NewVecDense(len(q)+1, f.shape.slope(q, least, currentA))
	return mat.Inner(g, inverse, g)
}
