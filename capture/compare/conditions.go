package compare

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"letthrough/capture/trace"
	"letthrough/capture/words"
)

// Condition is one of the circumstances of a test over all runs.
type Condition struct {
	Key    string   `json:"key"`
	Say    string   `json:"say"`
	Values []string `json:"values"`
	Unlike bool     `json:"unlike"`
	Text   string   `json:"text"` // a sentence's part where they are unlike: "held 30 s (Tin), 12 s (Slate)"
}

// tolerances: what counts as alike although two numbers differ. The hold and the ramp are made by hand, and
// a sampling rate is counted over a finite time.
const (
	likeHold = 0.02
	likeRate = 0.2
	likeLoad = 0.05
)

func (c Comparison) conditions() []Condition {
	var out []Condition
	add := func(key, say string, unlike bool, of func(r Run) string) {
		u := Condition{Key: key, Say: say, Unlike: unlike}
		any := false
		for _, r := range c.runs {
			v := of(r)
			any = any || v != ""
			u.Values = append(u.Values, v)
		}
		if !any {
			return
		}
		if u.Unlike {
			u.Text = say + ": " + words.Grouped(u.Values, c.Names)
		}
		out = append(out, u)
	}
	text := func(key, say string, of func(r Run) string) {
		add(key, say, c.textsDiffer(of), of)
	}
	number := func(key, say, unit string, tolerance float64, of func(r Run) float64) {
		add(key, say, c.numbersDiffer(tolerance, of), func(r Run) string { return quantity(of(r), unit) })
	}
	number("hold", "held", "s", likeHold, heldFor)
	if c.Procedure == trace.Overload {
		number("load", "load", "A", likeLoad, func(r Run) float64 { return figure(r, "load_current_a") })
	}
	if c.Procedure == trace.Ramp {
		number("ramp", "load rose by", "A/s", likeRate, func(r Run) float64 { return figure(r, "ramp_rate_a_per_s") })
	}
	if c.Procedure == trace.Steps {
		number("dwell", "dwell", "s", likeHold, func(r Run) float64 { return r.Settings.DwellS })
	}
	text("setting", "control of the unit", func(r Run) string {
		if r.ID != 0 && r.Setting == "" {
			return "full"
		}
		return r.Setting
	})
	text("rig", "rig", func(r Run) string { return r.Rig })
	text("instrument", "instrument", func(r Run) string { return r.Instrument })
	number("rate", "readings a second", "", likeRate, func(r Run) float64 { return r.RateHz })
	add("averaging", "averaging", c.textsDiffer(averaging), averaging)
	for _, s := range settingsCompared {
		text(s.key, s.say, func(r Run) string { return s.of(r.Settings) })
	}
	text("state", "state", func(r Run) string {
		switch r.State {
		case trace.RunInterrupted, trace.RunExcluded:
			return strings.TrimSuffix(string(r.State)+", "+r.Reason, ", ")
		case trace.RunComplete:
			return "complete"
		}
		return ""
	})
	number("lost", "readings lost", "", 0, func(r Run) float64 { return float64(r.Counts.Lost) })
	return out
}

// settingsCompared are the settings of a derivation that do not belong to the unit itself.
var settingsCompared = []struct {
	key, say string
	of       func(s trace.Settings) string
}{
	{"accuracy", "accuracy", func(s trace.Settings) string {
		if s.Accuracy == (trace.Accuracy{}) {
			return ""
		}
		return words.Accuracy(s.Accuracy)
	}},
	{"calibration", "calibration", func(s trace.Settings) string {
		if !s.Calibration.Known() {
			return ""
		}
		return words.Calibration(s.Calibration, trace.Current)
	}},
	{"resolution", "resolution", func(s trace.Settings) string { return quantity(s.ResolutionA, "A") }},
	{"full_scale", "full scale", func(s trace.Settings) string { return quantity(s.FullScaleA, "A") }},
	{"rig_resistance", "resistance of the rig", func(s trace.Settings) string { return quantity(s.RigResistanceOhm, "Ω") }},
	{"final_fall", "the last fall", func(s trace.Settings) string { return strings.ReplaceAll(string(s.FinalFall), "_", " ") }},
	{"marks", "marks changed by hand", func(s trace.Settings) string {
		if len(s.MarkEdits) == 0 {
			return ""
		}
		return fmt.Sprint(len(s.MarkEdits))
	}},
}

func averaging(r Run) string {
	switch a := r.Settings.AveragingS; {
	case a == nil:
		return ""
	case *a == 0:
		return "none"
	default:
		return quantity(*a, "s")
	}
}

func figure(r Run, key string) float64 {
	f, ok := r.Derivation.Figures.Get(key)
	if !ok || !f.Bound.HasValue() {
		return 0
	}
	return f.Value
}

// heldFor is the hold as it really was, else as it was stated.
func heldFor(r Run) float64 {
	if h := figure(r, "hold_s"); h > 0 {
		return h
	}
	return r.Settings.HoldS
}

func quantity(v float64, unit string) string {
	if v == 0 {
		return ""
	}
	return strings.TrimSpace(words.Significant(v, 3) + " " + unit)
}

func (c Comparison) textsDiffer(of func(r Run) string) bool {
	return slices.ContainsFunc(c.runs, func(r Run) bool { return of(r) != of(c.runs[0]) })
}

// numbersDiffer tells whether the largest is beyond the smallest by more than a share of it.
func (c Comparison) numbersDiffer(tolerance float64, of func(r Run) float64) bool {
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, r := range c.runs {
		lo, hi = min(lo, of(r)), max(hi, of(r))
	}
	return hi-lo > tolerance*hi
}

// notes are what a reader of the table should know, beside the unlike conditions.
func (c Comparison) notes() []string {
	var out []string
	for _, r := range c.runs {
		if r.State == trace.RunExcluded {
			out = append(out, fmt.Sprintf("%s is left out of the ranking: %s", r.Name, r.Reason))
		}
	}
	return append(out, words.HowCompared...)
}
