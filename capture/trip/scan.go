package trip

import (
	"math"
	"math/bits"
)

// pulse is one stretch of fault current.
type pulse struct {
	on, off     edge
	k           int     // number of its first reading in the ring
	inside      bool    // it began before the trace did
	riseU       float64 // s, standard uncertainty of on without what an unseen first make adds
	onFinal     bool    // on is worked out from the levels around it
	ended       bool    // off is confirmed
	n           int     // readings
	peak        float64
	peakNo      int     // the peak is the peakNo-th reading of the pulse, from 1
	peakT       float64 // its time
	peakNext    float64 // the reading after the peak
	peakOver    bool
	crown       crown   // readings just below the peak
	tail        float64 // sum of the readings just after the peak
	tailN       int     // ... at most four of them
	lowK        int     // first reading of the low stretch that is going on
	lowT        float64
	lowN        int     // its readings so far; 0: no low stretch
	lows        int     // low readings of stretches that did not become a cut-off
	lowest      float64 // longest such stretch, s
	crest       float64 // s from the ripple's last rise to the low stretch
	crestMin    float64 // ... at least so long where the ripple came down by itself
	bounces     int
	settledAt   float64 // s; the last make of the bouncing contact
	settledSums sums    // the sums there
	steadyAt    float64 // s; from here on the current is at its level
	mean        float64 // whole-period mean up to the end of the fault, A, worked out while the readings are kept
	meanOK      bool
	counted     int // readings of an averaging meter, of which the first and the last are edges
	first, held float64
	last        lastLevel // the level just before the fault ended
	waits       bool      // it began by hand, its current is not there yet
	bridged     bool      // a person says that the fall is none: it goes on when the current is back
	opened      bool      // ... and the current never came back
}

const (
	offConfirmS = 0.030 // DESIGN: off after max(30 ms, 1.5 ripple periods, 2 samples)
	settleS     = 0.2   // readings this long after the onset tell the level it rose to
	settleMaxS  = 0.6   // ... and so long while the current still rises
	bounceS     = 0.030 // makes and breaks within this time of closing are bounces
)

// open makes p the pulse that flows and takes its readings so far.
func (d *Detector) open(p *pulse) {
	d.state = on
	if len(d.pulses) == 0 {
		d.hist = newHistogram(d.binWidth())
		d.offLevel = d.absOnLevel()
	}
	if len(d.pulses) < maxPulses {
		d.pulses = append(d.pulses, p)
	} else {
		d.unkept++
		d.pulses[maxPulses-1] = p
	}
	if d.ring.quiet {
		d.ring.quiet, d.ring.floor = false, d.onLevel
	}
	d.setWake()
	p.crown.grain = max(d.sigma/4, 1e-12)
	for k := p.k; k < d.ring.end; k++ {
		d.feed(p, d.ring.at(k))
	}
	d.dirty = true
}

// crown counts the readings that lie close below the highest one, by depth, so that those which a peak that
// creeps up leaves behind drop out.
type crown struct {
	grain float64 // A, a quarter of the noise
	top   int64   // the bin of the highest reading
	count [9]int
}

func (c *crown) add(x float64) {
	bin := int64(math.Floor(min(max(x/c.grain, -1<<60), 1<<60)))
	if up := bin - c.top; up > 0 {
		for i := len(c.count) - 1; i >= 0; i-- {
			c.count[i] = 0
			if j := int64(i) - up; j >= 0 {
				c.count[i] = c.count[j]
			}
		}
		c.top = bin
	}
	if depth := c.top - bin; depth < int64(len(c.count)) {
		c.count[depth]++
	}
}

// join adds the readings of another pulse of the same noise, as far as they lie as high.
func (c *crown) join(o *crown) {
	for i, k := range o.count {
		if at := c.top - o.top + int64(i); at >= 0 && at < int64(len(c.count)) {
			c.count[at] += k
		}
	}
}

// near is how many readings lie within two sigma of the highest.
func (c *crown) near() int {
	n := 0
	for _, k := range c.count[:8] {
		n += k
	}
	return n + c.count[8]/2
}

// binWidth: a tenth of a display count; 2^-20 of full scale where none is known.
func (d *Detector) binWidth() float64 {
	if d.set.ResolutionA > 0 {
		return d.set.ResolutionA / 10
	}
	full := d.set.FullScaleA
	if full == 0 {
		full = 32 // A: ten times a large unit of this trade
		if r := d.set.RatedCurrentA; r > 0 {
			full = math.Exp2(math.Ceil(math.Log2(20 * r)))
		}
	}
	return full / (1 << 20)
}

// absOnLevel is the onset level as a reading, not above b.
func (d *Detector) absOnLevel() float64 { return d.b + d.onLevel }

// whileOn follows a pulse of fault current until it has been low for the confirm time.
func (d *Detector) whileOn(o *obs) {
	p := d.current()
	if d.hand.whileOn(d, p, o) {
		return
	}
	if d.doubt {
		d.seekRise(o)
		if d.pulses[0] != p {
			return
		}
		d.base.add(o.t, o.x)
	}
	d.feed(p, o)
	if p.inside && p.n == insideN {
		d.insideNoise(p)
	}
	if p.lowN >= 2 && o.t-p.lowT >= d.offConfirm() {
		d.confirmOff(p)
		return
	}
	if !p.onFinal && o.t-p.on.t >= settleS && p.n >= 5 {
		d.settle(p, o.t-p.on.t >= settleMaxS)
	}
}

func (d *Detector) current() *pulse { return d.pulses[len(d.pulses)-1] }

// offConfirm is the time a low stretch must last to be an interruption.
func (d *Detector) offConfirm() float64 { return max(offConfirmS, 1.5*d.ripple.period) }

// feed takes one reading of a pulse: peak, level, low stretches.
func (d *Detector) feed(p *pulse, o *obs) {
	p.n++
	if p.n == p.peakNo+1 {
		p.peakNext = o.x
	}
	if o.x > p.peak || p.peakNo == 0 {
		p.tail, p.tailN = 0, 0
		p.peak, p.peakNo, p.peakT, p.peakNext, p.peakOver = o.x, p.n, o.t, o.x, o.over
	} else if o.over {
		p.peakOver = true
	}
	if o.x >= p.peak-2.25*d.sigma {
		p.crown.add(o.x)
	}
	if k := p.n - p.peakNo; k >= 1 && k <= 4 {
		p.tail += o.x
		p.tailN++
	}
	d.lowOrBack(p, o)
	if p == d.pulses[0] {
		d.feedFirst(p, o)
	}
}

// lowOrBack counts a low stretch, or ends it.
func (d *Detector) lowOrBack(p *pulse, o *obs) {
	if o.x >= d.offLevel {
		if p.lowN > 0 {
			d.made(p, o)
		}
		return
	}
	if p.lowN == 0 {
		p.lowK, p.lowT = d.ring.end-1, o.t
		p.crest = o.t - d.ripple.last
	}
	p.lowN++
	if p.lowN == 2 && d.ripple.period == 0 {
		d.dirty = true // a provisional cut-off
	}
}

// made: the current is back before the low stretch was confirmed.
func (d *Detector) made(p *pulse, o *obs) {
	if p.lowN >= 2 && d.ripple.period == 0 {
		d.dirty = true
	}
	p.lowest = max(p.lowest, o.t-p.lowT)
	if d.ripple.crossed > 2 && (p.crestMin == 0 || p.crest < p.crestMin) {
		p.crestMin = p.crest
	}
	p.lows += p.lowN
	p.lowN = 0
	if o.t-p.on.t <= bounceS && p.lows > 0 {
		p.bounces++
		p.settledAt, p.settledSums = o.t, d.newest()
	}
}

// feedFirst keeps what only the fault itself needs: level histogram, thinned trace, ripple, fold-back.
func (d *Detector) feedFirst(p *pulse, o *obs) {
	if o.t > d.holdT {
		return // a reading after the hold tells nothing about the fault
	}
	w := d.interval()
	if p.lowN == 0 {
		h := d.hist
		if d.fold.confirmed {
			h = d.fold.hist
		}
		// The level of a rippled plateau comes from its periods: for the off level a reading in
		// sixteen will do.
		switch {
		case d.ripple.period == 0:
			d.count(h, p, o.x, w)
		case p.n%rippleThin == 0:
			h.addMany(o.x, rippleThin*w, rippleThin)
		}
		if offLevelDue(h.n) {
			d.updateOffLevel()
		}
	}
	d.dec.add(o.t, o.x)
	d.periods.pass(d, p, o)
	if d.set.Procedure.NoUpperState() {
		d.stairs.pass(d, p, o)
	}
	if d.ripple.period > 0 {
		d.ripple.follow(d.ring.at(max(d.ring.end-2, d.ring.first())), o)
	} else if i := d.ripple.nextLook; i < len(looks) && o.t-p.on.t >= looks[i] {
		d.ripple.nextLook++
		d.ripple.look(d.ring, max(p.k, d.ring.index(max(p.settledAt, o.t-1))), d.sigma, d.interval())
	}
	d.fold.tick(d, p, o)
}

const rippleThin = 16

// count adds a reading to the level's histogram. The first and the last reading that an averaging
// meter takes of a fault are averages over its edge too: they are left out where there are others.
func (d *Detector) count(h *histogram, p *pulse, x, w float64) {
	if d.averaging() < d.interval()/2 || d.interval() == 0 {
		h.add(x, w)
		return
	}
	switch p.counted++; p.counted {
	case 1:
		h.add(x, w)
		p.first = x
	case 2:
	case 3:
		h.take(p.first, w)
		h.add(p.held, w)
	default:
		h.add(p.held, w)
	}
	p.held = x
}

// holdEnd is the end of the stated hold, or of the short as marked, whichever is known.
func (d *Detector) holdEnd() (t float64, ok bool) {
	if d.set.HoldS > 0 && len(d.pulses) > 0 {
		return d.pulses[0].on.t + d.set.HoldS, true
	}
	return 0, false
}

// offLevelDue: after n readings the off level is worked out anew.
func offLevelDue(n int) bool { return n <= 8 || n&(n-1) == 0 || n&1023 == 0 }

// untilOffLevelDue is how many readings after n come before the one at which that is due.
func untilOffLevelDue(n int) int {
	switch {
	case n < 8:
		return 0
	case n < 1024:
		return 1<<bits.Len(uint(n)) - n - 1 // up to the next power of two
	}
	return 1023 - n&1023
}

// updateOffLevel: 10 % of the plateau so far, at least the onset level.
func (d *Detector) updateOffLevel() {
	if m, ok := d.hist.quantile(0.5); ok {
		d.offLevel = max(d.absOnLevel(), 0.1*m)
	}
}

// whileOff waits for the unit to try again.
func (d *Detector) whileOff(o *obs) {
	if d.hand.whileOff(d, o) {
		return
	}
	if d.candK < 0 {
		if o.x < d.offLevel {
			if last := d.current(); o.t-last.off.t > offConfirmS {
				d.resid.add(o.t, o.x)
			}
			return
		}
		d.candK = d.ring.end - 1
		if !d.cad.slow() {
			return
		}
	} else if o.x < d.offLevel {
		d.candK = -1
		return
	}
	k := d.candK
	d.candK = -1
	if d.wasStanding(o) {
		d.forget()
		d.b, d.candK = 0, k
		if b, sigma, level, ok := d.quiet(d.ring.at(k).t); ok {
			d.b, d.sigma, d.onLevel = b, sigma, level
		}
		d.begin()
		return
	}
	p := &pulse{k: k}
	d.quickOn(p)
	p.settledAt, p.settledSums = p.on.t, p.on.at
	d.open(p)
	d.mergeTrain()
}

// wasStanding: what looked like the end of a fault was a standing load switched off, since what
// comes now is more than twice as much.
func (d *Detector) wasStanding(o *obs) bool {
	p := d.pulses[0]
	return p.inside && len(d.pulses) == 1 && d.set.RatedCurrentA > 0 && p.peak <= d.set.RatedCurrentA && o.x > 2*p.peak
}

// insideN: so many readings of a fault that began before the trace tell its noise.
const insideN = 64

// insideNoise takes the noise of a trace that began inside a fault from the differences of neighbouring
// readings on the plateau, since there is no quiet before it (median absolute difference, for normal
// noise 0.954 sigma).
func (d *Detector) insideNoise(p *pulse) {
	s := d.scratch[:0]
	for k := max(p.k, d.ring.first()) + 1; k < d.ring.end && len(s) < insideN; k++ {
		a, b := d.ring.at(k-1).x, d.ring.at(k).x
		if a >= d.offLevel && b >= d.offLevel {
			s = append(s, math.Abs(b-a))
		}
	}
	if len(s) >= 8 && !d.doubt {
		d.sigma = max(d.sigma, medianOf(s)/0.954)
	}
}
