// Package clock puts the readings of one instrument on the bench's time base.
//
// Between an instrument's sample and the host's clock stands a delay that is never negative: USB and the
// operating system only ever make bytes later. So the relation of the two clocks is read from the
// earliest arrivals (the lower envelope of arrival less device time), not from their mean.
//
// Where the instrument sends its own time, the intervals between samples are the device's own, to the
// nanosecond; only a rate that is known to be off, and an offset that is known to be wrong, are put right,
// slowly. Without device time the readings themselves are counted and a regular rate is recovered, which
// spreads the readings of one burst out as they were taken. Where the readings come irregularly, each
// keeps its arrival. Polled instruments stand at the middle of query and answer.
//
// No time ever goes back: a reading that is not later than all before is set aside and counted.
package clock

import "math"

// Config describes the instrument's own clock.
type Config struct {
	TickNS int64 // what one count of device time is worth, ns; 0: no device time
	WrapNS int64 // device time starts again after so many ns; 0: not known to
	Polled bool  // each reading is asked for
}

// Stamp is all that is known about the time of one reading.
type Stamp struct {
	DeviceNS  int64 // raw device time; meaningless without Config.TickNS
	ArrivalNS int64 // of the chunk that completed the reading
	AskedNS   int64 // polled: when the query went out
	Behind    int   // readings behind this one in the same chunk
	Missed    int   // readings lost just before this one (garbled)
	Gap       bool  // an unknown number of bytes was lost just before
}

// Outcome says what became of a stamp.
type Outcome uint8

// The outcomes. Only a placed reading has a time.
const (
	Placed    Outcome = iota
	Duplicate         // the device time of the reading before
	Backwards         // not later than the readings before, or far from where its neighbours are
	Held              // to be placed once the clock is settled again
)

const (
	// holdNS and holdChunks: how long a fresh clock listens before it gives out the first time. The
	// first arrivals after opening are late by what had piled up.
	holdNS     = 250e6
	holdMaxNS  = 1000e6
	holdChunks = 16

	// slackNS is how far device time may run ahead of arrivals from one reading to the next without
	// being doubted.
	slackNS = 500e6
	// grossRate: beyond it host and device do not count the same seconds, and none is a correction of
	// the other.
	grossRate = 0.01
	// gapIntervals: a longer interval, in medians, is a gap.
	gapIntervals = 5
)

// Clock places readings. It is used by one goroutine, which calls Learn for every reading as it arrives
// and Settled until it says yes, then Place for all that were held back, in their order. From then on
// each reading is given to Next, until that says Held: after a restart, and after a silence of an
// instrument without device time, readings are held back again, this one the first.
type Clock struct {
	cfg Config

	// The same stamps pass through both counters, Place's at the end of the hold. From then on each
	// reading is learned and placed at once, and one counter serves.
	learn, place counter
	held         int // learned and not yet placed
	d            int64
	move         move
	restartD     int64 // of the reading that a hold after a restart began with
	restarted    bool  // it is still to be placed
	stale        int   // restarts within the hold: what was held before the last one has no time
	env          envelope
	period       period // without device time

	first, chunks int64 // arrival of the first reading; chunks since
	lastArrival   int64
	settled       bool

	// at = baseAt + (d - baseD) * (1 + rate)
	mapped        bool
	baseD, baseAt int64
	rate          float64
	wantRate      float64
	own           bool // device seconds, whatever the host says

	lastAt   int64
	hasLast  bool
	interval interval
	trip     float64 // polled: mean of query to answer, ns
	warning  string
}

// New makes a clock.
func New(cfg Config) *Clock {
	c := &Clock{cfg: cfg}
	c.learn.cfg, c.place.cfg = cfg, cfg
	c.env.init()
	return c
}

// Learn takes in when a reading arrived.
func (c *Clock) Learn(s *Stamp) {
	if c.chunks == 0 {
		c.first = s.ArrivalNS
	}
	if s.ArrivalNS != c.lastArrival || c.chunks == 0 {
		c.chunks++
		c.lastArrival = s.ArrivalNS
	}
	switch {
	case c.cfg.TickNS != 0:
		c.held++
		c.d, c.move = c.learn.device(s)
		switch c.move {
		case jumped:
			c.restart(s)
		case same, doubtful:
			return
		}
		if c.env.add(c.d, s.ArrivalNS) && c.settled {
			c.steer(c.d)
		}
	case c.cfg.Polled:
		c.trip += (float64(s.ArrivalNS-s.AskedNS) - c.trip) / float64(min(c.chunks, 64))
	default:
		c.period.learn(s, c.settled)
		if c.period.doubt {
			c.settled = false
		}
	}
}

// restart begins to listen anew: a board that was restarted has another offset.
func (c *Clock) restart(s *Stamp) {
	c.env.init()
	if c.settled {
		c.settled, c.restarted, c.restartD, c.place = false, true, c.d, c.learn
	} else {
		c.stale++
	}
	c.first, c.chunks = s.ArrivalNS, 1
}

// Settled tells whether times can be given out; now is the bench's clock, and may run on while nothing
// arrives.
func (c *Clock) Settled(nowNS int64) bool {
	if c.settled || c.chunks == 0 {
		return c.settled
	}
	if p := &c.period; p.doubt {
		if nowNS-p.resumed >= doubtNS {
			c.settle()
		}
		return c.settled
	}
	held := nowNS - c.first
	if c.cfg.Polled && c.cfg.TickNS == 0 || held >= holdMaxNS || held >= holdNS && c.chunks >= holdChunks {
		c.settle()
	}
	return c.settled
}

// Settle ends the listening at once: the port was closed.
func (c *Clock) Settle() {
	if !c.settled && c.chunks > 0 {
		c.settle()
	}
}

func (c *Clock) settle() {
	c.settled = true
	if c.period.doubt {
		c.period.decide()
	}
	if c.cfg.TickNS == 0 {
		return
	}
	c.env.close()
	if f, ok := c.env.fit(); ok {
		c.judge(f)
	}
}

// Next learns from a reading and places it, or says that it is to be held.
func (c *Clock) Next(s *Stamp) (atNS int64, gap bool, what Outcome) {
	if c.mapped && c.cfg.TickNS != 0 {
		if d, ok := c.learn.small(s); ok { // nearly always
			if c.env.add(d, s.ArrivalNS) {
				c.steer(d)
			}
			c.follow(d)
			return c.emit(c.time(d), s.Gap, false)
		}
	}
	c.Learn(s)
	if !c.Settled(s.ArrivalNS) {
		return 0, false, Held
	}
	return c.Place(s)
}

// Place gives a reading that was held back its time. gap tells that something was lost between it and the one before.
func (c *Clock) Place(s *Stamp) (atNS int64, gap bool, what Outcome) {
	switch {
	case c.cfg.TickNS != 0:
		return c.placeDevice(s)
	case c.cfg.Polled:
		return c.emit(s.AskedNS+(s.ArrivalNS-s.AskedNS)/2, s.Gap, false)
	}
	return c.placeCounted(s)
}

func (c *Clock) placeDevice(s *Stamp) (atNS int64, gap bool, what Outcome) {
	d, move, again := c.d, c.move, true
	switch {
	case c.restarted:
		d, move, c.restarted, again = c.restartD, jumped, false, false
	case c.held > 1: // of the last one, Learn has just said the same
		d, move = c.place.device(s)
	}
	c.held--
	if c.stale > 0 {
		if move == jumped && again {
			c.stale--
		}
		if c.stale > 0 || move != jumped {
			return 0, true, Backwards
		}
	}
	switch move {
	case same:
		return 0, false, Duplicate
	case doubtful:
		return 0, false, Backwards
	case jumped:
		at := c.env.at(d, s.ArrivalNS)
		if c.hasLast && at <= c.lastAt {
			at = c.lastAt + 1
		}
		c.base(d, at)
		c.rate, c.wantRate = 0, 0
		return c.emit(at, true, true)
	}
	if !c.mapped {
		c.base(d, c.env.at(d, s.ArrivalNS))
	}
	c.follow(d)
	return c.emit(c.time(d), s.Gap, false)
}

// emit gives a time out if it is later than all before. broken: the interval before it is no interval.
func (c *Clock) emit(at int64, gap, broken bool) (int64, bool, Outcome) {
	if c.hasLast {
		if at <= c.lastAt {
			return 0, false, Backwards
		}
		if !broken && c.interval.add(at-c.lastAt) {
			gap = true
		}
	}
	c.lastAt, c.hasLast = at, true
	return at, gap, Placed
}

func (c *Clock) base(d, at int64) { c.baseD, c.baseAt, c.mapped = d, at, true }

// time is exact where the rate is not corrected.
func (c *Clock) time(d int64) int64 {
	if c.rate == 0 {
		return c.baseAt + d - c.baseD
	}
	return c.baseAt + (d - c.baseD) + int64(math.Round(float64(d-c.baseD)*c.rate))
}

// follow takes over a new rate from here on, without a step.
func (c *Clock) follow(d int64) {
	if c.rate != c.wantRate {
		c.base(d, c.time(d))
		c.rate = c.wantRate
	}
}

// UncertaintyS is the expanded uncertainty of a time on this clock, in seconds: what the tick of device
// time and the rest of the delivery's jitter leave open. It is 0 until something is known.
func (c *Clock) UncertaintyS() float64 {
	switch {
	case c.cfg.TickNS != 0:
		return 2 * float64(c.cfg.TickNS) / math.Sqrt(12) / 1e9 // rectangular
	case c.cfg.Polled:
		return 2 * c.trip / 2 / math.Sqrt(3) / 1e9 // anywhere between query and answer
	case c.period.regular:
		return 2 * max(c.env.jitter(), c.period.line.spread) / 1e9
	default:
		return 2 * deliveryNS / math.Sqrt(12) / 1e9
	}
}

// OffsetUS is how far the whole time base of this instrument may be from the bench's clock, in seconds.
// Durations do not depend on it; what happens on two instruments at once does.
//
// The earliest arrivals are late as well, by the delivery that none is quicker than: up to a frame of USB,
// 1 ms (USB 2.0, section 8.4.3, from memory). Of a polled instrument it is the place between query and answer.
func (c *Clock) OffsetUS() float64 {
	if c.cfg.Polled && c.cfg.TickNS == 0 {
		return c.UncertaintyS()
	}
	return 2 * math.Hypot(c.env.jitter(), usbFrameNS/math.Sqrt(12)) / 1e9
}

const usbFrameNS = 1e6

// RateHz is the rate of the readings, from their median interval; 0 until known.
func (c *Clock) RateHz() float64 {
	if c.interval.n == 0 || c.interval.median == 0 {
		return 0
	}
	return 1e9 / float64(c.interval.median)
}

// Warning says what a person should know about this clock, or nothing.
func (c *Clock) Warning() string { return c.warning }

// unknownCrystal is what a board's crystal or resonator is taken to be off while nothing has shown it:
// common practice, no source.
const unknownCrystal = 100e-6

// RateU is the expanded relative uncertainty of a duration on this clock. Arrivals are the host's own
// seconds; a device's are as good as its crystal until host and device were compared for long enough,
// and then as good as that comparison.
func (c *Clock) RateU() float64 {
	if c.cfg.TickNS == 0 {
		return 0
	}
	if f, ok := c.env.fit(); ok && f.n >= 3 && !c.own {
		return min(unknownCrystal, math.Abs(f.rate-c.rate)+2*f.rateU())
	}
	return unknownCrystal
}
