package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"letthrough/capture/trace"
)

// Run is all that is known of a run but its samples.
type Run struct {
	RunSummary
	Plate       trace.Unit            `json:"plate"` // the unit as it was at the test
	Rig         string                `json:"rig"`
	Built       *trace.Rig            `json:"built"` // the rig by its parts, as it was then; null: not known
	Settings    trace.Settings        `json:"settings"`
	Instruments []trace.RunInstrument `json:"instruments"`
	Ended       *time.Time            `json:"ended"`
	HoldS       float64               `json:"hold_s"`
	ZeroS       float64               `json:"zero_at_run_s"` // the run's zero on its own time base
	OpenedS     float64               `json:"opened_s"`      // when it opened, from its zero
	Counts      trace.Counts          `json:"counts"`
	Version     string                `json:"version"`
	Channels    []ChannelInfo         `json:"channels"`
	Derivation  trace.Derivation      `json:"derivation"` // the current one, marks from the run's zero
	Derivations []DerivationInfo      `json:"derivations"`
	Edits       []trace.MarkEdit      `json:"edits"` // of marks, by a person, from the run's zero
	DerivedWith trace.Settings        `json:"-"`     // what the current derivation was made with
}

// ChannelInfo describes one channel of a run. Times count from the run's zero.
type ChannelInfo struct {
	trace.Channel
	Unit    string  `json:"unit"`
	Samples int64   `json:"samples"`
	FromS   float64 `json:"from_s"`
	ToS     float64 `json:"to_s"`
	InOrder bool    `json:"in_order"` // no sample is earlier than the one before it
}

// DerivationInfo is one of the derivations that were kept of a run.
type DerivationInfo struct {
	ID        int64           `json:"id"`
	Made      time.Time       `json:"made"`
	Origin    string          `json:"origin"` // live, interrupted, again
	Version   string          `json:"version"`
	Settings  trace.Settings  `json:"settings"`
	Behaviour trace.Behaviour `json:"behaviour"`
	Current   bool            `json:"current"`
}

// Run reads one run.
func (db *DB) Run(ctx context.Context, id int64) (Run, error) {
	var run Run
	err := db.look(ctx, "read run", func(tx *sql.Tx) (err error) {
		run, err = db.readRun(ctx, tx, id)
		return err
	})
	return run, err
}

func (db *DB) readRun(ctx context.Context, tx *sql.Tx, id int64) (Run, error) {
	var r Run
	var settings, instruments string
	var ended, built sql.NullString
	var zero, opened int64
	s, current, err := scanSummary(tx.QueryRowContext(ctx, "SELECT "+summaryColumns+`,
		coalesce(r.unit_id, 0), r.unit, r.rated_voltage_v, r.rated_current_a, r.waveform, r.rig, r.built, r.settings, r.instruments, r.ended,
		r.hold_s, r.zero_ns, r.opened_ns, r.lost, r.garbled, r.duplicate, r.version`+runTables+"WHERE r.id = ?", id).Scan,
		&r.Plate.ID, &r.Plate.Name, &r.Plate.RatedVoltageV, &r.Plate.RatedCurrentA, &r.Plate.Waveform, &r.Rig, &built, &settings, &instruments, &ended,
		&r.HoldS, &zero, &opened, &r.Counts.Lost, &r.Counts.Garbled, &r.Counts.Duplicate, &r.Version)
	if errors.Is(err, sql.ErrNoRows) {
		return r, db.noRun(id)
	}
	if err != nil {
		return r, err
	}
	r.RunSummary = s
	r.ZeroS, r.OpenedS = seconds(zero), seconds(opened-zero)
	if ended.Valid {
		t, err := time.Parse(time.RFC3339Nano, ended.String)
		if err != nil {
			return r, err
		}
		r.Ended = &t
	}
	if err := errors.Join(json.Unmarshal([]byte(settings), &r.Settings), json.Unmarshal([]byte(instruments), &r.Instruments)); err != nil {
		return r, fmt.Errorf("run %d: settings: %w", id, err)
	}
	if built.Valid {
		if err := json.Unmarshal([]byte(built.String), &r.Built); err != nil {
			return r, fmt.Errorf("run %d: rig: %w", id, err)
		}
	}
	r.DerivedWith = r.Settings
	if r.Channels, err = channelsOf(ctx, tx, id, zero); err != nil {
		return r, err
	}
	if r.Edits, err = editsOf(ctx, tx, id); err != nil {
		return r, err
	}
	r.Settings.MarkEdits = trace.NetEdits(r.Edits) // whoever derives it again heeds them
	for i, e := range r.Edits {
		r.Edits[i] = e.Shifted(-r.ZeroS)
	}
	if r.Derivations, err = derivationsOf(ctx, tx, id, current); err != nil {
		return r, err
	}
	if current != 0 {
		d, s, err := derivation(ctx, tx, id, current)
		if err != nil {
			return r, err
		}
		r.DerivedWith = s
		r.Derivation = d.Shifted(-r.ZeroS, "onset")
	} else {
		marks, err := recordedMarks(ctx, tx, id, "")
		if err != nil {
			return r, err
		}
		r.Derivation = trace.Derivation{Procedure: r.Procedure, Marks: marks}.Shifted(-r.ZeroS, "onset")
	}
	r.Figures = r.Derivation.Figures
	return r, nil
}

func seconds(ns int64) float64 { return float64(ns) / 1e9 }

func channelsOf(ctx context.Context, tx *sql.Tx, run, zero int64) ([]ChannelInfo, error) {
	found, err := findChannels(ctx, tx, run)
	out := []ChannelInfo{}
	for _, c := range found {
		out = append(out, ChannelInfo{Channel: c.Channel, Unit: c.Quantity.Unit(), Samples: c.n,
			FromS: seconds(c.t0 - zero), ToS: seconds(c.t1 - zero), InOrder: c.inOrder})
	}
	return out, err
}

func derivationsOf(ctx context.Context, tx *sql.Tx, run, current int64) ([]DerivationInfo, error) {
	rows, err := tx.QueryContext(ctx, "SELECT id, made, origin, version, settings, behaviour FROM derivations WHERE run = ? ORDER BY id DESC", run)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	out := []DerivationInfo{}
	for rows.Next() {
		var d DerivationInfo
		var made, settings string
		if err := rows.Scan(&d.ID, &made, &d.Origin, &d.Version, &settings, &d.Behaviour); err != nil {
			return nil, err
		}
		if d.Made, err = time.Parse(time.RFC3339, made); err != nil {
			return nil, err
		}
		if err := json.Unmarshal([]byte(settings), &d.Settings); err != nil {
			return nil, fmt.Errorf("derivation %d: settings: %w", d.ID, err)
		}
		d.Current = d.ID == current
		out = append(out, d)
	}
	return out, rows.Err()
}

// derivation reads one derivation on the run's time base.
func derivation(ctx context.Context, q queryer, run, id int64) (d trace.Derivation, s trace.Settings, err error) {
	var result, settings string
	err = q.QueryRowContext(ctx, "SELECT result, settings FROM derivations WHERE run = ? AND id = ?", run, id).Scan(&result, &settings)
	if errors.Is(err, sql.ErrNoRows) {
		return d, s, notFound("run %d has no derivation %d", run, id)
	}
	if err == nil {
		err = errors.Join(json.Unmarshal([]byte(result), &d), json.Unmarshal([]byte(settings), &s))
	}
	return d, s, err
}

// DerivationByID reads one derivation of a run and the settings that made it; its marks count from
// the run's zero.
func (db *DB) DerivationByID(ctx context.Context, run, id int64) (d trace.Derivation, s trace.Settings, err error) {
	err = db.look(ctx, "read derivation", func(tx *sql.Tx) error {
		var zero int64
		err := tx.QueryRowContext(ctx, "SELECT zero_ns FROM runs WHERE id = ?", run).Scan(&zero)
		if errors.Is(err, sql.ErrNoRows) {
			return db.noRun(run)
		}
		if err == nil {
			d, s, err = derivation(ctx, tx, run, id)
			d = d.Shifted(-seconds(zero), "onset")
		}
		return err
	})
	return d, s, err
}

// recordedMarks reads the marks made while the run was recorded, on the run's time base.
func recordedMarks(ctx context.Context, q queryer, run int64, and string) ([]trace.Mark, error) {
	rows, err := q.QueryContext(ctx, `SELECT mark, kind, t_s, u_s, by, text, level_a, provisional, withdrawn
		FROM marks WHERE run = ? AND derivation IS NULL `+and+` ORDER BY t_s, id`, run)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	marks := []trace.Mark{}
	for rows.Next() {
		var m trace.Mark
		if err := rows.Scan(&m.ID, &m.Kind, &m.T, &m.U, &m.By, &m.Text, &m.Level, &m.Provisional, &m.Withdrawn); err != nil {
			return nil, err
		}
		marks = append(marks, m)
	}
	return marks, rows.Err()
}

const fromOutside = "AND by != 'detector' AND NOT withdrawn"

// OutsideMarks reads the marks of a run that were made by hand or by a contact, with what a person
// said of them since, on the run's time base: a derivation made again needs them besides the samples.
func (db *DB) OutsideMarks(ctx context.Context, run int64) ([]trace.Mark, error) {
	marks, err := outsideMarks(ctx, db.r, run)
	return marks, db.explain("read marks", err)
}

// AddDerivation keeps another derivation of a run, made with other settings, and makes it the
// current one. Marks are on the run's time base. The older ones stay.
func (db *DB) AddDerivation(ctx context.Context, run int64, s trace.Settings, d trace.Derivation, version string) (id int64, err error) {
	err = db.changeRun(ctx, "add derivation", run, func(tx *sql.Tx, state trace.RunState) (err error) {
		if state == trace.RunOpen {
			return stillOpen(run)
		}
		id, err = db.insertDerivation(ctx, tx, run, s, d, "again", version)
		return err
	})
	return id, err
}

// ChooseDerivation makes an older derivation of a run the current one again. Where a person has said something of the
// marks since it was made, or taken something back, it no longer says what is known: then it has to be derived anew.
func (db *DB) ChooseDerivation(ctx context.Context, run, id int64) error {
	return db.changeRun(ctx, "choose derivation", run, func(tx *sql.Tx, state trace.RunState) error {
		if state == trace.RunOpen {
			return stillOpen(run)
		}
		d, set, err := derivation(ctx, tx, run, id)
		if err != nil {
			return err
		}
		said, err := editsOf(ctx, tx, run)
		if err != nil {
			return err
		}
		var later bool
		err = tx.QueryRowContext(ctx, `SELECT count(*) > 0 FROM mark_edits e JOIN derivations d ON d.run = e.run
			WHERE d.id = ? AND (datetime(e.made) > datetime(d.made) OR datetime(e.taken_back) > datetime(d.made))`, id).Scan(&later)
		if err != nil {
			return err
		}
		if later || !slices.EqualFunc(set.MarkEdits, trace.NetEdits(said), trace.MarkEdit.SaysAs) {
			return &Error{Code: ErrState.Code, Text: fmt.Sprintf("marks of run %d were changed by hand after derivation %d was made", run, id),
				Hint: "derive the run anew with the settings of that derivation"}
		}
		return makeCurrent(ctx, tx, run, id, d)
	})
}

// SetNote replaces the note of a run.
func (db *DB) SetNote(ctx context.Context, run int64, note string) error {
	if len(note) > 10_000 {
		return invalid(fmt.Errorf("note: %d bytes are too long, at most 10000", len(note)))
	}
	return db.changeRun(ctx, "change note", run, func(tx *sql.Tx, _ trace.RunState) error {
		_, err := tx.ExecContext(ctx, "UPDATE runs SET note = ? WHERE id = ?", note, run)
		return err
	})
}

// Exclude leaves a run out of what is compared and reported, with the reason.
func (db *DB) Exclude(ctx context.Context, run int64, reason string) error {
	if reason = strings.TrimSpace(reason); reason == "" {
		return invalid(errors.New("reason: a run is excluded for a reason, say which"))
	}
	return db.changeRun(ctx, "exclude run", run, func(tx *sql.Tx, state trace.RunState) error {
		if state == trace.RunOpen {
			return stillOpen(run)
		}
		_, err := tx.ExecContext(ctx, "UPDATE runs SET exclusion = ? WHERE id = ?", reason, run)
		return err
	})
}

// Include takes an exclusion back.
func (db *DB) Include(ctx context.Context, run int64) error {
	return db.changeRun(ctx, "include run", run, func(tx *sql.Tx, state trace.RunState) error {
		if state != trace.RunExcluded {
			return &Error{Code: ErrState.Code, Text: fmt.Sprintf("run %d is not excluded", run)}
		}
		_, err := tx.ExecContext(ctx, "UPDATE runs SET exclusion = NULL WHERE id = ?", run)
		return err
	})
}

// DeleteRun removes a run with its samples and gives their space back.
func (db *DB) DeleteRun(ctx context.Context, run int64) error {
	err := db.changeRun(ctx, "delete run", run, func(tx *sql.Tx, state trace.RunState) error {
		if state == trace.RunOpen {
			return stillOpen(run)
		}
		_, err := tx.ExecContext(ctx, "DELETE FROM runs WHERE id = ?", run)
		return err
	})
	if err != nil {
		return err
	}
	if db.rec != nil { // the recorder does it when no run is open
		db.sweep.Store(true)
		db.rec.kick()
		return nil
	}
	return db.explain("give space back", db.vacuumAll(ctx))
}

func stillOpen(run int64) *Error {
	return &Error{Code: ErrState.Code, Text: fmt.Sprintf("run %d is still open", run), Hint: "end it first"}
}

// changeRun runs f in a transaction with the state that the run is in.
func (db *DB) changeRun(ctx context.Context, step string, run int64, f func(tx *sql.Tx, state trace.RunState) error) error {
	return db.change(ctx, step, func(tx *sql.Tx) error {
		var state trace.RunState
		err := tx.QueryRowContext(ctx, "SELECT state FROM runs WHERE id = ?", run).Scan(&state)
		if errors.Is(err, sql.ErrNoRows) {
			return db.noRun(run)
		}
		if err != nil {
			return err
		}
		return f(tx, state)
	})
}
