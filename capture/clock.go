package capture

import (
	"sync"
	"time"
)

// Clock is the time base of the bench. A simulated bench runs on a faster one; tests step one by hand.
type Clock interface {
	// NowNS gives nanoseconds on the time base. It never goes back and knows nothing of the time of
	// day, so a stepped wall clock changes no duration.
	NowNS() int64
	// WallAt gives the time of day at an instant of the time base.
	WallAt(ns int64) time.Time
	// NewTimer makes a timer that fires once, d of bench time from now or a little earlier: who
	// waits for an instant looks at NowNS.
	NewTimer(d time.Duration) Timer
}

// Timer fires once. Stop releases it and need not be followed by draining C.
type Timer interface {
	C() <-chan time.Time
	Stop()
}

// NewClock makes a clock that runs speed times as fast as real time; a speed that is not positive is 1.
func NewClock(speed float64) Clock {
	return &scaledClock{start: time.Now(), speed: positive(speed)}
}

func positive(speed float64) float64 {
	if speed > 0 {
		return speed
	}
	return 1
}

type scaledClock struct {
	start time.Time
	speed float64
}

func (c *scaledClock) NowNS() int64 {
	return int64(float64(time.Since(c.start)) * c.speed)
}

func (c *scaledClock) WallAt(ns int64) time.Time { return wallAt(c, ns, c.speed) }

func (c *scaledClock) NewTimer(d time.Duration) Timer { return newTimer(d, c.speed) }

// NewSimulationClock makes a clock for a bench and a simulation that share it. It runs speed times as
// fast as real time as long as somebody looks at it often, and never leaps: on a machine that is too
// busy to keep up, time slows down instead of passing unsimulated.
func NewSimulationClock(speed float64) Clock {
	return &steadyClock{last: time.Now(), speed: positive(speed)}
}

// longestStep is what at most counts between two looks, in real time.
const longestStep = 10 * time.Millisecond

type steadyClock struct {
	speed float64
	mu    sync.Mutex
	last  time.Time
	ns    float64
}

func (c *steadyClock) NowNS() int64 {
	c.mu.Lock()
	defer c.mu.Unlock()
	now := time.Now()
	c.ns += float64(min(now.Sub(c.last), longestStep)) * c.speed
	c.last = now
	return int64(c.ns)
}

func (c *steadyClock) WallAt(ns int64) time.Time { return wallAt(c, ns, c.speed) }

func (c *steadyClock) NewTimer(d time.Duration) Timer { return newTimer(d, c.speed) }

// wallAt counts back from now by the clock on the wall, which may have been set meanwhile: the time
// of day is as right as that clock is at the moment.
func wallAt(c Clock, ns int64, speed float64) time.Time {
	ago := time.Duration(float64(c.NowNS()-ns) / speed)
	return time.Now().Round(0).Add(-ago)
}

func newTimer(d time.Duration, speed float64) Timer {
	return realTimer{time.NewTimer(time.Duration(float64(d) / speed))}
}

type realTimer struct{ t *time.Timer }

func (t realTimer) C() <-chan time.Time { return t.t.C }
func (t realTimer) Stop()               { t.t.Stop() }
