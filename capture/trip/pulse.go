package trip

import "math"

// quickOn places a provisional onset: levels are the quiet level (for a retry the last low reading)
// and the largest reading so far.
func (d *Detector) quickOn(p *pulse) {
	if d.set.Procedure.NoUpperState() && len(d.pulses) == 0 {
		// There is no upper state: the onset is the crossing of the onset level itself.
		p.on = rise(d.ring, p.k, 0, 2*d.onLevel, d.sigma)
		p.onFinal = true
		d.hand.setOnset(d, p)
		return
	}
	p.on = d.boxRise(rise(d.ring, p.k, d.levelBefore(p), peakOf(d.ring, p.k, d.ring.end), d.sigma))
	d.hand.setOnset(d, p)
}

// levelBefore is the state level before a pulse.
func (d *Detector) levelBefore(p *pulse) float64 {
	if len(d.pulses) == 0 || p == d.pulses[0] {
		return d.b
	}
	k0 := max(p.k-50, d.ring.first())
	if prev := d.pulses[len(d.pulses)-1]; prev != p && prev.ended {
		k0 = max(k0, prev.lowK)
	}
	if v, ok := levelOf(d.ring, k0, p.k, math.Inf(-1), d.scratch[:]); ok {
		return min(v, d.offLevel)
	}
	return 0
}

// settle works the onset out from the level the current settled at. While the current still rises
// (an inductive load) it waits longer, at most until force.
func (d *Detector) settle(p *pulse, force bool) {
	end := d.ring.end
	if p.ended || p.lowN > 0 {
		end = p.lowK
	}
	if p == d.pulses[0] && d.fold.pending {
		end = min(end, d.fold.k)
	}
	end = max(end, p.k+1)
	if !force && !p.ended && d.stillRising(p, end) {
		return
	}
	from := p.on.from
	level, drift := d.upperLevel(p, p.k, end), 0.0
	if third, last, ok := d.lateLevels(p, end); ok {
		drift = math.Abs(last - third)
		if last > 1.005*third {
			level = last
		}
	}
	p.on = rise(d.ring, p.k, from, level, d.sigma)
	if d.boxed() {
		p.on = d.boxRise(p.on)
		drift = 0
	}
	// A level that is not quite reached yet moves its 50 % instant along the slope.
	if k := d.ring.index(p.on.t); k > d.ring.first() && k < d.ring.end {
		if a, b := d.ring.at(k-1), d.ring.at(k); b.x > a.x {
			p.on.u = math.Hypot(p.on.u, drift/2*(b.t-a.t)/(b.x-a.x))
		}
	}
	p.riseU = p.on.u
	if p == d.pulses[0] {
		p.on.u = math.Hypot(p.on.u, d.firstMakeU(p))
		p.on.u = math.Hypot(p.on.u, d.halfMake(p)/1.65) // either of two instants: the interval must reach both
	}
	d.hand.setOnset(d, p)
	p.onFinal = true
	d.dirty = true
	d.setWake()
	p.steadyAt = d.steadyFrom(p, end)
	if p == d.pulses[0] {
		d.findSpike(p, end)
	}
}

// firstMakeU is the standard uncertainty of the closing contact's first make, which may have been too
// short for a reading to see: a contact stays made for 0.05 to 0.3 ms a bounce and is at rest within
// some 1.3 ms mostly (common practice, no source). Readings faster than that see every make.
func (d *Detector) firstMakeU(p *pulse) float64 {
	u := unseenMake(d.interval()) / math.Sqrt(3)
	if d.rippled(p) {
		u = max(u, 0.4e-3/math.Sqrt(3)) // ripple hides the bounces
	}
	if t := d.ripple.period; t > 0 && d.interval() > t/6 {
		u = math.Hypot(u, t/math.Sqrt(12)) // the current may have begun in a trough between two readings
	}
	return u
}

// unseenMake is by how much the first make mostly comes before the first reading that shows it, s. It is the
// half-width that covers 95 of 100 closings of a contact that makes for 0.05 to 0.3 ms and flies for 0.05 to
// 0.35 ms up to four times (common practice, no source), read every dt at random phase (drawn, 40,000 each).
func unseenMake(dt float64) float64 {
	return max(min(5.2*(dt-shortestMake), 2.6*dt, longestBounce), 0)
}

const (
	shortestMake  = 0.05e-3 // s
	longestBounce = 1.8e-3  // s, of 95 in 100 closings
)

// halfMake is the time between a first make too short for a reading to see it cross the middle, of which only
// a low reading shows, and the crossing found: the first make may have crossed it or not.
func (d *Detector) halfMake(p *pulse) float64 {
	k := d.ring.index(p.on.t)
	for j := max(p.k, d.ring.first()); j < k; j++ {
		if d.ring.at(j).x < d.absOnLevel() {
			return p.on.t - d.ring.at(max(p.k, d.ring.first())).t
		}
	}
	return 0
}

// steadyFrom is the time from which the current stays within 2 % and the noise of the level it settled
// at, up to reading end.
func (d *Detector) steadyFrom(p *pulse, end int) float64 {
	band := 0.02*p.on.to + 3*d.sigma
	k := min(end, d.ring.end) - 1
	for k > max(p.k, d.ring.first()) && math.Abs(d.ring.at(k-1).x-p.on.to) <= band {
		k--
	}
	return d.ring.at(max(k, d.ring.first())).t
}

// stillRising: the last quarter of the readings lies more than 2 % above the third one.
func (d *Detector) stillRising(p *pulse, end int) bool {
	third, last, ok := d.lateLevels(p, end)
	return ok && last > 1.02*third+d.sigma/2
}

// lateLevels are the medians of the third and the last quarter of the pulse's readings up to end.
func (d *Detector) lateLevels(p *pulse, end int) (third, last float64, ok bool) {
	n := end - p.k
	if n < 8 || d.choppy(p) {
		return 0, 0, false
	}
	third, ok3 := levelOf(d.ring, p.k+n/2, p.k+3*n/4, d.offLevel, d.scratch[:])
	last, ok4 := levelOf(d.ring, p.k+3*n/4, end, d.offLevel, d.scratch[:])
	return third, last, ok3 && ok4
}

// upperLevel is the state level of readings k0..k1-1 of a pulse: the median of their later half, on a
// rippled plateau the ripple's peak. Where a few readings are all there is, the largest.
func (d *Detector) upperLevel(p *pulse, k0, k1 int) float64 {
	if d.choppy(p) || k1-k0 < 4 {
		return peakOf(d.ring, k0, k1)
	}
	if v, ok := levelOf(d.ring, k0+(k1-k0)/2, k1, d.offLevel, d.scratch[:]); ok {
		return v
	}
	return peakOf(d.ring, k0, k1)
}

// choppy: the plateau comes down to the off level again and again without an interruption.
func (d *Detector) choppy(p *pulse) bool {
	if d.ripple.period > 0 {
		return d.ripple.depth > 0.5
	}
	return p.lows > 0 && 50*p.lows > p.n && p.lows > p.bounces*3
}

// deadTime is the longest time that a rippled plateau stays low each period.
func (d *Detector) deadTime(p *pulse) float64 {
	if t := d.ripple.period; t > 0 {
		return min(p.lowest, t)
	}
	return p.lowest
}

// confirmOff ends a pulse that has been low for the confirm time.
func (d *Detector) confirmOff(p *pulse) {
	if p == d.pulses[0] && (d.spikeOnly(p) || d.onlyBegun(p) || d.hand.bridges(d, p)) {
		return
	}
	if p.inside && p.n < insideN {
		d.insideNoise(p)
	}
	if !p.onFinal {
		d.settle(p, true)
	}
	p.off = d.offEdge(p)
	p.ended = true
	if p == d.pulses[0] && !d.fold.confirmed {
		d.closeFault(p, p.off.t, p.off.at, p.off.before)
	}
	p.onFinal = true
	d.state = off
	d.doubt = false
	d.candK = -1
	d.dirty = true
}

// onlyBegun: a ramp or the first stair came above the onset level and sank below it again before it
// amounted to anything. Nothing has begun yet.
func (d *Detector) onlyBegun(p *pulse) bool {
	if !d.set.Procedure.NoUpperState() || p.peak > 3*d.onLevel {
		return false
	}
	d.forget()
	d.state, d.candK = idle, -1
	d.dirty = true
	return true
}

// offEdge places the interruption that begins with the low stretch of p.
func (d *Detector) offEdge(p *pulse) edge {
	from := d.levelBeforeFall(p, p.lowK)
	to := 0.0
	k0 := p.lowK + (d.ring.end-p.lowK)/2 // the later half: a tail has died away
	if v, ok := levelOf(d.ring, k0, d.ring.end, math.Inf(-1), d.scratch[:]); ok {
		to = min(v, d.offLevel)
	}
	e := d.boxFall(fall(d.ring, p.lowK, from, to, d.sigma))
	if d.choppy(p) && d.naturalFall(p) {
		// The ripple itself came down; the interruption lies anywhere in the dead time after it.
		dead := d.deadTime(p)
		slope := max(p.lowT-e.t, 0)
		e.t = p.lowT + dead/2
		e.u = (dead/2 + slope/2) / math.Sqrt(3)
		e.at, _ = d.ring.sumsAt(e.t)
		e.after = p.lowT + dead
	}
	if t := d.ripple.period; t > 0 && d.interval() > t/6 {
		e.u = math.Hypot(e.u, t/math.Sqrt(12)) // it may have fallen in a trough between two readings
	}
	return e
}

// naturalFall: the low stretch began when a trough of the ripple was due, and not in the middle of a
// crest.
func (d *Detector) naturalFall(p *pulse) bool {
	return d.ripple.period == 0 || p.crestMin == 0 || p.crest > p.crestMin-1.5*d.interval()
}

// levelBeforeFall is the state level just before a fall that reaches the off level at reading k: the
// median of the last tenth of the pulse (three readings at least, 50 ms at most), taken before the
// fall itself begins.
func (d *Detector) levelBeforeFall(p *pulse, k int) float64 {
	k0 := max(p.k, d.ring.first())
	if d.choppy(p) {
		span := 2 * max(d.ripple.period, offConfirmS)
		return peakOf(d.ring, max(k0, d.ring.index(d.ring.at(k).t-span)), k)
	}
	if k-k0 < 4 {
		return peakOf(d.ring, k0, k)
	}
	rough, ok := levelOf(d.ring, max(k0, k-(k-k0)/2-1), k, d.offLevel, d.scratch[:])
	if !ok {
		return peakOf(d.ring, k0, k)
	}
	top := k - 1
	for top > k0+3 && d.ring.at(top).x < rough-max(3*d.sigma, 0.05*rough) {
		top--
	}
	span := min(0.1*(d.ring.at(top).t-p.on.t), 0.05)
	m := max(top-d.ring.index(d.ring.at(top).t-span), 2)
	if v, ok := levelOf(d.ring, max(k0, top-m), top+1, d.offLevel, d.scratch[:]); ok {
		return v
	}
	return rough
}

// spikeOnly: what was high was the discharge of an output capacitor and no plateau, and what is low
// against it flows on above the onset level. Then the fault goes on at that lower level.
func (d *Detector) spikeOnly(p *pulse) bool {
	m, ok := d.hist.quantile(0.5)
	if !ok || d.fold.confirmed {
		return false
	}
	flat := d.hist.countFrom(0.9*m) - d.hist.countFrom(1.1*m)
	if 2*flat >= d.hist.n {
		return false
	}
	low, ok := levelOf(d.ring, p.lowK, d.ring.end, math.Inf(-1), d.scratch[:])
	if !ok || low <= d.absOnLevel() {
		return false
	}
	for k := p.lowK; k < d.ring.end; k++ {
		if x := d.ring.at(k).x; x >= d.absOnLevel() {
			d.hist.add(x, d.interval())
		}
	}
	d.updateOffLevel()
	p.lowN = 0
	d.dirty = true
	return low >= d.offLevel
}

// spike is the discharge of an output capacitor at the beginning of a fault.
type spike struct {
	found  bool
	n      int     // readings in it
	a2s, c float64 // its own part: what flowed less the plateau's share
	end    float64
}

const (
	spikeShare = 1.5  // the peak must exceed the settled level by this factor
	spikeEnd   = 1.15 // it is over when the current is down to this factor
	spikeMaxS  = 0.05
)

// findSpike looks for a capacitor's spike among readings p.k..end-1, the level behind it being where
// the onset settled.
func (d *Detector) findSpike(p *pulse, end int) {
	level := p.on.to
	if d.rippled(p) || p.inside || level <= 0 || p.peak < spikeShare*level || d.ring.first() > p.k {
		return
	}
	top := p.k
	for k := p.k; k < end; k++ {
		if d.ring.at(k).x > d.ring.at(top).x {
			top = k
		}
	}
	for k := top; k < end; k++ {
		o := d.ring.at(k)
		if o.x > spikeEnd*level {
			continue
		}
		t := o.t - p.on.t
		if t > spikeMaxS {
			return
		}
		part := d.ring.sums(k).minus(p.on.at)
		d.spike = spike{true, k - p.k, max(part.chord-level*level*t, 0), max(part.q-level*t, 0), o.t}
		return
	}
}

// lastLevel is the current just before the fault ended.
type lastLevel struct {
	level  float64
	n      int     // readings behind it
	span   float64 // s
	share  float64 // relative standard uncertainty from where in the ripple the readings fall
	slope  float64 // A over one block: what an end placed differently would change
	noise  float64 // standard uncertainty from the blocks' own noise, A
	shift  float64 // A; how far it was carried on along the slope to the middle of the last tenth
	shiftU float64 // ... its standard uncertainty from noise and what averaging leaves of a ripple
}

// closeFault works out what needs the readings around the fault's end while they are kept.
func (d *Detector) closeFault(p *pulse, end float64, at sums, before float64) {
	p.mean, p.meanOK = d.meanUpTo(p, end, at)
	p.last = d.lastTenth(p, before)
	if d.set.Procedure.NoUpperState() {
		e := edge{t: end, before: before}
		d.trip = d.tripPoint(p, &e)
	}
	if len(d.hand.said) > 0 {
		return // where a person moves the ends the voltage between them is looked up when all is told
	}
	d.volts.ask(max(p.settledAt, p.on.t)+d.interval(), end-d.interval())
}

// lastTenth is the median of the last 10 % of the fault up to end, three readings at least; on a
// rippled plateau the mean over whole periods.
func (d *Detector) lastTenth(p *pulse, end float64) lastLevel {
	span := max(0.1*(end-p.on.t), 2.5*d.interval())
	if t := d.ripple.period; t > 0 {
		// The median of the period means, or one mean over whole periods where they are few.
		if m := d.periods.within(end-span, end); len(m) >= 3 {
			return lastLevel{level: medianOf(m), n: int(span/d.interval()) + 1, span: span, share: d.shareOver(d.periods.span) / math.Sqrt(float64(len(m)))}
		}
		whole := max(math.Floor(span/t), 1) * t
		if m, ok := d.meanBetween(end-whole, end); ok {
			return lastLevel{level: m, n: int(whole/d.interval()) + 1, span: whole, share: d.shareOver(whole)}
		}
	}
	blocks := d.dec.within(max(end-span, p.on.t), end)
	l := lastLevel{n: len(blocks) * max(d.dec.every, 1), span: span, share: d.shareOver(span)}
	if len(blocks) == 0 {
		return l
	}
	noise := 3 * d.sigma / math.Sqrt(float64(max(d.dec.every, 1)))
	l.slope = max(math.Abs(blocks[len(blocks)-1]-blocks[0])-noise, 0) / float64(len(blocks))
	l.shift, l.shiftU = d.tenthShift(p, end, span)
	if d.rippled(p) || d.boxed() && d.hidesRipple() {
		l.level = meanOf(blocks)
	} else {
		l.level = medianOf(blocks) // sorts
		n := len(blocks)
		l.noise = spreadNoise(d.sigma/math.Sqrt(float64(max(d.dec.every, 1))), blocks[3*n/4]-blocks[n/4], n)
	}
	l.level += l.shift
	return l
}

// tenthShift carries the level of the last span seconds on to the middle of the last tenth, where a short
// fault's readings do not fit into it, by the slope of its second half.
func (d *Detector) tenthShift(p *pulse, end, span float64) (shift, u float64) {
	length := end - p.on.t
	mid, n := d.dec.middle(end-span, end)
	long := min(max(2*span, 6*d.interval()), 0.6*length)
	late, early := d.dec.within(end-long/2, end), d.dec.within(end-long, end-long/2)
	t1, n1 := d.dec.middle(end-long/2, end)
	t0, n0 := d.dec.middle(end-long, end-long/2)
	if n == 0 || n0 == 0 || n1 == 0 || t1 <= t0 || span < 0.12*length {
		return 0, 0
	}
	far := (end - 0.05*length - mid) / (t1 - t0)
	noise := math.Hypot(d.sigma, d.boxRipple()*meanOf(late)) / math.Sqrt(float64(max(d.dec.every, 1)))
	return (meanOf(late) - meanOf(early)) * far, noise * math.Sqrt(1/float64(n0)+1/float64(n1)) * math.Abs(far)
}
