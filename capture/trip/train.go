package trip

import (
	"math"

	"letthrough/capture/trace"
)

// A regular train of pulses from the very onset on, at 8 Hz or faster, is a ripple whose troughs last longer
// than the off confirm time: half-wave rectified mains read slowly enough to show an alias, or slow
// pulse-width modulation. Nothing protected anything: the pulses are one fault. A unit that tries again lets
// its first pulse last longer than the others or waits longer (common practice, no source), and an output
// that is stated to be smooth has no ripple.

const (
	trainMin = 5 // pulses that tell a train
	trainMax = 8 // ... and after which it is retries for good
)

// mergeTrain looks at the pulses so far when another one has begun, and makes them one where they are ripple.
func (d *Detector) mergeTrain() {
	n := len(d.pulses)
	p0 := d.pulses[0]
	if n < trainMin || n > trainMax || d.set.Waveform == trace.DC || p0.inside || p0.k <= d.ring.first() || !d.evenTrain() {
		return
	}
	var c ripple
	c.nextLook = d.ripple.nextLook
	c.look(d.ring, p0.k, d.sigma, d.interval())
	if c.period == 0 {
		return
	}
	d.forget()
	d.ring.quiet = false
	d.ripple = c
	p := &pulse{k: p0.k}
	p.on, p.settledAt, p.settledSums = p0.on, p0.on.t, p0.on.at
	d.state = on
	d.pulses = []*pulse{p}
	d.hist = newHistogram(d.binWidth())
	d.offLevel = d.absOnLevel()
	// Read again as one pulse what came as several, each reading as if it were the newest.
	end := d.ring.end
	for k := p.k; k < end; k++ {
		d.ring.end = k + 1
		d.feed(p, d.ring.at(k))
	}
	d.ring.end = end
	d.ripple = c
	d.setWake()
	d.dirty = true
}

// evenTrain: the pulses follow each other at least 8 times a second, and the first is no longer than the
// others.
func (d *Detector) evenTrain() bool {
	dt := d.interval()
	var widths []float64
	for i, p := range d.pulses[1:] {
		if p.on.t-d.pulses[i].on.t > 1/rippleMinHz+dt {
			return false
		}
		if p.ended {
			widths = append(widths, p.off.t-p.on.t)
		}
	}
	first := d.pulses[0]
	return first.ended && first.off.t-first.on.t <= 1.3*medianOf(widths)+math.Max(dt, 2e-3)
}
