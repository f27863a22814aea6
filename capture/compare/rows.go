package compare

import (
	"slices"

	"letthrough/capture/trace"
	"letthrough/capture/words"
)

// StopsKey is the row that tells when the full fault current was over, whether it was cut off or limited.
const StopsKey = "stops_or_limits_after_s"

// perHold are the figures that grow with the time the fault was held: told apart only where that was alike.
var perHold = []string{"hold_a2s", "charge_c", "energy_j", "retry_count", "heating_current_a", "hold_s"}

// rows gives one row a figure that any of the runs has, in the order a person reads them.
func (c Comparison) rows() []Row {
	var rows []Row
	if r, ok := c.stops(); ok {
		rows = append(rows, r)
	}
	for _, def := range trace.Definitions {
		r := Row{Key: def.Key, Say: def.Say, Unit: def.Unit, figures: make([]trace.Figure, len(c.runs))}
		any := false
		for i, run := range c.runs {
			if f, ok := run.Derivation.Figures.Get(def.Key); ok {
				r.figures[i] = f
				any = any || f.Bound != trace.NotApplicable
			}
		}
		if !any {
			continue
		}
		if len(rows) > 0 && rows[0].Key == StopsKey && (def.Key == "time_to_cutoff_s" || def.Key == "time_to_limit_s") {
			r.In = StopsKey
		}
		rows = append(rows, r)
	}
	for i := range rows {
		c.fill(&rows[i])
	}
	return rows
}

// stops joins the times to cut-off and to limitation where the runs have some of each: what the fault
// current did first is then one question.
func (c Comparison) stops() (Row, bool) {
	r := Row{Key: StopsKey, Say: words.StopsOrLimits, Unit: "s", figures: make([]trace.Figure, len(c.runs))}
	kinds := map[string]bool{}
	for i, run := range c.runs {
		for _, key := range []string{"time_to_limit_s", "time_to_cutoff_s", "time_to_trip_s"} {
			if f, ok := run.Derivation.Figures.Get(key); ok && f.Bound != trace.NotApplicable {
				r.figures[i] = f
				kinds[key] = true
				break
			}
		}
	}
	return r, kinds["time_to_limit_s"] && len(kinds) > 1
}

// said is the figure by whose words the row is told.
func (r Row) said() string {
	if r.Key == StopsKey {
		return "time_to_cutoff_s"
	}
	return r.Key
}

func (c Comparison) fill(r *Row) {
	r.Unlike = c.unlikeFor(r.Key)
	for i, f := range r.figures {
		r.Cells = append(r.Cells, c.cell(r.Key, i, f))
	}
	order := make([][]Order, len(c.runs))
	for i := range order {
		order[i] = make([]Order, len(c.runs))
	}
	for a := range c.runs {
		for b := a + 1; b < len(c.runs); b++ {
			p := c.pair(*r, a, b)
			order[b][a], order[a][b] = p.Order, p.Order.reversed()
			r.Pairs = append(r.Pairs, p)
		}
	}
	r.Order = ranked(len(c.runs), func(i, j int) Order { return order[i][j] },
		func(i int) bool { return r.figures[i].Bound == trace.Exact })
	if r.Order == nil {
		r.Order = []int{}
	}
	r.Between, r.Aside = c.between(*r, order)
}

func (c Comparison) cell(key string, i int, f trace.Figure) *Cell {
	if f.Bound == "" {
		return nil
	}
	cell := &Cell{Bound: f.Bound, Text: f.Text, Why: f.Why, Line: words.Sentence(f, c.runs[i].Settings)}
	if f.Bound.HasValue() {
		cell.Value, cell.U = &f.Value, &f.U
	}
	switch {
	case f.Key != key && cell.Line.More == "":
		cell.Line.More = words.ToWhat(f.Key)
	case f.Bound == trace.NotApplicable && cell.Line.More == "":
		cell.Line.More = f.Why
	}
	return cell
}

func (c Comparison) pair(r Row, a, b int) Pair {
	fa, fb := r.figures[a], r.figures[b]
	p := Pair{A: a, B: b, Order: NotDetermined, Difference: Value{Bound: trace.NotResolved}, Ratio: Value{Bound: trace.NotResolved}}
	na, nb := c.Names[a], c.Names[b]
	switch {
	case fa.Bound == "" || fb.Bound == "":
		p.Why = words.NotMeasured(missing(fa, na, nb))
	case !c.runs[a].counts() || !c.runs[b].counts():
		p.Why = "left out: " + excluded(c.runs[a], c.runs[b]).Reason
	case r.Unlike != "":
		p.Why = r.Unlike
	default:
		p.Order, p.Difference, p.Ratio = compared(fb, fa)
		p.Why = c.why(r, p, a, b)
	}
	if p.Order.decided() || p.Order == Same {
		yes := p.Order != Same
		p.Exceeds = &yes
	}
	p.Text = words.Difference(words.Apart{Key: r.said(), Of: nb, Order: string(p.Order), Value: p.Difference.Value, U: p.Difference.U, Bound: p.Difference.Bound})
	p.Times = words.Times(na, p.Ratio.Value, p.Ratio.U, p.Ratio.Bound)
	return p
}

func missing(fa trace.Figure, na, nb string) string {
	if fa.Bound == "" {
		return na
	}
	return nb
}

func excluded(a, b Run) Run {
	if !a.counts() {
		return a
	}
	return b
}

// why says what stands in the way of an answer.
func (c Comparison) why(r Row, p Pair, a, b int) string {
	fa, fb := r.figures[a], r.figures[b]
	switch p.Order {
	case NotApplicable:
		if fa.Bound == trace.NotApplicable && fb.Bound == trace.NotApplicable {
			return ""
		}
		if fa.Bound == trace.NotApplicable {
			return "does not apply to " + c.Names[a]
		}
		return "does not apply to " + c.Names[b]
	case NotDetermined:
		for _, i := range []int{b, a} {
			if f := r.figures[i]; f.Bound != trace.Exact && f.Why != "" {
				return c.Names[i] + ": " + f.Why
			}
		}
		if fa.Bound == trace.NotResolved || fb.Bound == trace.NotResolved {
			return "not resolved"
		}
		return "the bound covers both"
	}
	return ""
}

// unlikeFor says why a figure may not be ranked over these runs, or nothing.
func (c Comparison) unlikeFor(key string) string {
	need := func(condition string) string {
		for _, u := range c.Conditions {
			if u.Key == condition && u.Unlike {
				return u.Text
			}
		}
		return ""
	}
	switch {
	case slices.Contains(perHold, key) && key != "hold_s":
		return need("hold")
	case key == "time_to_trip_s":
		return need("load")
	case key == "carried_for_s":
		return need("hold")
	}
	return ""
}

// between says in words what the bounds allow to be said over all runs.
func (c Comparison) between(r Row, order [][]Order) (say, aside string) {
	if r.Unlike != "" {
		return "not ranked", r.Unlike
	}
	if len(c.runs) == 2 {
		p := r.Pairs[0]
		aside = p.Why
		if aside == "" && p.Order != Same {
			aside = p.Times
		}
		return p.Text, aside
	}
	if len(r.Order) > 0 {
		top := c.pairOf(r, r.Order[1], r.Order[0])
		say = words.Ranking(r.said(), c.named(r.Order), words.Apart{Key: r.said(), Of: c.Names[r.Order[0]], Order: string(More), Value: top.Value, U: top.U, Bound: top.Bound})
	}
	return c.rest(r, order, say)
}

// pairOf gives the difference of a from b, whichever way round the pair is kept.
func (c Comparison) pairOf(r Row, b, a int) Value {
	for _, p := range r.Pairs {
		if p.A == b && p.B == a {
			return p.Difference
		}
		if p.A == a && p.B == b {
			d := p.Difference
			d.Value = -d.Value
			switch d.Bound {
			case trace.AtMost:
				d.Bound = trace.AtLeast
			case trace.AtLeast:
				d.Bound = trace.AtMost
			}
			return d
		}
	}
	return Value{Bound: trace.NotResolved}
}

func (c Comparison) named(places []int) []string {
	out := make([]string, len(places))
	for i, p := range places {
		out[i] = c.Names[p]
	}
	return out
}

// rest says of the runs without a place why they have none.
func (c Comparison) rest(r Row, order [][]Order, say string) (string, string) {
	var left words.Unplaced
	out := false
	for i := range c.runs {
		if slices.Contains(r.Order, i) {
			continue
		}
		if r.figures[i].Bound == "" || r.figures[i].Bound == trace.NotApplicable || !c.runs[i].counts() {
			out = true
			continue
		}
		var unknown []string
		same, told := false, false
		for j := range c.runs {
			switch {
			case i == j:
			case order[i][j] == Same:
				same = true
			case order[i][j].decided():
				told = true
			case order[i][j] == NotDetermined && c.runs[j].counts() && r.figures[j].Bound != "":
				unknown = append(unknown, c.Names[j])
			}
		}
		switch {
		case len(unknown) == 1 && told:
			left.Against(c.Names[i], unknown[0])
		case len(unknown) > 0:
			left.Open = append(left.Open, c.Names[i])
		case same:
			left.Alike = append(left.Alike, c.Names[i])
		}
	}
	aside := left.Say(say == "")
	if say == "" {
		say, aside = aside, ""
	}
	if say == "" && out {
		say = "nothing to set against it"
	}
	return say, aside
}
