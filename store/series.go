package store

import (
	"context"
	"database/sql"
	"fmt"
	"time"

	"letthrough/capture/trace"
)

const seriesColumns = "id, unit, output, setting, rig, note, procedure, hold_s, n, rest_s, made, state, reason"

func scanSeries(scan func(...any) error) (s trace.Series, err error) {
	err = scan(&s.ID, &s.Unit, &s.Output, &s.Setting, &s.Rig, &s.Note, &s.Procedure, &s.HoldS, &s.N, &s.RestS, &s.Made, &s.State, &s.Reason)
	return s, err
}

// BeginSeries keeps a series that is about to run and gives it its number.
func (db *DB) BeginSeries(ctx context.Context, s trace.Series) (trace.Series, error) {
	if err := s.Validate(); err != nil {
		return s, invalid(err)
	}
	s.Made, s.State, s.Reason = db.now().Format(time.RFC3339), trace.SeriesOpen, ""
	err := db.change(ctx, "begin series", func(tx *sql.Tx) error {
		res, err := tx.ExecContext(ctx, `INSERT INTO series (unit, output, setting, rig, note, procedure, hold_s, n, rest_s, made)
			VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`, s.Unit, s.Output, s.Setting, s.Rig, s.Note, string(s.Procedure), s.HoldS, s.N, s.RestS, s.Made)
		if err != nil {
			return err
		}
		s.ID, err = res.LastInsertId()
		return err
	})
	return s, err
}

// TurnSeries says how a series stands: running again, complete, or stopped and why.
func (db *DB) TurnSeries(ctx context.Context, id int64, state, reason string) error {
	return db.change(ctx, "turn series", func(tx *sql.Tx) error {
		res, err := tx.ExecContext(ctx, "UPDATE series SET state = ?, reason = ? WHERE id = ?", state, reason, id)
		return oneRow(res, err, noSeries(id))
	})
}

func noSeries(id int64) *Error {
	return &Error{Code: ErrNotFound.Code, Text: fmt.Sprintf("there is no series %d", id), Hint: "GET /api/series lists those there are"}
}

// AllSeries lists them, the newest first.
func (db *DB) AllSeries(ctx context.Context) (all []trace.Series, err error) {
	err = db.look(ctx, "list series", func(tx *sql.Tx) error {
		all, err = rowsOf(ctx, tx, scanSeries, "SELECT "+seriesColumns+" FROM series ORDER BY id DESC")
		return err
	})
	return all, err
}

// Series reads one series with its runs, in the order of their places. A run that is still being written
// tells no behaviour yet.
func (db *DB) Series(ctx context.Context, id int64) (s trace.Series, runs []trace.SeriesRun, err error) {
	err = db.look(ctx, "read series", func(tx *sql.Tx) error {
		all, err := rowsOf(ctx, tx, scanSeries, "SELECT "+seriesColumns+" FROM series WHERE id = ?", id)
		if err != nil {
			return err
		}
		if len(all) == 0 {
			return noSeries(id)
		}
		s = all[0]
		runs, err = rowsOf(ctx, tx, func(scan func(...any) error) (r trace.SeriesRun, err error) {
			err = scan(&r.Run, &r.Place, &r.State, &r.Behaviour, &r.HoldS)
			return r, err
		}, `SELECT r.id, r.series_place, r.state, coalesce(d.behaviour, ''), r.hold_s FROM runs r LEFT JOIN derivations d ON d.id = r.derivation_id
			WHERE r.series = ? ORDER BY r.series_place, r.id`, id)
		return err
	})
	return s, runs, err
}

// StopOpenSeries ends those that a program before this one left running. They can be resumed.
func (db *DB) StopOpenSeries(ctx context.Context) (ids []int64, err error) {
	err = db.change(ctx, "stop series", func(tx *sql.Tx) error {
		ids, err = rowsOf(ctx, tx, func(scan func(...any) error) (id int64, err error) {
			err = scan(&id)
			return id, err
		}, "UPDATE series SET state = ?, reason = ? WHERE state = ? RETURNING id", trace.SeriesStopped, "the program was ended", trace.SeriesOpen)
		return err
	})
	return ids, err
}

// KeepContact keeps the contact that the program opens at every start; an empty line forgets it.
func (db *DB) KeepContact(ctx context.Context, spec string) error {
	return db.change(ctx, "keep contact", func(tx *sql.Tx) error {
		if _, err := tx.ExecContext(ctx, "DELETE FROM contact"); err != nil || spec == "" {
			return err
		}
		_, err := tx.ExecContext(ctx, "INSERT INTO contact (only, spec) VALUES (1, ?)", spec)
		return err
	})
}

// Contact is the contact that is kept; empty: none.
func (db *DB) Contact(ctx context.Context) (spec string, err error) {
	err = db.look(ctx, "read contact", func(tx *sql.Tx) error {
		err := tx.QueryRowContext(ctx, "SELECT spec FROM contact").Scan(&spec)
		if noRows(err) {
			return nil
		}
		return err
	})
	return spec, err
}

// CautionsRead keeps that somebody has read the cautions for a rig; an empty name is a bench without one.
func (db *DB) CautionsRead(ctx context.Context, rig string) error {
	return db.change(ctx, "keep that cautions were read", func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, "INSERT INTO cautions_read (rig, made) VALUES (?, ?) ON CONFLICT (rig) DO NOTHING", rig, db.now().Format(time.RFC3339))
		return err
	})
}

// CautionsReadFor lists the rigs whose cautions somebody has read, by name.
func (db *DB) CautionsReadFor(ctx context.Context) (rigs []string, err error) {
	err = db.look(ctx, "list read cautions", func(tx *sql.Tx) error {
		rigs, err = rowsOf(ctx, tx, func(scan func(...any) error) (name string, err error) {
			err = scan(&name)
			return name, err
		}, "SELECT rig FROM cautions_read ORDER BY rig")
		return err
	})
	return rigs, err
}
