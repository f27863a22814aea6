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

func TestSimulationClockDoesNotLeap(t *testing.T) {
	c := NewSimulationClock(100).(*steadyClock)
	c.last = time.Now().Add(-time.Hour) // nobody looked for an hour: a laptop that slept
	if got := c.NowNS(); got < 0 || got > int64(100*longestStep) {
		t.Errorf("%v passed at once, want at most %v", time.Duration(got), 100*longestStep)
	}
	before := c.NowNS()
	if after := c.NowNS(); after < before {
		t.Errorf("went back from %d to %d", before, after)
	}
}
