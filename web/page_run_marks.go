package web

import (
	"cmp"
	"math"
	"slices"
	"strconv"

	"letthrough/capture/trace"
	"letthrough/capture/words"
	"letthrough/store"
)

// editRow is what a person said of a mark, in words.
type editRow struct {
	ID     int64
	Say    string
	Reason string
	Back   bool // taken back
}

// editRows lists what was said of a run's marks, the newest first.
func editRows(edits []trace.MarkEdit) []editRow {
	var rows []editRow
	for i := len(edits) - 1; i >= 0; i-- {
		e := edits[i]
		row := editRow{ID: e.ID, Reason: e.Reason, Back: e.TakenBack != nil}
		switch what := words.Mark(e.Kind); {
		case e.WasTS == nil:
			row.Say = what + " added at " + eventTime(*e.TS)
		case e.TS == nil:
			row.Say = what + " at " + eventTime(*e.WasTS) + " struck"
		default:
			row.Say = what + " moved from " + eventTime(*e.WasTS) + " to " + eventTime(*e.TS)
		}
		rows = append(rows, row)
	}
	return rows
}

// markChoices are the marks of a run that a person may say something of. A value is the kind and the exact time.
func markChoices(run store.Run) []choice {
	var out []choice
	for _, m := range run.Derivation.Marks {
		if !m.Withdrawn {
			out = append(out, choice{string(m.Kind) + " " + strconv.FormatFloat(m.T, 'g', -1, 64), words.Mark(m.Kind) + " at " + eventTime(m.T)})
		}
	}
	return out
}

// markKinds are all there are, what a person adds most often first.
var markKinds = []trace.MarkKind{trace.Note, trace.Applied, trace.Onset, trace.Limited, trace.CutOff, trace.RetryOn, trace.RetryOff, trace.Removed, trace.Restored}

// runMark is one mark in the list of a run's page.
type runMark struct {
	eventRow
	At  float64
	Key string // as markChoices has it
}

// runMarks lists the marks of a run in order of time, those that a person moved with what the program had said.
func runMarks(run store.Run) []runMark {
	marks := slices.DeleteFunc(slices.Clone(run.Derivation.Marks), func(m trace.Mark) bool { return m.Withdrawn })
	slices.SortStableFunc(marks, func(a, b trace.Mark) int { return cmp.Compare(a.T, b.T) })
	rows := eventRows(marks)
	out := make([]runMark, len(rows))
	for i, m := range marks {
		out[i] = runMark{rows[i], m.T, string(m.Kind) + " " + strconv.FormatFloat(m.T, 'g', -1, 64)}
		if e, ok := movedTo(run.Edits, m); ok {
			out[i].ByHand = true
			out[i].Asides = []string{"moved by hand from " + eventTime(*e.WasTS), "“" + e.Reason + "”"}
		}
	}
	return out
}

// movedTo finds what a person said when a mark was moved to where it stands.
func movedTo(edits []trace.MarkEdit, m trace.Mark) (trace.MarkEdit, bool) {
	for _, e := range slices.Backward(edits) {
		if e.TakenBack == nil && e.Kind == m.Kind && e.WasTS != nil && e.TS != nil && math.Abs(*e.TS-m.T) < 1e-4 {
			return e, true
		}
	}
	return trace.MarkEdit{}, false
}

// markDataOf are the marks for the page's script.
func markDataOf(run store.Run) []markData {
	out := []markData{}
	for _, m := range run.Derivation.Marks {
		if m.Withdrawn {
			continue
		}
		d := markData{ID: m.ID, Kind: m.Kind, T: m.T, By: m.By, Say: words.Mark(m.Kind), Text: m.Text}
		if e, ok := movedTo(run.Edits, m); ok {
			d.WasS = e.WasTS
		}
		out = append(out, d)
	}
	return out
}

// jumpsOf are the parts of a run that one wants to look at first.
func jumpsOf(run store.Run) []jump {
	from, to := math.Inf(1), 0.0
	for _, c := range run.Channels {
		from, to = min(from, c.FromS), max(to, c.ToS)
	}
	if !(to > from) {
		return nil
	}
	around := func(say string, a, b float64) jump {
		aside := 0.25 * max(b-a, 1e-3)
		return jump{say, max(a-aside, from), min(b+aside, to)}
	}
	var out []jump
	retries := 0
	for _, s := range trace.Phases(run.Derivation.Marks, from, to) {
		switch {
		case s.Phase == trace.Fault && run.Procedure.NoUpperState():
			last := max(s.To-0.1*(s.To-s.From), s.To-5)
			out = append(out, jump{"how it ended", max(last, from), min(s.To+0.25*(s.To-last), to)})
		case s.Phase == trace.Fault:
			out = append(out, around("the fault", s.From, s.To))
		case s.Phase == trace.Limiting:
			out = append(out, around("the limitation", s.From-0.1*(s.To-s.From), s.From+0.1*(s.To-s.From)))
		case s.Phase == trace.Retry && retries == 0:
			retries++
			out = append(out, around("the first retry", s.From, s.To))
		}
	}
	return out
}

// levelsOf are the named levels of a load test: the stair carried, the one that tripped, the trip; and the most that
// the range shows where the current went beyond it.
func levelsOf(run store.Run) []levelData {
	out := []levelData{}
	d := run.Derivation
	if most := run.DerivedWith.FullScaleA; most > 0 && slices.ContainsFunc(d.Warnings, func(w trace.Warning) bool { return w.Code == "over_range" }) {
		out = append(out, levelData{most, "most the range shows, " + shortNumber(most) + " A", false, nil})
	}
	var trip *float64
	for _, kind := range []trace.MarkKind{trace.CutOff, trace.Limited} {
		if m, ok := d.FirstMark(kind); ok {
			trip = &m.T
		}
	}
	for _, key := range []string{"trip_current_a", "carried_current_a", "tripped_current_a"} {
		if f, ok := d.Figures.Get(key); ok && f.Bound.HasValue() && d.Procedure.NoUpperState() {
			out = append(out, levelData{f.Value, f.Text, true, trip})
		}
	}
	return out
}

// kindChoices are the kinds of marks that can be added.
func kindChoices() []choice {
	var out []choice
	for _, k := range markKinds {
		out = append(out, choice{string(k), words.Mark(k)})
	}
	return out
}
