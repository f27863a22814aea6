package main

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"letthrough/capture/sim"
	"letthrough/capture/trace"
	"letthrough/store"
)

// A kept instrument that is not plugged in does not keep the daemon from starting: it is waited for, and its
// calibration is in force once it is there. One on the command line has the word over one kept by its name.
func TestAKeptInstrumentIsWaitedFor(t *testing.T) {
	link, db := filepath.Join(t.TempDir(), "board"), tempDB(t)
	keep := func(name, spec string) {
		t.Helper()
		kept, err := store.Open(context.Background(), db, store.Options{})
		if err != nil {
			t.Fatal(err)
		}
		defer kept.Close()
		i, err := kept.KeepInstrument(context.Background(), store.Instrument{Name: name, Format: "text", Spec: spec})
		if err != nil {
			t.Fatal(err)
		}
		if _, err := kept.Calibrate(context.Background(), i.ID, store.Calibration{Calibration: trace.Calibration{Offset: 100, Gain: 1}}); err != nil {
			t.Fatal(err)
		}
	}
	keep("board", "board=text:"+link+"?time=us&wrap=32")
	keep("broken", "broken=text")
	keep("other", "other=text:/dev/nowhere")
	s := serve(t, "serve", "--addr", "127.0.0.1:0", "--db", db)
	s.until("what is kept, unplugged", func(st state) bool { return len(st.Instruments) == 2 && st.Instruments[0].State == "unplugged" })
	stand, err := sim.NewStand(sim.NewClock(1), sim.StandOptions{Meter: sim.DefaultMeter(500), Seed: 3, Link: link})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := stand.Close(); err != nil {
			t.Error(err)
		}
	})
	s.until("its readings, corrected", func(st state) bool {
		return len(st.Instruments[0].Latest) > 0 && st.Instruments[0].Latest[0].Value != nil && *st.Instruments[0].Latest[0].Value > 99
	})
	if status := s.stop(); status != exitDone {
		t.Fatalf("exit status %d; standard error: %s", status, s.stderr)
	}
	if log := s.stderr.String(); !strings.Contains(log, "broken") {
		t.Errorf("nothing is said of the line that cannot be read: %s", log)
	}

	// The same bytes read in another way: the calibration is not for that, and this is said.
	s = serve(t, "serve", "--addr", "127.0.0.1:0", "--db", db, "--instrument", "OTHER=text:"+link+"?time=us&wrap=32&unit=mA")
	s.until("readings as they are shown", func(st state) bool {
		return len(st.Instruments) == 2 && st.Instruments[0].Name == "OTHER" && len(st.Instruments[0].Latest) > 0 && *st.Instruments[0].Latest[0].Value < 1
	})
	if status := s.stop(); status != exitDone {
		t.Fatalf("exit status %d; standard error: %s", status, s.stderr)
	}
	if log := s.stderr.String(); !strings.Contains(log, "calibration is not applied") {
		t.Errorf("nothing is said of the calibration: %s", log)
	}
}

// The database is one that every schema's upgrade is tried on: a run in it was cut short.
func TestARunThatWasCutShortIsToldOnce(t *testing.T) {
	found, err := filepath.Glob("../../store/testdata/schema-*.sqlite")
	if err != nil || len(found) == 0 {
		t.Fatalf("no database to try it on: %v", err)
	}
	content, err := os.ReadFile(found[len(found)-1])
	if err != nil {
		t.Fatal(err)
	}
	db := tempDB(t)
	if err := os.WriteFile(db, content, 0o600); err != nil {
		t.Fatal(err)
	}
	s := serve(t, "serve", "--addr", "127.0.0.1:0", "--db", db)
	if status := s.stop(); status != exitDone {
		t.Fatalf("exit status %d; standard error: %s", status, s.stderr)
	}
	if n := strings.Count(s.stderr.String(), "a run was cut short"); n != 1 {
		t.Errorf("told %d times, want once: %s", n, s.stderr)
	}
}
