package trip

import "math"

// periods keeps the distribution of the mean over each whole ripple period: the level of a rippled
// plateau is the median of these, as that of a smooth one is the median of its readings.
type periods struct {
	hist    *histogram
	span    float64 // s; whole periods with at least periodReadings readings in them
	from    sums    // the sums at the last period's end
	begun   bool
	pending []float64 // means of periods after which nothing high was seen yet
}

// periodReadings: over fewer readings the mean of a pulse-width modulated plateau depends on where in
// the cycle they happen to fall.
const periodReadings = 100

// pass notes the periods that end before reading o.
func (ps *periods) pass(d *Detector, p *pulse, o *obs) {
	if d.ripple.period == 0 || d.fold.confirmed {
		return
	}
	if !ps.begun {
		ps.start(d, p)
	}
	t := ps.span
	if o.hole || o.t-ps.from.t > 64*t {
		ps.from = d.newest()
		return
	}
	if p.lowN == 0 {
		for _, m := range ps.pending {
			ps.hist.add(m, t)
		}
		ps.pending = ps.pending[:0]
	}
	for next := ps.from.t + t; next <= o.t; next = ps.from.t + t {
		at, ok := d.ring.sumsAt(next)
		if !ok {
			ps.from = d.newest()
			return
		}
		s := at.minus(ps.from)
		ps.from = at
		if s.gap == 0 && len(ps.pending) < 64 {
			ps.pending = append(ps.pending, s.q/t)
		}
	}
}

// start begins with the oldest whole period since the contact settled that is still kept.
func (ps *periods) start(d *Detector, p *pulse) {
	ps.begun = true
	ps.hist = newHistogram(d.binWidth())
	ps.span = math.Ceil(periodReadings*d.interval()/d.ripple.period) * d.ripple.period
	from := math.Max(p.settledAt, d.ring.at(d.ring.first()).t)
	if at, ok := d.ring.sumsAt(from); ok {
		ps.from = at
	} else {
		ps.from = d.newest()
	}
}
