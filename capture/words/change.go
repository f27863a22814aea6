package words

import (
	"math"
	"strings"

	"letthrough/capture/trace"
)

// Text is a line as one says it: "at most 0.42 s".
func (l Line) Text() string {
	if l.Value == "" {
		return l.Lead
	}
	return strings.Join(strings.Fields(l.Lead+" "+l.Value+" "+l.PM+" "+l.Unit), " ")
}

// Change says how one figure differs from what it was: "7.1 A²s more". Where one of the two has no number, or they are
// bounds of different kinds, there is no difference to state, and it says what became of it.
func Change(was, now trace.Figure) string {
	switch {
	case !was.Bound.HasValue() && !now.Bound.HasValue():
		return now.Why
	case !now.Bound.HasValue():
		return "no longer a number"
	case !was.Bound.HasValue():
		return "now a number"
	case was.Bound != now.Bound && now.Bound == trace.Exact:
		return "now exact"
	case was.Bound != now.Bound:
		return "now a bound"
	}
	d := now.Value - was.Value
	more, less := "more", "less"
	if def, _ := trace.DefinitionOf(now.Key); def.Unit == "s" {
		more, less = "longer", "shorter"
	}
	size := trace.Figure{Key: now.Key, Value: math.Abs(d), U: now.U, Bound: trace.Exact}
	value, _, unit := pieces(size)
	switch {
	case strings.Trim(value, "0.") == "" && was.U != now.U:
		return "known differently well"
	case strings.Trim(value, "0.") == "":
		return "the same number"
	case d > 0:
		return strings.TrimSpace(value+" "+unit) + " " + more
	}
	return strings.TrimSpace(value+" "+unit) + " " + less
}

// Use says what readings were used for.
func Use(k trace.UseKind) string {
	switch k {
	case trace.UseEdge:
		return "an instant between two readings"
	case trace.UseLevel:
		return "a level"
	case trace.UseSum:
		return "summed up"
	case trace.UseMost:
		return "the largest of them"
	case trace.UsePeak:
		return "the largest one"
	case trace.UseCount:
		return "counted"
	case trace.UseSlope:
		return "how fast they rise"
	}
	return string(k)
}
