package web

import (
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

// kindChoices are the kinds of marks that can be added.
func kindChoices() []choice {
	var out []choice
	for _, k := range []trace.MarkKind{trace.Note, trace.Applied, trace.Onset, trace.Limited, trace.CutOff, trace.RetryOn, trace.RetryOff, trace.Removed, trace.Restored} {
		out = append(out, choice{string(k), words.Mark(k)})
	}
	return out
}
