package trip

import (
	"math"

	"letthrough/capture/trace"
)

const (
	fastQuietS = 0.1   // no onset is sought that early when sampling faster than 20/s
	makeS      = 0.005 // a single high reading so shortly before the onset was the contact's first make
)

// leastOnset is the onset level before noise is known: 5 % of rated current, 50 mA where unknown, at
// least 3 display counts where a count is known.
func (d *Detector) leastOnset() float64 {
	l := 0.05
	if d.set.RatedCurrentA > 0 {
		l = 0.05 * d.set.RatedCurrentA
	}
	return max(l, 3*d.set.ResolutionA)
}

// quiet works out baseline, noise and onset level from the readings before t.
func (d *Detector) quiet(t float64) (b, sigma, level float64, ok bool) {
	d.base.span = max(baselineS, (baselineMin+2)*d.interval())
	if d.noted() {
		d.base.span = notedQuietS
	}
	b, sigma, n := d.base.level(t)
	if n < d.leastQuiet() {
		return 0, 0, 0, false
	}
	sigma = max(sigma, d.resolution()/math.Sqrt(12))
	if d.set.Procedure.NoUpperState() {
		b = 0
	}
	level = max(d.leastOnset(), 6*sigma*(1+10/float64(n)), 3*d.resolution())
	return b, sigma, level, true
}

// whileIdle looks for the onset.
func (d *Detector) whileIdle(o *obs) {
	if d.hand.whileIdle(d, o) {
		return
	}
	if d.n <= 2 && d.beganInside(o) {
		return
	}
	d.seekRise(o)
	if d.state == idle && d.candK < 0 {
		d.base.add(o.t, o.x)
		if o.t >= d.nextBase {
			d.doubtStanding(o)
		}
	}
}

// beganInside: the first two readings exceed the rated current.
func (d *Detector) beganInside(o *obs) bool {
	r := d.set.RatedCurrentA
	if d.n != 2 || r <= 0 || d.hand.placed(trace.Onset) != nil || d.set.Procedure.NoUpperState() {
		return false
	}
	x0, x1 := d.ring.at(0).x, o.x
	switch {
	case x0 > r && x1 > r:
	case x0 < -r && x1 < -r:
		d.turn()
	default:
		return false
	}
	d.beginInside()
	return true
}

// beginInside opens the first pulse at the trace's first reading.
func (d *Detector) beginInside() {
	first := d.ring.at(d.ring.first())
	p := &pulse{k: d.ring.first(), inside: true, onFinal: true, settledAt: first.t}
	p.on = edge{t: first.t, at: d.ring.sums(d.ring.first()), before: first.t, after: first.t}
	d.b, d.sigma, d.onLevel = 0, d.resolution()/math.Sqrt(12), d.leastOnset()
	d.open(p)
}

// doubtStanding opens a doubtful first pulse where the quiet level is itself above the onset level:
// if it falls before it rises, the trace began inside a fault; if it rises, it was a standing load.
func (d *Detector) doubtStanding(o *obs) {
	d.nextBase = o.t + 0.25
	if d.set.Procedure.NoUpperState() || d.hand.placed(trace.Onset) != nil {
		return
	}
	b, sigma, n := d.base.level(o.t)
	if n < baselineMin || math.Abs(b) <= max(d.leastOnset(), 6*sigma*(1+10/float64(n))) || !d.base.stands(b) {
		return
	}
	if b < 0 {
		d.turn()
	}
	d.doubt = true
	d.beginInside()
	d.sigma = sigma
}

// seekRise looks for a reading above the onset level and confirms it by a second one (by itself
// where readings are more than 50 ms apart).
func (d *Detector) seekRise(o *obs) {
	if o.t < fastQuietS && d.interval() < 0.05 {
		return
	}
	if d.candK < 0 {
		if d.base.screened(o.x) {
			return
		}
		b, sigma, level, ok := d.quiet(o.t)
		if !ok {
			return
		}
		d.base.screen(b, level)
		if !d.risen(o.x, b, level) {
			return
		}
		d.b, d.sigma, d.onLevel = b, sigma, level
		d.candK = d.ring.end - 1
		if !d.cad.slow() && !o.over {
			return
		}
	} else {
		first := d.ring.at(d.candK)
		if !d.risen(o.x, d.b, d.onLevel) || (o.x > d.b) != (first.x > d.b) {
			d.dropCandidate()
			return
		}
	}
	d.begin()
}

// risen: the reading is above the onset level, or as far below with reversed leads. A fall towards
// zero is no rise the other way round.
func (d *Detector) risen(x, b, level float64) bool {
	return x-b > level || (b-x > level && -x > max(d.leastOnset(), math.Abs(b)))
}

// dropCandidate: a single reading was no onset. It is part of the quiet trace.
func (d *Detector) dropCandidate() {
	c := d.ring.at(d.candK)
	if d.singles == 0 || c.t-d.lastSingle > makeS {
		d.firstMake = d.candK
	}
	d.singles++
	d.lastSingle = c.t
	d.candK = -1
}

// makes gives the first of the single high readings that shortly before reading k were the bouncing
// contact's first makes, or k itself.
func (d *Detector) makes(k int) int {
	if d.singles == 0 || d.ring.at(k).t-d.lastSingle > makeS || d.firstMake < d.ring.first()+1 {
		return k
	}
	d.singles--
	return d.firstMake
}

// begin opens the fault at the candidate.
func (d *Detector) begin() {
	k := d.makes(d.candK)
	d.candK = -1
	if d.hand.holdsBack(d, k) {
		return
	}
	if d.doubt {
		d.forget()
	}
	if d.ring.at(k).x < d.b {
		d.b = -d.b
		d.turn()
	}
	p := &pulse{k: k}
	d.quickOn(p)
	p.settledAt, p.settledSums = p.on.t, p.on.at
	d.open(p)
}

// forget drops a first pulse that was a standing load.
func (d *Detector) forget() {
	d.doubt = false
	d.pulses = nil
	d.ring.quiet = true
	d.hist, d.ripple, d.periods, d.fold, d.spike = nil, ripple{}, periods{}, fold{}, spike{}
	d.dec, d.resid, d.stairs = series{}, series{}, stairs{}
}
