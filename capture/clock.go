package capture

import "time"

// Clock is the time base of the bench. A simulated bench runs on a faster one; tests step one by hand.
type Clock interface {
	// NowNS gives nanoseconds on the time base. It never goes back and knows nothing of the time of
	// day, so a stepped wall clock changes no duration.
	NowNS() int64
	// WallAt gives the time of day at an instant of the time base.
	WallAt(ns int64) time.Time
	// NewTimer makes a timer that fires once, d of bench time from now.
	NewTimer(d time.Duration) Timer
}

// Timer fires once. Stop releases it and need not be followed by draining C.
type Timer interface {
	C() <-chan time.Time
	Stop()
}

// NewClock makes a clock that runs speed times as fast as real time; a speed that is not positive is 1.
func NewClock(speed float64) Clock {
	if !(speed > 0) {
		speed = 1
	}
	return &scaledClock{start: time.Now(), speed: speed}
}

type scaledClock struct {
	start time.Time
	speed float64
}

func (c *scaledClock) NowNS() int64 {
	return int64(float64(time.Since(c.start)) * c.speed)
}

func (c *scaledClock) WallAt(ns int64) time.Time {
	ago := time.Duration(float64(c.NowNS()-ns) / c.speed)
	return time.Now().Round(0).Add(-ago)
}

func (c *scaledClock) NewTimer(d time.Duration) Timer {
	return realTimer{time.NewTimer(time.Duration(float64(d) / c.speed))}
}

type realTimer struct{ t *time.Timer }

func (t realTimer) C() <-chan time.Time { return t.t.C }
func (t realTimer) Stop()               { t.t.Stop() }
