package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"

	"letthrough/capture/trace"
)

// calibrations gives, for each channel of a run, what makes its samples right: they are stored as they
// were shown.
func calibrations(ctx context.Context, tx *sql.Tx, run int64, found []channelRow) ([]trace.Calibration, error) {
	var settings, instruments string
	err := tx.QueryRowContext(ctx, `SELECT coalesce(d.settings, r.settings), r.instruments
		FROM runs r LEFT JOIN derivations d ON d.id = r.derivation_id WHERE r.id = ?`, run).Scan(&settings, &instruments)
	if err != nil {
		return nil, err
	}
	var s trace.Settings
	var ins []trace.RunInstrument
	if err := json.Unmarshal([]byte(settings), &s); err != nil {
		return nil, fmt.Errorf("run %d: settings: %w", run, err)
	}
	if err := json.Unmarshal([]byte(instruments), &ins); err != nil {
		return nil, fmt.Errorf("run %d: instruments: %w", run, err)
	}
	var channels []trace.Channel
	for _, c := range found {
		channels = append(channels, c.Channel)
	}
	var out []trace.Calibration
	for _, c := range channels {
		out = append(out, trace.CalibrationOf(c, s, ins, channels))
	}
	return out, nil
}

// correct applies a calibration to what is shown; of reversed leads the least is the largest.
func (c *Columns) correct(by trace.Calibration) {
	if !by.Known() {
		return
	}
	for i := range c.Min {
		c.Min[i], c.Max[i], c.Mean[i] = by.Correct(c.Min[i]), by.Correct(c.Max[i]), by.Correct(c.Mean[i])
		if by.Gain < 0 {
			c.Min[i], c.Max[i] = c.Max[i], c.Min[i]
		}
	}
}
