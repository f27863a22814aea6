package store_test

import (
	"math"
	"testing"

	"letthrough/capture/trace"
)

// Samples stay as they were shown, pictures show them corrected by what the figures were derived with, and a
// second instrument by its own.
func TestColumnsAreCorrectedAndSamplesStay(t *testing.T) {
	db := mustOpen(t)
	s := startOf(tin)
	second := trace.Channel{Instrument: "clamp", Quantity: trace.Current}
	s.Instruments = []trace.RunInstrument{{Name: shuntCurrent.Instrument}, {Name: "clamp", Calibrations: map[trace.Quantity]trace.Calibration{trace.Current: {Offset: 7, Gain: 1}}}}
	s.Settings.Calibration = trace.Calibration{Offset: 0.25, Gain: -2}
	e := endOf(trace.Latching)
	e.Settings = s.Settings
	in := wave(5000, 0, 1e6, 1)
	id := record(t, db, s, e, trace.Batch{Channel: shuntCurrent, Samples: in}, trace.Batch{Channel: shuntVoltage, Samples: in}, trace.Batch{Channel: second, Samples: in})
	check := func(offset, gain float64) {
		t.Helper()
		for _, n := range []int{50, 10_000} {
			cols, err := db.Columns(ctx, id, math.NaN(), math.NaN(), n)
			if err != nil || len(cols) != 3 {
				t.Fatalf("%d channels, %v", len(cols), err)
			}
			lo, hi := math.Inf(1), math.Inf(-1)
			for _, x := range in {
				lo, hi = min(lo, x.Value), max(hi, x.Value)
			}
			for _, c := range cols {
				a, b := offset, gain
				switch {
				case c.Channel == second:
					a, b = 7, 1
				case c.Quantity == trace.Voltage:
					a, b = 0, 1
				}
				least, most := math.Inf(1), math.Inf(-1)
				for i := range c.Min {
					least, most = min(least, c.Min[i]), max(most, c.Max[i])
					if c.Min[i] > c.Mean[i] || c.Mean[i] > c.Max[i] {
						t.Fatalf("%v: column %d has %v, %v, %v", c.Channel, i, c.Min[i], c.Mean[i], c.Max[i])
					}
				}
				if want := max(a+b*hi, a+b*lo); math.Abs(most-want) > 1e-9 || math.Abs(least-min(a+b*hi, a+b*lo)) > 1e-9 {
					t.Errorf("%v: from %v to %v, want up to %v", c.Channel, least, most, want)
				}
			}
		}
	}
	check(0.25, -2)
	checkSamples(t, samplesOf(t, db, id, shuntCurrent), in)
	again := s.Settings
	again.Calibration = trace.Calibration{Offset: 1, Gain: 3}
	if _, err := db.AddDerivation(ctx, id, again, e.Derivation, "test"); err != nil {
		t.Fatal(err)
	}
	check(1, 3)
}
