package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"iter"
	"slices"
	"time"

	"letthrough/capture/trace"
	"letthrough/store/chunk"
)

// Recording gives a run as it is handed on to a file or another store, times on its own time base.
// The samples are read when they are walked over. A run that is still open cannot be handed on.
func (db *DB) Recording(ctx context.Context, id int64) (trace.Recording, error) {
	var rec trace.Recording
	err := db.look(ctx, "read run", func(tx *sql.Tx) error {
		run, err := db.readRun(ctx, tx, id)
		if err != nil {
			return err
		}
		if run.State == trace.RunOpen {
			return stillOpen(id)
		}
		rec = trace.Recording{UUID: run.UUID}
		rec.Start = trace.RunStart{Unit: run.Plate, Output: run.Output, Setting: run.Setting, Rig: run.Rig, Note: run.Note,
			Settings: run.Settings, Started: run.Started, Instruments: run.Instruments, Version: run.Version}
		rec.End = trace.RunEnd{Settings: run.Settings, Counts: run.Counts, Derivation: run.Derivation.Shifted(run.ZeroS, "file")}
		rec.Start.Unit.ID = 0              // a number of this database only
		rec.Start.Settings.MarkEdits = nil // said since
		if run.Ended != nil {
			rec.End.Ended = *run.Ended
		}
		err = tx.QueryRowContext(ctx, "SELECT opened_ns, end_ns, progress, interruption, coalesce(exclusion, '') FROM runs WHERE id = ?", id).
			Scan(&rec.Start.OpenedNS, &rec.End.EndNS, &rec.End.State, &rec.End.Reason, &rec.Exclusion)
		if err != nil {
			return err
		}
		for _, c := range run.Channels {
			rec.Channels = append(rec.Channels, c.Channel)
		}
		if rec.Marks, err = recordedMarks(ctx, tx, id, fromOutside); err != nil {
			return err
		}
		if rec.Edits, err = editsOf(ctx, tx, id); err != nil {
			return err
		}
		for i := range rec.Edits {
			rec.Edits[i].ID = 0 // likewise
		}
		if err := surroundings(ctx, tx, run, &rec); err != nil {
			return err
		}
		return pastDerivations(ctx, tx, id, run.Derivations, &rec)
	})
	rec.Batches = db.Batches(ctx, id)
	return rec, err
}

// surroundings reads what is kept of a run's unit and rig beside the run itself.
func surroundings(ctx context.Context, tx *sql.Tx, run Run, rec *trace.Recording) error {
	loads, err := readLoads(ctx, tx, "id = (SELECT u.load_id FROM units u JOIN runs r ON r.unit_id = u.id WHERE r.id = ?)", run.ID)
	if err != nil {
		return err
	}
	for _, l := range loads {
		l.ID = 0
		rec.Load, rec.Start.Unit.Load = &l, l.Name
	}
	if rec.Built = run.Built; rec.Built != nil {
		return nil
	}
	// Older runs kept the name alone: the rig of that name as it is now.
	rigs, err := readRigs(ctx, tx, "name = ? AND name != ''", run.Rig)
	if err != nil {
		return err
	}
	for _, r := range rigs {
		r.ID = 0
		rec.Built = &r
	}
	return nil
}

// takeIn keeps what a recording brings along beside itself, and lets it name what that is called here.
func (db *DB) takeIn(ctx context.Context, tx *sql.Tx, rec *trace.Recording) (said []string, err error) {
	note := func(s string, err error) error {
		if s != "" {
			said = append(said, s)
		}
		return err
	}
	if rec.Load != nil {
		name, s, err := db.Loads().keepBeside(ctx, tx, *rec.Load)
		if err := note(s, err); err != nil {
			return nil, err
		}
		rec.Start.Unit.Load = name
	}
	if rec.Built != nil {
		name, s, err := db.Rigs().keepBeside(ctx, tx, *rec.Built)
		if err := note(s, err); err != nil {
			return nil, err
		}
		rec.Start.Rig = name
		built := *rec.Built
		built.Name = name // what it is called here
		rec.Start.Built = &built
	}
	for _, c := range rec.Criteria {
		_, s, err := db.Criteria().keepBeside(ctx, tx, c)
		if err := note(s, err); err != nil {
			return nil, err
		}
	}
	return said, nil
}

// pastDerivations reads all derivations of a run; marks as they are stored, which is exact.
func pastDerivations(ctx context.Context, tx *sql.Tx, run int64, infos []DerivationInfo, rec *trace.Recording) error {
	for _, info := range slices.Backward(infos) { // the oldest first
		d, s, err := derivation(ctx, tx, run, info.ID)
		if err != nil {
			return err
		}
		if info.Current {
			rec.End.Derivation = d
			rec.End.Settings = s
			continue
		}
		rec.Earlier = append(rec.Earlier, trace.PastDerivation{Made: info.Made, Origin: info.Origin, Version: info.Version, Settings: s, Derivation: d})
	}
	return nil
}

// Imported says what became of a recording.
type Imported struct {
	ID   int64  `json:"id"`
	UUID string `json:"uuid"`
	Unit string `json:"unit"`
	// Known: the same run was here already and stays as it is. ID is that run.
	Known bool `json:"known"`
	// Said is what a person should know of it: what came along under another name.
	Said []string `json:"said,omitempty"`
}

// ImportRecordings stores several runs at once: all of them or, after an error, nothing. A run that
// is here already, by its UUID, is left as it is.
func (db *DB) ImportRecordings(ctx context.Context, recordings iter.Seq2[trace.Recording, error]) ([]Imported, error) {
	var done []Imported
	err := db.change(ctx, "import runs", func(tx *sql.Tx) error {
		for rec, err := range recordings {
			if err != nil {
				return err
			}
			one, err := db.importRecording(ctx, tx, rec)
			if err != nil {
				return err
			}
			done = append(done, one)
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	return done, nil
}

func (db *DB) importRecording(ctx context.Context, tx *sql.Tx, rec trace.Recording) (Imported, error) {
	out := Imported{UUID: rec.UUID, Unit: rec.Start.Unit.Name}
	if err := checkRecording(rec); err != nil {
		return out, err
	}
	if rec.UUID == "" {
		out.UUID = newUUID()
	}
	err := tx.QueryRowContext(ctx, "SELECT id FROM runs WHERE uuid = ?", out.UUID).Scan(&out.ID)
	if err == nil {
		out.Known = true
		for _, err := range rec.Batches { // what stands in a file is read in any case: its rest follows
			if err != nil {
				return out, err
			}
		}
		return out, nil
	}
	if !errors.Is(err, sql.ErrNoRows) {
		return out, err
	}
	if out.Said, err = db.takeIn(ctx, tx, &rec); err != nil {
		return out, err
	}
	ids, err := reserveRuns(ctx, tx, 1)
	if err != nil {
		return out, err
	}
	out.ID = ids[0]
	if err := insertRun(ctx, tx, out.ID, out.UUID, rec.Start); err != nil {
		return out, err
	}
	return out, db.importParts(ctx, tx, out.ID, rec)
}

func (db *DB) importParts(ctx context.Context, tx *sql.Tx, id int64, rec trace.Recording) error {
	for _, d := range rec.Earlier {
		old, err := db.insertDerivation(ctx, tx, id, d.Settings, d.Derivation, d.Origin, d.Version)
		if err != nil {
			return err
		}
		if _, err := tx.ExecContext(ctx, "UPDATE derivations SET made = ? WHERE id = ?", d.Made.Format(time.RFC3339), old); err != nil {
			return err
		}
	}
	if err := upsertMarks(ctx, tx, id, rec.Marks); err != nil {
		return err
	}
	for _, e := range rec.Edits {
		if err := checkEdit(&e); err != nil {
			return invalid(err)
		}
		if _, err := insertEdit(ctx, tx, id, e); err != nil {
			return err
		}
	}
	w, rw := newWriter(db), &runWriter{id: id}
	if err := w.importSamples(ctx, tx, rw, rec.Batches); err != nil {
		return err
	}
	rw.end = &rec.End
	if err := w.writeRun(ctx, tx, rw); err != nil {
		return err
	}
	// The settings of the last derivation are not those that the run was recorded with.
	if err := updateSettings(ctx, tx, id, rec.Start.Settings); err != nil {
		return err
	}
	if len(rec.Earlier) > 0 {
		if _, err := tx.ExecContext(ctx, "UPDATE derivations SET origin = 'again' WHERE id = (SELECT derivation_id FROM runs WHERE id = ?)", id); err != nil {
			return err
		}
	}
	if rec.Exclusion == "" {
		return nil
	}
	_, err := tx.ExecContext(ctx, "UPDATE runs SET exclusion = ? WHERE id = ?", rec.Exclusion, id)
	return err
}

func (w *writer) importSamples(ctx context.Context, tx *sql.Tx, rw *runWriter, samples iter.Seq2[trace.Batch, error]) error {
	for b, err := range ahead(samples) {
		if err != nil {
			return err
		}
		for part := b.Samples; len(part) > 0; {
			n := min(len(part), chunk.Size)
			t := rw.tail(b.Channel)
			t.add(part[:n], false)
			part = part[n:]
			if len(t.samples) < chunk.Size {
				continue // nothing small is written only to be replaced
			}
			if err := w.writeFull(ctx, tx, rw.id, t); err != nil {
				return err
			}
		}
	}
	return nil
}

// checkRecording keeps what no program of ours would have written out of the tables.
func checkRecording(rec trace.Recording) error {
	if err := rec.End.Validate(); err != nil {
		return invalid(err)
	}
	if rec.UUID != "" && !isUUID(rec.UUID) {
		return invalid(fmt.Errorf("uuid: %.60q is none", rec.UUID))
	}
	if rec.Start.Unit.Name != "" {
		if err := rec.Start.Unit.Validate(); err != nil {
			return invalid(err)
		}
	}
	return invalidOrNil(rec.End.Settings.Validate())
}

func invalidOrNil(err error) error {
	if err != nil {
		return invalid(err)
	}
	return nil
}

// isUUID tells whether s is written as RFC 9562 has it, in lower case.
func isUUID(s string) bool {
	if len(s) != 36 {
		return false
	}
	for i, c := range []byte(s) {
		dash := i == 8 || i == 13 || i == 18 || i == 23
		if dash != (c == '-') || !dash && !(c >= '0' && c <= '9' || c >= 'a' && c <= 'f') {
			return false
		}
	}
	return true
}
