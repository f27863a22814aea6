package sim

import "time"

// Clock is the time that a simulation runs on: nanoseconds that only grow. A bench's own clock
// satisfies it, so that bench and simulation agree on what the time is, however fast it goes. It is
// asked, never waited on.
type Clock interface{ NowNS() int64 }

// NewClock gives a clock that starts at 0 and runs speed times faster than real time, for a
// simulation without a bench.
func NewClock(speed float64) Clock { return scaled{time.Now(), speed} }

type scaled struct {
	start time.Time
	speed float64
}

func (s scaled) NowNS() int64 { return int64(float64(time.Since(s.start)) * s.speed) }
