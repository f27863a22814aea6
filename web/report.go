package web

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"letthrough/capture/assess"
	"letthrough/capture/trace"
	"letthrough/capture/words"
	"letthrough/store"
)

// ReportStore is what a report needs of the store; *store.DB satisfies it.
type ReportStore interface {
	AssessStore
	SurvivalStore
	Columns(ctx context.Context, id int64, fromS, toS float64, n int) ([]store.Columns, error)
	Recording(ctx context.Context, id int64) (trace.Recording, error)
}

// ReportOptions say what a report is of.
type ReportOptions struct {
	Units    []string // by name; none: all that are in use
	Criteria string   // a set by name; empty: the chosen one
	Version  string   // of the program
	Now      time.Time
}

// ReportFigure is one figure of a report, of the run that it stands on.
type ReportFigure struct {
	Run    int64        `json:"run"`
	UUID   string       `json:"uuid"`
	Key    string       `json:"key"`
	Figure trace.Figure `json:"figure"`
	Line   words.Line   `json:"-"`
}

// Shown is the figure as the report's table shows it.
func (f ReportFigure) Shown() string { return shownText(f.Line) }

func shownText(l words.Line) string {
	var parts []string
	for _, p := range []string{l.Lead, l.Value, l.PM, l.Unit} {
		if p != "" {
			parts = append(parts, p)
		}
	}
	return strings.Join(parts, " ")
}

// ReportUnit is one output of a unit.
type ReportUnit struct {
	UnitID   int64          `json:"unit_id"`
	Unit     string         `json:"unit"`
	Output   string         `json:"output"`
	Plate    string         `json:"plate"`
	Waveform string         `json:"waveform"`
	Verdict  assess.Verdict `json:"verdict"`
	Say      string         `json:"say"`
	// Behaviour is that of the short-circuit test shown, Did and More say it, Means what it is to an owner.
	Behaviour trace.Behaviour  `json:"behaviour"`
	Did       string           `json:"did"`
	More      string           `json:"did_more"`
	Means     string           `json:"means"`
	Figures   []ReportFigure   `json:"figures"`
	Findings  []assess.Finding `json:"findings"`
	Runs      []int64          `json:"runs"` // that count
	Skipped   []assess.Skipped `json:"skipped"`
	Repeats   []assess.Repeat  `json:"repeats"`
	Wear      []assess.Wear    `json:"before_after"`
	Curve     *UnitCurve       `json:"curve"`
	Band      *assess.Band     `json:"unnoticed"`
	Remedy    RemedyAnswer     `json:"remedy"`
	Remarks   []store.Remark   `json:"remarks"`
	Spark     spark            `json:"-"`
	short     *store.RunSummary
	cells     map[string]ReportFigure
}

// Cell gives the figure in a column of the table.
func (u ReportUnit) Cell(column string) *ReportFigure {
	if f, ok := u.cells[column]; ok {
		return &f
	}
	return nil
}

// Report is all of it.
type Report struct {
	Title       string         `json:"title"`
	Made        time.Time      `json:"made"`
	By          string         `json:"by"`
	Criteria    string         `json:"criteria"`
	Version     int            `json:"criteria_version"`
	About       []string       `json:"criteria_about"`
	Asked       []string       `json:"criteria_asked"`
	Counts      map[string]int `json:"counts"`
	Units       []ReportUnit   `json:"units"`
	Method      []string       `json:"method"`
	Uncertainty []string       `json:"uncertainty"`
	Cautions    []string       `json:"cautions"`
	Carried     []CarriedRun   `json:"carried"` // the runs whose samples the file carries
	Chart       reportChart    `json:"-"`
	Scale       string         `json:"-"`
}

// CarriedRun is a run whose samples stand in the report's file.
type CarriedRun struct {
	Run     int64  `json:"run"`
	UUID    string `json:"uuid"`
	Samples int64  `json:"samples"`
	Of      int64  `json:"of"` // as recorded; more than samples where they were thinned
	// Extremes are the smallest and largest currents all along a run that was thinned.
	Extremes []Extreme `json:"extremes,omitempty"`
	// TooThin are figures that the thinned samples give otherwise than the whole ones: those of this run cannot
	// be derived from the file.
	TooThin []string `json:"too_thin,omitempty"`
}

// Extreme is one column of a run: its middle in seconds from the onset, and the smallest and largest current.
type Extreme struct {
	T   float64 `json:"t_s"`
	Min float64 `json:"min_a"`
	Max float64 `json:"max_a"`
}

var reportCautions = []string{"Isolated low-voltage outputs only, never the mains side. A fuse in the loop. Parts get hot enough to burn. Non-flammable surface. Stay in the room. Local electrical codes and qualified persons come first.",
	"Nothing in this report promises safety. It says what was measured on these units, on these days, by these criteria."}

// meansFor says what a behaviour is to an owner, and what a short circuit does.
var meansFor = map[trace.Behaviour]string{
	trace.Latching:        "After a short circuit it is off until somebody switches it. What stands on the track stays dark, and nothing heats further: look for the fault, then switch it on again.",
	trace.AutoRetry:       "It tries again and again while the fault stays. Each try heats the fault anew; a fault that nobody sees goes on being heated.",
	trace.Hiccup:          "It feeds the fault in quick pulses for as long as it stays. What counts is the heat of all pulses together: its heating current.",
	trace.FoldBack:        "It lowers its current and goes on feeding the fault with that. It comes back by itself, but what flows on must be no more than the weakest thing in the path stands for ever.",
	trace.LimitedCurrent:  "It never gives much more than its rating. A fault goes on being fed with about that; the unit itself gets warm meanwhile.",
	trace.Sustained:       "It does not protect: the whole fault current flows until somebody pulls the plug, and heats the fault, the wires and the unit itself.",
	trace.BehaviourUnsure: "The instrument was too slow to tell what it does. Test it again with a faster one.",
}

// BuildReport assesses the units and gathers all that a report says.
func BuildReport(ctx context.Context, st ReportStore, o ReportOptions) (Report, error) {
	rep := Report{Title: "What the shelf lets through", Made: o.Now, By: strings.TrimSpace("letthrough " + o.Version), Counts: map[string]int{}, Units: []ReportUnit{},
		Cautions: reportCautions, Carried: []CarriedRun{}}
	rules, err := RulesNamed(ctx, st, o.Criteria)
	if err != nil {
		return rep, err
	}
	rep.Criteria, rep.Version, rep.About = rules.Name, rules.Version, orNone(rules.Set.About)
	for _, c := range rules.Set.Criteria {
		rep.Asked = append(rep.Asked, c.Say+": "+c.Asked())
	}
	units, err := reportUnits(ctx, st, o.Units)
	if err != nil {
		return rep, err
	}
	for _, u := range units {
		outputs, err := reportUnit(ctx, st, u, rules)
		if err != nil {
			return rep, err
		}
		rep.Units = append(rep.Units, outputs...)
	}
	for _, u := range rep.Units {
		rep.Counts[string(u.Verdict)]++
	}
	if err := rep.drawSparks(ctx, st); err != nil {
		return rep, err
	}
	pass, _ := rules.Set.StopLimits()
	rep.Chart = chartOf(rep.Units, pass)
	rep.Method, err = methodOf(ctx, st, rep.Units)
	rep.Uncertainty = uncertaintyWords
	return rep, err
}

// uncertaintyWords explain the ± in plain words.
var uncertaintyWords = []string{
	"A number after ± is the expanded uncertainty (k about 2): the true value lies within it in about 95 of 100 cases. It holds the instrument's stated accuracy, its resolution, the noise, and for times what lies between two readings.",
	"“At most” and “at least” are bounds: the instrument could not say more. A criterion is decided only where the whole uncertainty, or the bound, lies on one side of its limit; else it is not determined.",
}

func reportUnits(ctx context.Context, st ReportStore, names []string) ([]trace.Unit, error) {
	all, err := st.Units(ctx)
	if err != nil {
		return nil, err
	}
	if len(names) == 0 {
		return all, nil
	}
	var out []trace.Unit
	for _, name := range names {
		i := slices.IndexFunc(all, func(u trace.Unit) bool { return strings.EqualFold(u.Name, strings.TrimSpace(name)) })
		if i < 0 {
			return nil, notFound("there is no unit %q", clip(name))
		}
		out = append(out, all[i])
	}
	return out, nil
}

func reportUnit(ctx context.Context, st ReportStore, u trace.Unit, rules Rules) ([]ReportUnit, error) {
	v, err := AssessUnit(ctx, st, u, rules)
	if err != nil {
		return nil, err
	}
	a, err := AnalyseUnit(ctx, st, u, rules)
	if err != nil {
		return nil, err
	}
	page, err := st.Runs(ctx, store.RunQuery{Unit: strconv.FormatInt(u.ID, 10), Limit: mostRuns})
	if err != nil {
		return nil, err
	}
	var out []ReportUnit
	for _, o := range v.Outputs {
		r := ReportUnit{UnitID: u.ID, Unit: u.Name, Output: o.Output, Plate: plate(u), Waveform: words.Waveform(u.Waveform), Verdict: o.Verdict, Say: o.Say,
			Findings: o.Findings, Runs: o.Counted, Skipped: o.Skipped, Repeats: []assess.Repeat{}, Wear: []assess.Wear{}, Remedy: a.Remedy,
			Remarks: []store.Remark{}, Figures: []ReportFigure{}, Spark: spark{Rated: -1}, cells: map[string]ReportFigure{}}
		for _, x := range a.Repeats {
			if x.Output == o.Output {
				r.Repeats = append(r.Repeats, x)
			}
		}
		for _, x := range a.Wear {
			if x.Output == o.Output {
				r.Wear = append(r.Wear, x)
			}
		}
		for _, x := range a.Curves {
			if x.Output == o.Output {
				r.Curve = &x
			}
		}
		for _, x := range a.Bands {
			if x.Output == o.Output {
				r.Band = &x
			}
		}
		for _, x := range v.Remarks {
			if x.Output == o.Output {
				r.Remarks = append(r.Remarks, x)
			}
		}
		r.fill(u, page.Runs)
		out = append(out, r)
	}
	return out, nil
}

// fill takes the table's figures from the newest runs that count, the first of them that has one.
func (r *ReportUnit) fill(u trace.Unit, runs []store.RunSummary) {
	set := trace.Settings{RatedCurrentA: u.RatedCurrentA}
	take := func(column string, procedures []trace.Procedure, keys ...string) {
		for _, run := range runs { // the newest first
			if !slices.Contains(r.Runs, run.ID) || run.Output != r.Output || !slices.Contains(procedures, run.Procedure) {
				continue
			}
			for _, key := range keys {
				if f, ok := run.Figures.Get(key); ok && f.Bound.HasValue() {
					set.Procedure = run.Procedure
					f.Text = words.Text(f)
					shown := ReportFigure{Run: run.ID, UUID: run.UUID, Key: key, Figure: f, Line: words.Sentence(f, set)}
					r.cells[column] = shown
					r.Figures = append(r.Figures, shown)
					return
				}
			}
		}
	}
	short := []trace.Procedure{trace.Short}
	for i, run := range runs {
		if run.Procedure == trace.Short && slices.Contains(r.Runs, run.ID) && run.Output == r.Output {
			r.short = &runs[i]
			r.Behaviour, r.Did, r.Means = run.Behaviour, words.Behaviour(run.Behaviour), meansFor[run.Behaviour]
			break
		}
	}
	take("long", short, "time_to_cutoff_s", "time_to_limit_s")
	take("peak", short, "peak_current_a")
	take("trip", []trace.Procedure{trace.Ramp, trace.Steps}, "trip_current_a")
	take("let", short, "let_through_a2s")
	switch r.Behaviour {
	case trace.AutoRetry, trace.Hiccup:
		take("period", short, "retry_period_s")
		take("width", short, "retry_width_s")
		take("heat", short, "heating_current_a")
		r.More = "every " + r.shown("period") + " for " + r.shown("width")
	case trace.FoldBack:
		take("rest", short, "residual_current_a")
		r.More = "to " + r.shown("rest")
	case trace.LimitedCurrent, trace.Sustained:
		take("rest", short, "sustained_current_a")
		r.More = r.shown("rest") + " all along"
	}
	if r.Did == "" {
		r.Did = "No short-circuit test that counts"
	}
}

func (r *ReportUnit) shown(column string) string {
	if f := r.Cell(column); f != nil {
		return f.Shown()
	}
	return "an unknown amount"
}

// drawSparks draws the small traces, all on one scale: the longest trace wide, the largest multiple of a
// rating high.
func (rep *Report) drawSparks(ctx context.Context, st ReportStore) error {
	all := make([]*store.Columns, len(rep.Units))
	rated := make([]float64, len(rep.Units))
	wide, high := 0.0, 0.0
	for i, u := range rep.Units {
		if u.short == nil {
			continue
		}
		unit, err := st.Unit(ctx, u.UnitID)
		if err != nil {
			return err
		}
		cols, err := st.Columns(ctx, u.short.ID, math.NaN(), math.NaN(), sparkColumns)
		if err != nil {
			return err
		}
		at := slices.IndexFunc(cols, func(c store.Columns) bool { return c.Quantity == trace.Current && len(c.T) > 1 })
		if at < 0 || !(unit.RatedCurrentA > 0) {
			continue
		}
		all[i], rated[i] = &cols[at], unit.RatedCurrentA
		wide = max(wide, cols[at].T[len(cols[at].T)-1])
		for _, v := range cols[at].Max {
			if !math.IsInf(v, 0) && !math.IsNaN(v) {
				high = max(high, v/unit.RatedCurrentA)
			}
		}
	}
	if !(wide > 0) || !(high > 0) {
		return nil
	}
	for i, c := range all {
		if c == nil {
			continue
		}
		box := func(t float64) float64 { return 2 + max(0, t+0.02*wide)/(1.02*wide)*(sparkWidth-4) }
		rep.Units[i].Spark = sparkIn(*c, box, high*rated[i], rated[i], -0.02*wide)
	}
	rep.Scale = fmt.Sprintf("Traces share one scale: %s wide, 0 to %.0f × rated high, dotted line at the rating.", words.Duration(wide), math.Ceil(high))
	return nil
}

// sparkIn draws columns from an instant on into the common box.
func sparkIn(c store.Columns, x func(float64) float64, top, ratedA, from float64) spark {
	y := func(a float64) float64 {
		if math.IsNaN(a) || math.IsInf(a, 0) {
			a = top
		}
		return sparkHeight - 3 - min(max(0, a)/top, 1)*(sparkHeight-8)
	}
	var b strings.Builder
	for i, t := range c.T {
		if t < from {
			continue
		}
		first, last := c.Min[i], c.Max[i]
		if i > 0 && c.Max[i] < c.Max[i-1] {
			first, last = last, first
		}
		fmt.Fprintf(&b, "%.1f,%.1f ", x(t), y(first))
		if first != last {
			fmt.Fprintf(&b, "%.1f,%.1f ", x(t), y(last))
		}
	}
	return spark{Points: strings.TrimSpace(b.String()), Rated: y(ratedA)}
}

// methodOf writes how it was measured from what was really used.
func methodOf(ctx context.Context, st ReportStore, units []ReportUnit) ([]string, error) {
	var tests, rigs, instruments []string
	shortest, longest := math.Inf(1), 0.0 // holds
	add := func(list *[]string, s string) {
		if s != "" && !slices.Contains(*list, s) {
			*list = append(*list, s)
		}
	}
	var first, last time.Time
	n := 0
	for _, u := range units {
		for _, id := range u.Runs {
			run, err := st.Run(ctx, id)
			if err != nil {
				return nil, err
			}
			n++
			if first.IsZero() || run.Started.Before(first) {
				first = run.Started
			}
			if run.Started.After(last) {
				last = run.Started
			}
			add(&tests, lowerFirst(words.Procedure(run.Procedure)))
			if run.Procedure == trace.Short && run.HoldS > 0 {
				shortest, longest = min(shortest, run.HoldS), max(longest, run.HoldS)
			}
			add(&rigs, run.Rig)
			for _, c := range run.Channels {
				if c.Samples > 1 && c.ToS > c.FromS {
					accuracy := "accuracy not stated"
					if s := words.Accuracy(run.DerivedWith.Accuracy); c.Quantity == trace.Current && s != "not known" {
						accuracy = "accuracy " + s
					}
					add(&instruments, fmt.Sprintf("%s (%s): about %s, %s", c.Instrument, c.Quantity, words.Rate(roundRate(float64(c.Samples-1)/(c.ToS-c.FromS))), accuracy))
				}
			}
		}
	}
	if n == 0 {
		return []string{"No run counts yet."}, nil
	}
	when := "on " + first.Format("2 January 2006")
	if first.Format(time.DateOnly) != last.Format(time.DateOnly) {
		when = "from " + first.Format("2 January 2006") + " to " + last.Format("2 January 2006")
	}
	out := []string{fmt.Sprintf("%d runs %s: %s. Each output stood at its full setting.", n, when, strings.Join(tests, ", "))}
	if longest > 0 {
		held := words.Duration(longest)
		if longest > 1.02*shortest {
			held = words.Duration(shortest) + " to " + held
		}
		out = append(out, "In a short-circuit test a contact lay across the output, with nothing else connected, for "+held+".")
	}
	if len(rigs) > 0 {
		out = append(out, "Rig: "+strings.Join(rigs, "; ")+".")
	}
	if len(instruments) > 0 {
		out = append(out, "Instruments: "+strings.Join(instruments, "; ")+".")
	}
	return append(out, "Onset, cut-off and retries are 50 % instants between the levels on either side (IEEE Std 181); let-through is the integral of i² from the onset to the cut-off or limit."), nil
}

// roundRate keeps a rate that differs from run to run by a little from being told again and again.
func roundRate(hz float64) float64 {
	if !(hz > 0) {
		return hz
	}
	p := math.Pow10(int(math.Floor(math.Log10(hz))) - 1)
	return math.Round(hz/p) * p
}

func lowerFirst(s string) string {
	if s == "" {
		return s
	}
	return strings.ToLower(s[:1]) + s[1:]
}
