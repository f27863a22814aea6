package capture

import (
	"testing"
	"time"
)

func TestFastClockScalesTimersAndStillTellsTheTimeOfDay(t *testing.T) {
	c := NewClock(1000)
	before := c.NowNS()
	<-c.NewTimer(2 * time.Second).C() // 2 ms
	if passed := time.Duration(c.NowNS() - before); passed < 2*time.Second {
		t.Errorf("%v of bench time passed during a timer of 2 s", passed)
	}
	// An instant 100 s ago on this clock was 0.1 s ago by the clock on the wall.
	now := time.Now()
	if ago := now.Sub(c.WallAt(c.NowNS() - 100e9)); ago < 0 || ago > 10*time.Second {
		t.Errorf("an instant 100 s of bench time ago is %v ago in time of day, want about 0.1 s", ago)
	}
	if NewClock(-1).(*scaledClock).speed != 1 {
		t.Error("a speed below 0 was taken")
	}
}

func TestSimulationClockWaitsForTheSimulation(t *testing.T) {
	c := NewSimulationClock(100)
	most := int64(100 * longestStep)
	c.last = time.Now().Add(-time.Hour) // the simulation has been busy for an hour, or the laptop slept
	if got := c.NowNS(); got != most {
		t.Errorf("%v passed, want no more than %v", time.Duration(got), time.Duration(most))
	}
	if got := c.Driver().NowNS(); got != most {
		t.Errorf("the simulation is told %v, want what everybody was told, %v", time.Duration(got), time.Duration(most))
	}
	before := c.NowNS()
	for range 1000 {
		after := c.NowNS()
		if d := c.Driver().NowNS(); d < after || after < before {
			t.Fatalf("time went back: %d, %d, %d", before, after, d)
		}
		before = after
	}
	if before <= most {
		t.Error("time stands although the simulation looks")
	}
}
