// Package words makes what a person reads: the sentence of a figure, its unit, its rounding, a bound
// as words. Page, read-out, captions, report and command line use it and so never disagree.
package words

import (
	"fmt"
	"math"
	"strings"

	"letthrough/capture/trace"
)

// Line is one figure in the pieces a page lays out.
type Line struct {
	Key   string `json:"key"`
	Say   string `json:"say"`   // the words above: "Cut off after"
	Lead  string `json:"lead"`  // "at most", "at least" or empty
	Value string `json:"value"` // the number, rounded; empty where there is none
	PM    string `json:"pm"`    // "± 0.02" or empty
	Unit  string `json:"unit"`
	More  string `json:"more"`            // "4.3 × rated", or why it is a bound
	Minor bool   `json:"minor,omitempty"` // of less weight: a page may set it smaller
}

// major are the figures that say what a unit did; the others are of less weight.
var major = map[string]bool{
	"time_to_cutoff_s": true, "time_to_limit_s": true, "peak_current_a": true, "sustained_current_a": true, "let_through_a2s": true,
	"retry_period_s": true, "heating_current_a": true, "trip_current_a": true, "carried_current_a": true, "tripped_current_a": true,
	"carried_for_s": true, "time_to_trip_s": true, "load_current_a": true,
}

// phrase holds the sentences of one figure; %s is the number with its unit.
type phrase struct {
	exact, most, least string
}

var phrases = map[string]phrase{
	"time_to_cutoff_s":      {"cut off after %s", "cut off in at most %s", "no cut-off within %s"},
	"time_to_trip_s":        {"tripped after %s", "tripped in at most %s", "no trip within %s"},
	"load_current_a":        {"load of %s", "load of at most %s", "load of at least %s"},
	"trip_current_a":        {"tripped at %s", "tripped at no more than %s", "no trip up to %s"},
	"ramp_rate_a_per_s":     {"load rose by %s", "load rose by at most %s", "load rose by at least %s"},
	"carried_current_a":     {"carried %s", "carried at most %s", "carried at least %s"},
	"tripped_current_a":     {"tripped on the stair of %s", "tripped on a stair of at most %s", "tripped on a stair of at least %s"},
	"carried_for_s":         {"carried for %s", "carried for at most %s", "carried for at least %s"},
	"time_to_limit_s":       {"limited after %s", "limited in at most %s", "not limited within %s"},
	"peak_current_a":        {"peaked at %s", "peaked at no more than %s", "peaked at %s at least"},
	"sustained_current_a":   {"held %s", "held at most %s", "held at least %s"},
	"end_current_a":         {"%s at the end of the fault", "at most %s at the end of the fault", "at least %s at the end of the fault"},
	"residual_current_a":    {"%s still flows afterwards", "at most %s still flows afterwards", "at least %s still flows afterwards"},
	"let_through_a2s":       {"let through %s", "let through at most %s", "let through at least %s"},
	"hold_a2s":              {"let through %s in the whole hold", "let through at most %s in the whole hold", "let through at least %s in the whole hold"},
	"heating_current_a":     {"heats like a steady %s", "heats like a steady %s at most", "heats like a steady %s at least"},
	"hold_s":                {"held for %s", "held for at most %s", "held for at least %s"},
	"charge_c":              {"charge %s", "charge at most %s", "charge at least %s"},
	"energy_j":              {"energy %s into the rig", "energy at most %s into the rig", "energy at least %s into the rig"},
	"spike_a2s":             {"the capacitor's spike let through %s", "the capacitor's spike let through at most %s", "the capacitor's spike let through at least %s"},
	"spike_charge_c":        {"the capacitor's spike held %s", "the capacitor's spike held at most %s", "the capacitor's spike held at least %s"},
	"retry_count":           {"came back %s", "came back at most %s", "came back at least %s"},
	"retry_period_s":        {"comes back every %s", "comes back every %s at most", "comes back every %s at least"},
	"retry_width_s":         {"each time for %s", "each time for at most %s", "each time for at least %s"},
	"retry_peak_a":          {"each time up to %s", "each time up to %s at most", "each time up to %s at least"},
	"retry_duty":            {"on for %s of the time", "on for at most %s of the time", "on for at least %s of the time"},
	"settled_within_s":      {"the contact settled within %s", "the contact settled within at most %s", "the contact settled within at least %s"},
	"bounce_count":          {"the contact bounced %s", "the contact bounced at most %s", "the contact bounced at least %s"},
	"peak_times_rated":      {"peak of %s × rated", "peak of at most %s × rated", "peak of at least %s × rated"},
	"sustained_times_rated": {"held %s × rated", "held at most %s × rated", "held at least %s × rated"},
	"trip_times_rated":      {"tripped at %s × rated", "tripped at no more than %s × rated", "no trip up to %s × rated"},
	"ripple_hz":             {"ripples at %s", "ripples at %s at most", "ripples at %s at least"},
	"form_factor":           {"form factor %s", "form factor at most %s", "form factor at least %s"},
	"open_volts":            {"%s open", "at most %s open", "at least %s open"},
	"source_ohm":            {"source resistance %s", "source resistance at most %s", "source resistance at least %s"},
	"prospective_current_a": {"%s into a true short", "at most %s into a true short", "at least %s into a true short"},
	"restored_after_s":      {"output back after %s", "output back within %s", "output back after at least %s"},
}

// Fill sets the text of every figure of a derivation.
func Fill(d *trace.Derivation, s trace.Settings) {
	for i := range d.Figures {
		d.Figures[i].Text = Text(d.Figures[i])
	}
}

// Text is the whole sentence of a figure; empty where it is not applicable. What stands on a person's
// mark says so.
func Text(f trace.Figure) string {
	text := sentence(f)
	if f.ByHand && text != "" {
		text += ", by hand"
	}
	return text
}

func sentence(f trace.Figure) string {
	p, known := phrases[f.Key]
	if !known {
		p = phrase{f.Key + " %s", f.Key + " at most %s", f.Key + " at least %s"}
	}
	switch f.Bound {
	case trace.Exact:
		return fmt.Sprintf(p.exact, quantity(f))
	case trace.AtMost:
		return fmt.Sprintf(p.most, quantity(f))
	case trace.AtLeast:
		return fmt.Sprintf(p.least, quantity(f))
	case trace.NotResolved:
		if f.Why == "" {
			return "not resolved"
		}
		return "not resolved: " + f.Why
	}
	return ""
}

// quantity is number, uncertainty and unit of a figure with a value.
func quantity(f trace.Figure) string {
	value, pm, unit := pieces(f)
	out := value
	if pm != "" {
		out += " " + pm
	}
	if unit != "" {
		out += " " + unit
	}
	return out
}

// pieces rounds a figure: counts are whole, shares are per cent, bounds go to the safe side.
func pieces(f trace.Figure) (value, pm, unit string) {
	def, _ := trace.DefinitionOf(f.Key)
	unit = def.Unit
	switch f.Key {
	case "retry_count", "bounce_count":
		unit = "times"
		n := math.Round(f.Value)
		if n == 1 {
			unit = "time"
		}
		return fmt.Sprintf("%.0f", n), "", unit
	case "retry_duty":
		f.Value, f.U, unit = 100*f.Value, 100*f.U, "%"
	}
	switch f.Bound {
	case trace.AtMost:
		return upper(f.Value + f.U), "", unit
	case trace.AtLeast:
		return lower(max(f.Value-f.U, 0)), "", unit
	}
	value, u := Number(f.Value, f.U)
	if u != "" {
		pm = "± " + u
	}
	return value, pm, unit
}

// Sentence gives one figure in the pieces a page lays out.
func Sentence(f trace.Figure, s trace.Settings) Line {
	def, _ := trace.DefinitionOf(f.Key)
	l := Line{Key: f.Key, Say: def.Say, More: f.Why}
	if l.Say == "" {
		l.Say = f.Key
	}
	switch f.Bound {
	case trace.NotResolved:
		l.Lead = "not resolved"
		return l
	case trace.NotApplicable:
		l.Lead = "does not apply"
		return l
	case trace.AtMost:
		l.Lead = "at most"
	case trace.AtLeast:
		l.Lead = "at least"
	}
	l.Value, l.PM, l.Unit = pieces(f)
	if l.More == "" {
		l.More = TimesRated(f, s)
	}
	return l
}

// TimesRated says a current as a multiple of the rating: "3.2 × rated". It is empty where the figure is none that is held
// against the rating, has no value, has a reason beside it, or the rating is not stated.
func TimesRated(f trace.Figure, s trace.Settings) string {
	if !f.Bound.HasValue() || f.Why != "" {
		return ""
	}
	switch f.Key {
	case "peak_current_a", "sustained_current_a", "end_current_a", "heating_current_a", "retry_peak_a", "trip_current_a":
	default:
		return ""
	}
	if s.RatedCurrentA <= 0 {
		return ""
	}
	n := f.Value / s.RatedCurrentA
	if !(n > 0) {
		return "0 × rated"
	}
	return fixed(n, place(n)) + " × rated" // two significant digits
}

// Lines gives the figures that a page shows: those with a value and those that are not resolved. The
// multiples of the rating stand beside their currents and need no line of their own.
func Lines(d trace.Derivation, s trace.Settings) []Line {
	out := []Line{}
	for _, f := range d.Figures {
		if f.Bound != trace.NotApplicable && !strings.HasSuffix(f.Key, "_times_rated") {
			line := Sentence(f, s)
			line.Minor = !major[f.Key]
			out = append(out, line)
		}
	}
	return out
}

// Behaviour says a behaviour as a person would.
func Behaviour(b trace.Behaviour) string {
	switch b {
	case trace.Latching:
		return "Cuts off and stays off"
	case trace.AutoRetry:
		return "Tries again by itself"
	case trace.Hiccup:
		return "Tries again in quick pulses"
	case trace.FoldBack:
		return "Folds back"
	case trace.LimitedCurrent:
		return "Limits the current"
	case trace.Sustained:
		return "Feeds the short all along"
	case trace.BehaviourUnsure:
		return "Not resolved by this instrument"
	case trace.None:
		return "Nothing happened"
	case trace.Tripped:
		return "Tripped"
	case trace.NoTrip:
		return "Did not trip"
	case trace.Carried:
		return "Carried its load"
	}
	return "Not known yet"
}

// BehaviourSoFar says what a unit does while the hold still goes on: nothing that only its end can
// tell.
func BehaviourSoFar(b trace.Behaviour) string {
	switch b {
	case trace.Latching:
		return "Cut off, off so far"
	case trace.Sustained:
		return "Feeding the short"
	case trace.LimitedCurrent:
		return "Limiting the current"
	case trace.FoldBack:
		return "Folded back"
	case trace.Carried:
		return "Carrying its load"
	case trace.NoTrip:
		return "No trip yet"
	case trace.None:
		return "Nothing has happened yet"
	}
	return Behaviour(b)
}

// Phase says a phase.
func Phase(p trace.Phase) string {
	switch p {
	case trace.Idle:
		return "no fault current"
	case trace.Fault:
		return "fault"
	case trace.Limiting:
		return "limiting"
	case trace.Off:
		return "off"
	case trace.Retry:
		return "retry"
	}
	return string(p)
}

// Mark says a kind of mark.
func Mark(k trace.MarkKind) string {
	switch k {
	case trace.Applied:
		return "Short applied"
	case trace.Onset:
		return "Onset"
	case trace.Limited:
		return "Limited"
	case trace.CutOff:
		return "Cut off"
	case trace.RetryOn:
		return "Retry on"
	case trace.RetryOff:
		return "Retry off"
	case trace.Removed:
		return "Short removed"
	case trace.Restored:
		return "Output back"
	case trace.Note:
		return "Note"
	}
	return strings.ReplaceAll(string(k), "_", " ")
}

// Recovery says a recovery.
func Recovery(r trace.Recovery) string {
	switch r {
	case trace.ByItself:
		return "recovers by itself once the short is gone"
	case trace.NeedsReset:
		return "stays off until it is switched"
	}
	return "recovery not tested"
}

// Procedure says a procedure.
func Procedure(p trace.Procedure) string {
	switch p {
	case trace.Short:
		return "Short-circuit test"
	case trace.Ramp:
		return "Ramp"
	case trace.Steps:
		return "Stairs"
	case trace.Overload:
		return "Overload"
	case trace.Carry:
		return "Carry test"
	}
	return string(p)
}

// Waveform says a waveform.
func Waveform(w trace.Waveform) string {
	switch w {
	case trace.DC:
		return "smoothed DC"
	case trace.FullWave:
		return "full-wave rectified"
	case trace.HalfWave:
		return "half-wave rectified"
	case trace.PWM:
		return "pulse-width modulated"
	}
	return "waveform not stated"
}

// Rate says a number of readings a second: whole above ten, else one decimal.
func Rate(hz float64) string {
	switch {
	case !(hz > 0) || math.IsInf(hz, 0):
		return "no readings"
	case hz < 9.95:
		return fmt.Sprintf("%.1f readings a second", hz)
	}
	return fmt.Sprintf("%.0f readings a second", hz)
}

// Duration says a duration: seconds with two decimals up to a minute, then minutes and seconds.
func Duration(s float64) string {
	switch {
	case math.IsNaN(s) || math.IsInf(s, 0):
		return "unknown"
	case s < 0:
		return "−" + Duration(-s)
	case s < 59.995:
		return fmt.Sprintf("%.2f s", s)
	case s < 3599.5:
		whole := int(math.Round(s))
		return fmt.Sprintf("%d min %02d s", whole/60, whole%60)
	}
	m := int(math.Round(s / 60))
	return fmt.Sprintf("%d h %02d min", m/60, m%60)
}
