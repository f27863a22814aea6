package heat

import "math"

// Gate is what a standard allows a fuse at one multiple of its rating: it must not open before EarliestS
// and must have opened by LatestS. 0 and +Inf where the standard says nothing.
type Gate struct {
	TimesRated float64
	EarliestS  float64
	LatestS    float64
}

// FuseType is a sheet of a standard, or its like, for one band of ratings.
type FuseType struct {
	ID      string // as parts name it: "60127-2/2"
	Title   string
	Edition string
	FromA   float64 // ratings the gates are for
	ToA     float64
	Gates   []Gate // by rising current
	Source  string
}

var inf = math.Inf(1)

// FuseTypes is table data: "the" gates of a fuse depend on sheet, edition and band of ratings. Links of
// 5 x 20 mm by IEC 60127-2 but for the last.
var FuseTypes = []FuseType{
	{"60127-2/1", "5 × 20 mm, quick-acting, high breaking capacity (IEC 60127-2 sheet 1)", "as makers print it", 0.05, 6.3,
		[]Gate{{1.5, 3600, inf}, {2.1, 0, 1800}, {2.75, 0.05, 2}, {4, 0.01, 0.3}, {10, 0, 0.02}}, "from memory"},
	{"60127-2/2", "5 × 20 mm, quick-acting, low breaking capacity (IEC 60127-2 sheet 2)", "as makers print it", 0.4, 6.3,
		[]Gate{{1.5, 3600, inf}, {2.1, 0, 1800}, {2.75, 0.05, 2}, {4, 0.01, 0.3}, {10, 0, 0.02}}, "a maker's sheet"},
	{"60127-2/2", "5 × 20 mm, quick-acting, low breaking capacity (IEC 60127-2 sheet 2)", "as makers print it", 8, 10,
		[]Gate{{1.5, 1800, inf}, {2.1, 0, 1800}, {2.75, 0.05, 2}, {4, 0.01, 0.4}, {10, 0, 0.04}}, "a maker's sheet"},
	{"60127-2/3", "5 × 20 mm, time-lag, low breaking capacity (IEC 60127-2 sheet 3)", "as makers print it", 0.2, 6.3,
		[]Gate{{1.5, 3600, inf}, {2.1, 0, 120}, {2.75, 0.6, 10}, {4, 0.15, 3}, {10, 0.02, 0.3}}, "a maker's sheet"},
	{"60127-2/5", "5 × 20 mm, time-lag, high breaking capacity (IEC 60127-2 sheet 5)", "as makers print it", 1, 3.15,
		[]Gate{{1.5, 3600, inf}, {2.1, 0, 1800}, {2.75, 0.75, 80}, {4, 0.095, 5}, {10, 0.01, 0.15}}, "a maker's sheet"},
	{"60127-2/5", "5 × 20 mm, time-lag, high breaking capacity (IEC 60127-2 sheet 5)", "as makers print it", 4, 6.3,
		[]Gate{{1.5, 3600, inf}, {2.1, 0, 1800}, {2.75, 0.75, 80}, {4, 0.15, 5}, {10, 0.02, 0.15}}, "a maker's sheet"},
	{"60127-2/5 older", "5 × 20 mm, time-lag, high breaking capacity (IEC 60127-2 sheet 5, older edition)", "older", 1, 3.15,
		[]Gate{{1.5, 3600, inf}, {2.1, 0, 1800}, {2.75, 1, 80}, {4, 0.095, 5}, {10, 0.01, 0.1}}, "a maker's sheet"},
	{"60127-2/5 older", "5 × 20 mm, time-lag, high breaking capacity (IEC 60127-2 sheet 5, older edition)", "older", 4, 6.3,
		[]Gate{{1.5, 3600, inf}, {2.1, 0, 1800}, {2.75, 1, 80}, {4, 0.15, 5}, {10, 0.02, 0.1}}, "a maker's sheet"},
	{"248-14", "UL 248-14", "as makers print it", 0.001, 30,
		[]Gate{{1.35, 0, 3600}, {2, 0, 120}}, "a maker's guide"},
}

// FuseIDs are the types that a part may name, in the order a form offers them.
func FuseIDs() []string {
	var ids []string
	for _, t := range FuseTypes {
		if len(ids) == 0 || ids[len(ids)-1] != t.ID {
			ids = append(ids, t.ID)
		}
	}
	return ids
}

// FuseTypeOf finds the gates for a fuse of that type and rating; ok is false where the table has none.
func FuseTypeOf(id string, ratedA float64) (t FuseType, ok bool) {
	for _, t := range FuseTypes {
		if t.ID == id && ratedA >= t.FromA && ratedA <= t.ToA {
			return t, true
		}
	}
	return FuseType{}, false
}

// Opening says when a fuse opens at a steady current, s. Earliest and Latest are read from lines between
// the gates on log-log paper: what a fuse of its kind is likely to do. The sure ones follow from the gates
// alone, a fuse opening no later at more current: between two gates the standard promises no more.
// NaN is unknown, +Inf of the latest: it need not open at all.
type Opening struct {
	EarliestS, LatestS         float64
	SureEarliestS, SureLatestS float64
}

// Opens reads when a fuse of rating ratedA opens at a steady current. Outside the gates nothing is known
// but what follows from them: below the first the fuse need not open, above the last it opens no later
// than there.
func (t FuseType) Opens(ratedA, currentA float64) Opening {
	x := math.Abs(currentA) / ratedA
	if !(ratedA > 0) || math.IsNaN(x) || len(t.Gates) == 0 {
		return Opening{math.NaN(), math.NaN(), 0, inf}
	}
	o := Opening{math.NaN(), math.NaN(), 0, inf}
	for _, g := range t.Gates {
		if g.TimesRated >= x {
			o.SureEarliestS = max(o.SureEarliestS, g.EarliestS)
		}
		if g.TimesRated <= x {
			o.SureLatestS = min(o.SureLatestS, g.LatestS)
		}
	}
	o.EarliestS = between(t.Gates, x, func(g Gate) float64 { return g.EarliestS })
	o.LatestS = between(t.Gates, x, func(g Gate) float64 { return g.LatestS })
	return o
}

// between interpolates log time over log current among the gates that have one of the two limits; NaN
// outside them.
func between(gates []Gate, x float64, of func(Gate) float64) float64 {
	last := Gate{}
	for _, g := range gates {
		t := of(g)
		if !(t > 0) || math.IsInf(t, 1) {
			continue
		}
		switch {
		case g.TimesRated == x:
			return t
		case g.TimesRated > x && last.TimesRated == 0:
			return math.NaN()
		case g.TimesRated > x:
			u := math.Log(x/last.TimesRated) / math.Log(g.TimesRated/last.TimesRated)
			return math.Exp(math.Log(of(last)) + u*(math.Log(t)-math.Log(of(last))))
		}
		last = g
	}
	return math.NaN()
}

// MeltingS is when a fuse of that melting I²t has melted at a steady current, s. It holds for currents of
// about ten times the rating and more, where no heat gets out; below, it takes longer.
func MeltingS(meltingA2s, currentA float64) float64 {
	if !(meltingA2s > 0) {
		return math.NaN()
	}
	return meltingA2s / (currentA * currentA)
}
