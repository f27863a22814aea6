package clock

import (
	"fmt"
	"math"
)

// envelopePoints bounds how many windows are remembered.
const envelopePoints = 64

const (
	firstWindowNS = 250e6
	longWindowNS  = 16e9
	// rateSpanNS is how long a device is watched before its rate is believed to be off: over a shorter
	// time a few late deliveries look like a rate.
	rateSpanNS = 10e9
)

// point is the earliest arrival of one window: device time d, and arrival less device time m, both ns.
type point struct{ d, m int64 }

// envelope keeps the earliest arrivals of the last while and fits a line under them.
type envelope struct {
	window int64
	points [envelopePoints]point
	n      int

	open   bool
	start  int64
	best   point
	last   line
	fitted bool
}

// line is arrival less device time as a function of device time, relative to a reference.
type line struct {
	ref    point
	offset float64 // at ref.d, relative to ref.m, ns
	rate   float64 // ns of offset a ns of device time
	spread float64 // mean distance of the points above the line, ns
	span   float64 // of the points, ns
	n      int
}

func (l line) at(d int64) float64 { return l.offset + l.rate*float64(d-l.ref.d) }

// rateU is the expanded uncertainty of the rate: the points' spread over their span.
func (l line) rateU() float64 {
	if l.span == 0 || l.n < 4 {
		return math.Inf(1)
	}
	return 4 * (l.spread + 1e3) / l.span
}

func (e *envelope) init() { *e = envelope{window: firstWindowNS} }

// add takes in one arrival and tells whether it closed a window.
func (e *envelope) add(d, arrival int64) (closed bool) {
	p := point{d, arrival - d}
	if e.open && d-e.start >= e.window {
		e.close()
		closed = true
	}
	if !e.open {
		e.open, e.start, e.best = true, d, p
	} else if p.m <= e.best.m {
		e.best = p
	}
	return closed
}

// close ends the window that is open.
func (e *envelope) close() {
	if !e.open {
		return
	}
	e.open = false
	if e.n == envelopePoints {
		if e.window >= longWindowNS {
			e.n = copy(e.points[:], e.points[envelopePoints/2:])
		} else {
			e.halve()
		}
	}
	e.points[e.n] = e.best
	e.n++
	e.last, e.fitted = e.solve()
}

// halve joins windows in pairs, which then are twice as long.
func (e *envelope) halve() {
	for i := 0; i < envelopePoints/2; i++ {
		a, b := e.points[2*i], e.points[2*i+1]
		if e.last.at(a.d)-float64(a.m-e.last.ref.m) > e.last.at(b.d)-float64(b.m-e.last.ref.m) {
			e.points[i] = a
		} else {
			e.points[i] = b
		}
	}
	e.n = envelopePoints / 2
	e.window *= 2
}

func (e *envelope) fit() (line, bool) { return e.last, e.fitted }

// solve fits the line that lies under all points and is nearest to them in the sum: the edge of their
// lower convex hull over their mean time.
func (e *envelope) solve() (line, bool) {
	if e.n == 0 {
		return line{}, false
	}
	ref := e.points[0]
	out := line{ref: ref, n: e.n, span: float64(e.points[e.n-1].d - ref.d)}
	var hull [envelopePoints]point
	h, mean := 0, 0.0
	for _, p := range e.points[:e.n] {
		mean += float64(p.d-ref.d) / float64(e.n)
		for h >= 2 && !below(hull[h-2], hull[h-1], p) {
			h--
		}
		hull[h] = p
		h++
	}
	a := hull[0]
	out.offset = float64(a.m - ref.m)
	for i := 0; i+1 < h; i++ {
		a, b := hull[i], hull[i+1]
		if float64(b.d-ref.d) >= mean || i+2 == h {
			out.rate = float64(b.m-a.m) / float64(b.d-a.d)
			out.offset = float64(a.m-ref.m) - out.rate*float64(a.d-ref.d)
			break
		}
	}
	for _, p := range e.points[:e.n] {
		out.spread += max(0, float64(p.m-ref.m)-out.at(p.d)) / float64(e.n) // rounding may put a hull's own point below it
	}
	return out, true
}

// below tells whether b lies under the line from a to c.
func below(a, b, c point) bool {
	return float64(b.m-a.m)*float64(c.d-a.d) < float64(c.m-a.m)*float64(b.d-a.d)
}

// at gives the host's time of device time d; arrival serves where nothing was learned yet.
func (e *envelope) at(d, arrival int64) int64 {
	switch {
	case e.fitted && e.n >= 2 && e.last.rateU() < grossRate:
		return d + e.last.ref.m + int64(e.last.at(d))
	case e.n > 0: // too little to know a rate: the earliest of all
		m := e.points[0].m
		for _, p := range e.points[1:e.n] {
			m = min(m, p.m)
		}
		return d + m
	case e.open:
		return d + e.best.m
	}
	return arrival
}

// jitter is how far single windows stand above the line, ns.
func (e *envelope) jitter() float64 { return e.last.spread }

// steer corrects the mapping after a window was closed: the rate once it is known, and the offset where it
// is off by more than the deliveries' own jitter.
func (c *Clock) steer(d int64) {
	f, ok := c.env.fit()
	if !ok || !c.mapped {
		return
	}
	if c.cfg.TickNS != 0 {
		if c.judge(f); c.own {
			return
		}
	}
	rate := 0.0
	slew, dead := 500e-6, max(1e6, 2*f.spread)
	if c.cfg.TickNS == 0 {
		rate, slew, dead = f.rate, 20e-3, 0 // what is counted has no rate of its own to keep to
	} else if f.span >= rateSpanNS && math.Abs(f.rate) > 3*f.rateU() {
		rate = f.rate
	}
	late := float64(c.time(d)-d-f.ref.m) - f.at(d)
	if c.cfg.TickNS == 0 && (math.Abs(late) > gapIntervals*c.period.ns+2*minPauseNS || f.spread > 2*(irregularNS+irregularShare*c.period.ns)) {
		c.lost()
		return
	}
	if math.Abs(late) > dead {
		rate -= max(-slew, min(slew, late/float64(4*c.env.window)))
	}
	c.wantRate = rate
}

// judge decides whether the device's seconds are the host's. Where they are grossly not, the device's own
// are kept: they may be right and the host's clock scaled, and a figure in device seconds at least agrees
// with itself.
func (c *Clock) judge(f line) {
	if c.own || f.n < 2 || math.Abs(f.rate) < grossRate || f.span*math.Abs(f.rate) < 3*slackNS/10+4*f.spread {
		return
	}
	c.own, c.wantRate = true, 0
	c.warning = fmt.Sprintf("the instrument's clock runs %.4g times as fast as this machine's: is its time in the unit that time= says? Its own seconds are used", 1/(1+f.rate))
}
