package store_test

import (
	"errors"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"letthrough/capture/trace"
	"letthrough/store"
)

var shunt = store.Instrument{Name: "Shunt", Format: "text", Port: "/dev/ttyACM0", Spec: "Shunt=text:/dev/ttyACM0?time=us", Note: "the grey box"}

func TestInstrumentsAreKept(t *testing.T) {
	path := filepath.Join(t.TempDir(), "bench.db")
	db := mustOpenAt(t, path, store.Options{})
	made, err := db.KeepInstrument(ctx, shunt)
	if err != nil || made.ID == 0 || !made.Kept || made.Calibrations == nil {
		t.Fatalf("%+v, %v", made, err)
	}
	if _, err := db.KeepInstrument(ctx, store.Instrument{Name: " shunt "}); !errors.Is(err, store.ErrConflict) {
		t.Errorf("the same name again: %v", err)
	}
	for name, bad := range map[string]store.Instrument{"NoName": {Name: " "}, "LongSpec": {Name: "a", Spec: strings.Repeat("x", 3000)}, "LongNote": {Name: "a", Note: strings.Repeat("x", 20_000)}} {
		if _, err := db.KeepInstrument(ctx, bad); !errors.Is(err, store.ErrInvalid) {
			t.Errorf("%s: %v", name, err)
		}
	}
	other, err := db.KeepInstrument(ctx, store.Instrument{Name: "amp", Format: "scpi"})
	if err != nil {
		t.Fatal(err)
	}
	other.Name = "shunt"
	if _, err := db.UpdateInstrument(ctx, other); !errors.Is(err, store.ErrConflict) {
		t.Errorf("renamed to one that is there: %v", err)
	}
	made.Port = "/dev/ttyACM1"
	if _, err := db.UpdateInstrument(ctx, made); err != nil {
		t.Fatal(err)
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	db = mustOpenAt(t, path, store.Options{})
	got, err := db.InstrumentByName(ctx, "SHUNT")
	if err != nil || !reflect.DeepEqual(got, made) {
		t.Errorf("%+v, %v, want %+v", got, err, made)
	}
	if all, err := db.Instruments(ctx); err != nil || len(all) != 2 || all[0].Name != "amp" {
		t.Errorf("%+v, %v", all, err)
	}
	if err := db.DeleteInstrument(ctx, made.ID); err != nil {
		t.Fatal(err)
	}
	for _, err := range []error{db.DeleteInstrument(ctx, made.ID), second(db.Instrument(ctx, made.ID)), second(db.InstrumentByName(ctx, "shunt")), second(db.UpdateInstrument(ctx, made)),
		second(db.Calibrate(ctx, made.ID, store.Calibration{Calibration: trace.Calibration{Gain: 1}}))} {
		if !errors.Is(err, store.ErrNotFound) {
			t.Errorf("after it was deleted: %v", err)
		}
	}
}

// A run remembers its instrument, and leaves alone what a person keeps.
func TestARunDoesNotChangeAKeptInstrument(t *testing.T) {
	db := mustOpen(t)
	record(t, db, startOf(tin), endOf(trace.Latching))
	seen, err := db.InstrumentByName(ctx, "shunt")
	if err != nil || seen.Kept || seen.Port != "/dev/pts/3" {
		t.Fatalf("remembered as %+v, %v", seen, err)
	}
	moved := startOf(tin)
	moved.Instruments[0].Port = "/dev/pts/9"
	record(t, db, moved, endOf(trace.Latching))
	if seen, err = db.EnsureInstrument(ctx, store.Instrument{Name: "SHUNT"}); err != nil || seen.Port != "/dev/pts/9" {
		t.Fatalf("remembered anew as %+v, %v", seen, err)
	}
	if _, err := db.Calibrate(ctx, seen.ID, store.Calibration{Calibration: trace.Calibration{Gain: 2}}); err != nil {
		t.Fatal(err)
	}
	record(t, db, startOf(tin), endOf(trace.Latching))
	if calibrated, err := db.InstrumentByName(ctx, "shunt"); err != nil || calibrated.Port != "/dev/pts/9" {
		t.Errorf("a run changed what was calibrated: %+v, %v", calibrated, err)
	}
	kept, err := db.KeepInstrument(ctx, shunt)
	if err != nil || kept.ID != seen.ID || !kept.Kept || len(kept.Calibrations) != 1 {
		t.Fatalf("kept as %+v, %v: want the one remembered, with its calibration", kept, err)
	}
	record(t, db, startOf(tin), endOf(trace.Latching))
	if got, err := db.Instrument(ctx, kept.ID); err != nil || !reflect.DeepEqual(got, kept) {
		t.Errorf("after a run %+v, %v, want %+v", got, err, kept)
	}
}

func TestOneCalibrationOfAQuantityIsInForce(t *testing.T) {
	db := mustOpen(t)
	i, err := db.KeepInstrument(ctx, shunt)
	if err != nil {
		t.Fatal(err)
	}
	first := store.Calibration{Quantity: trace.Current, Note: "before the holidays", Readings: []trace.CalibrationPair{{Trusted: 0, Shown: 0.01}, {Trusted: 4, Shown: 3.9}},
		Trusted:     trace.Accuracy{Percent: 0.5, Counts: 2},
		Calibration: trace.Calibration{Offset: -0.01, Gain: 1.02, UOffset: 0.02, UGain: 0.01, Covariance: -1e-5, ResidualS: 0.1, Pairs: 2, From: 0, To: 4}}
	made, err := db.Calibrate(ctx, i.ID, first)
	if err != nil || made.ID == 0 || made.Made == "" {
		t.Fatalf("%+v, %v", made, err)
	}
	if _, err := db.Calibrate(ctx, i.ID, store.Calibration{Quantity: trace.Voltage, Calibration: trace.Calibration{Gain: 3}}); err != nil {
		t.Fatal(err)
	}
	second := first
	second.Gain = 1.5
	if _, err := db.Calibrate(ctx, i.ID, second); err != nil {
		t.Fatal(err)
	}
	i, err = db.Instrument(ctx, i.ID)
	if err != nil || len(i.Calibrations) != 3 || i.Calibrations[0].Gain != 1.5 || i.Calibrations[2].Ended == "" {
		t.Fatalf("%+v, %v", i.Calibrations, err)
	}
	old := i.Calibrations[2]
	if old.Ended = ""; !reflect.DeepEqual(old, made) {
		t.Errorf("%+v, want %+v", old, made)
	}
	if f := i.InForce(); len(f) != 2 || f[trace.Current].Gain != 1.5 || f[trace.Voltage].Gain != 3 {
		t.Errorf("in force: %+v", f)
	}
	if err := db.EndCalibration(ctx, i.ID, trace.Current); err != nil {
		t.Fatal(err)
	}
	if err := db.EndCalibration(ctx, i.ID, trace.Current); !errors.Is(err, store.ErrState) {
		t.Errorf("taken back twice: %v", err)
	}
	if i, _ = db.Instrument(ctx, i.ID); len(i.InForce()) != 1 || len(i.Calibrations) != 3 {
		t.Errorf("after it was taken back: %+v", i.Calibrations)
	}
	for name, bad := range map[string]trace.Calibration{"None": {}, "NoGain": {Offset: 1}} {
		if _, err := db.Calibrate(ctx, i.ID, store.Calibration{Calibration: bad}); !errors.Is(err, store.ErrInvalid) {
			t.Errorf("%s: %v", name, err)
		}
	}
}
