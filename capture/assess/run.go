package assess

import (
	"fmt"
	"slices"
	"strings"

	"letthrough/capture/trace"
	"letthrough/capture/words"
)

// Run is what an assessment knows of a run.
type Run struct {
	ID         int64
	UUID       string
	Derivation int64 // tells one derivation of it from another
	Output     string
	Setting    string
	Procedure  trace.Procedure
	Behaviour  trace.Behaviour
	Recovery   trace.Recovery
	State      trace.RunState
	Reason     string  // why it is excluded or was cut short
	StartedS   float64 // seconds on some common clock, for order and pauses
	Figures    trace.Figures
}

// counts says why a run does not count for a verdict; empty where it does.
func (r Run) counts() string {
	switch {
	case r.State == trace.RunOpen:
		return "it is still open"
	case r.State == trace.RunExcluded:
		return "left out: " + r.Reason
	case !full(r.Setting):
		return fmt.Sprintf("at the setting %q, not turned up fully", r.Setting)
	case len(r.Figures) == 0:
		return "it has no figures"
	}
	return ""
}

func full(setting string) bool {
	s := strings.ToLower(strings.TrimSpace(setting))
	return s == "" || s == "full" || s == "100 %" || s == "100%"
}

// figure gives what the criterion judges of a run. why says, where there is no such thing, what has to be
// known first.
func (c Criterion) figure(r Run, p Plate) (f trace.Figure, why string) {
	switch c.Judges {
	case ProtectedAfter:
		return c.protectedAfter(r, p)
	case SteadyCurrent:
		return steady(r), ""
	}
	f, ok := r.Figures.Get(c.Judges)
	if !ok {
		return trace.Figure{Key: c.Judges, Bound: trace.NotResolved, Why: "this run has no such figure"}, ""
	}
	return f, ""
}

// steady is what flows for as long as the fault stays: nothing after a cut-off.
func steady(r Run) trace.Figure {
	key := ""
	switch r.Behaviour {
	case trace.FoldBack:
		key = "residual_current_a"
	case trace.LimitedCurrent, trace.Sustained:
		key = "sustained_current_a"
	case trace.BehaviourUnsure:
		return trace.Figure{Key: SteadyCurrent, Bound: trace.NotResolved, Why: "this instrument could not tell what the unit does"}
	default:
		return trace.Figure{Key: SteadyCurrent, Bound: trace.NotApplicable}
	}
	f, ok := r.Figures.Get(key)
	if !ok {
		return trace.Figure{Key: SteadyCurrent, Bound: trace.NotResolved, Why: "this run has no such figure"}
	}
	return f
}

// protectedAfter is the time to the cut-off, or to the limit where what then flows on is at most the level.
// Where more than that flows on, the unit has not stopped within the hold.
func (c Criterion) protectedAfter(r Run, p Plate) (trace.Figure, string) {
	get := func(key string) trace.Figure {
		f, ok := r.Figures.Get(key)
		if !ok {
			f = trace.Figure{Key: key, Bound: trace.NotResolved, Why: "this run has no such figure"}
		}
		return f
	}
	if r.Behaviour != trace.FoldBack && r.Behaviour != trace.LimitedCurrent {
		f := get("time_to_cutoff_s")
		if f.Bound == trace.NotApplicable {
			f.Bound, f.Why = trace.NotResolved, "the run does not show it"
		}
		return f, ""
	}
	times, missing := p.scale(c.Level)
	if missing != "" {
		return trace.Figure{}, missing
	}
	on := steady(r)
	if !on.Bound.HasValue() {
		return trace.Figure{Key: "time_to_limit_s", Bound: trace.NotResolved, Why: "what flows on is not known"}, ""
	}
	level := limits{pass: asSpan(c.Level, times), caution: asSpan(Limit{}, 1)}
	// A unit that is called limited gives at most 1.25 x rated by what was read; the uncertainty of that
	// current does not make it another unit.
	switch decide(span{on.Value, on.Value}, true, level) {
	case Pass:
		return get("time_to_limit_s"), ""
	default:
		hold := get("hold_s")
		if !hold.Bound.HasValue() {
			return trace.Figure{Key: "time_to_cutoff_s", Bound: trace.NotResolved, Why: "what flows on is above the level, and the hold is not known"}, ""
		}
		return trace.Figure{Key: "time_to_cutoff_s", Value: hold.Value, U: hold.U, Bound: trace.AtLeast,
			Why: words.Text(on) + ", which is more than " + c.Level.Say()}, ""
	}
}

// judgeWord judges what is a word.
func (c Criterion) judgeWord(r Run, p Plate, j Judged) Judged {
	var word string
	switch c.Judges {
	case BehaviourWord:
		word = string(r.Behaviour)
		j.Figure = lowerFirst(words.Behaviour(r.Behaviour))
		if r.Behaviour == trace.BehaviourUnsure || r.Behaviour == trace.None || word == "" {
			j.Verdict, j.Why, j.Next = NotDetermined, "the run does not show what the unit does: "+j.Figure, fasterMeter(1)
			return j
		}
	case RecoveryWord:
		word, j.Figure = string(r.Recovery), words.Recovery(r.Recovery)
		if r.Recovery != trace.ByItself && r.Recovery != trace.NeedsReset {
			j.Verdict, j.Why, j.Next = NotDetermined, j.Figure, "after the hold, remove the short and watch the voltage, or close the contact once more"
			return j
		}
	case CarriesRating:
		return c.carries(r, p, j)
	}
	switch {
	case slices.Contains(c.Pass.Words, word):
		j.Verdict = Pass
	case slices.Contains(c.Caution.Words, word):
		j.Verdict = Caution
	default:
		j.Verdict = Fail
	}
	j.Why = j.Figure + "; asked for is: " + c.Pass.Say()
	return j
}

// carries judges a carry test: carried at no less than the level, or tripped at no more than the rating.
// Anything else says nothing of the rating.
func (c Criterion) carries(r Run, p Plate, j Judged) Judged {
	times, missing := p.scale(c.Level)
	if missing != "" {
		j.Verdict, j.Why = NotDetermined, missing
		return j
	}
	f, ok := r.Figures.Get("carried_current_a")
	j.Figure = words.Text(f)
	if !ok || !f.Bound.HasValue() {
		j.Verdict, j.Why = NotDetermined, "the level carried is not known"
		j.Next = "run the carry test once more, with a meter of at least 20 readings a second"
		return j
	}
	s, rated := spanOf(f), p.RatedA
	word := ""
	switch {
	case r.Behaviour == trace.Carried && (s.low >= c.Level.Low*times || f.Bound == trace.Exact && f.Value >= c.Level.Low*times):
		word = "yes"
	case r.Behaviour == trace.Tripped && f.Bound != trace.AtLeast && s.low <= rated:
		word = "no"
	}
	if word == "" {
		j.Verdict = NotDetermined
		j.Why = fmt.Sprintf("%s, %s, which says nothing of its %s", lowerFirst(words.Behaviour(r.Behaviour)), j.Figure, quantityText(rated, "A"))
		j.Next = fmt.Sprintf("carry between %s and %s", quantityText(c.Level.Low*times, "A"), quantityText(rated, "A"))
		return j
	}
	j.Verdict = Fail
	if slices.Contains(c.Pass.Words, word) {
		j.Verdict = Pass
	} else if slices.Contains(c.Caution.Words, word) {
		j.Verdict = Caution
	}
	j.Why = fmt.Sprintf("%s: %s, rated %s", lowerFirst(words.Behaviour(r.Behaviour)), j.Figure, quantityText(rated, "A"))
	return j
}

func quantityText(v float64, unit string) string {
	value, _ := words.Number(v, 0)
	return value + " " + unit
}

func lowerFirst(s string) string {
	if s == "" {
		return s
	}
	return strings.ToLower(s[:1]) + s[1:]
}
