package trip

import (
	"math"

	"letthrough/capture/trace"
)

// correctedAtOnce bounds the copy that a calibration needs of the samples.
const correctedAtOnce = 512

// calibrated gives the settings as they are on the corrected side: a display count and the full scale
// pass through the calibration like every reading.
func calibrated(s trace.Settings) trace.Settings {
	if s.ResolutionA == 0 {
		s.ResolutionA = s.Accuracy.At(0).Resolution
	}
	if c := s.Calibration; c.Known() {
		s.ResolutionA *= math.Abs(c.Gain)
		if s.FullScaleA > 0 {
			s.FullScaleA = math.Abs(c.Correct(s.FullScaleA))
		}
	}
	return s
}

// corrected hands over samples as the calibration makes them, in pieces; they are valid until the next.
func (d *Detector) corrected(c trace.Calibration, samples []trace.Sample, take func([]trace.Sample)) {
	for len(samples) > 0 {
		n := min(len(samples), correctedAtOnce)
		d.copied = c.CorrectAll(d.copied[:0], samples[:n])
		take(d.copied)
		samples = samples[n:]
	}
}

// accuracyA is the half-width of the instrument's specification at i amperes. A calibration stands in
// its place: the percentage counts only for what lies beyond the pairs, and the counts only where the
// pairs are too few to show how far the scale is from a straight line.
func (d *Detector) accuracyA(i float64) float64 {
	spec := d.set.Accuracy.At(i)
	percentOf, counts := math.Abs(i), spec.Counts*d.resolutionAt(i)
	if c := d.set.Calibration; c.Known() {
		percentOf = c.Beyond(d.sign * i)
		if c.Pairs > 2 {
			counts = 0
		}
	}
	return spec.Percent/100*percentOf + counts
}

// calibrationParts are what a calibration leaves open at i amperes: the line itself, and how the pairs
// lay about it.
func (d *Detector) calibrationParts(i float64) []part {
	c := d.set.Calibration
	if !c.Known() {
		return nil
	}
	return []part{{math.Hypot(c.U(d.sign*i), c.ResidualS), false}}
}

// resolutionAt is one display count at i amperes, of the range that such a reading is shown in.
func (d *Detector) resolutionAt(i float64) float64 {
	r := d.set.Accuracy.At(i).Resolution
	if c := d.set.Calibration; c.Known() {
		r *= math.Abs(c.Gain)
	}
	return max(r, d.resolution())
}

// beyondCalibration is the largest current where it lies well outside the pairs.
func (d *Detector) beyondCalibration() (most float64, ok bool) {
	c := d.set.Calibration
	if len(d.pulses) == 0 || !c.Known() {
		return 0, false
	}
	most = d.pulses[0].peak
	return most, c.Beyond(d.sign*most) > 0.1*(c.To-c.From)
}
