package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"strings"

	"letthrough/capture/trace"
)

const unitColumns = "id, name, rated_voltage_v, rated_current_a, waveform, note, coalesce((SELECT l.name FROM loads l WHERE l.id = load_id), '')"

func scanUnit(scan func(...any) error) (u trace.Unit, err error) {
	err = scan(&u.ID, &u.Name, &u.RatedVoltageV, &u.RatedCurrentA, &u.Waveform, &u.Note, &u.Load)
	return u, err
}

// Units lists all units by name.
func (db *DB) Units(ctx context.Context) ([]trace.Unit, error) {
	units := []trace.Unit{}
	err := db.look(ctx, "list units", func(tx *sql.Tx) error {
		rows, err := tx.QueryContext(ctx, "SELECT "+unitColumns+" FROM units ORDER BY name")
		if err != nil {
			return err
		}
		defer rows.Close()
		for rows.Next() {
			u, err := scanUnit(rows.Scan)
			if err != nil {
				return err
			}
			units = append(units, u)
		}
		return rows.Err()
	})
	return units, err
}

// Unit finds a unit by number.
func (db *DB) Unit(ctx context.Context, id int64) (trace.Unit, error) {
	u, err := db.findUnit(ctx, "id = ?", id)
	if errors.Is(err, sql.ErrNoRows) {
		err = noUnit(id)
	}
	return u, db.explain("find unit", err)
}

// UnitByName finds a unit by name; capital letters do not matter.
func (db *DB) UnitByName(ctx context.Context, name string) (trace.Unit, error) {
	u, err := db.findUnit(ctx, "name = ?", strings.TrimSpace(name))
	if errors.Is(err, sql.ErrNoRows) {
		err = &Error{Code: ErrNotFound.Code, Text: fmt.Sprintf("there is no unit %q", name), Hint: "units list shows those there are"}
	}
	return u, db.explain("find unit", err)
}

func (db *DB) findUnit(ctx context.Context, where string, arg any) (trace.Unit, error) {
	return scanUnit(db.r.QueryRowContext(ctx, "SELECT "+unitColumns+" FROM units WHERE "+where, arg).Scan)
}

func noUnit(id int64) *Error {
	return &Error{Code: ErrNotFound.Code, Text: fmt.Sprintf("there is no unit %d", id), Hint: "units list shows those there are"}
}

// CreateUnit adds a unit and gives it back with its number.
func (db *DB) CreateUnit(ctx context.Context, u trace.Unit) (trace.Unit, error) {
	u, err := checkedUnit(u)
	if err != nil {
		return u, err
	}
	err = db.change(ctx, "add unit", func(tx *sql.Tx) error {
		var err error
		if u.ID, err = insertUnit(ctx, tx, u); isConflict(err) {
			return nameTaken(u.Name, err)
		}
		return err
	})
	return u, err
}

// EnsureUnit finds a unit by name, or adds it as given.
func (db *DB) EnsureUnit(ctx context.Context, u trace.Unit) (trace.Unit, error) {
	have, err := db.UnitByName(ctx, u.Name)
	if !errors.Is(err, ErrNotFound) {
		return have, err
	}
	made, err := db.CreateUnit(ctx, u)
	if errors.Is(err, ErrConflict) { // somebody else was faster
		return db.UnitByName(ctx, u.Name)
	}
	return made, err
}

// UpdateUnit changes a unit. Runs keep the plate that the unit had when they were recorded.
func (db *DB) UpdateUnit(ctx context.Context, u trace.Unit) (trace.Unit, error) {
	u, err := checkedUnit(u)
	if err != nil {
		return u, err
	}
	err = db.change(ctx, "change unit", func(tx *sql.Tx) error {
		load, err := loadNamed(ctx, tx, u.Load)
		if err != nil {
			return err
		}
		res, err := tx.ExecContext(ctx, "UPDATE units SET name = ?, rated_voltage_v = ?, rated_current_a = ?, waveform = ?, note = ?, load_id = ? WHERE id = ?",
			u.Name, u.RatedVoltageV, u.RatedCurrentA, string(u.Waveform), u.Note, load, u.ID)
		if isConflict(err) {
			return nameTaken(u.Name, err)
		}
		return oneRow(res, err, noUnit(u.ID))
	})
	return u, err
}

// DeleteUnit removes a unit that has no runs.
func (db *DB) DeleteUnit(ctx context.Context, id int64) error {
	return db.change(ctx, "delete unit", func(tx *sql.Tx) error {
		var runs int
		if err := tx.QueryRowContext(ctx, "SELECT count(*) FROM runs WHERE unit_id = ?", id).Scan(&runs); err != nil {
			return err
		}
		if runs > 0 {
			return &Error{Code: ErrConflict.Code, Text: fmt.Sprintf("unit %d has %d runs", id, runs), Hint: "delete its runs first"}
		}
		res, err := tx.ExecContext(ctx, "DELETE FROM units WHERE id = ?", id)
		return oneRow(res, err, noUnit(id))
	})
}

func checkedUnit(u trace.Unit) (trace.Unit, error) {
	u.Name, u.Load = strings.TrimSpace(u.Name), strings.TrimSpace(u.Load)
	if err := u.Validate(); err != nil {
		return u, invalid(err)
	}
	return u, nil
}

func nameTaken(name string, err error) *Error {
	return &Error{Code: ErrConflict.Code, Text: fmt.Sprintf("there is a unit %q already", name), Hint: "choose another name", Err: err}
}

func insertUnit(ctx context.Context, tx *sql.Tx, u trace.Unit) (int64, error) {
	load, err := loadNamed(ctx, tx, u.Load)
	if err != nil {
		return 0, err
	}
	res, err := tx.ExecContext(ctx, "INSERT INTO units (name, rated_voltage_v, rated_current_a, waveform, note, load_id) VALUES (?, ?, ?, ?, ?, ?)",
		u.Name, u.RatedVoltageV, u.RatedCurrentA, string(u.Waveform), u.Note, load)
	if err != nil {
		return 0, err
	}
	return res.LastInsertId()
}

// oneRow gives missing where a statement found no row to change.
func oneRow(res sql.Result, err error, missing *Error) error {
	if err != nil {
		return err
	}
	n, err := res.RowsAffected()
	if err != nil {
		return err
	}
	if n == 0 {
		return missing
	}
	return nil
}
