package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"text/tabwriter"
	"time"

	"letthrough/capture/assess"
	"letthrough/capture/trace"
	"letthrough/capture/words"
	"letthrough/store"
	"letthrough/web"
)

type runsCmd struct {
	List           runsListCmd           `cmd:"" default:"withargs" help:"List the runs, newest first."`
	Show           runsShowCmd           `cmd:"" help:"One run with its marks and figures."`
	Export         runsExportCmd         `cmd:"" help:"A run as CSV, JSON, COMTRADE, Parquet or captions; several as a bundle."`
	Import         runsImportCmd         `cmd:"" help:"Runs from bundles and JSON, and traces recorded elsewhere."`
	Delete         runsDeleteCmd         `cmd:"" help:"Delete runs with their samples. This cannot be taken back."`
	Retain         runsRetainCmd         `cmd:"" help:"Delete the oldest runs, by age or until the database is small enough."`
	Note           runsNoteCmd           `cmd:"" help:"Write a note on a run."`
	Mark           runsMarkCmd           `cmd:"" help:"Add, move or strike a mark by hand, with a reason; the automatic ones stay beside it."`
	Unmark         runsUnmarkCmd         `cmd:"" help:"Take back what was said of a mark."`
	Exclude        runsExcludeCmd        `cmd:"" help:"Leave a run out of all comparisons, with a reason, or take it back in."`
	Derive         runsDeriveCmd         `cmd:"" help:"Derive a run's figures again, with other settings."`
	Survive        runsSurviveCmd        `cmd:"" help:"Would the loads have survived it? The recorded current run through each of them."`
	Characteristic runsCharacteristicCmd `cmd:"" help:"Voltage against current of a run whose voltage was measured: its shape and the source resistance."`
	Backup         runsBackupCmd         `cmd:"" help:"Copy the database while it is in use."`
}

// withDB opens a database that is there, does the work and closes it.
func withDB(env *surroundings, f dbFlag, work func(*store.DB) error) error {
	return inDB(env, f, false, work)
}

// withNewDB is withDB for what may make the database.
func withNewDB(env *surroundings, f dbFlag, work func(*store.DB) error) error {
	return inDB(env, f, true, work)
}

func inDB(env *surroundings, f dbFlag, mayMake bool, work func(*store.DB) error) error {
	db, err := f.open(env, mayMake)
	if err != nil {
		return err
	}
	return errors.Join(work(db), db.Close())
}

type runsListCmd struct {
	dbFlag    `embed:""`
	JSON      bool            `help:"Print JSON."`
	Unit      string          `help:"Only runs of this unit." placeholder:"NAME"`
	Procedure trace.Procedure `help:"Only this kind of test." placeholder:"KIND"`
	Behaviour trace.Behaviour `help:"Only runs that ended so." placeholder:"WORD"`
	Verdict   assess.Verdict  `help:"Only runs that come to this by the chosen criteria: pass, caution, not_determined or fail." placeholder:"WORD"`
	State     trace.RunState  `help:"Only runs in this state: open, complete, interrupted or excluded." placeholder:"WORD"`
	Series    int64           `help:"Only runs of this series." placeholder:"ID"`
	Query     string          `short:"q" help:"Only runs whose unit or note holds these words." placeholder:"TEXT"`
	Sort      string          `help:"started, unit, procedure, behaviour, state or id; or how_long, how_much, let_through or a figure, where bounds stand behind what is exact; with - before it the other way round." placeholder:"BY"`
	Limit     int             `help:"At most so many." default:"50" placeholder:"N"`
	After     string          `help:"Go on from where a list ended." placeholder:"CURSOR"`
}

func (c runsListCmd) Run(env *surroundings) error {
	if c.Verdict != "" && !slices.Contains(assess.Verdicts, c.Verdict) {
		return &usageError{fmt.Sprintf("--verdict: there is no verdict %q; use pass, caution, not_determined or fail", string(c.Verdict))}
	}
	return withDB(env, c.dbFlag, func(db *store.DB) error {
		page, err := web.JudgedRuns(env.ctx, db, store.RunQuery{
			Unit: c.Unit, Procedure: c.Procedure, Behaviour: c.Behaviour, State: c.State,
			Series: c.Series, Q: c.Query, Sort: c.Sort, Limit: c.Limit, After: c.After,
		}, c.Verdict)
		if err != nil {
			return err
		}
		if c.JSON {
			return printJSON(env.stdout, page)
		}
		w := tabwriter.NewWriter(env.stdout, 0, 0, 2, ' ', 0)
		fmt.Fprintln(w, "id\tunit\ttest\twhat it did\tstate\tstarted\tverdict\tnote")
		for _, r := range page.Runs {
			fmt.Fprintf(w, "%d\t%s\t%s\t%s\t%s\t%s\t%s\t%s\n", r.ID, r.Unit, words.Procedure(r.Procedure),
				words.Behaviour(r.Behaviour), r.State, r.Started.Local().Format(time.DateTime), sayVerdict(r.Verdict), r.Note)
		}
		if page.Next != nil {
			fmt.Fprintf(w, "more with --after %s\n", *page.Next)
		}
		return w.Flush()
	})
}

type runsShowCmd struct {
	dbFlag `embed:""`
	ID     int64 `arg:"" help:"The run's number."`
	JSON   bool  `help:"Print JSON."`
}

// storedEntry is a stored run as `read` tells of a file, with what only a run has beside it.
type storedEntry struct {
	File string `json:"file"`
	trace.Derivation
	Run store.Run `json:"run"`
}

func (c runsShowCmd) Run(env *surroundings) error {
	return withDB(env, c.dbFlag, func(db *store.DB) error {
		r, err := db.Run(env.ctx, c.ID)
		if err != nil {
			return err
		}
		if c.JSON {
			return printJSON(env.stdout, stored(r))
		}
		title := fmt.Sprintf("run %d: %s, %s, %s, %s", r.ID, r.Unit, plate(r.Plate), r.State, r.Started.Local().Format(time.DateTime))
		if r.Reason != "" {
			title += " (" + r.Reason + ")"
		}
		sheet(env.stdout, title, r.Derivation, r.Settings)
		edits(env.stdout, r.Edits)
		return nil
	})
}

// stored gives a run in the shape of an entry.
func stored(r store.Run) storedEntry {
	d := whole(r.Derivation)
	return storedEntry{File: fmt.Sprintf("run %d", r.ID), Derivation: d, Run: r}
}

// writeTo writes a file completely or not at all: what stood there before stays until the new one is
// whole.
func writeTo(env *surroundings, path string, write func(io.Writer) error) (err error) {
	if path == "-" {
		return write(env.stdout)
	}
	f, err := os.CreateTemp(filepath.Dir(path), filepath.Base(path)+".part*")
	if err != nil {
		return fmt.Errorf("write %s: %w", path, err)
	}
	defer func() {
		if err != nil {
			f.Close()
			os.Remove(f.Name())
		}
	}()
	if err := write(f); err != nil {
		return err
	}
	if err := errors.Join(f.Chmod(0o644), f.Sync(), f.Close()); err != nil {
		return fmt.Errorf("write %s: %w", path, err)
	}
	return os.Rename(f.Name(), path)
}

type runsDeleteCmd struct {
	dbFlag `embed:""`
	IDs    []int64 `arg:"" name:"id" help:"The runs' numbers."`
}

func (c runsDeleteCmd) Run(env *surroundings) error {
	return withDB(env, c.dbFlag, func(db *store.DB) error {
		for _, id := range c.IDs {
			if err := db.DeleteRun(env.ctx, id); err != nil {
				return err
			}
			fmt.Fprintf(env.stdout, "deleted run %d\n", id)
		}
		return nil
	})
}

type runsNoteCmd struct {
	dbFlag `embed:""`
	ID     int64  `arg:"" help:"The run's number."`
	Text   string `arg:"" help:"The note; empty takes it away."`
}

func (c runsNoteCmd) Run(env *surroundings) error {
	return withDB(env, c.dbFlag, func(db *store.DB) error { return db.SetNote(env.ctx, c.ID, c.Text) })
}

type runsExcludeCmd struct {
	dbFlag `embed:""`
	ID     int64  `arg:"" help:"The run's number."`
	Reason string `help:"Why it is left out." placeholder:"TEXT"`
	Undo   bool   `help:"Take the run back in."`
}

func (c runsExcludeCmd) Run(env *surroundings) error {
	if !c.Undo && c.Reason == "" {
		return &usageError{"leaving a run out needs --reason TEXT (or --undo to take it back in)"}
	}
	return withDB(env, c.dbFlag, func(db *store.DB) error {
		if c.Undo {
			return db.Include(env.ctx, c.ID)
		}
		return db.Exclude(env.ctx, c.ID, c.Reason)
	})
}

type runsBackupCmd struct {
	dbFlag `embed:""`
	File   string `arg:"" help:"The copy; must not be there yet."`
}

func (c runsBackupCmd) Run(env *surroundings) error {
	return withDB(env, c.dbFlag, func(db *store.DB) error { return db.Backup(env.ctx, c.File) })
}
