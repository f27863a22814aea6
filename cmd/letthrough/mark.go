package main

import (
	"fmt"
	"io"
	"math"

	"letthrough/capture/trace"
	"letthrough/capture/words"
	"letthrough/store"
)

type runsMarkCmd struct {
	dbFlag `embed:""`
	ID     int64          `arg:"" help:"The run's number."`
	Kind   trace.MarkKind `arg:"" help:"applied, onset, limited, cut_off, retry_on, retry_off, removed, restored or note."`
	At     *seconds       `help:"When the mark is, from the onset." placeholder:"S"`
	Was    *seconds       `help:"Moves the mark that stood there." placeholder:"S"`
	Within *seconds       `help:"How well that is known, the expanded uncertainty; 0.3 s where it is not said." placeholder:"S"`
	Strike bool           `help:"Strikes the mark at --at."`
	Reason string         `help:"Why." required:"" placeholder:"TEXT"`
}

func (c runsMarkCmd) Run(env *surroundings) error {
	e := trace.MarkEdit{Kind: c.Kind, TS: c.At.float(), WasTS: c.Was.float(), US: c.Within.float(), Reason: c.Reason}
	if c.At == nil {
		return &usageError{"a mark needs --at S, in seconds from the onset"}
	}
	if c.Strike {
		if c.Was != nil || c.Within != nil {
			return &usageError{"--strike takes --at, neither --was nor --within"}
		}
		e.WasTS, e.TS = e.TS, nil
	}
	return withDB(env, c.dbFlag, func(db *store.DB) error {
		made, err := db.EditMark(env.ctx, c.ID, e)
		if err != nil {
			return err
		}
		return afterEdit(env, db, c.ID, fmt.Sprintf("edit %d of run %d; `runs unmark %d %d` takes it back", made.ID, c.ID, c.ID, made.ID))
	})
}

type runsUnmarkCmd struct {
	dbFlag `embed:""`
	ID     int64 `arg:"" help:"The run's number."`
	Edit   int64 `arg:"" help:"The number of the edit, as runs show tells it."`
}

// Run takes back what a person said of a mark.
func (c runsUnmarkCmd) Run(env *surroundings) error {
	return withDB(env, c.dbFlag, func(db *store.DB) error {
		if err := db.TakeBackEdit(env.ctx, c.ID, c.Edit); err != nil {
			return err
		}
		return afterEdit(env, db, c.ID, fmt.Sprintf("edit %d of run %d is taken back", c.Edit, c.ID))
	})
}

// afterEdit shows what became of the figures.
func afterEdit(env *surroundings, db *store.DB, id int64, done string) error {
	r, err := db.Run(env.ctx, id)
	if err != nil {
		return err
	}
	sheet(env.stdout, fmt.Sprintf("%s: %s", done, r.Unit), r.Derivation, r.Settings)
	return nil
}

// tidy rounds to what is printed, so that nothing is called -0.0000.
func tidy(t float64) float64 { return math.Round(t*1e4)/1e4 + 0 }

// edits prints what a person said of a run's marks.
func edits(w io.Writer, all []trace.MarkEdit) {
	for _, e := range all {
		back := ""
		if e.TakenBack != nil {
			back = " (taken back)"
		}
		fmt.Fprintf(w, "  edit %d%s, ", e.ID, back)
		switch what := words.Mark(e.Kind); {
		case e.WasTS == nil:
			fmt.Fprintf(w, "added by hand: %s at %.4f s: %s\n", what, tidy(*e.TS), e.Reason)
		case e.TS == nil:
			fmt.Fprintf(w, "struck by hand: %s at %.4f s: %s\n", what, tidy(*e.WasTS), e.Reason)
		default:
			fmt.Fprintf(w, "moved by hand: %s from %.4f s to %.4f s: %s\n", what, tidy(*e.WasTS), tidy(*e.TS), e.Reason)
		}
	}
}
