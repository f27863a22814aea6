package main

import (
	"fmt"
	"iter"
	"slices"
	"time"

	"letthrough/capture/sim"
	"letthrough/capture/trace"
	"letthrough/store"
)

// earlierNote stands on the runs that a fresh demo has from the beginning.
const earlierNote = "Simulated before this demo began, so that there is something to look at and to replay."

// earlierRuns puts a few tests of the simulated shelf into a fresh database: whoever opens the demo has runs to look
// back at before the first one of its own is through.
func earlierRuns(env *surroundings, db *store.DB, built string) error {
	day := time.Now().Add(-24 * time.Hour).Truncate(time.Minute)
	for i, t := range []struct {
		unit string
		of   func(u sim.Unit) sim.Scenario
	}{
		{"Tin", func(sim.Unit) sim.Scenario { return sim.ShortTest(5, 30, 10) }},
		{"Amber", func(sim.Unit) sim.Scenario { return sim.ShortTest(5, 30, 10) }},
		{"Slate", func(u sim.Unit) sim.Scenario { return sim.RampTest(5, 0, 3*u.Plate.RatedCurrentA, 0.15) }},
		{"Flint", func(u sim.Unit) sim.Scenario { return sim.OverloadTest(u, 5, 2, 60, 10) }},
	} {
		u, err := sim.Find(t.unit)
		if err != nil {
			return err
		}
		rec, err := sim.Record(u, t.of(u), meter(), uint64(40+i))
		if err != nil {
			return err
		}
		if err := keepEarlier(env, db, u.Plate, rec, built, day.Add(time.Duration(i)*17*time.Minute)); err != nil {
			return fmt.Errorf("an earlier run of %s: %w", t.unit, err)
		}
	}
	return nil
}

func keepEarlier(env *surroundings, db *store.DB, plate trace.Unit, rec sim.Recording, built string, started time.Time) error {
	of := func(q trace.Quantity, samples []trace.Sample) iter.Seq2[trace.Batch, error] {
		return func(yield func(trace.Batch, error) bool) {
			for part := range slices.Chunk(samples, 1<<12) {
				if !yield(trace.Batch{Channel: trace.Channel{Instrument: "board", Quantity: q}, Samples: part}, nil) {
					return
				}
			}
		}
	}
	samples := trace.Merge(of(trace.Current, rec.Current), of(trace.Voltage, rec.Voltage))
	d, err := derive(rec.Settings, nil, samples)
	if err != nil {
		return err
	}
	end := rec.Current[len(rec.Current)-1].AtNS
	_, err = db.ImportRun(env.ctx, trace.RunStart{
		Unit: plate, Setting: "full", Rig: built, Note: earlierNote, Settings: rec.Settings, Started: started, Version: release,
		Instruments: []trace.RunInstrument{{Name: "board", Format: "text", Port: "simulated", Spec: "simulated, 1000 readings a second"}},
	}, samples, trace.RunEnd{State: trace.RunComplete, Settings: rec.Settings, Derivation: d, Ended: started.Add(time.Duration(end)), EndNS: end})
	return err
}
