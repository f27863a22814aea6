package assess

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"

	"letthrough/capture/trace"
	"letthrough/capture/words"
)

// One is the figure of one run among its repeats.
type One struct {
	Run   int64   `json:"run"`
	Value float64 `json:"value"`
	U     float64 `json:"u"` // expanded, of the run alone
}

// Repeat is one figure over the repeats of one test.
type Repeat struct {
	Key       string          `json:"key"`
	Unit      string          `json:"unit"` // SI symbol
	Output    string          `json:"output"`
	Procedure trace.Procedure `json:"procedure"`
	Runs      []One           `json:"runs"`   // exact values only, in the order of the tests
	Bounds    int             `json:"bounds"` // runs whose figure is a bound or not resolved: left out of the sums

	N    int     `json:"n"`
	Mean float64 `json:"mean"`
	SD   float64 `json:"sd"`     // between runs, n-1
	Low  float64 `json:"low"`    // smallest and largest
	High float64 `json:"high"`   //
	Half float64 `json:"half_t"` // half width of the 95 % t-interval of the mean
	// Within is the standard uncertainty within one run, the root of the mean square; Varies tells whether
	// the runs differ by more than that explains (chi-squared, 5 %).
	Within float64 `json:"within"`
	Varies bool    `json:"varies"`
	// Outlier is the run whose value does not belong to the others (Grubbs' two-sided test, 5 %); 0: none.
	Outlier int64  `json:"outlier"`
	Drift   *Drift `json:"drift"` // nil: none that exceeds the noise
	// Say is all of it in sentences.
	Say []string `json:"say"`
}

// Drift is a change of a figure along something.
type Drift struct {
	Along string  `json:"along"` // order, pause
	Total float64 `json:"total"` // change over the whole series
	U     float64 `json:"u"`     // expanded
}

// leastRepeats is from how many values on an interval is given; leastTested from how many on outliers and
// drifts are looked for: below, nearly anything could be one.
const (
	leastRepeats = 2
	leastTested  = 4
)

// repeated are the figures that are held beside each other.
var repeated = map[trace.Procedure][]string{
	trace.Short:    {"time_to_cutoff_s", "time_to_limit_s", "peak_current_a", "sustained_current_a", "let_through_a2s", "heating_current_a", "retry_period_s", "retry_width_s"},
	trace.Overload: {"time_to_trip_s", "load_current_a"},
	trace.Ramp:     {"trip_current_a"},
	trace.Steps:    {"trip_current_a"},
	trace.Carry:    {"carried_current_a"},
}

// sameLoad is within what share of each other two overload tests are repeats.
const sameLoad = 0.05

// Repeats holds the runs of each test of a unit beside each other, in order of time. Only runs that count
// and were made on the same output belong together, overloads only at the same load.
func Repeats(runs []Run) []Repeat {
	out := []Repeat{}
	for _, group := range repeatGroups(runs) {
		for _, key := range repeated[group[0].Procedure] {
			if r, ok := repeatOf(key, group); ok {
				out = append(out, r)
			}
		}
	}
	return out
}

func byStart(a, b Run) int { return cmp.Compare(a.StartedS, b.StartedS) }

func repeatGroups(runs []Run) (groups [][]Run) {
	sorted := slices.Clone(runs)
	slices.SortStableFunc(sorted, byStart)
	for _, r := range sorted {
		if r.counts() != "" {
			continue
		}
		i := slices.IndexFunc(groups, func(g []Run) bool {
			return g[0].Output == r.Output && g[0].Procedure == r.Procedure && (r.Procedure != trace.Overload || atSameLoad(g[0], r))
		})
		if i < 0 {
			groups = append(groups, nil)
			i = len(groups) - 1
		}
		groups[i] = append(groups[i], r)
	}
	return groups
}

func atSameLoad(a, b Run) bool {
	fa, _ := a.Figures.Get("load_current_a")
	fb, _ := b.Figures.Get("load_current_a")
	return math.Abs(fa.Value-fb.Value) <= sameLoad*max(fa.Value, fb.Value)
}

func repeatOf(key string, group []Run) (Repeat, bool) {
	def, _ := trace.DefinitionOf(key)
	r := Repeat{Key: key, Unit: def.Unit, Output: group[0].Output, Procedure: group[0].Procedure, Runs: []One{}}
	var x, started []float64
	for _, run := range group {
		f, ok := run.Figures.Get(key)
		switch {
		case !ok || f.Bound == trace.NotApplicable:
		case f.Bound != trace.Exact:
			r.Bounds++
		default:
			r.Runs = append(r.Runs, One{run.ID, f.Value, f.U})
			x = append(x, f.Value)
			started = append(started, run.StartedS)
		}
	}
	if r.N = len(x); r.N < leastRepeats {
		return r, false
	}
	r.Mean, r.SD = meanSD(x)
	r.Low, r.High = slices.Min(x), slices.Max(x)
	r.Half = tFactor(0.95, float64(r.N-1)) * r.SD / math.Sqrt(float64(r.N))
	squares := 0.0
	for _, one := range r.Runs {
		squares += one.U * one.U / 4
	}
	r.Within = math.Sqrt(squares / float64(r.N))
	if r.Within > 0 {
		chi := float64(r.N-1) * r.SD * r.SD / (r.Within * r.Within)
		r.Varies = chi > distuv.ChiSquared{K: float64(r.N - 1)}.Quantile(0.95)
	} else {
		r.Varies = r.SD > 0
	}
	if r.N >= leastTested {
		if at, _, _ := grubbs(x, 0.05); at >= 0 && r.Varies {
			r.Outlier = r.Runs[at].Run
		}
		r.Drift = driftOf(x, started, r.Within)
	}
	r.Say = r.sentences()
	return r, true
}

// driftOf looks for a change along the order of the tests and along the pause before each (a unit that had
// no time to cool trips sooner). It is one where the slope differs from nothing (t-test, 5 %, halved since
// there are two looks) and the whole change is more than the uncertainty within the runs.
func driftOf(x, started []float64, within float64) *Drift {
	order := make([]float64, len(x))
	for i := range order {
		order[i] = float64(i)
	}
	if d := slopeOf("order", order, x, within); d != nil {
		return d
	}
	// The first has no pause before it.
	var pause, after []float64
	for i := 1; i < len(x); i++ {
		p := started[i] - started[i-1]
		if !(p > 0) {
			return nil
		}
		pause, after = append(pause, math.Log(p)), append(after, x[i])
	}
	if len(pause) < leastTested || slices.Max(pause)-slices.Min(pause) < math.Ln2 {
		return nil
	}
	return slopeOf("pause", pause, after, within)
}

func slopeOf(along string, x, y []float64, within float64) *Drift {
	l, ok := fitLine(x, y)
	if !ok {
		return nil
	}
	reach := slices.Max(x) - slices.Min(x)
	total, u := l.b1*reach, tFactor(0.975, l.freedom)*l.sdB1*reach
	if math.Abs(total) <= u || math.Abs(total) <= 2*within {
		return nil
	}
	return &Drift{along, total, u}
}

func (r Repeat) sentences() []string {
	unit := r.Unit
	if unit != "" {
		unit = " " + unit
	}
	mean, half := words.Number(r.Mean, r.Half)
	low, _ := words.Number(r.Low, 0)
	high, _ := words.Number(r.High, 0)
	sd, _ := words.Number(r.SD, 0)
	say := []string{fmt.Sprintf("%d runs: mean %s%s (95 %% of the time within ± %s), from %s to %s, standard deviation %s%s", r.N, mean, unit, half, low, high, sd, unit)}
	if half == "" {
		say[0] = fmt.Sprintf("%d runs: all %s%s", r.N, mean, unit)
	}
	within, _ := words.Number(r.Within, 0)
	if r.Varies {
		say = append(say, fmt.Sprintf("the runs differ by more than the measurement explains (%s%s within one)", within, unit))
	} else {
		say = append(say, fmt.Sprintf("the measurement explains how the runs differ (%s%s within one)", within, unit))
	}
	if r.Bounds > 0 {
		say = append(say, fmt.Sprintf("%s could only be bounded and %s left out of these sums", counted(r.Bounds, "more run", "more runs"), isAre(r.Bounds)))
	}
	if r.Outlier != 0 {
		say = append(say, fmt.Sprintf("run %d does not belong to the others by Grubbs' test (two-sided, 5 %%): look at it, and leave it out only for a reason found there", r.Outlier))
	}
	if d := r.Drift; d != nil {
		total, u := words.Number(d.Total, d.U)
		along := "from the first to the last"
		if d.Along == "pause" {
			along = "from the shortest to the longest pause before it"
		}
		say = append(say, fmt.Sprintf("it changes by %s ± %s%s %s", total, u, unit, along))
	}
	return say
}

// Name says which figure repeats, in which test.
func (r Repeat) Name() string {
	def, _ := trace.DefinitionOf(r.Key)
	return lowerFirst(def.Say) + " (" + testName(r.Procedure) + ")"
}

func isAre(n int) string {
	if n == 1 {
		return "is"
	}
	return "are"
}

// Wear is a figure at the first and at the last test of a unit.
type Wear struct {
	Key     string `json:"key"`
	Output  string `json:"output"`
	First   One    `json:"first"`
	Last    One    `json:"last"`
	Changed bool   `json:"changed"` // by more than both uncertainties together
	Say     string `json:"say"`
}

// wearKeys tell whether the tests weakened a unit.
var wearKeys = []string{"open_volts", "source_ohm", "ripple_hz", "form_factor"}

// BeforeAfter holds what should stay as it is at the first and the last test of each output beside each
// other, excluded runs left out.
func BeforeAfter(runs []Run) []Wear {
	out := []Wear{}
	for _, output := range Outputs(runs) {
		var mine []Run
		for _, r := range runs {
			if r.Output == output && r.counts() == "" {
				mine = append(mine, r)
			}
		}
		slices.SortStableFunc(mine, byStart)
		for _, key := range wearKeys {
			if w, ok := wearOf(key, output, mine); ok {
				out = append(out, w)
			}
		}
	}
	return out
}

func wearOf(key, output string, runs []Run) (Wear, bool) {
	var all []One
	for _, r := range runs {
		if f, ok := r.Figures.Get(key); ok && f.Bound == trace.Exact {
			all = append(all, One{r.ID, f.Value, f.U})
		}
	}
	if len(all) < 2 {
		return Wear{}, false
	}
	w := Wear{Key: key, Output: output, First: all[0], Last: all[len(all)-1]}
	change := w.Last.Value - w.First.Value
	u := math.Hypot(w.First.U, w.Last.U)
	w.Changed = math.Abs(change) > u
	def, _ := trace.DefinitionOf(key)
	value := func(o One) string {
		return words.Sentence(trace.Figure{Key: key, Value: o.Value, U: o.U, Bound: trace.Exact}, trace.Settings{}).Value
	}
	is := "is as it was"
	if w.Changed {
		v, pm := words.Number(change, u)
		is = fmt.Sprintf("has changed by %s ± %s %s", v, pm, def.Unit)
	}
	w.Say = fmt.Sprintf("%s %s between run %d (%s) and run %d (%s %s)", lowerFirst(def.Say), is, w.First.Run, value(w.First), w.Last.Run, value(w.Last), def.Unit)
	return w, true
}
