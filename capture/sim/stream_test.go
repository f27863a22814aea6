package sim_test

import (
	"context"
	"math"
	"strings"
	"testing"

	"letthrough/capture/sim"
)

func TestStreamPlaysItsScenarioForTheFirstReader(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	paths := make(chan string, 1)
	done := make(chan error, 1)
	go func() {
		done <- sim.Stream(ctx, sim.StreamOptions{Unit: "slate", Format: "text", RateHz: 1000, ShortAtS: 2, HoldS: 30, Speed: 40},
			func(path string) { paths <- path })
	}()
	l := listen(t, <-paths)
	var first, onset, last uint64
	l.lines(func(line string) bool {
		us, amps, _ := parse(t, line)
		if first == 0 {
			first = us
		}
		if amps > 2.5 {
			if onset == 0 {
				onset = us
			}
			last = us
		}
		return us > first+35_000_000
	})
	if d := float64(onset-first) / 1e6; math.Abs(d-2) > 0.5 {
		t.Errorf("short begins %.3f s after the first line, want about 2", d)
	}
	if d := float64(last-onset) / 1e3; math.Abs(d-35) > 4 {
		t.Errorf("fault current for %.4g ms, want about 35", d)
	}
	cancel()
	if err := <-done; err != nil {
		t.Errorf("stream ended with %v, want nil", err)
	}
}

func TestStreamRefusesWhatItCannotDo(t *testing.T) {
	for _, c := range []struct {
		o    sim.StreamOptions
		want string
	}{
		{sim.StreamOptions{Unit: "Brass"}, `no simulated unit is called "Brass"`},
		{sim.StreamOptions{Unit: "Tin", Format: "morse"}, `format "morse"`},
		{sim.StreamOptions{Unit: "Tin", RateHz: -1}, "rate: -1 is out of range"},
		{sim.StreamOptions{Unit: "Tin", Speed: math.NaN()}, "speed: NaN is out of range"},
		{sim.StreamOptions{Unit: "Tin", HoldS: -1}, "hold: -1 is out of range"},
	} {
		err := sim.Stream(t.Context(), c.o, func(string) { t.Errorf("%+v opened a port", c.o) })
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%+v: %v, want %q", c.o, err, c.want)
		}
	}
}
