package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"time"

	"letthrough/capture/trace"
)

// The rows of a run as the recorder, an import and a person write them. All take a transaction.

// insertRun makes the row of a run. id 0 lets the database number it.
func insertRun(ctx context.Context, tx *sql.Tx, id int64, uuid string, s trace.RunStart) error {
	unitID, err := unitFor(ctx, tx, &s.Unit)
	if err != nil {
		return err
	}
	instruments := s.Instruments
	if instruments == nil {
		instruments = []trace.RunInstrument{}
	}
	if err := rememberInstruments(ctx, tx, instruments); err != nil {
		return err
	}
	if s.Started.IsZero() {
		s.Started = time.Now()
	}
	built, err := builtOf(ctx, tx, s)
	if err != nil {
		return err
	}
	_, err = tx.ExecContext(ctx, `INSERT INTO runs (id, uuid, unit_id, unit, rated_voltage_v, rated_current_a, waveform, output, setting, rig, built,
		procedure, hold_s, settings, instruments, started, started_ms, origin_ns, opened_ns, zero_ns, end_ns, note, version, series, series_place)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
		id, uuid, unitID, s.Unit.Name, s.Unit.RatedVoltageV, s.Unit.RatedCurrentA, string(s.Unit.Waveform), s.Output, s.Setting, s.Rig, built,
		string(s.Settings.Procedure), s.Settings.HoldS, asJSON(s.Settings), asJSON(instruments),
		s.Started.Format(time.RFC3339Nano), s.Started.UnixMilli(), s.OriginNS, s.OpenedNS, s.OpenedNS, s.OpenedNS, s.Note, s.Version, sql.NullInt64{Int64: s.Series, Valid: s.Series != 0}, s.SeriesPlace)
	if err != nil {
		return err
	}
	_, err = tx.ExecContext(ctx, "DELETE FROM reserved_runs WHERE run = ?", id)
	return err
}

// builtOf gives the rig that a run begins with, part by part, as JSON: the one it brings along, else the one of that
// name on the shelf now. NULL where there is none.
func builtOf(ctx context.Context, tx *sql.Tx, s trace.RunStart) (any, error) {
	r := s.Built
	if r == nil && s.Rig != "" {
		rigs, err := readRigs(ctx, tx, "name = ?", s.Rig)
		if err != nil {
			return nil, err
		}
		if len(rigs) > 0 {
			r = &rigs[0]
		}
	}
	if r == nil {
		return nil, nil
	}
	frozen := *r
	frozen.ID = 0 // a number of this database only
	return asJSON(frozen), nil
}

// unitFor finds the unit of a run by number or else by name, and makes one that is not there yet.
// A run without a unit's name has none.
func unitFor(ctx context.Context, tx *sql.Tx, u *trace.Unit) (any, error) {
	if u.ID != 0 {
		var id int64
		err := tx.QueryRowContext(ctx, "SELECT id FROM units WHERE id = ?", u.ID).Scan(&id)
		if err == nil {
			return id, nil
		}
		if !errors.Is(err, sql.ErrNoRows) {
			return nil, err
		}
	}
	if u.Name == "" {
		return nil, nil
	}
	var id int64
	err := tx.QueryRowContext(ctx, "SELECT id FROM units WHERE name = ?", u.Name).Scan(&id)
	if errors.Is(err, sql.ErrNoRows) {
		made := *u
		if _, err := loadNamed(ctx, tx, made.Load); errors.Is(err, ErrInvalid) {
			made.Load = "" // a run may not be lost over a name
		}
		return insertUnit(ctx, tx, made)
	}
	return id, err
}

// rememberInstruments notes what took part in a run. One that a person keeps stays as the person has it, and
// one that is calibrated as it was calibrated.
func rememberInstruments(ctx context.Context, tx *sql.Tx, instruments []trace.RunInstrument) error {
	for _, i := range instruments {
		if i.Name == "" {
			continue
		}
		if _, err := tx.ExecContext(ctx, `INSERT INTO instruments (name, format, port, spec) VALUES (?, ?, ?, ?)
			ON CONFLICT (name) DO UPDATE SET format = excluded.format, port = excluded.port, spec = excluded.spec
			WHERE NOT kept AND NOT EXISTS (SELECT 1 FROM calibrations c WHERE c.instrument = instruments.id AND c.ended IS NULL)`,
			i.Name, i.Format, i.Port, i.Spec); err != nil {
			return err
		}
	}
	return nil
}

// asJSON never fails: what is no JSON (a NaN that slipped in) is said in its place, since a run may
// not be lost over a description of it.
func asJSON(v any) string {
	b, err := json.Marshal(v)
	if err != nil {
		b, _ = json.Marshal(map[string]string{"not_stored": err.Error()})
	}
	return string(b)
}

// upsertMarks writes the marks made while the run is recorded. An onset moves the run's zero.
func upsertMarks(ctx context.Context, tx *sql.Tx, run int64, marks []trace.Mark) error {
	for _, m := range marks {
		if _, err := tx.ExecContext(ctx, `INSERT INTO marks (run, mark, kind, t_s, u_s, by, text, level_a, provisional, withdrawn)
			VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)
			ON CONFLICT (run, mark) WHERE derivation IS NULL DO UPDATE SET kind = excluded.kind, t_s = excluded.t_s, u_s = excluded.u_s,
			by = excluded.by, text = excluded.text, level_a = excluded.level_a, provisional = excluded.provisional, withdrawn = excluded.withdrawn`,
			run, m.ID, string(m.Kind), finite(m.T), finite(m.U), string(m.By), m.Text, finite(m.Level), m.Provisional, m.Withdrawn); err != nil {
			return err
		}
	}
	for _, m := range marks {
		if m.Kind == trace.Onset {
			_, err := tx.ExecContext(ctx, `UPDATE runs SET zero_ns = coalesce(
				(SELECT CAST(round(t_s * 1e9) AS INTEGER) FROM marks WHERE run = runs.id AND derivation IS NULL AND kind = 'onset' AND NOT withdrawn ORDER BY t_s LIMIT 1),
				opened_ns) WHERE id = ?`, run)
			return err
		}
	}
	return nil
}

// finite keeps numbers that SQL and JSON cannot hold out of the tables.
func finite(v float64) float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return 0
	}
	return v
}

func updateSettings(ctx context.Context, tx *sql.Tx, run int64, s trace.Settings) error {
	_, err := tx.ExecContext(ctx, "UPDATE runs SET settings = ?, procedure = ?, hold_s = ? WHERE id = ?",
		asJSON(s), string(s.Procedure), s.HoldS, run)
	return err
}

// endRun closes a run with what was derived from it.
func (db *DB) endRun(ctx context.Context, tx *sql.Tx, run int64, e trace.RunEnd, origin string) error {
	if err := updateSettings(ctx, tx, run, e.Settings); err != nil {
		return err
	}
	if _, err := db.insertDerivation(ctx, tx, run, e.Settings, e.Derivation, origin, db.opt.Version); err != nil {
		return err
	}
	// The detector's own marks now stand in the derivation; what came from outside stays, since a
	// derivation made again needs it.
	if _, err := tx.ExecContext(ctx, "DELETE FROM marks WHERE run = ? AND derivation IS NULL AND by = 'detector'", run); err != nil {
		return err
	}
	ended := e.Ended
	if ended.IsZero() {
		ended = db.now()
	}
	_, err := tx.ExecContext(ctx, `UPDATE runs SET progress = ?, interruption = ?, ended = ?, end_ns = max(?, coalesce((SELECT max(t1_ns) FROM channels WHERE run = runs.id), 0)),
		note = CASE WHEN ? = '' THEN note ELSE ? END, lost = lost + ?, garbled = ?, duplicate = ? WHERE id = ?`,
		string(e.State), e.Reason, ended.Format(time.RFC3339Nano), e.EndNS,
		e.Note, e.Note, e.Counts.Lost, e.Counts.Garbled, e.Counts.Duplicate, run)
	return err
}

// insertDerivation stores what was derived, on the run's time base, and makes it the current one.
func (db *DB) insertDerivation(ctx context.Context, tx *sql.Tx, run int64, s trace.Settings, d trace.Derivation, origin, version string) (int64, error) {
	d.Figures = presentable(d.Figures)
	result, err := json.Marshal(d)
	if err != nil {
		return 0, fmt.Errorf("derivation: %w", err)
	}
	res, err := tx.ExecContext(ctx, `INSERT INTO derivations (run, made, origin, version, settings, behaviour, apparent_behaviour, recovery, result)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)`, run, db.now().Format(time.RFC3339), origin, version, asJSON(s),
		string(d.Behaviour), string(d.ApparentBehaviour), string(d.Recovery), string(result))
	if err != nil {
		return 0, err
	}
	id, err := res.LastInsertId()
	if err != nil {
		return 0, err
	}
	for i, f := range d.Figures {
		var value, u any
		if f.Bound.HasValue() {
			value, u = f.Value, f.U
		}
		if _, err := tx.ExecContext(ctx, `INSERT INTO figures (derivation, place, key, value, u, bound, text, why) VALUES (?, ?, ?, ?, ?, ?, ?, ?)
			ON CONFLICT DO NOTHING`, id, i, f.Key, value, u, string(f.Bound), f.Text, f.Why); err != nil {
			return 0, err
		}
	}
	for i, m := range d.Marks {
		if m.ID == 0 {
			m.ID = -1 - i // an unnumbered mark is still a mark of its own
		}
		if _, err := tx.ExecContext(ctx, `INSERT INTO marks (run, derivation, mark, kind, t_s, u_s, by, text, level_a, provisional, withdrawn)
			VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`, run, id, m.ID, string(m.Kind), finite(m.T), finite(m.U), string(m.By), m.Text,
			finite(m.Level), m.Provisional, m.Withdrawn); err != nil {
			return 0, err
		}
	}
	return id, makeCurrent(ctx, tx, run, id, d)
}

// makeCurrent lets a run be what this derivation says; its onset is the run's zero.
func makeCurrent(ctx context.Context, tx *sql.Tx, run, id int64, d trace.Derivation) error {
	zero := sql.NullInt64{}
	if onset, ok := d.FirstMark(trace.Onset); ok {
		zero = sql.NullInt64{Int64: trace.NS(onset.T), Valid: true}
	}
	_, err := tx.ExecContext(ctx, "UPDATE runs SET derivation_id = ?, zero_ns = coalesce(?, opened_ns) WHERE id = ?", id, zero, run)
	return err
}

// presentable keeps a figure that is no number from being stored as one: its bound becomes not
// resolved, and it says why.
func presentable(in trace.Figures) trace.Figures {
	out := in
	for i, f := range in {
		if !f.Bound.HasValue() || finite(f.Value) == f.Value && finite(f.U) == f.U {
			continue
		}
		if &out[0] == &in[0] {
			out = append(trace.Figures(nil), in...)
		}
		out[i] = trace.Figure{Key: f.Key, Bound: trace.NotResolved, Text: f.Text, Why: "the sums gave no number"}
	}
	return out
}
