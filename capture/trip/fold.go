package trip

import (
	"math"

	"letthrough/capture/trace"
)

// fold watches for a fall, without interruption, to a steady level between 10 % and 80 % of the
// plateau before it.
type fold struct {
	next      float64 // time of the next look
	last      float64 // mean of the look before
	pending   bool
	k         int     // reading at which the low stretch began, at the latest
	t         float64 // its time
	before    float64 // the plateau before, A
	confirmed bool
	edge      edge
	width     float64    // s over which the level was averaged
	hist      *histogram // readings after it
	settled   sums       // the sums once the lower level was steady
}

const (
	foldLookS    = 0.020 // smooth plateaus are looked at this often
	foldChopS    = 0.100 // whole periods of 50, 60, 100 and 120 Hz
	foldShare    = 0.8
	foldConfirmS = 0.1
	foldSteady   = 0.05 // of the plateau before
)

// tick looks at the mean of the last window.
func (f *fold) tick(d *Detector, p *pulse, o *obs) {
	if o.t < f.next {
		return
	}
	if d.hand.fold(d, p, o) {
		return
	}
	if f.confirmed {
		f.stillDown(d, p, o)
		return
	}
	if p.lowN > 0 && !d.rippled(p) {
		return // look again once it is back, or not at all if it is cut off
	}
	w := f.window(d, p)
	f.next = o.t + w/2
	if o.t-p.on.t < 2*w {
		return
	}
	m, ok := d.meanBetween(o.t-w, o.t)
	if !ok {
		return
	}
	last := f.last
	f.last = m
	if !f.pending {
		f.begin(d, p, o, w, m)
		return
	}
	if m >= foldShare*f.before {
		f.pending = false
		return
	}
	after := o.t - f.t
	steady := math.Abs(m-last) < max(foldSteady*f.before, 2*d.sigma/math.Sqrt(max(w/d.interval(), 1)))
	if after >= max(foldConfirmS, 3*w) && (steady || after > ringSpanS/2) {
		f.confirm(d, p, o, w, m)
	}
}

// stillDown takes a fold-back back where the current later returns to where it had been: on a rising
// load somebody turned it down for a moment, and a carry test began with a surge.
func (f *fold) stillDown(d *Detector, p *pulse, o *obs) {
	w := f.window(d, p)
	f.next = o.t + w
	if !d.set.Procedure.NoUpperState() {
		return
	}
	if m, ok := d.meanBetween(o.t-w, o.t); ok && m > f.before {
		d.mergeBack(f)
		*f = fold{next: o.t + w}
		d.dirty = true
	}
}

// mergeBack gives the readings of the lower level back to the level as a whole.
func (d *Detector) mergeBack(f *fold) {
	for _, p := range f.hist.pages {
		for i, n := range p.count {
			if n > 0 {
				d.hist.addMany(p.value[i], p.weight[i], n)
			}
		}
	}
}

// window is the time over which the level is averaged: whole ripple periods, at least three readings.
func (f *fold) window(d *Detector, p *pulse) float64 {
	w := foldLookS
	switch {
	case d.ripple.period > 8*d.interval():
		w = math.Ceil(0.03/d.ripple.period) * d.ripple.period
	case p.lows > p.bounces, d.ripple.period > 0, d.ripplePeriod() > 0:
		w = foldChopS
	}
	return max(w, 3*d.interval())
}

// begin starts a candidate when the mean has left a plateau that was one.
func (f *fold) begin(d *Detector, p *pulse, o *obs, w, m float64) {
	if level := d.hand.ignore; level > 0 && m >= foldShare*level {
		return
	}
	if d.set.Procedure.NoUpperState() {
		f.beginSlope(d, o, w, m)
		return
	}
	if w >= foldChopS && !d.coarse() && o.t-p.on.t < 3*w {
		return // too few periods to call it a plateau
	}
	// The exact plateau costs a walk over the thinned trace: ask for it only where the mean so far, or
	// that of the plateau without a spike, is left behind.
	now := d.newest()
	if so := now.minus(p.settledSums); so.t > so.gap && m > 0.9*so.q/(so.t-so.gap) {
		return
	}
	plateau, ok := d.plateau(p, o.t-w)
	if !ok || m >= foldShare*plateau || m < 0.1*plateau {
		return
	}
	f.pending, f.before = true, plateau
	f.t = o.t - w
	f.k = d.ring.index(f.t)
	d.dirty = true
}

// beginSlope: on a rising load the fall must be a sudden one, from the mean of the window just before,
// since a hand turns a load back more slowly than an output folds.
func (f *fold) beginSlope(d *Detector, o *obs, w, m float64) {
	before, ok := d.meanBetween(o.t-3*w, o.t-2*w)
	if !ok || m >= foldShare*before || m < 0.1*before {
		return
	}
	f.pending, f.before = true, before
	f.t = o.t - w
	f.k = d.ring.index(f.t)
	d.dirty = true
}

// plateau is the mean level of the fault so far, to hold later means against. ok is false when there
// was none, only a spike or a slope: its first and its second half must agree, or nearly all readings
// lie close to their median (a spike before a long plateau).
func (d *Detector) plateau(p *pulse, until float64) (level float64, ok bool) {
	from, few := max(p.settledAt, p.on.t), 3
	if d.coarse() {
		from, few = from+d.averaging(), 1
	}
	mid := (from + until) / 2
	a, b := d.dec.within(from, mid), d.dec.within(mid, until)
	if len(a) >= few && len(b) >= few && until > from {
		first, second := meanOf(a), meanOf(b)
		if level = (first + second) / 2; math.Abs(first-second) < 0.15*level {
			return level, true
		}
	}
	if d.ripple.period > 0 || p.lows > p.bounces {
		return 0, false // the histogram leaves out the low readings
	}
	level, ok = d.hist.quantile(0.5)
	flat := d.hist.countFrom(0.85*level) - d.hist.countFrom(1.15*level)
	return level, ok && 5*flat >= 4*d.hist.n
}

func meanOf(s []float64) float64 {
	var sum float64
	for _, x := range s {
		sum += x
	}
	return sum / float64(max(len(s), 1))
}

// meanBetween is the mean current from..to, without gaps; ok is false where that is not kept or is
// mostly gap.
func (d *Detector) meanBetween(from, to float64) (float64, bool) {
	a, ok1 := d.ring.sumsAt(from)
	b, ok2 := d.ring.sumsAt(to)
	s := b.minus(a)
	if t := to - from - s.gap; ok1 && ok2 && t > (to-from)/2 {
		return s.q / t, true
	}
	return 0, false
}

// confirm fixes the fold: its 50 % instant, and the level after it.
func (f *fold) confirm(d *Detector, p *pulse, o *obs, w, m float64) {
	if d.surge(p, m) {
		f.pending = false
		return
	}
	f.confirmed, f.pending, f.width = true, false, w
	from := p.on.t
	if d.boxed() {
		from = p.on.after + d.interval()/4 // the reading that holds the onset is lower than what flowed
	}
	k0 := d.ring.index(max(f.t-2*w, from))
	if d.choppy(p) {
		f.edge = d.meanCross(k0, f.before, m, d.ripple.period)
	} else {
		f.edge = d.boxFall(crossByCount(d.ring, k0, f.before, m, d.sigma))
	}
	if d.hand.noFold(d, &f.edge, m) {
		f.confirmed = false
		return
	}
	d.closeFault(p, f.edge.t, f.edge.at, f.edge.before)
	f.settled = d.ring.sums(d.ring.end - 1)
	// Readings after the edge that were counted to the plateau go to the lower level.
	f.hist = newHistogram(d.hist.width)
	for k := d.ring.index(f.edge.t); k < d.ring.end; k++ {
		if x := d.ring.at(k).x; x >= d.offLevel && d.hist.take(x, d.interval()) {
			f.hist.add(x, d.interval())
		}
	}
	d.dirty = true
}

// surge: a carry test may begin with a starting surge; falling from it to the rated load is no
// fold-back.
func (d *Detector) surge(p *pulse, m float64) bool {
	return d.set.Procedure == trace.Carry && d.fold.t-p.on.t < surgeS && m > foldShare*d.set.RatedCurrentA
}

const surgeS = 2 // s

// crossByCount places the crossing where as many readings lie above the mid level after it as below
// it before: single noisy readings do not move it.
func crossByCount(r *ring, k0 int, from, to, sigma float64) edge {
	mid := (from + to) / 2
	above := 0
	for k := k0; k < r.end; k++ {
		if r.at(k).x >= mid {
			above++
		}
	}
	k := min(max(k0+above, r.first()+1), r.end-1)
	return cross(r, k, from, to, sigma)
}

// meanCross places the instant at which the mean over one period centred on it crosses the mid level.
func (d *Detector) meanCross(k0 int, from, to, period float64) edge {
	mid := (from + to) / 2
	if period == 0 {
		period = 0.02
	}
	prev, prevT, have := 0.0, 0.0, false
	for k := k0; k < d.ring.end; k++ {
		t := d.ring.at(k).t
		m, ok := d.meanBetween(t-period/2, t+period/2)
		if !ok || t+period/2 > d.now() {
			continue
		}
		if have && prev >= mid && m < mid {
			at := prevT + (prev-mid)/(prev-m)*(t-prevT)
			s, _ := d.ring.sumsAt(at)
			return edge{t: at, u: period / 2 / math.Sqrt(3), from: from, to: to, at: s, before: at - period/2, after: at + period/2}
		}
		prev, prevT, have = m, t, true
	}
	return crossByCount(d.ring, k0, from, to, d.sigma)
}
