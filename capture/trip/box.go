package trip

import (
	"math"

	"letthrough/capture/trace"
)

// A meter that averages over its whole reading interval tells more about an edge than its 50 % line
// does: the reading that holds the edge is the mean over its window, so its share of the step is the
// share of the window in which current flowed. The instant follows from that area, exactly, where the
// readings on both sides are whole ones.
//
// Times within the detector are those of the readings' stamps, the ends of their windows; lag, half
// the stated averaging, is what a stamp lies behind the middle of what it is the mean of.

// averaged: the meter averages over what a figure would have to see. Below some milliseconds nothing of
// this trade's currents is lost; a stated waveform that ripples faster is.
func (d *Detector) averaged() bool {
	w := d.averaging()
	return w > 0 && (d.coarse() || w > averagedS || d.hidesRipple())
}

const averagedS = 0.01 // s

// boxed: the windows of the readings follow each other without much between them.
func (d *Detector) boxed() bool {
	w, dt := d.averaging(), d.interval()
	return dt > 0 && w >= 0.5*dt && w <= 1.1*dt
}

// boxRise places the onset of a pulse by area where the meter's windows allow it, from its crossing e.
func (d *Detector) boxRise(e edge) edge {
	k, ok := d.straddled(e)
	if !ok {
		return e
	}
	r, j := d.ring, k
	if r.at(k-1).x-e.from > d.visible() {
		j = k - 1 // this one held the edge already
	}
	// The reading after it is a whole one if current flows in the next one too.
	flows := func(k int) bool { return k < r.end && r.at(k).x-e.from > d.visible() }
	full := flows(j + 2)
	to, drift := e.to, 0.0
	if j+1 < r.end {
		to = max(r.at(j+1).x, r.at(j).x)
		drift = usualDrift * to
	}
	if full && flows(j+3) {
		drift = math.Abs(r.at(j+2).x - r.at(j+1).x)
	}
	e = d.boxEdge(e, j, e.from, to, drift, full)
	if j+1 < r.end && r.at(j).x-r.at(j+1).x > d.visible() {
		// More flowed at first than afterwards, nobody knows how much: it began anywhere in the window.
		e.t = r.at(j).t
		e.u = d.averaging() / math.Sqrt(12)
	}
	return e
}

// boxFall does the same for the end of a pulse.
func (d *Detector) boxFall(e edge) edge {
	k, ok := d.straddled(e)
	if !ok {
		return e
	}
	r, j := d.ring, k-1
	// So little of a reading moves the edge by no more than that share of it: it may as well be noise that the
	// few readings before the onset did not show.
	if r.at(k).x-e.to > max(d.visible(), littleShare*(e.from-e.to)) {
		j = k
	}
	flows := func(k int) bool { return k >= r.first() && r.at(k).x-e.to > d.visible() }
	full := flows(j - 2)
	from, drift := e.from, 0.0
	if j-1 >= r.first() {
		from = max(r.at(j-1).x, r.at(j).x)
		drift = usualDrift * from
	}
	if full && flows(j-3) {
		drift = math.Abs(r.at(j-2).x - r.at(j-1).x)
	}
	return d.boxEdge(e, j, from, e.to, drift, full)
}

// littleShare of a step is no part of the reading that it falls into.
const littleShare = 0.02

// usualDrift is how much of its level a current changes from one reading to the next where no two
// whole readings tell (common practice, no source).
const usualDrift = 0.02

// visible is what a reading must differ by from a level to hold a part of something else.
func (d *Detector) visible() float64 { return 4*d.sigma + d.resolution() }

// straddled gives the reading after the crossing e; ok is false where areas tell nothing.
func (d *Detector) straddled(e edge) (k int, ok bool) {
	k = d.ring.index(e.t)
	if !d.boxed() || e.inGap || k-1 < d.ring.first() || k >= d.ring.end {
		return 0, false
	}
	return k, true
}

// boxEdge places the step from one level to another within the window of reading j. drift is the
// change between the two whole readings beside it: the level within the window is uncertain by about
// as much. full tells whether the upper level is that of a whole reading.
func (d *Detector) boxEdge(e edge, j int, from, to, drift float64, full bool) edge {
	r, w := d.ring, d.averaging()
	step := to - from
	if step == 0 || j-1 < r.first() {
		return e
	}
	share := min(max((r.at(j).x-from)/step, 0), 1) // of the window that is at the level after
	t := r.at(j).t
	e.t = t - share*w + w/2 + (share-0.5)*(w-d.interval())
	e.from, e.to = from, to
	noise := math.Hypot(math.Hypot(d.sigma, d.resolution()/math.Sqrt(12)), d.boxRipple()*step)
	e.u = w * math.Sqrt(6*noise*noise+0.36*drift*drift) / math.Abs(step)
	e.u = math.Hypot(min(e.u, w/2), math.Abs(d.interval()-w)/math.Sqrt(12))
	if !full || (r.at(j).x-from)/step > 1 {
		e.u = w / math.Sqrt(12) // the level within the window is not known, or was another than after it
	}
	// That a slow meter averages is an assumption where nobody stated it. A whole step from one reading
	// to the next hardly ever happens to one that does, and always to one that does not.
	if whole := d.visible() / math.Abs(step); d.set.AveragingS == nil && (share <= whole || share >= 1-whole) {
		e.u = math.Hypot(e.u, d.interval()/math.Sqrt(12))
	}
	e.before, e.after = min(t-w/2, r.at(j-1).t+w/2), t+w/2
	// Everything in the partial reading belongs to the pulse's side of the edge.
	if step > 0 {
		e.at = r.sums(j - 1)
		dt := e.t - e.at.t
		e.at.t, e.at.q = e.t, e.at.q+from*dt
		e.at.chord += from * from * dt
		e.at.trap += from * from * dt
		return e
	}
	k := min(j+1, r.end-1)
	e.at = r.sums(k)
	dt := e.at.t - e.t
	e.at.t, e.at.q = e.t, e.at.q-to*dt
	e.at.chord -= to * to * dt
	e.at.trap -= to * to * dt
	return e
}

// boxRipple is the standard deviation, relative to the level, that the ripple of the stated waveform
// leaves in readings averaged over a window that is no whole number of its periods: the fundamental's
// share of the mean (2/3 full-wave, pi/2 half-wave rectified sine, up to 2 pulse-width modulated; Fourier
// series, textbook) by the window's response, at most 1/(pi f w).
func (d *Detector) boxRipple() float64 {
	w := d.averaging()
	if w <= 0 {
		return 0
	}
	share, f := 0.0, 50.0
	switch d.set.Waveform {
	case trace.FullWave:
		share, f = 2.0/3, 100
	case trace.HalfWave:
		share = math.Pi / 2
	case trace.PWM:
		share, f = 1, 60
	}
	return share / math.Sqrt2 * min(1, 1/(math.Pi*f*w))
}

// meanRipple is what of boxRipple is left in a mean over span seconds of windows that follow each other.
func (d *Detector) meanRipple(span float64) float64 {
	return d.boxRipple() * min(1, d.averaging()/max(span, 1e-9))
}

// plateauNoise is the standard deviation of a slow meter's readings from the differences of neighbours
// in the fault (median absolute difference, for normal noise 0.954 sigma): a few readings before the
// onset tell it poorly, and nothing of the ripple left in them.
func (d *Detector) plateauNoise(from, to float64) float64 {
	if d.dec.every != 1 {
		return 0
	}
	m := d.dec.within(from, to)
	var diffs []float64
	for i := 2; i < len(m)-1; i++ { // the first and the last reading hold the edges
		diffs = append(diffs, m[i]-m[i-1])
	}
	if len(diffs) < 8 {
		return 0
	}
	rise := medianOf(diffs)
	for i := range diffs {
		diffs[i] = math.Abs(diffs[i] - rise)
	}
	return medianOf(diffs) / 0.954
}

// hidesRipple: the stated waveform is no smooth one, and the meter averages over it.
func (d *Detector) hidesRipple() bool {
	w := d.set.Waveform
	return w != "" && w != trace.DC && d.averaging() > 0.002
}
