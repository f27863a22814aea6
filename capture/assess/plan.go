package assess

import (
	"fmt"
	"math"
	"slices"

	"letthrough/capture/trace"
)

// Session says what a person wants of every unit, and what the rig stands.
type Session struct {
	Wanted  map[trace.Procedure]int // repeats; of overloads, different loads
	RestS   float64                 // between two tests of one unit, s
	MostA   float64                 // the largest current that the rig stands; 0: not known
	MostS   float64                 // the longest it may flow; 0: not known
	NowS    float64                 // on the clock that runs started by
	LastedS func(run int64) float64 // how long a run lasted; nil: not known
}

// DefaultSession is what tells most with least wear: three shorts, since repeats tell luck from behaviour; five
// loads for a curve (common practice, no source).
func DefaultSession() Session {
	return Session{Wanted: map[trace.Procedure]int{trace.Short: 3, trace.Carry: 1, trace.Ramp: 1, trace.Overload: leastFitted}, RestS: 120}
}

// Cell is one unit's tests of one procedure.
type Cell struct {
	Procedure trace.Procedure `json:"procedure"`
	Done      int             `json:"done"`
	Wanted    int             `json:"wanted"`
	State     string          `json:"state"` // done, missing, cooling
	Runs      []int64         `json:"runs"`
}

// Plan is a row of the session's grid.
type Plan struct {
	Output   string  `json:"output"`
	Cells    []Cell  `json:"cells"`
	CoolingS float64 `json:"cooling_s"` // how long the unit should still rest
	Next     string  `json:"next"`      // procedure; empty: all is done
	LoadA    float64 `json:"load_a"`    // of an overload or a carry test
	Say      string  `json:"say"`
}

// planOrder is in which order tests are best made: what tells whether a unit protects itself at all comes first,
// and what heats it most last.
var planOrder = []trace.Procedure{trace.Short, trace.Carry, trace.Ramp, trace.Overload}

// PlanFor says what is done, what is missing, and which test comes next. A ramp may be replaced by stairs. A unit
// that limits or folds back has no curve: overloads are not asked of it.
func PlanFor(s Session, p Plate, output string, runs []Run) Plan {
	plan := Plan{Output: output, Cells: []Cell{}}
	var mine []Run
	limits, last := false, math.Inf(-1)
	for _, r := range runs {
		if r.Output != output || r.counts() != "" {
			continue
		}
		mine = append(mine, r)
		limits = limits || r.Behaviour == trace.FoldBack || r.Behaviour == trace.LimitedCurrent
		end := r.StartedS
		if s.LastedS != nil {
			end += s.LastedS(r.ID)
		}
		last = max(last, end)
	}
	plan.CoolingS = max(0, last+s.RestS-s.NowS)
	for _, procedure := range planOrder {
		wanted := s.Wanted[procedure]
		if wanted == 0 || procedure == trace.Overload && limits {
			continue
		}
		c := Cell{Procedure: procedure, Wanted: wanted, State: "missing", Runs: []int64{}}
		for _, r := range mine {
			if r.Procedure == procedure || procedure == trace.Ramp && r.Procedure == trace.Steps {
				c.Done++
				c.Runs = append(c.Runs, r.ID)
			}
		}
		if procedure == trace.Overload {
			c.Done = different(loadsOf(mine))
		}
		switch {
		case c.Done >= wanted:
			c.State = "done"
		case plan.CoolingS > 0:
			c.State = "cooling"
		}
		plan.Cells = append(plan.Cells, c)
	}
	plan.choose(s, p, mine)
	return plan
}

func loadsOf(runs []Run) (a []float64) {
	for _, r := range runs {
		if pt, ok := pointOf(r); ok && r.Procedure == trace.Overload {
			a = append(a, pt.CurrentA)
		}
	}
	return a
}

// choose names the next test: each procedure once before any is repeated.
func (plan *Plan) choose(s Session, p Plate, runs []Run) {
	pick := func(ok func(Cell) bool) bool {
		i := slices.IndexFunc(plan.Cells, ok)
		if i < 0 {
			return false
		}
		plan.Next = string(plan.Cells[i].Procedure)
		return true
	}
	if !pick(func(c Cell) bool { return c.Done == 0 && c.Wanted > 0 }) && !pick(func(c Cell) bool { return c.Done < c.Wanted }) {
		plan.Say = "all that was asked for is done"
		return
	}
	plan.Say = "next: a " + testName(trace.Procedure(plan.Next))
	switch trace.Procedure(plan.Next) {
	case trace.Carry:
		if plan.LoadA = p.RatedA; p.RatedA > 0 {
			plan.Say += fmt.Sprintf(" at its rating of %s A", number(p.RatedA))
		}
	case trace.Overload:
		var why string
		plan.LoadA, why = NextOverload(s, p, runs)
		if plan.LoadA > 0 {
			plan.Say += fmt.Sprintf(" at %s A: %s", number(plan.LoadA), why)
		} else {
			plan.Say = "no overload test: " + why
			plan.Next = ""
		}
	}
	if plan.CoolingS > 0 {
		plan.Say += fmt.Sprintf("; let it rest for %s s first", number(math.Ceil(plan.CoolingS)))
	}
}

// NextOverload chooses the load that narrows the curve most within what the rig stands: with a fitted curve, where
// its time is least certain; before, in the middle of the widest gap between the currents that were tested.
func NextOverload(s Session, p Plate, runs []Run) (a float64, why string) {
	var points []Point
	for _, r := range runs {
		if pt, ok := pointOf(r); ok {
			points = append(points, pt)
		}
	}
	low, high := rangeOfLoads(s, p, runs, points)
	if !(high > low) {
		return 0, "between its rating and what the rig stands there is no room"
	}
	if fits := FitCurve(points); len(fits) > 0 {
		return leastCertain(fits[0], points, low, high, s.MostS)
	}
	at := []float64{math.Log(low), math.Log(high)}
	for _, pt := range points {
		if pt.CurrentA > low && pt.CurrentA < high {
			at = append(at, math.Log(pt.CurrentA))
		}
	}
	slices.Sort(at)
	widest := 0
	for i := 1; i < len(at)-1; i++ {
		if at[i+1]-at[i] > at[widest+1]-at[widest] {
			widest = i
		}
	}
	return math.Exp((at[widest] + at[widest+1]) / 2), "the middle of the widest gap between the currents tested so far"
}

// rangeOfLoads is where overloads make sense: above what is known not to trip, up to the short's own current, and
// to what the rig stands.
func rangeOfLoads(s Session, p Plate, runs []Run, points []Point) (low, high float64) {
	low = 1.1 * p.RatedA
	for _, r := range runs {
		if f, ok := r.Figures.Get("trip_current_a"); ok && f.Bound.HasValue() {
			low = max(low, 1.1*f.Value)
		}
	}
	for _, pt := range points {
		high = max(high, pt.CurrentA)
	}
	if high == 0 {
		high = 10 * p.RatedA // common practice, no source: units far above their label are common
	}
	if s.MostA > 0 {
		high = min(high, s.MostA)
	}
	return low, high
}

// leastCertain walks along the curve: the variance of ln t at a current is g'(J'J)⁻¹g, and another test where it is
// largest takes most of it away (D-optimal design, textbook, from memory).
func leastCertain(f Fit, points []Point, low, high, mostS float64) (float64, string) {
	var x []float64
	for _, pt := range exactPoints(points) {
		x = append(x, pt.CurrentA)
	}
	best, most := 0.0, -1.0
	const steps = 60
	for i := range steps + 1 {
		a := low * math.Pow(high/low, float64(i)/steps)
		t := f.Seconds(a)
		if math.IsInf(t, 1) || mostS > 0 && t > mostS {
			continue
		}
		if v := f.variance(x, a); v > most {
			best, most = a, v
		}
	}
	if best == 0 {
		return 0, "everywhere on its curve it takes longer to trip than the rig stands"
	}
	return best, fmt.Sprintf("there its curve is least certain; it should trip after about %s s", number(f.Seconds(best)))
}
