package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"time"
)

// ForecastLoad is what was read with a harmless load at a unit, each with its expanded uncertainty; 0 of these is not
// known.
type ForecastLoad struct {
	A  float64 `json:"a"`
	V  float64 `json:"v"`
	UA float64 `json:"u_a"`
	UV float64 `json:"u_v"`
}

// Forecast is two harmless loads that were tried at a unit, before any short: the line through them foretells it.
type Forecast struct {
	ID     int64          `json:"id"`
	UnitID int64          `json:"unit_id"`
	Made   time.Time      `json:"made"`
	Loads  []ForecastLoad `json:"loads"`
}

// maxForecasts is the most of one unit.
const maxForecasts = 1000

// Forecasts lists those of a unit, the newest first.
func (db *DB) Forecasts(ctx context.Context, unit int64) (all []Forecast, err error) {
	err = db.look(ctx, "list forecasts", func(tx *sql.Tx) error {
		all, err = rowsOf(ctx, tx, func(scan func(...any) error) (f Forecast, err error) {
			var made, loads string
			if err = scan(&f.ID, &f.UnitID, &made, &loads); err != nil {
				return f, err
			}
			if f.Made, err = time.Parse(time.RFC3339, made); err != nil {
				return f, err
			}
			return f, json.Unmarshal([]byte(loads), &f.Loads)
		}, "SELECT id, unit_id, made, loads FROM forecasts WHERE unit_id = ? ORDER BY id DESC", unit)
		return err
	})
	return all, err
}

// AddForecast keeps the loads of one.
func (db *DB) AddForecast(ctx context.Context, f Forecast) (Forecast, error) {
	if len(f.Loads) != 2 {
		return f, invalid(fmt.Errorf("loads: a forecast takes two, not %d", len(f.Loads)))
	}
	for _, l := range f.Loads {
		for _, v := range []float64{l.A, l.V, l.UA, l.UV} {
			if math.IsNaN(v) || v < 0 || v > 1e4 {
				return f, invalid(errors.New("loads: currents, volts and their uncertainties are 0 to 10000"))
			}
		}
	}
	loads, err := json.Marshal(f.Loads)
	if err != nil {
		return f, err
	}
	f.Made = db.now().Truncate(time.Second)
	err = db.change(ctx, "add forecast", func(tx *sql.Tx) error {
		var units, have int
		if err := tx.QueryRowContext(ctx, "SELECT (SELECT count(*) FROM units WHERE id = ?), (SELECT count(*) FROM forecasts WHERE unit_id = ?)", f.UnitID, f.UnitID).Scan(&units, &have); err != nil {
			return err
		}
		switch {
		case units == 0:
			return noUnit(f.UnitID)
		case have >= maxForecasts:
			return invalid(fmt.Errorf("unit %d has %d forecasts, no more than that", f.UnitID, have))
		}
		res, err := tx.ExecContext(ctx, "INSERT INTO forecasts (unit_id, made, loads) VALUES (?, ?, ?)", f.UnitID, f.Made.Format(time.RFC3339), string(loads))
		if err != nil {
			return err
		}
		f.ID, err = res.LastInsertId()
		return err
	})
	return f, err
}

// RemoveForecast takes one of a unit away.
func (db *DB) RemoveForecast(ctx context.Context, unit, forecast int64) error {
	return db.change(ctx, "remove forecast", func(tx *sql.Tx) error {
		res, err := tx.ExecContext(ctx, "DELETE FROM forecasts WHERE unit_id = ? AND id = ?", unit, forecast)
		return oneRow(res, err, notFound("unit %d has no forecast %d", unit, forecast))
	})
}
