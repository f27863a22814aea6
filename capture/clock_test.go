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
