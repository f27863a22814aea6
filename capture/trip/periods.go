package trip

import "math"

// periods keeps the mean over each whole ripple period: the level of a rippled plateau is the median
// of these, as that of a smooth one is the median of its readings.
type periods struct {
	means   series  // by the period's end
	span    float64 // s; whole periods with at least periodReadings readings in them
	cycles  float64 // ... so many
	from    sums    // the sums at the last period's end
	begun   bool
	pending []vReading // means of periods after which nothing high was seen yet
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
	if p.lowN == 0 {
		for _, m := range ps.pending {
			ps.means.add(m.t, m.v)
		}
		ps.pending = ps.pending[:0]
	}
	t := ps.span
	if o.hole || o.t-ps.from.t > 64*t {
		ps.from = d.newest()
		return
	}
	for next := ps.from.t + t; next <= o.t; next = ps.from.t + t {
		at, ok := d.ring.sumsAt(next)
		if !ok {
			ps.from = d.newest()
			return
		}
		s := at.minus(ps.from)
		ps.from = at
		ps.span = ps.cycles * d.truePeriod() // ever better known, and the same however the input is cut
		if s.gap == 0 && len(ps.pending) < 64 {
			ps.pending = append(ps.pending, vReading{next, s.q / t})
		}
		t = ps.span
	}
}

// start begins with the oldest whole period since the contact settled that is still kept.
func (ps *periods) start(d *Detector, p *pulse) {
	ps.begun = true
	ps.cycles = math.Ceil(periodReadings * d.interval() / d.ripple.period)
	ps.span = ps.cycles * d.truePeriod()
	from := math.Max(p.settledAt, d.ring.at(d.ring.first()).t)
	if at, ok := d.ring.sumsAt(from); ok {
		ps.from = at
	} else {
		ps.from = d.newest()
	}
}

// within gives the means of the periods that lie whole in from..to.
func (ps *periods) within(from, to float64) []float64 {
	if !ps.begun {
		return nil
	}
	var out []float64
	for _, b := range append(ps.means.blocks[:len(ps.means.blocks):len(ps.means.blocks)], ps.means.cur) {
		if b.n > 0 && b.from-ps.span >= from-1e-9 && b.to <= to+1e-9 {
			out = append(out, b.mean())
		}
	}
	return out
}
