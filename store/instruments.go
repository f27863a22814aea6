package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"

	"letthrough/capture/trace"
)

// Instrument is an instrument as it is kept. What its line means is not the store's affair.
type Instrument struct {
	ID     int64  `json:"id"`
	Name   string `json:"name"`
	Format string `json:"format"`
	Port   string `json:"port"`
	Spec   string `json:"spec"` // the line that names it: NAME=FORMAT:PORT?options
	Note   string `json:"note"`
	// Kept: a person added it, and it is opened when the program starts. Others are remembered from the
	// last run that they took part in.
	Kept bool `json:"kept"`
	// Calibrations are all there were, the newest first.
	Calibrations []Calibration `json:"calibrations"`
}

// Calibration is one of an instrument's calibrations and how it came about.
type Calibration struct {
	ID       int64          `json:"id"`
	Quantity trace.Quantity `json:"quantity"`
	trace.Calibration
	Ended    string                  `json:"ended,omitempty"` // empty: in force
	Readings []trace.CalibrationPair `json:"readings"`
	Trusted  trace.Accuracy          `json:"trusted_accuracy,omitzero"`
	Note     string                  `json:"note"`
}

// InForce gives the calibrations that hold, by quantity; nil where there is none.
func (i Instrument) InForce() map[trace.Quantity]trace.Calibration {
	var out map[trace.Quantity]trace.Calibration
	for _, c := range i.Calibrations {
		if c.Ended == "" {
			if out == nil {
				out = map[trace.Quantity]trace.Calibration{}
			}
			out[c.Quantity] = c.Calibration
		}
	}
	return out
}

const instrumentColumns = "id, name, format, port, spec, note, kept"

func scanInstrument(scan func(...any) error) (i Instrument, err error) {
	err = scan(&i.ID, &i.Name, &i.Format, &i.Port, &i.Spec, &i.Note, &i.Kept)
	i.Calibrations = []Calibration{}
	return i, err
}

// Instruments lists all instruments by name, kept or remembered.
func (db *DB) Instruments(ctx context.Context) ([]Instrument, error) {
	out := []Instrument{}
	err := db.look(ctx, "list instruments", func(tx *sql.Tx) error {
		rows, err := tx.QueryContext(ctx, "SELECT "+instrumentColumns+" FROM instruments ORDER BY name")
		if err != nil {
			return err
		}
		defer rows.Close()
		for rows.Next() {
			i, err := scanInstrument(rows.Scan)
			if err != nil {
				return err
			}
			out = append(out, i)
		}
		if err := rows.Err(); err != nil {
			return err
		}
		for k := range out {
			if out[k].Calibrations, err = calibrationsOf(ctx, tx, out[k].ID); err != nil {
				return err
			}
		}
		return nil
	})
	return out, err
}

// Instrument finds an instrument by number.
func (db *DB) Instrument(ctx context.Context, id int64) (Instrument, error) {
	return db.findInstrument(ctx, "id = ?", id, noInstrument(fmt.Sprint(id)))
}

// InstrumentByName finds an instrument by name; capital letters do not matter.
func (db *DB) InstrumentByName(ctx context.Context, name string) (Instrument, error) {
	return db.findInstrument(ctx, "name = ?", strings.TrimSpace(name), noInstrument(fmt.Sprintf("%q", name)))
}

func noInstrument(which string) *Error {
	return &Error{Code: ErrNotFound.Code, Text: "there is no instrument " + which, Hint: "instruments list shows those there are"}
}

func (db *DB) findInstrument(ctx context.Context, where string, arg any, missing *Error) (i Instrument, err error) {
	err = db.look(ctx, "find instrument", func(tx *sql.Tx) (err error) {
		i, err = scanInstrument(tx.QueryRowContext(ctx, "SELECT "+instrumentColumns+" FROM instruments WHERE "+where, arg).Scan)
		if errors.Is(err, sql.ErrNoRows) {
			return missing
		}
		if err == nil {
			i.Calibrations, err = calibrationsOf(ctx, tx, i.ID)
		}
		return err
	})
	return i, err
}

// KeepInstrument adds an instrument that is opened from now on when the program starts, and gives it back
// with its number. One that was only remembered by this name takes the new line, and keeps its number and
// its calibrations.
func (db *DB) KeepInstrument(ctx context.Context, i Instrument) (Instrument, error) {
	i, err := checkedInstrument(i)
	if err != nil {
		return i, err
	}
	err = db.change(ctx, "add instrument", func(tx *sql.Tx) error {
		var kept bool
		err := tx.QueryRowContext(ctx, "SELECT id, kept FROM instruments WHERE name = ?", i.Name).Scan(&i.ID, &kept)
		switch {
		case errors.Is(err, sql.ErrNoRows):
			res, err := tx.ExecContext(ctx, "INSERT INTO instruments (name, format, port, spec, note, kept) VALUES (?, ?, ?, ?, ?, 1)", i.Name, i.Format, i.Port, i.Spec, i.Note)
			if err != nil {
				return err
			}
			i.ID, err = res.LastInsertId()
			return err
		case err != nil:
			return err
		case kept:
			return instrumentTaken(i.Name, nil)
		}
		return writeInstrument(ctx, tx, i)
	})
	if err != nil {
		return i, err
	}
	return db.Instrument(ctx, i.ID)
}

// EnsureInstrument finds an instrument by name, or remembers it as given without keeping it: a calibration
// needs one that it belongs to.
func (db *DB) EnsureInstrument(ctx context.Context, i Instrument) (Instrument, error) {
	i, err := checkedInstrument(i)
	if err != nil {
		return i, err
	}
	err = db.change(ctx, "remember instrument", func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, "INSERT INTO instruments (name, format, port, spec, note) VALUES (?, ?, ?, ?, ?) ON CONFLICT (name) DO NOTHING",
			i.Name, i.Format, i.Port, i.Spec, i.Note)
		return err
	})
	if err != nil {
		return i, err
	}
	return db.InstrumentByName(ctx, i.Name)
}

// UpdateInstrument changes an instrument, and keeps it.
func (db *DB) UpdateInstrument(ctx context.Context, i Instrument) (Instrument, error) {
	i, err := checkedInstrument(i)
	if err != nil {
		return i, err
	}
	if err := db.change(ctx, "change instrument", func(tx *sql.Tx) error { return writeInstrument(ctx, tx, i) }); err != nil {
		return i, err
	}
	return db.Instrument(ctx, i.ID)
}

func writeInstrument(ctx context.Context, tx *sql.Tx, i Instrument) error {
	res, err := tx.ExecContext(ctx, "UPDATE instruments SET name = ?, format = ?, port = ?, spec = ?, note = ?, kept = 1 WHERE id = ?",
		i.Name, i.Format, i.Port, i.Spec, i.Note, i.ID)
	if isConflict(err) {
		return instrumentTaken(i.Name, err)
	}
	return oneRow(res, err, noInstrument(fmt.Sprint(i.ID)))
}

// DeleteInstrument forgets an instrument with its calibrations. Runs keep what they know of it.
func (db *DB) DeleteInstrument(ctx context.Context, id int64) error {
	return db.change(ctx, "delete instrument", func(tx *sql.Tx) error {
		res, err := tx.ExecContext(ctx, "DELETE FROM instruments WHERE id = ?", id)
		return oneRow(res, err, noInstrument(fmt.Sprint(id)))
	})
}

func instrumentTaken(name string, err error) *Error {
	return &Error{Code: ErrConflict.Code, Text: fmt.Sprintf("there is an instrument %q already", name), Hint: "choose another name, or change that one", Err: err}
}

func checkedInstrument(i Instrument) (Instrument, error) {
	i.Name = strings.TrimSpace(i.Name)
	switch {
	case i.Name == "":
		return i, invalid(errors.New("name: an instrument needs a name"))
	case len(i.Spec) > 2000:
		return i, invalid(fmt.Errorf("spec: %d bytes are too long, at most 2000", len(i.Spec)))
	case len(i.Note) > 10_000:
		return i, invalid(fmt.Errorf("note: %d bytes are too long, at most 10000", len(i.Note)))
	}
	return i, nil
}

// Calibrate keeps a calibration of an instrument from now on; the one before stays, ended. It says when it
// was made.
func (db *DB) Calibrate(ctx context.Context, instrument int64, c Calibration) (Calibration, error) {
	if err := c.Validate(); err != nil {
		return c, invalid(fmt.Errorf("calibration: %w", err))
	}
	if !c.Known() {
		return c, invalid(errors.New("calibration: it has no gain"))
	}
	if len(c.Note) > 10_000 {
		return c, invalid(fmt.Errorf("note: %d bytes are too long, at most 10000", len(c.Note)))
	}
	trusted, err := c.Trusted.MarshalText()
	if err != nil {
		return c, err
	}
	if c.Readings == nil {
		c.Readings = []trace.CalibrationPair{}
	}
	err = db.change(ctx, "calibrate", func(tx *sql.Tx) error {
		if c.Made == "" {
			c.Made = db.now().Format(time.RFC3339)
		}
		c.Ended = ""
		if _, err := db.endCalibration(ctx, tx, instrument, c.Quantity); err != nil {
			return err
		}
		res, err := tx.ExecContext(ctx, `INSERT INTO calibrations (instrument, quantity, made, offset, gain, u_offset, u_gain, covariance, residual_s, n, least, most, pairs, trusted, note)
			SELECT id, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ? FROM instruments WHERE id = ?`, c.Quantity.String(), c.Made, c.Offset, c.Gain, c.UOffset, c.UGain,
			c.Covariance, c.ResidualS, c.Pairs, c.From, c.To, asJSON(c.Readings), string(trusted), c.Note, instrument)
		if err := oneRow(res, err, noInstrument(fmt.Sprint(instrument))); err != nil {
			return err
		}
		c.ID, err = res.LastInsertId()
		return err
	})
	return c, err
}

// EndCalibration takes the calibration of a quantity back: readings count as they are shown.
func (db *DB) EndCalibration(ctx context.Context, instrument int64, q trace.Quantity) error {
	return db.change(ctx, "end calibration", func(tx *sql.Tx) error {
		n, err := db.endCalibration(ctx, tx, instrument, q)
		if err == nil && n == 0 {
			return &Error{Code: ErrState.Code, Text: fmt.Sprintf("its %s has no calibration to take back", q)}
		}
		return err
	})
}

func (db *DB) endCalibration(ctx context.Context, tx *sql.Tx, instrument int64, q trace.Quantity) (int64, error) {
	res, err := tx.ExecContext(ctx, "UPDATE calibrations SET ended = ? WHERE instrument = ? AND quantity = ? AND ended IS NULL",
		db.now().Format(time.RFC3339), instrument, q.String())
	if err != nil {
		return 0, err
	}
	return res.RowsAffected()
}

func calibrationsOf(ctx context.Context, tx *sql.Tx, instrument int64) ([]Calibration, error) {
	rows, err := tx.QueryContext(ctx, `SELECT id, quantity, made, coalesce(ended, ''), offset, gain, u_offset, u_gain, covariance, residual_s, n, least, most, pairs, trusted, note
		FROM calibrations WHERE instrument = ? ORDER BY id DESC`, instrument)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	out := []Calibration{}
	for rows.Next() {
		var c Calibration
		var quantity, pairs, trusted string
		if err := rows.Scan(&c.ID, &quantity, &c.Made, &c.Ended, &c.Offset, &c.Gain, &c.UOffset, &c.UGain, &c.Covariance, &c.ResidualS,
			&c.Pairs, &c.From, &c.To, &pairs, &trusted, &c.Note); err != nil {
			return nil, err
		}
		if err := errors.Join(c.Quantity.UnmarshalText([]byte(quantity)), json.Unmarshal([]byte(pairs), &c.Readings), c.Trusted.UnmarshalText([]byte(trusted))); err != nil {
			return nil, fmt.Errorf("calibration %d: %w", c.ID, err)
		}
		out = append(out, c)
	}
	return out, rows.Err()
}
