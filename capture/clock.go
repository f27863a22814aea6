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

// Speed is how many times faster than real time it runs.
func (c *scaledClock) Speed() float64 { return c.speed }

// speedOf is how fast a clock runs; one that does not say runs in real time.
func speedOf(c Clock) float64 {
	if s, ok := c.(interface{ Speed() float64 }); ok {
		return s.Speed()
	}
	return 1
}

func (c *scaledClock) NowNS() int64 {
	return int64(float64(time.Since(c.start)) * c.speed)
}

func (c *scaledClock) WallAt(ns int64) time.Time { return wallAt(c, ns, c.speed) }

func (c *scaledClock) NewTimer(d time.Duration) Timer { return newTimer(d, c.speed) }

// SimulationClock is a clock for a bench and a simulation that share it. It runs speed times as fast as
// real time as long as the simulation keeps up, and never leaps: on a machine that is too busy, time
// slows down instead of passing unsimulated.
type SimulationClock struct {
	speed float64
	mu    sync.Mutex
	last  time.Time // when the simulation looked last
	ns    float64   // the time it was told
}

// longestStep is what at most counts between two looks of the simulation, in real time.
const longestStep = 10 * time.Millisecond

// NewSimulationClock makes a clock that stands at 0.
func NewSimulationClock(speed float64) *SimulationClock {
	return &SimulationClock{last: time.Now(), speed: positive(speed)}
}

// Speed is how many times faster than real time it runs at most.
func (c *SimulationClock) Speed() float64 { return c.speed }

// Driver is the clock as the simulation sees it: its looks keep the time going.
func (c *SimulationClock) Driver() interface{ NowNS() int64 } { return driver{c} }

type driver struct{ c *SimulationClock }

func (d driver) NowNS() int64 {
	d.c.mu.Lock()
	defer d.c.mu.Unlock()
	now := time.Now()
	d.c.ns, d.c.last = d.c.at(now), now
	return int64(d.c.ns)
}

// at is the time at an instant, which is later than the simulation's last look; mu is held.
func (c *SimulationClock) at(now time.Time) float64 {
	return c.ns + float64(min(now.Sub(c.last), longestStep))*c.speed
}

// NowNS gives nanoseconds on the time base.
func (c *SimulationClock) NowNS() int64 {
	c.mu.Lock()
	defer c.mu.Unlock()
	return int64(c.at(time.Now()))
}

// WallAt gives the time of day at an instant of the time base.
func (c *SimulationClock) WallAt(ns int64) time.Time { return wallAt(c, ns, c.speed) }

// NewTimer makes a timer; where time slows down it fires early.
func (c *SimulationClock) NewTimer(d time.Duration) Timer { return newTimer(d, c.speed) }

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
