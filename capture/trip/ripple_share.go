package trip

import (
	"math"

	"letthrough/capture/trace"
)

// rippleShare is the relative standard uncertainty of a mean over the whole rippled plateau.
func (d *Detector) rippleShare() float64 {
	return d.shareOver(float64(d.ripple.crossed) * d.ripple.period)
}

// shareOver is the relative standard uncertainty of a mean over span seconds of a rippled plateau
// that comes from the readings falling at certain phases of it. A rectified sine read m times a half
// wave is off by up to -21 % and +11 % at m = 2 (closed form at fixed phases), falling with the square
// of m; an edge of a pulse-width modulated plateau is known to one interval. Both average out as far
// as the readings wander through the phases from one period to the next.
func (d *Detector) shareOver(span float64) float64 {
	if d.chopped() {
		return d.chopShare(span)
	}
	t := d.ripplePeriod()
	if t == 0 {
		return 0
	}
	r := d.interval() / (t * d.onShare())
	u := 0.4 * r * r
	if d.stepped() {
		u = r / math.Sqrt(6)
	}
	if d.ripple.period > 0 && t == d.ripple.period {
		u /= max(1, min(span/t, d.phases(span)))
	}
	return min(u, 0.5)
}

// squareShare is the relative standard uncertainty of the integral of i² over the whole rippled plateau. The square
// of pulses is as well known as their width is; that of a rectified sine begins and ends each half wave without a
// kink, which leaves the trapezoid rule an order better than of the sine itself (Euler-Maclaurin; closed form: of
// whole numbers of readings a half wave nothing is left).
func (d *Detector) squareShare() float64 {
	share := d.rippleShare()
	switch {
	case d.chopped():
		return 2 * share
	case d.stepped() || share >= 0.05 || d.fold.confirmed: // a limiter clips the sine, with kinks of its own
		return share
	}
	if t := d.ripplePeriod(); t > 0 {
		return share * min(1, 2*d.interval()/(t*d.onShare()))
	}
	return share
}

// chopped: the plateau comes and goes faster than the readings can follow, in an unknown rhythm, and no
// waveform is stated.
func (d *Detector) chopped() bool {
	w := d.set.Waveform
	return (w == "" || w == trace.DC) && !d.rippleSeen() && (d.ripple.period > 0 || d.choppy(d.pulses[0]))
}

// chopShare is the relative standard uncertainty of a mean of readings that find the current on or off
// by chance: that of a share told from n tries, twice over since an alias is not quite chance.
func (d *Detector) chopShare(span float64) float64 {
	n := max(span/max(d.interval(), 1e-9), 1)
	if span == 0 {
		n = float64(max(d.pulses[0].n, 1))
	}
	on := d.onShare()
	return min(2*math.Sqrt((1-on)/(on*n)), 0.5)
}

// phases is by how much the errors at the ripple's edges average out within span: by as much as the mean of a
// sawtooth that steps through the interval between two readings from period to period. The period is known to
// about half an interval over the span.
func (d *Detector) phases(span float64) float64 { return phasesOf(d.truePeriod(), d.interval(), span) }

// phasesOf is the same for any period t and reading interval dt, s.
func phasesOf(t, dt, span float64) float64 {
	if t <= 0 || dt <= 0 {
		return 1
	}
	n := max(int(span/t), 1)
	worst := 0.0
	for _, slip := range []float64{-0.5, 0, 0.5} {
		worst = max(worst, sawtoothMean(t/dt+slip/float64(n), n))
	}
	return min(1/worst, span/t)
}

// truePeriod is the ripple's period over all of the crossings counted so far; 0 where there is none.
func (d *Detector) truePeriod() float64 {
	if d.ripple.period > 0 && d.ripple.crossed > 2 {
		return (d.ripple.last - d.ripple.first) / float64(d.ripple.crossed-1)
	}
	return d.ripple.period
}

// onShare is the share of a period during which current flows.
func (d *Detector) onShare() float64 {
	p := d.pulses[0]
	if d.ripple.period == 0 && d.set.Waveform == trace.HalfWave {
		return 0.5
	}
	return max(1-float64(p.lows)/float64(max(p.n, 1)), 0.1)
}

// stepped: the ripple has steep edges, as pulse-width modulation has.
func (d *Detector) stepped() bool {
	return d.set.Waveform == trace.PWM || d.ripple.steps > 0.5
}

// ripplePeriod is the period seen, else that of the stated waveform (at 50 Hz mains, the slower)
// where the instrument does not average over it.
func (d *Detector) ripplePeriod() float64 {
	if d.ripple.period > 0 && d.rippleSeen() {
		return d.ripple.period
	}
	stated := 0.0
	switch d.set.Waveform {
	case trace.FullWave:
		stated = 0.01
	case trace.HalfWave, trace.PWM:
		stated = 0.02
	}
	switch {
	case d.averaging() >= stated && stated > 0:
		return 0
	case stated == 0:
		return d.ripple.period
	}
	return stated
}

// blind: the readings are too few a period for any level of the stated or seen ripple.
func (d *Detector) blind() bool { return d.rippleShare() > 0.08 }

// aliased: readings of a rectified current so few a period that they may find it at zero for many periods
// on end.
func (d *Detector) aliased() bool {
	w := d.set.Waveform
	return (w == trace.FullWave || w == trace.HalfWave) && d.blind()
}

const whyBlind = "the readings are too slow for the ripple of the output"
