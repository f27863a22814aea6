package trip

import (
	"math"

	"letthrough/capture/trace"
)

// coast takes the leading samples that change nothing: plain readings at the usual interval that stay
// in the quiet, in the plateau or in the off state, up to the next instant at which something is to
// be looked at. It does for them what read would do, in loops short enough to be fast, and returns
// how many it took.
func (d *Detector) coast(samples []trace.Sample) int {
	if !d.begun || d.plain || d.candK >= 0 {
		return 0
	}
	// The cadence is brought up to date by a full reading.
	samples = samples[:max(min(len(samples), d.cad.next-d.cad.n-1, maxCoast), 0)]
	switch d.state {
	case idle:
		return d.coastIdle(samples)
	case off:
		return d.coastOff(samples)
	}
	return d.coastOn(samples)
}

// maxCoast bounds one stretch so that the ring's room is made block by block.
const maxCoast = 1 << 14

// stretch is the part of a stretch that all states share.
type stretch struct {
	lastNS   int64
	prevX    float64
	fine     float64 // a step smaller than this may be a new display count
	sign     float64
	gapNS    int64
	lo, hi   float64
	untilT   float64
	t0       int64
	consumed int
}

// glide begins a stretch of readings from lo up to below hi, before the instant until.
func (d *Detector) glide(lo, hi, until float64) stretch {
	fine := 1.1 * d.base.quantum
	switch {
	case d.set.ResolutionA > 0:
		fine = 0
	case d.base.repeats >= 2:
		fine = 0.9 * d.base.quantum
	}
	return stretch{d.lastNS, d.prevX, fine, d.sign, d.cad.gapNS, lo, hi, min(until, d.wakeT), d.t0, 0}
}

// next gives the time and level of a sample if it may be coasted over.
func (s *stretch) next(x *trace.Sample) (t, v float64, ok bool) {
	v = s.sign * x.Value
	if dt := x.AtNS - s.lastNS; x.Flags != 0 || dt <= 0 || dt > s.gapNS || !(v >= s.lo && v < s.hi) {
		return 0, 0, false
	}
	if diff := math.Abs(v - s.prevX); diff < s.fine && diff > 0 {
		return 0, 0, false
	}
	t = float64(x.AtNS-s.t0) / 1e9
	return t, v, t < s.untilT
}

// run takes the leading samples, at most so many, and says how many. What it stores is the ring's newest.
func (s *stretch) run(d *Detector, samples []trace.Sample, most int) int {
	samples = samples[:max(min(len(samples), most), 0)]
	n := 0
	for n < len(samples) {
		r := d.ring
		if r.end-r.from == len(r.buf) {
			t, _, ok := s.next(&samples[n])
			if !ok {
				break
			}
			r.makeRoom(t)
		}
		part := samples[n:min(len(samples), n+len(r.buf)-(r.end-r.from))]
		k := s.fill(r, &d.cad, part)
		if n += k; k < len(part) {
			break
		}
	}
	s.consumed += n
	return n
}

// fill is next and the storing of a sample for as many as the ring has room for, with everything that changes
// from sample to sample in variables of its own: it is what a reading costs.
func (s *stretch) fill(r *ring, c *cadence, samples []trace.Sample) int {
	buf, end := r.buf[:r.mask+1], r.end
	lastNS, prevX, last, repeat := s.lastNS, s.prevX, c.last, c.repeat
	sign, t0, untilT, lo, hi, fine, gapNS := s.sign, s.t0, s.untilT, s.lo, s.hi, s.fine, s.gapNS
	n := 0
	for ; n < len(samples); n++ {
		x := &samples[n]
		v, dt := sign*x.Value, x.AtNS-lastNS
		if x.Flags != 0 || dt <= 0 || dt > gapNS || !(v >= lo && v < hi) {
			break
		}
		if diff := math.Abs(v - prevX); diff < fine && diff > 0 {
			break
		}
		t := float64(x.AtNS-t0) / 1e9
		if t >= untilT {
			break
		}
		buf[end&(len(buf)-1)] = obs{t: t, x: v}
		end++
		if dt != last {
			c.last, c.repeat = last, repeat
			c.file()
			last, repeat = dt, 0
		}
		repeat++
		lastNS, prevX = x.AtNS, v
	}
	r.end, c.last, c.repeat, s.lastNS, s.prevX = end, last, repeat, lastNS, prevX
	return n
}

// took notes a sample as read.
func (s *stretch) took(d *Detector, t, v float64, ns int64) {
	r := d.ring
	if r.end-r.from == len(r.buf) {
		r.makeRoom(t)
	}
	r.buf[r.end&r.mask] = obs{t: t, x: v}
	r.end++
	c := &d.cad
	if dt := ns - s.lastNS; dt != c.last {
		c.file()
		c.last = dt
	}
	c.repeat++
	s.lastNS, s.prevX = ns, v
	s.consumed++
}

// end brings the detector up to date.
func (s *stretch) end(d *Detector) int {
	n := s.consumed
	if n > 0 {
		d.lastNS, d.prevX, d.prevT = s.lastNS, s.prevX, d.ring.last().t
		d.n += n
		d.cad.n += n
	}
	return n
}

// coastIdle: readings well within the onset level, too soon after the last kept one for the baseline.
func (d *Detector) coastIdle(samples []trace.Sample) int {
	b := &d.base
	if !b.fresh() || d.n < 3 {
		return 0
	}
	room := screenShare * b.screenTop
	s := d.glide(max(b.screenB-room, -d.largest), min(b.screenB+room, d.largest), min(d.nextBase, b.nextT))
	s.run(d, samples, len(samples))
	return s.end(d)
}

// coastOff: readings below the off level, long enough after the cut-off to count as residual.
func (d *Detector) coastOff(samples []trace.Sample) int {
	since := d.current().off.t + offConfirmS
	if d.prevT <= since {
		return 0
	}
	s := d.glide(-d.largest, min(d.offLevel, d.largest), math.Inf(1))
	for len(samples) > 0 {
		most := min(len(samples), batchN)
		n := s.run(d, samples, most)
		d.resid.addAll(d.ring, d.ring.end-n)
		if n < most {
			break
		}
		samples = samples[n:]
	}
	return s.end(d)
}

// batchN readings are taken, and then worked on, while they are still at hand; fewer than any ring holds.
const batchN = 256

// coastOn: readings of a plateau, at or above the off level and no new peak.
func (d *Detector) coastOn(samples []trace.Sample) int {
	p := d.current()
	rippled := d.ripple.period > 0
	if p.inside && p.n < insideN || p != d.pulses[0] || d.doubt || !p.onFinal || (p.lowN > 0 && !rippled) || p.n < p.peakNo+5 || p.counted > 0 ||
		d.fold.confirmed || d.set.Procedure.NoUpperState() || d.prevT > d.holdT {
		return 0
	}
	until := d.fold.next
	if d.ripple.period == 0 && d.ripple.nextLook < len(looks) {
		until = min(until, p.on.t+looks[d.ripple.nextLook])
	}
	if rippled {
		return d.coastRipple(samples, p, min(until, d.periods.from.t+d.periods.span))
	}
	s := d.glide(d.offLevel, math.Nextafter(p.peak, math.Inf(1)), until)
	w, near, h := d.interval(), p.peak-2.25*d.sigma, d.hist
	for len(samples) > 0 {
		most := min(len(samples), batchN, untilOffLevelDue(h.n))
		n := s.run(d, samples, most)
		from := d.ring.end - n
		for k := from; k < d.ring.end; k++ {
			v := d.ring.at(k).x
			if v >= near {
				p.crown.add(v)
			}
			h.add(v, w)
		}
		p.n += n
		d.dec.addAll(d.ring, from)
		if n < most || most == 0 {
			break
		}
		samples = samples[n:]
	}
	return s.end(d)
}

// coastRipple: readings of a plateau whose ripple is known, its troughs included while they are too
// short to be an interruption.
func (d *Detector) coastRipple(samples []trace.Sample, p *pulse, until float64) int {
	if len(d.periods.pending) > 0 || d.hist.n < 8 {
		return 0
	}
	s := d.glide(-d.largest, math.Nextafter(p.peak, math.Inf(1)), until)
	near, confirm := p.peak-2.25*d.sigma, d.offConfirm()
	for i := range samples {
		t, v, ok := s.next(&samples[i])
		if !ok || p.lowN > 0 && t-p.lowT >= confirm || (p.n+1)%rippleThin == 0 {
			break
		}
		before := d.ring.last()
		s.took(d, t, v, samples[i].AtNS)
		now := d.ring.last()
		p.n++
		if v >= near {
			p.crown.add(v)
		}
		d.lowOrBack(p, now)
		d.dec.add(t, v)
		d.ripple.follow(before, now)
	}
	return s.end(d)
}
