package assess

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"letthrough/capture/trace"
	"letthrough/capture/words"
)

// Point is one test on the time-current characteristic of a unit.
type Point struct {
	Run       int64           `json:"run"`
	Procedure trace.Procedure `json:"procedure"`
	CurrentA  float64         `json:"current_a"`
	CurrentU  float64         `json:"current_u"` // expanded
	TimeS     float64         `json:"time_s"`
	TimeU     float64         `json:"time_u"` // expanded
	Bound     trace.Bound     `json:"bound"`  // of the time: exact, at_most (an arrow down), at_least (an arrow up: it had not tripped yet)
}

// Curve is the time-current characteristic of one output.
type Curve struct {
	Output string   `json:"output"`
	Points []Point  `json:"points"` // by rising current
	Fits   []Fit    `json:"fits"`   // the best first
	Say    []string `json:"say"`
}

// Curves gives the characteristic of each output that overload and short tests were made of. Units that
// limit or fold back have none: nothing trips.
func Curves(runs []Run) []Curve {
	out := []Curve{}
	for _, output := range Outputs(runs) {
		c := Curve{Output: output, Points: []Point{}, Fits: []Fit{}, Say: []string{}}
		for _, r := range runs {
			if r.Output != output || r.counts() != "" {
				continue
			}
			if p, ok := pointOf(r); ok {
				c.Points = append(c.Points, p)
			}
		}
		if len(c.Points) == 0 {
			continue
		}
		slices.SortStableFunc(c.Points, func(a, b Point) int { return cmp.Compare(a.CurrentA, b.CurrentA) })
		c.Fits = FitCurve(c.Points)
		c.Say = c.sentences()
		out = append(out, c)
	}
	return out
}

func pointOf(r Run) (Point, bool) {
	current, time := "sustained_current_a", "time_to_cutoff_s"
	switch {
	case r.Procedure == trace.Overload:
		current, time = "load_current_a", "time_to_trip_s"
	case r.Procedure != trace.Short:
		return Point{}, false
	}
	i, ok1 := r.Figures.Get(current)
	t, ok2 := r.Figures.Get(time)
	if !ok1 || !ok2 || i.Bound != trace.Exact || !t.Bound.HasValue() || !(i.Value > 0) || !(t.Value > 0) {
		return Point{}, false
	}
	return Point{r.ID, r.Procedure, i.Value, i.U, t.Value, t.U, t.Bound}, true
}

// leastFitted is from how many exact points curves are fitted: the corrected AIC of two parameters needs
// five, and fewer would go through anything.
const leastFitted = 5

func (c Curve) sentences() (say []string) {
	exact := exactPoints(c.Points)
	if bounds := len(c.Points) - len(exact); bounds > 0 {
		say = append(say, fmt.Sprintf("%s only a bound and %s no part in the fit", counted(bounds, "point is", "points are"), takes(bounds)))
	}
	if len(c.Fits) == 0 {
		why := fmt.Sprintf("no curve is fitted: %s, and at least %d at different currents are needed", counted(len(exact), "exact point", "exact points"), leastFitted)
		if len(exact) >= leastFitted {
			why = "no curve is fitted: the points lie at too few different currents, or the time does not fall as the current rises"
		}
		return append(say, why)
	}
	say = append(say, c.Fits[0].Say(c.Points)...)
	for _, f := range c.Fits[1:] {
		if f.AICc-c.Fits[0].AICc < nearlyAsGood {
			say = append(say, fmt.Sprintf("nearly as good: %s, trip current %s A", f.Name, number(f.Parameters[0].Value)))
		}
	}
	return say
}

// nearlyAsGood is the difference of the corrected AIC below which another family is not ruled out (Burnham
// and Anderson 2002, section 2.6: up to 2; from memory).
const nearlyAsGood = 2

func takes(n int) string {
	if n == 1 {
		return "takes"
	}
	return "take"
}

func exactPoints(points []Point) (exact []Point) {
	for _, p := range points {
		if p.Bound == trace.Exact {
			exact = append(exact, p)
		}
	}
	return exact
}

// Say tells a fit in sentences: what it is, what its parameters are, and which of them are extrapolated.
func (f Fit) Say(points []Point) (say []string) {
	line := "fits best: " + f.Name
	for _, p := range f.Parameters {
		line += "; " + p.say()
	}
	say = append(say, line+fmt.Sprintf("; the times scatter by a factor of %.2f about it", math.Exp(f.ResidualLn)))
	lowest := math.Inf(1)
	for _, p := range exactPoints(points) {
		lowest = min(lowest, p.CurrentA)
	}
	low, _ := words.Number(lowest, 0)
	set := f.Parameters[0]
	say = append(say, fmt.Sprintf("the trip current %s A is extrapolated: the lowest current that was seen to trip it is %s A", number(set.Value), low))
	for _, p := range points {
		t := f.Seconds(p.CurrentA)
		if p.Bound == trace.AtLeast && t < p.TimeS/math.Exp(2*f.ResidualLn) || p.Bound == trace.AtMost && t > p.TimeS*math.Exp(2*f.ResidualLn) {
			say = append(say, fmt.Sprintf("run %d contradicts the curve: at %s A it gives %s s, and the run says %s %s s", p.Run, number(p.CurrentA), number(t), boundWords(p.Bound), number(p.TimeS)))
		}
	}
	return say
}

func boundWords(b trace.Bound) string {
	if b == trace.AtMost {
		return "at most"
	}
	return "at least"
}

func number(v float64) string {
	if math.IsInf(v, 1) {
		return "infinitely many"
	}
	s, _ := words.Number(v, 0)
	return s
}
