package main

import (
	"fmt"

	"letthrough/capture/trace"
	"letthrough/store"
)

type runsDeriveCmd struct {
	dbFlag        `embed:""`
	ID            int64  `arg:"" help:"The run's number."`
	Keep          bool   `help:"Keep the new derivation as the run's present one; the older ones stay beside it."`
	JSON          bool   `help:"Print JSON."`
	CalibrationOf string `help:"Use the calibrations that this instrument has now." placeholder:"INSTRUMENT"`
	settingsFlags `embed:""`
}

func (c runsDeriveCmd) Run(env *surroundings) error {
	return withDB(env, c.dbFlag, func(db *store.DB) error {
		r, err := db.Run(env.ctx, c.ID)
		if err != nil {
			return err
		}
		s := r.DerivedWith // what somebody changed and kept stays changed
		s.MarkEdits = r.Settings.MarkEdits
		if c.CalibrationOf != "" {
			i, err := findInstrument(env, db, c.CalibrationOf)
			if err != nil {
				return err
			}
			s.Calibration, s.VoltageCalibration = i.InForce()[trace.Current], i.InForce()[trace.Voltage]
		}
		if s, err = c.over(s); err != nil {
			return err
		}
		// A person tells times from the run's zero, as the marks are shown; the samples have the
		// run's own.
		if c.AppliedAt != nil {
			s.AppliedAtS = ptr(*s.AppliedAtS + r.ZeroS)
		}
		if c.RemovedAt != nil {
			s.RemovedAtS = ptr(*s.RemovedAtS + r.ZeroS)
		}
		marks, err := db.OutsideMarks(env.ctx, c.ID)
		if err != nil {
			return err
		}
		d, err := derive(s, marks, db.Batches(env.ctx, c.ID))
		if err != nil {
			return fmt.Errorf("derive run %d: %w", c.ID, err)
		}
		if c.Keep {
			if _, err := db.AddDerivation(env.ctx, c.ID, s, d, release); err != nil {
				return err
			}
		}
		d = whole(d.Shifted(-r.ZeroS, "onset"))
		if c.JSON {
			return printJSON(env.stdout, entry{File: fmt.Sprintf("run %d", c.ID), Derivation: d})
		}
		sheet(env.stdout, fmt.Sprintf("run %d: %s, derived again", r.ID, r.Unit), d, s)
		return nil
	})
}
