package compare

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"letthrough/capture/trace"
)

func fig(value, u float64, bound trace.Bound) trace.Figure {
	return trace.Figure{Key: "peak_current_a", Value: value, U: u, Bound: bound}
}

// TestEveryPairOfBounds is the truth table: what may be said of two figures, by their bounds and by which
// of the two numbers is the larger one.
func TestEveryPairOfBounds(t *testing.T) {
	const hi, lo = 2.0, 1.0
	ex, most, least := trace.Exact, trace.AtMost, trace.AtLeast
	unknown, not := trace.NotResolved, trace.NotApplicable
	for _, c := range []struct {
		a, b           trace.Bound
		larger, lesser Order // where a's number is 2 and b's 1, and the other way round
	}{
		{ex, ex, More, Less},
		{ex, most, More, NotDetermined},
		{ex, least, NotDetermined, Less},
		{most, ex, NotDetermined, Less},
		{most, most, NotDetermined, NotDetermined},
		{most, least, NotDetermined, Less},
		{least, ex, More, NotDetermined},
		{least, most, More, NotDetermined},
		{least, least, NotDetermined, NotDetermined},
		{ex, unknown, NotDetermined, NotDetermined},
		{most, unknown, NotDetermined, NotDetermined},
		{least, unknown, NotDetermined, NotDetermined},
		{unknown, ex, NotDetermined, NotDetermined},
		{unknown, most, NotDetermined, NotDetermined},
		{unknown, least, NotDetermined, NotDetermined},
		{unknown, unknown, NotDetermined, NotDetermined},
		{ex, not, NotApplicable, NotApplicable},
		{most, not, NotApplicable, NotApplicable},
		{least, not, NotApplicable, NotApplicable},
		{unknown, not, NotApplicable, NotApplicable},
		{not, ex, NotApplicable, NotApplicable},
		{not, most, NotApplicable, NotApplicable},
		{not, least, NotApplicable, NotApplicable},
		{not, unknown, NotApplicable, NotApplicable},
		{not, not, NotApplicable, NotApplicable},
	} {
		for _, way := range []struct {
			a, b float64
			want Order
		}{{hi, lo, c.larger}, {lo, hi, c.lesser}} {
			got, d, r := compared(fig(way.a, 0.1, c.a), fig(way.b, 0.1, c.b))
			if got != way.want {
				t.Errorf("%s %g against %s %g: %s, want %s", c.a, way.a, c.b, way.b, got, way.want)
			}
			if got.decided() != d.Bound.HasValue() && got != Same {
				t.Errorf("%s against %s: order %s with a difference %+v", c.a, c.b, got, d)
			}
			if !got.decided() && r.Bound.HasValue() {
				t.Errorf("%s against %s: a ratio %+v where nothing is told", c.a, c.b, r)
			}
		}
	}
}

// TestDifferencesAndRatiosByHand holds numbers against closed forms: root sum of squares for a difference
// (JCGM 100, 5.1.2) and for the relative uncertainties of a quotient (5.1.6), and limits of bounds.
func TestDifferencesAndRatiosByHand(t *testing.T) {
	ex, most, least := trace.Exact, trace.AtMost, trace.AtLeast
	for _, c := range []struct {
		what        string
		a, b        trace.Figure
		order       Order
		diff, ratio Value
	}{
		// 3-4-5: U(d) = sqrt(0.03² + 0.04²) = 0.05.
		{"apart", fig(1.92, 0.03, ex), fig(0.31, 0.04, ex), More, Value{1.61, 0.05, ex}, Value{1.92 / 0.31, 1.92 / 0.31 * math.Sqrt(math.Pow(0.03/1.92, 2)+math.Pow(0.04/0.31, 2)), ex}},
		{"on the uncertainty itself", fig(1.0625, 0.0375, ex), fig(1, 0.05, ex), Same, Value{0.0625, 0.0625, ex}, Value{1.0625, 1.0625 * math.Sqrt(math.Pow(0.0375/1.0625, 2)+0.05*0.05), ex}},
		{"within it", fig(1, 0.03, ex), fig(1.04, 0.04, ex), Same, Value{-0.04, 0.05, ex}, Value{1 / 1.04, 1 / 1.04 * math.Sqrt(0.0009+math.Pow(0.04/1.04, 2)), ex}},
		// 1.92 - 0.02 - 0.42: what is left at least.
		{"exact over at most", fig(1.92, 0.02, ex), fig(0.42, 0, most), More, Value{1.48, 0, least}, Value{1.90 / 0.42, 0, least}},
		{"at most under exact", fig(0.42, 0, most), fig(1.92, 0.02, ex), Less, Value{-1.48, 0, most}, Value{0.42 / 1.90, 0, most}},
		// 252 / (31.5 + 0.8) = 7.80 times at least.
		{"at least over exact", fig(252, 0, least), fig(31.5, 0.8, ex), More, Value{219.7, 0, least}, Value{252 / 32.3, 0, least}},
		{"a divisor known badly", fig(1, 0.01, ex), fig(0.1, 0.05, ex), More, Value{0.9, math.Hypot(0.01, 0.05), ex}, Value{0.99 / 0.15, 0, least}},
		{"bounds that touch", fig(1, 0, least), fig(1, 0, most), NotDetermined, Value{Bound: trace.NotResolved}, Value{Bound: trace.NotResolved}},
		{"a bound on the edge of the other", fig(1.5, 0.5, ex), fig(1, 0, most), NotDetermined, Value{Bound: trace.NotResolved}, Value{Bound: trace.NotResolved}},
		{"a divisor of nothing", fig(1, 0.01, ex), fig(0, 0.05, ex), More, Value{1, math.Hypot(0.01, 0.05), ex}, Value{Bound: trace.NotResolved}},
		{"counts alike", fig(3, 0, ex), fig(3, 0, ex), Same, Value{0, 0, ex}, Value{1, 0, ex}},
	} {
		order, d, r := compared(c.a, c.b)
		if c.what == "a divisor of nothing" {
			d, c.diff = Value{}, Value{}
		}
		if order != c.order || !near(d, c.diff) || !near(r, c.ratio) {
			t.Errorf("%s: %s %+v %+v, want %s %+v %+v", c.what, order, d, r, c.order, c.diff, c.ratio)
		}
	}
}

func near(a, b Value) bool {
	return a.Bound == b.Bound && math.Abs(a.Value-b.Value) < 1e-9 && math.Abs(a.U-b.U) < 1e-9
}

func drawFigure(t *rapid.T, name string) trace.Figure {
	bounds := []trace.Bound{trace.Exact, trace.AtMost, trace.AtLeast, trace.NotResolved, trace.NotApplicable}
	return fig(float64(rapid.IntRange(0, 40).Draw(t, name))/4, float64(rapid.IntRange(0, 8).Draw(t, name+" u"))/16,
		rapid.SampledFrom(bounds).Draw(t, name+" bound"))
}

// candidates are true values that a figure allows: a grid from far below to far above.
func candidates(f trace.Figure) []float64 {
	s := spanOf(f)
	var out []float64
	for v := -12.0; v <= 24; v += 1.0 / 16 {
		if v >= s.lo && v <= s.hi {
			out = append(out, v)
		}
	}
	return out
}

// TestAnOrderHoldsForWhateverIsTrue tries, for every pair with a bound, all true values that the two
// figures allow: a told order must hold for all of them, and one that is not told must fail for some.
func TestAnOrderHoldsForWhateverIsTrue(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b := drawFigure(t, "a"), drawFigure(t, "b")
		order, d, r := compared(a, b)
		if mirror, _, _ := compared(b, a); mirror != order.reversed() {
			t.Fatalf("%+v against %+v is %s, the other way round %s", a, b, order, mirror)
		}
		if a.Bound == trace.NotApplicable || b.Bound == trace.NotApplicable {
			if order != NotApplicable {
				t.Fatalf("order %s", order)
			}
			return
		}
		if a.Bound == trace.Exact && b.Bound == trace.Exact {
			apart := math.Abs(a.Value-b.Value) > math.Sqrt(a.U*a.U+b.U*b.U)
			if order.decided() != apart {
				t.Fatalf("%+v against %+v: %s", a, b, order)
			}
			return
		}
		least, most, leastRatio, mostRatio := math.Inf(1), math.Inf(-1), math.Inf(1), math.Inf(-1)
		for _, x := range candidates(a) {
			for _, y := range candidates(b) {
				least, most = min(least, x-y), max(most, x-y)
				if y > 0 && x >= 0 {
					leastRatio, mostRatio = min(leastRatio, x/y), max(mostRatio, x/y)
				}
			}
		}
		want := NotDetermined
		switch {
		case least > 0:
			want = More
		case most < 0:
			want = Less
		}
		if order != want {
			t.Fatalf("%+v against %+v: %s, but differences run from %g to %g", a, b, order, least, most)
		}
		if order == More && math.Abs(d.Value-least) > 1e-9 || order == Less && math.Abs(d.Value-most) > 1e-9 {
			t.Fatalf("%+v against %+v: a difference of %+v, but differences run from %g to %g", a, b, d, least, most)
		}
		if r.Bound == trace.AtLeast && r.Value > leastRatio+1e-9 || r.Bound == trace.AtMost && r.Value < mostRatio-1e-9 {
			t.Fatalf("%+v against %+v: a ratio of %+v, but ratios run from %g to %g", a, b, r, leastRatio, mostRatio)
		}
	})
}

// TestARankingNeverContradictsAPair: of every two that are ranked the earlier one is more for certain.
func TestARankingNeverContradictsAPair(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(2, 6).Draw(t, "n")
		figures := make([]trace.Figure, n)
		for i := range figures {
			figures[i] = drawFigure(t, "f")
		}
		order := func(i, j int) Order { o, _, _ := compared(figures[i], figures[j]); return o }
		list := ranked(n, order, func(i int) bool { return figures[i].Bound == trace.Exact })
		for i := range list {
			for _, later := range list[i+1:] {
				if order(list[i], later) != More {
					t.Fatalf("%v ranks %+v before %+v", list, figures[list[i]], figures[later])
				}
			}
		}
		for i := range n { // and nobody was left out who could have been taken in
			fits := len(list) > 0
			for _, j := range list {
				if i == j || !order(i, j).decided() {
					fits = false
				}
			}
			if fits {
				t.Fatalf("%v leaves out %d", list, i)
			}
		}
	})
}

func run(id int64, unit string, behaviour trace.Behaviour, figures ...trace.Figure) Run {
	return Run{ID: id, Unit: trace.Unit{Name: unit, RatedCurrentA: 1}, State: trace.RunComplete, Rig: "bench", Instrument: "shunt", RateHz: 1000,
		Settings:   trace.Settings{Procedure: trace.Short, RatedCurrentA: 1, HoldS: 30},
		Derivation: trace.Derivation{Procedure: trace.Short, Behaviour: behaviour, Figures: figures}}
}

func f(key string, value, u float64, bound trace.Bound) trace.Figure {
	return trace.Figure{Key: key, Value: value, U: u, Bound: bound}
}

// four is the cupboard of the pictures: a unit that tries again, one seen by a slow meter, one that folds
// back and one that never stops.
func four() []Run {
	ex, most, least, not := trace.Exact, trace.AtMost, trace.AtLeast, trace.NotApplicable
	return []Run{
		run(14, "Tin", trace.AutoRetry, f("time_to_cutoff_s", 1.92, 0.02, ex), f("time_to_limit_s", 0, 0, not), f("peak_current_a", 4.31, 0.05, ex), f("let_through_a2s", 31.5, 0.8, ex)),
		run(9, "Slate", trace.Latching, f("time_to_cutoff_s", 0.42, 0, most), f("time_to_limit_s", 0, 0, not), f("peak_current_a", 2.94, 0, least), f("let_through_a2s", 9.7, 0, most)),
		run(26, "Amber", trace.FoldBack, f("time_to_cutoff_s", 0, 0, not), f("time_to_limit_s", 0.31, 0.02, ex), f("peak_current_a", 2.46, 0.03, ex), f("let_through_a2s", 1.4, 0.1, ex)),
		run(29, "Moss", trace.Sustained, f("time_to_cutoff_s", 30, 0, least), f("time_to_limit_s", 0, 0, not), f("peak_current_a", 3.12, 0.04, ex), f("let_through_a2s", 252, 0, least)),
	}
}

func rowOf(t *testing.T, c Comparison, key string) Row {
	t.Helper()
	for _, r := range c.Rows {
		if r.Key == key {
			return r
		}
	}
	t.Fatalf("there is no row %s", key)
	return Row{}
}

func TestFourUnitsInWords(t *testing.T) {
	c, err := New(four())
	if err != nil {
		t.Fatal(err)
	}
	if c.Title != "Tin, Slate, Amber and Moss" {
		t.Errorf("title %q", c.Title)
	}
	for key, want := range map[string][2]string{
		StopsKey:          {"Amber first, then Tin, Moss", "Slate against Amber: not determined"},
		"peak_current_a":  {"Tin most, then Moss, Amber", "Slate’s place: not determined"},
		"let_through_a2s": {"Moss most, then Tin, Amber", "Slate against Amber: not determined"},
	} {
		if r := rowOf(t, c, key); r.Between != want[0] || r.Aside != want[1] {
			t.Errorf("%s: %q %q, want %q %q", key, r.Between, r.Aside, want[0], want[1])
		}
	}
	if r := rowOf(t, c, "time_to_cutoff_s"); r.In != StopsKey {
		t.Errorf("the time to cut-off stands beside the row that joins it: in %q", r.In)
	}
}

func TestTwoUnitsInWords(t *testing.T) {
	c, err := New(four()[:2])
	if err != nil {
		t.Fatal(err)
	}
	for key, want := range map[string]string{
		"time_to_cutoff_s": "Slate at least 1.48 s sooner",
		"peak_current_a":   "not determined",
		"let_through_a2s":  "Slate at least 21 A²s less",
	} {
		if got := rowOf(t, c, key).Between; got != want {
			t.Errorf("%s: %q, want %q", key, got, want)
		}
	}
	if exceeds := rowOf(t, c, "peak_current_a").Pairs[0].Exceeds; exceeds != nil {
		t.Errorf("the peaks are said to differ: %v", *exceeds)
	}
	if exceeds := rowOf(t, c, "time_to_cutoff_s").Pairs[0].Exceeds; exceeds == nil || !*exceeds {
		t.Error("the times are not said to differ")
	}
}

func TestUnlikeHoldsAreNotRanked(t *testing.T) {
	runs := four()[:2]
	for i := range runs {
		runs[i].Derivation.Figures = append(runs[i].Derivation.Figures, f("hold_a2s", 50+100*float64(i), 1, trace.Exact), f("hold_s", 30-18*float64(i), 0.01, trace.Exact))
	}
	c, err := New(runs)
	if err != nil {
		t.Fatal(err)
	}
	r := rowOf(t, c, "hold_a2s")
	if r.Pairs[0].Order != NotDetermined || r.Unlike != "held: 30 s (Tin), 12 s (Slate)" || len(r.Order) != 0 {
		t.Errorf("order %s, unlike %q, ranked %v", r.Pairs[0].Order, r.Unlike, r.Order)
	}
	if r := rowOf(t, c, "let_through_a2s"); r.Unlike != "" || r.Pairs[0].Order != Less {
		t.Errorf("what was let through up to the cut-off does not depend on the hold, but: %+v", r)
	}
}

func TestUnlikeConditionsAreSaid(t *testing.T) {
	runs := four()
	averaging := 0.1
	runs[1].Instrument, runs[1].RateHz, runs[1].Settings.AveragingS = "hand meter", 7, &averaging
	runs[2].Rig, runs[3].Setting = "table", "half"
	runs[3].Settings.ResolutionA = 0.01
	c, err := New(runs)
	if err != nil {
		t.Fatal(err)
	}
	said := map[string]string{}
	for _, u := range c.Conditions {
		if u.Unlike {
			said[u.Key] = u.Text
		}
	}
	want := map[string]string{
		"instrument": "instrument: shunt (Tin, Amber and Moss), hand meter (Slate)",
		"rate":       "readings a second: 1000 (Tin, Amber and Moss), 7 (Slate)",
		"averaging":  "averaging: not stated (Tin, Amber and Moss), 0.1 s (Slate)",
		"rig":        "rig: bench (Tin, Slate and Moss), table (Amber)",
		"setting":    "control of the unit: full (Tin, Slate and Amber), half (Moss)",
		"resolution": "resolution: not stated (Tin, Slate and Amber), 0.01 A (Moss)",
	}
	for key, text := range want {
		if said[key] != text {
			t.Errorf("%s: %q, want %q", key, said[key], text)
		}
	}
	if len(said) != len(want) {
		t.Errorf("said %v", said)
	}
}

func TestRunsThatCannotBeSetSideBySide(t *testing.T) {
	ramp := run(25, "Tin", trace.Tripped)
	ramp.Derivation.Procedure = trace.Ramp
	open := run(31, "Clay", "")
	open.State = trace.RunOpen
	seven := append(four(), run(1, "A", ""), run(2, "B", ""), run(3, "C", ""))
	for what, c := range map[string]struct {
		runs []Run
		says string
	}{
		"none":        {nil, "none is chosen"},
		"one":         {four()[:1], "one is chosen"},
		"seven":       {seven, "7 are chosen"},
		"twice":       {[]Run{four()[0], four()[0]}, "run 14 is chosen twice"},
		"still open":  {append(four()[:1], open), "run 31 is still being recorded"},
		"unlike kind": {append(four()[:2], ramp), "Short-circuit test: run 14 and run 9; Ramp: run 25"},
	} {
		if _, err := New(c.runs); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v, want %q", what, err, c.says)
		}
	}
}

func TestAnExcludedRunIsShownButNotRanked(t *testing.T) {
	runs := four()[:3]
	runs[0].State, runs[0].Reason = trace.RunExcluded, "clip slipped off"
	c, err := New(runs)
	if err != nil {
		t.Fatal(err)
	}
	r := rowOf(t, c, "peak_current_a")
	if r.Cells[0] == nil || r.Pairs[0].Order != NotDetermined || !strings.Contains(r.Pairs[0].Why, "clip slipped off") {
		t.Errorf("%+v %+v", r.Cells[0], r.Pairs[0])
	}
	if r.Between != "Slate at least 0.45 A more than Amber" {
		t.Errorf("%q", r.Between)
	}
	if !strings.Contains(strings.Join(c.Notes, " "), "Tin is left out of the ranking: clip slipped off") {
		t.Errorf("notes %q", c.Notes)
	}
}

// TestRunsOfOneUnitHaveABand against the closed forms of mean and sample standard deviation: of 1.90, 1.92
// and 1.97 they are 1.93 and sqrt(0.0026/2).
func TestRunsOfOneUnitHaveABand(t *testing.T) {
	var runs []Run
	for i, v := range []float64{1.90, 1.92, 1.97} {
		runs = append(runs, run(int64(i+1), "Tin", trace.AutoRetry, f("time_to_cutoff_s", v, 0.02, trace.Exact), f("peak_current_a", 4+v, 0, []trace.Bound{trace.Exact, trace.AtLeast, trace.Exact}[i])))
	}
	c, err := New(append(runs, run(9, "Slate", trace.Latching, f("time_to_cutoff_s", 0.1, 0.01, trace.Exact))))
	if err != nil {
		t.Fatal(err)
	}
	if c.Title != "Tin run 1, Tin run 2, Tin run 3 and Slate" || len(c.Bands) != 1 || len(c.Bands[0].Rows) != 2 {
		t.Fatalf("%q, bands %+v", c.Title, c.Bands)
	}
	b := c.Bands[0].Rows[0]
	if b.N != 3 || b.Min != 1.90 || b.Max != 1.97 || math.Abs(b.Mean-1.93) > 1e-12 || math.Abs(b.S-math.Sqrt(0.0013)) > 1e-12 {
		t.Errorf("%+v", b)
	}
	if peak := c.Bands[0].Rows[1]; peak.N != 2 || peak.Left != 1 || !strings.Contains(peak.Text, "in 1 it is only a bound") {
		t.Errorf("a bound went into the mean: %+v", peak)
	}
}

func TestAFigureThatOneRunDoesNotHave(t *testing.T) {
	runs := four()[:2]
	runs[0].Derivation.Figures = append(runs[0].Derivation.Figures, f("energy_j", 5, 0.1, trace.Exact))
	c, err := New(runs)
	if err != nil {
		t.Fatal(err)
	}
	r := rowOf(t, c, "energy_j")
	if r.Cells[1] != nil || r.Pairs[0].Order != NotDetermined || r.Pairs[0].Why != "not measured of Slate" {
		t.Errorf("%+v", r)
	}
}

func TestAlignment(t *testing.T) {
	d := trace.Derivation{Marks: []trace.Mark{{Kind: trace.Onset, T: 0.5}, {Kind: trace.Limited, T: 0.8}, {Kind: trace.CutOff, T: 2.5}}}
	folded := trace.Derivation{Marks: d.Marks[:2]}
	for _, c := range []struct {
		a     Align
		d     trace.Derivation
		shift float64
		at    trace.MarkKind
	}{
		{AtOnset, d, -0.5, trace.Onset}, {AtCutOff, d, -2.5, trace.CutOff}, {AtCutOff, folded, -0.8, trace.Limited},
		{AtCutOff, trace.Derivation{Marks: d.Marks[:1]}, -0.5, trace.Onset}, {AtOnset, trace.Derivation{}, 0, ""}, {AtClock, d, 77, ""},
	} {
		if shift, at := ShiftOf(c.a, c.d, 77); shift != c.shift || at != c.at {
			t.Errorf("%s: %g %q, want %g %q", c.a, shift, at, c.shift, c.at)
		}
	}
	says := Misaligned(AtCutOff, []trace.MarkKind{trace.CutOff, trace.Limited, trace.Onset}, []string{"Tin", "Amber", "Moss"})
	if says != "Moss never cut off or limited, and stands at its onset; Amber limited instead, and stands there" {
		t.Errorf("%q", says)
	}
}

func samples(n int, of func(i int) float64) []trace.Sample {
	out := make([]trace.Sample, n)
	for i := range out {
		out[i] = trace.Sample{AtNS: int64(i) * 1e6, Value: of(i)}
	}
	return out
}

func TestReducingKeepsEveryExtreme(t *testing.T) {
	s := samples(10_000, func(i int) float64 {
		if i == 7_777 {
			return 9
		}
		return 1
	})
	r := Reduce(s, 0, 20, 100)
	if len(r.T) != 100 || r.Single {
		t.Fatalf("%d columns, single %v", len(r.T), r.Single)
	}
	peak := 0.0
	for _, v := range r.Max {
		peak = max(peak, v)
	}
	if peak != 9 {
		t.Errorf("the peak of one reading became %g", peak)
	}
	if one := Reduce(s, 1, 1.05, 100); len(one.T) != 51 || !one.Single {
		t.Errorf("%d columns of 51 readings, single %v", len(one.T), one.Single)
	}
	if none := Reduce(s, 50, 60, 100); len(none.T) != 0 {
		t.Errorf("%d columns of nothing", len(none.T))
	}
}

// TestEnvelopeOfKnownTraces: of 1 A, 2 A and a line from 0 A to 3 A over three seconds, at every instant
// least, mean and largest follow by hand.
func TestEnvelopeOfKnownTraces(t *testing.T) {
	const n = 3001
	one := Reduce(samples(n, func(int) float64 { return 1 }), 0, 3, n)
	two := Reduce(samples(n, func(int) float64 { return 2 }), 0, 3, n)
	slow := Trace{T: []float64{0, 3}, Min: []float64{0, 3}, Max: []float64{0, 3}, Mean: []float64{0, 3}, Flags: make([]trace.Flags, 2), Single: true}
	e := EnvelopeOf([]Trace{one, two, slow}, 0, 3, 30)
	if len(e.T) < 29 {
		t.Fatalf("%d columns", len(e.T))
	}
	for i, at := range e.T {
		if at < 0.1 { // the slow one's first reading itself
			continue
		}
		if math.Abs(e.Min[i]-min(1, at)) > 0.06 || math.Abs(e.Max[i]-max(2, at)) > 0.06 || math.Abs(e.Mean[i]-(3+at)/3) > 0.03 {
			t.Errorf("at %.2f s: %g %g %g", at, e.Min[i], e.Mean[i], e.Max[i])
		}
	}
	slow.Flags[1] = trace.Gap
	if e := EnvelopeOf([]Trace{one, slow}, 0, 3, 30); len(e.T) > 1 {
		t.Errorf("%d columns over a gap", len(e.T))
	}
}
