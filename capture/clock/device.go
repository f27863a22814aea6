package clock

// move says how device time went on from the reading before.
type move uint8

const (
	steady   move = iota
	same          // the very same time
	doubtful      // far from where it should be, this once
	jumped        // and again: the device was restarted
)

// trustAfter is how many intervals tell what is usual.
const trustAfter = 8

// maxStepNS keeps sums of steps far from where they would overflow.
const maxStepNS = 1e16

// counter turns raw device time into one that never wraps. It starts at 0.
type counter struct {
	cfg     Config
	started bool
	raw     int64
	d       int64
	arrival int64
	step    int64 // recent interval, ns
	n       int   // intervals since the start or a restart

	doubt        bool // the reading before was doubtful
	doubtRaw     int64
	doubtArrival int64
	elapsed      int64 // host time and device time since the start, for their ratio
	passed       int64
}

// device takes in the next raw time. A single time that does not fit its neighbours (a broken digit) is
// doubtful and changes nothing; a second one that goes on from it is a restart.
func (c *counter) device(s *Stamp) (d int64, m move) {
	if !c.started {
		c.started = true
		c.raw, c.arrival = s.DeviceNS, s.ArrivalNS
		return 0, steady
	}
	if d, ok := c.small(s); ok {
		return d, steady
	}
	if s.DeviceNS == c.raw {
		return c.d, same
	}
	step, ok := c.forward(c.raw, s.DeviceNS, s.ArrivalNS-c.arrival, s.Gap)
	if ok {
		c.advance(s, step)
		return c.d, steady
	}
	if c.doubt {
		if step, ok := c.forward(c.doubtRaw, s.DeviceNS, s.ArrivalNS-c.doubtArrival, false); ok {
			c.n, c.step, c.elapsed, c.passed = 0, 0, 0, 0 // perhaps another program, with another rate
			c.advance(s, step)
			return c.d, jumped
		}
	}
	c.doubt, c.doubtRaw, c.doubtArrival = true, s.DeviceNS, s.ArrivalNS
	return 0, doubtful
}

// small takes in a small step ahead, which forward would believe too.
func (c *counter) small(s *Stamp) (d int64, ok bool) {
	step := s.DeviceNS - c.raw
	if step <= 0 || step >= slackNS || c.cfg.WrapNS != 0 && (s.Gap || s.ArrivalNS-c.arrival >= slackNS) {
		return 0, false
	}
	c.advance(s, step)
	return c.d, true
}

func (c *counter) advance(s *Stamp, step int64) {
	c.d += step
	c.elapsed += s.ArrivalNS - c.arrival
	c.passed += step
	c.raw, c.arrival, c.doubt = s.DeviceNS, s.ArrivalNS, false
	if c.n == 0 {
		c.step = step
	}
	c.n++
	c.step += (step - c.step) / 16
}

// forward gives the way from one raw time to the next, over a wrap if need be, and whether it can be
// believed of a device for which so much host time passed.
func (c *counter) forward(from, to, elapsed int64, lost bool) (step int64, ok bool) {
	step = to - from
	wrap := c.cfg.WrapNS
	if wrap == 0 && step < 0 {
		// A board's counter of 32 bits is the usual one, and its owner may not know of it.
		if bits32 := c.cfg.TickNS << 32; from < bits32 {
			step += bits32
		}
	}
	if wrap > 0 {
		if step < 0 {
			step += wrap
		}
		// Whole turns are believed only where bytes were lost or nothing came for a long while: a
		// host that was late also sees much time pass.
		if elapsed > wrap/2 && (lost || elapsed > 2*slackNS) {
			step += max(0, (elapsed-step+wrap/2)/wrap) * wrap
		}
	}
	if step > maxStepNS {
		return step, false
	}
	if step <= 0 || c.n < trustAfter {
		return step, step > 0 // what is usual is not known yet
	}
	ratio := 1.1
	if c.elapsed > 0 && c.passed > c.elapsed {
		ratio *= float64(c.passed) / float64(c.elapsed)
	}
	allowed := ratio*(float64(elapsed)+slackNS) + 3*float64(c.step)
	return step, float64(step) <= allowed
}

// interval follows the median of the intervals between readings, without keeping them: each one moves it
// by a small share towards itself.
type interval struct {
	n      int
	median int64 // ns
}

// add takes in an interval and tells whether it is a gap.
func (i *interval) add(ns int64) (gap bool) {
	if i.n < 16 {
		if i.n == 0 {
			i.median = ns
		}
		i.n++
		i.median += (ns - i.median) / 4
		return i.n > gapIntervals && ns > gapIntervals*i.median
	}
	switch by := i.median/64 + 1; {
	case ns > i.median:
		gap = ns > gapIntervals*i.median
		i.median = min(i.median+by, ns)
	case ns < i.median:
		i.median = max(i.median-by, ns)
	}
	return gap
}
