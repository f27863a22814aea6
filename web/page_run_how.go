package web

import (
	"math"
	"slices"
	"strings"

	"letthrough/capture/trace"
	"letthrough/capture/words"
	"letthrough/store"
)

// whyRow is a figure with how it came about.
type whyRow struct {
	words.Line
	ByHand  bool
	Formula string
	Because string // why it is a bound, or has no number
	Rule    string // when it is a bound
	Facts   []fact
}

// whyRows say each figure of a run and how it was derived: the formula of its definition, the settings and the marks
// it stands on, and where the definition comes from.
func whyRows(run store.Run) []whyRow {
	settings := settingFacts(run)
	var rows []whyRow
	for _, l := range linesOf(run.Derivation.Figures, run.DerivedWith) {
		f, _ := run.Derivation.Figures.Get(l.Key)
		def, _ := trace.DefinitionOf(l.Key)
		row := whyRow{Line: l, ByHand: f.ByHand, Formula: def.Formula, Because: f.Why}
		if f.Bound != trace.Exact {
			row.Rule = def.Bounds
		}
		if strings.Contains(row.More, "by hand") {
			row.ByHand = false // it says so itself
		}
		if f.Bound.HasValue() {
			row.Facts = append(row.Facts, fact{"Worked out", shortNumber(f.Value) + unitOf(def)})
			if f.U > 0 {
				row.Facts = append(row.Facts, fact{"Known to ±", shortNumber(f.U) + unitOf(def) + coverage(f.Bound)})
			}
		}
		for _, kind := range marksOf(l.Key) {
			for _, m := range run.Derivation.Marks {
				if m.Kind == kind && !m.Withdrawn {
					row.Facts = append(row.Facts, fact{words.Mark(kind), preciseTime(m.T) + byWhom(m.By)})
					break
				}
			}
		}
		for _, s := range settings {
			if slices.Contains(settingsOf(l.Key, def), s.Name) {
				row.Facts = append(row.Facts, s)
			}
		}
		row.Facts = append(row.Facts, fact{"Defined by", def.Source})
		rows = append(rows, row)
	}
	return rows
}

func unitOf(def trace.Definition) string {
	if def.Unit == "" {
		return ""
	}
	return " " + def.Unit
}

// coverage says what an uncertainty means.
func coverage(b trace.Bound) string {
	if b == trace.Exact {
		return ", for 95 of 100 cases"
	}
	return ", for 99 of 100 cases, and on the safe side of it"
}

func preciseTime(t float64) string {
	t = math.Round(t*1e7) / 1e7 // finer than any clock here
	return strings.ReplaceAll(shortNumber(t+0), "-", "−") + " s"
}

func byWhom(by trace.By) string {
	switch by {
	case trace.Hand:
		return ", by hand"
	case trace.Contact:
		return ", by the contact"
	}
	return ""
}

// marksOf names the kinds of marks that a figure stands on.
func marksOf(key string) []trace.MarkKind {
	switch key {
	case "time_to_cutoff_s", "time_to_trip_s", "carried_for_s", "let_through_a2s", "sustained_current_a", "end_current_a", "load_current_a":
		return []trace.MarkKind{trace.Onset, trace.Limited, trace.CutOff}
	case "time_to_limit_s":
		return []trace.MarkKind{trace.Onset, trace.Limited}
	case "hold_a2s", "heating_current_a", "hold_s", "charge_c", "energy_j":
		return []trace.MarkKind{trace.Onset, trace.Removed}
	case "trip_current_a", "ramp_rate_a_per_s", "carried_current_a", "tripped_current_a":
		return []trace.MarkKind{trace.Limited, trace.CutOff}
	case "restored_after_s":
		return []trace.MarkKind{trace.Removed, trace.Restored}
	case "residual_current_a":
		return []trace.MarkKind{trace.Limited, trace.CutOff}
	case "peak_current_a", "settled_within_s", "bounce_count", "spike_a2s", "spike_charge_c":
		return []trace.MarkKind{trace.Onset}
	}
	return nil
}

// settingsOf names the settings that a figure depends on, as settingFacts call them.
func settingsOf(key string, def trace.Definition) []string {
	current := []string{"Accuracy", "Calibration", "Resolution", "Full scale", "Averaging", "Rated current"}
	switch def.Unit {
	case "s":
		out := []string{"Averaging", "Rated current", "Clock, to within", "Clock's rate, to within"}
		if key == "hold_s" || key == "restored_after_s" {
			out = append(out, "Hold")
		}
		return out
	case "A":
		if key == "carried_current_a" || key == "tripped_current_a" || key == "trip_current_a" {
			current = append(current, "Dwell")
		}
		if key == "heating_current_a" {
			current = append(current, "Hold", "Waveform")
		}
		return current
	case "A²s", "C", "J":
		current = append(current, "Waveform")
		if key != "let_through_a2s" {
			current = append(current, "Hold")
		}
		if key == "energy_j" {
			current = append(current, "Calibration of the voltage")
		}
		return current
	case "V", "Ω":
		return []string{"Calibration of the voltage", "Waveform"}
	}
	if key == "form_factor" || key == "ripple_hz" {
		return []string{"Waveform", "Averaging"}
	}
	return []string{"Averaging", "Hold"}
}
