package trip

import "math"

// part is one contribution to a combined standard uncertainty (JCGM 100:2008, section 5).
type part struct {
	u    float64 // standard uncertainty
	rect bool    // its distribution is rectangular
}

// combine gives the combined standard uncertainty.
func combine(parts ...part) float64 {
	var ss float64
	for _, p := range parts {
		ss += p.u * p.u
	}
	return math.Sqrt(ss)
}

// expand gives the expanded uncertainty for about 95 %: k = 2, falling to 1.65 where one rectangular
// contribution dominates (EA-4/02, from memory).
func expand(parts ...part) float64 {
	u := combine(parts...)
	largest := part{}
	for _, p := range parts {
		if p.u > largest.u {
			largest = p
		}
	}
	if !largest.rect || largest.u == 0 {
		return 2 * u
	}
	rest := math.Sqrt(max(u*u-largest.u*largest.u, 0))
	return u * min(2, 1.65+0.5*rest/largest.u)
}

// readingParts are the contributions to one level of i amperes: the instrument's own accuracy
// (rectangular), one display count (rectangular), and noise as its standard deviation; with a
// calibration what that leaves open.
func (d *Detector) readingParts(i, noise float64) []part {
	return append([]part{
		{d.accuracyA(i) / math.Sqrt(3), true},
		{max(d.resolutionAt(i), d.binWidth()) / math.Sqrt(12), true},
		{noise, false},
	}, d.calibrationParts(i)...)
}

// levelParts are those of a median or mean over n readings: 1.2533 sigma/sqrt(n) for the median of
// normal noise (asymptotic efficiency 2/pi, textbook value from memory).
func (d *Detector) levelParts(i float64, n int) []part {
	return append(d.scaleParts(i, n), part{1.2533 * d.sigma / math.Sqrt(float64(max(n, 1))), false})
}

// scaleParts are the contributions to a level over n readings that are not noise: the instrument's accuracy
// and calibration, and what a display count leaves.
func (d *Detector) scaleParts(i float64, n int) []part {
	return append([]part{{d.accuracyA(i) / math.Sqrt(3), true}, {d.countU(i, n), true}}, d.calibrationParts(i)...)
}

// countU is what one display count leaves in the mean of n readings of some i amperes. Noise that is larger
// than a count dithers it: what is left of the count falls as exp(-2 pi² (sigma/count)²) (theory of
// subtractive-free dither, from memory).
func (d *Detector) countU(i float64, n int) float64 {
	count := max(d.resolutionAt(i), d.binWidth())
	if count == 0 {
		return 0
	}
	r := d.sigma / count
	left := math.Exp(-2 * math.Pi * math.Pi * r * r)
	if r < 1 {
		left = 1 // noise of less than a count is not known: its readings are nearly all alike
	}
	return count / math.Sqrt(12) * max(left, 1/math.Sqrt(float64(max(n, 1))))
}

// hiddenNoise is what an extreme may owe to noise that the display counts hide: the largest of some thousand
// readings lies up to three standard deviations out, and half a count of noise shows as hardly any.
func (d *Detector) hiddenNoise(i float64) part {
	count := d.resolutionAt(i)
	if d.sigma >= count {
		return part{}
	}
	return part{1.5 * count / math.Sqrt(3), true}
}

// meanU is the standard uncertainty of a mean of i amperes over n readings that is not noise.
func (d *Detector) meanU(i float64, n int) float64 {
	return combine(append(d.calibrationParts(i), part{d.accuracyA(i) / math.Sqrt(3), true}, part{d.countU(i, n), true})...)
}

// spreadNoise is the standard uncertainty of a median from noise where the level itself moves over a
// range with the given interquartile range: only readings within about sigma of the median are
// ambiguous. On a plateau, whose interquartile range is 1.35 sigma, it is the 1.25 sigma/sqrt(n) of
// normal noise.
func spreadNoise(sigma, iqr float64, n int) float64 {
	return math.Sqrt(sigma * max(iqr, 1.57*sigma) / float64(max(n, 1)))
}

// instantParts are those of a duration between two edges: each instant, and the time base.
func (d *Detector) instantParts(a, b *edge) []part {
	u := max(a.u, b.u)
	return []part{{a.u, a.u == u}, {b.u, b.u == u}, {d.set.ClockUS / 2, false}}
}
