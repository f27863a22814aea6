package assess

import (
	"fmt"
	"math"
	"slices"

	"letthrough/capture/trace"
)

// Band is the range of currents that a unit feeds for ever, and what stands in it.
type Band struct {
	Output string      `json:"output"`
	FromA  float64     `json:"from_a"` // the rating: more than that is a fault
	ToA    float64     `json:"to_a"`   // up to here it never trips
	Bound  trace.Bound `json:"bound"`  // at_least: it may feed more
	Why    string      `json:"why"`    // where ToA comes from
	// FaultOhm is the fault's own resistance above which it is never noticed, and FaultW the most that the
	// fault then turns into heat; 0 where voltage or source resistance are not known.
	FaultOhm float64  `json:"fault_ohm"`
	FaultW   float64  `json:"fault_w"`
	Say      []string `json:"say"`
}

// Unnoticed gives, for each output, the band of currents that the unit feeds for ever against what the loads
// stand.
func Unnoticed(unit string, ratedV float64, p Plate, loads []*Load, runs []Run) []Band {
	out := []Band{}
	for _, output := range Outputs(runs) {
		var mine []Run
		for _, r := range runs {
			if r.Output == output && r.counts() == "" {
				mine = append(mine, r)
			}
		}
		b, ok := bandOf(mine)
		if !ok {
			continue
		}
		b.Output, b.FromA = output, p.RatedA
		b.Say = b.sentences(unit, loads)
		volts, ohm, from := sourceOf(mine, ratedV)
		if volts > 0 && b.ToA > 0 {
			b.FaultOhm = max(volts/b.ToA-ohm, 0)
			b.FaultW = b.ToA * b.ToA * b.FaultOhm
			// The most a fault can draw of a source of that resistance is into its own resistance.
			if match := volts / (2 * ohm); ohm > 0 && match < b.ToA {
				b.FaultW = volts * volts / (4 * ohm)
			}
			if b.FaultW > 0 {
				b.Say = append(b.Say, fmt.Sprintf("a partial short of %s Ω or more is never noticed, and turns up to %s W into heat where it sits (%s)", number(b.FaultOhm), number(b.FaultW), from))
			}
		}
		out = append(out, b)
	}
	return out
}

// bandOf finds up to which current the output is fed for ever: the least that was seen to trip it, the level
// that it limits to, or what it fed without ever tripping.
func bandOf(runs []Run) (b Band, ok bool) {
	least := math.Inf(1)
	for _, r := range runs {
		f, has := r.Figures.Get("trip_current_a")
		if !has || !f.Bound.HasValue() {
			continue
		}
		switch f.Bound {
		case trace.Exact, trace.AtMost:
			if high := f.Value + f.U; high < least {
				least = high
				b = Band{ToA: f.Value, Bound: trace.Exact, Why: fmt.Sprintf("it trips at %s A (run %d)", number(f.Value), r.ID)}
			}
		case trace.AtLeast:
			if math.IsInf(least, 1) && f.Value-f.U > b.ToA {
				b = Band{ToA: f.Value - f.U, Bound: trace.AtLeast, Why: fmt.Sprintf("it did not trip up to %s A (run %d)", number(f.Value-f.U), r.ID)}
			}
		}
	}
	if b.ToA > 0 {
		return b, true
	}
	for _, r := range runs {
		if r.Procedure != trace.Short {
			continue
		}
		if f := steady(r); f.Bound.HasValue() && f.Value > b.ToA {
			what := "limits to"
			if r.Behaviour == trace.Sustained {
				what = "feeds a dead short with"
			}
			b = Band{ToA: f.Value, Bound: f.Bound, Why: fmt.Sprintf("it %s %s A (run %d)", what, number(f.Value), r.ID)}
		}
	}
	return b, b.ToA > 0
}

func (b Band) sentences(unit string, loads []*Load) (say []string) {
	most := number(b.ToA)
	if b.Bound == trace.AtLeast {
		most = "at least " + most
	}
	say = append(say, fmt.Sprintf("%s feeds up to %s A for ever: %s", unit, most, b.Why))
	sorted := slices.Clone(loads)
	slices.SortStableFunc(sorted, func(a, c *Load) int {
		if a.StallA < c.StallA {
			return -1
		}
		if a.StallA > c.StallA {
			return 1
		}
		return 0
	})
	for _, l := range sorted {
		if l.StallA > 0 && l.StallA <= b.ToA {
			say = append(say, b.stalled(l))
			continue
		}
		if l.ContinuousA > 0 && l.ContinuousA < b.ToA {
			stands := l.StandsS(b.ToA)
			more := ""
			if stands > 0 && !math.IsInf(stands, 1) {
				more = fmt.Sprintf(" (at %s A for %s s)", number(b.ToA), number(stands))
			}
			say = append(say, fmt.Sprintf("a fault in %s may draw between %s A, which it stands for ever, and %s A%s, and is never noticed", l.Name, number(l.ContinuousA), number(b.ToA), more))
		}
	}
	return say
}

func (b Band) stalled(l *Load) string {
	s := fmt.Sprintf("%s stalled draws %s A", l.Name, number(l.StallA))
	if l.RunningA > 0 {
		s += fmt.Sprintf(", %s times its running current", number(l.StallA/l.RunningA))
	}
	s += ", and is never noticed"
	stands := l.StandsS(l.StallA)
	switch {
	case l.ContinuousA > 0 && l.ContinuousA >= l.StallA, math.IsInf(stands, 1):
		return s + "; it stands that for ever"
	case stands > 0:
		return s + fmt.Sprintf("; it stands that for %s s", number(stands))
	}
	return s + "; how long it stands that is not known"
}

// sourceOf gives open volts and source resistance as measured, else the plate's volts and no resistance, which
// is on the careful side for the heat.
func sourceOf(runs []Run, ratedV float64) (volts, ohm float64, from string) {
	for _, r := range runs {
		v, ok1 := r.Figures.Get("open_volts")
		s, ok2 := r.Figures.Get("source_ohm")
		if ok1 && ok2 && v.Bound == trace.Exact && s.Bound == trace.Exact && s.Value >= 0 {
			return v.Value, s.Value, fmt.Sprintf("open volts and source resistance of run %d", r.ID)
		}
	}
	return ratedV, 0, "by the volts on its plate, its own resistance not counted"
}
