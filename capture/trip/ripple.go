package trip

import (
	"math"

	"letthrough/capture/trace"
)

// ripple recognises a regular unsmoothed plateau (rectified mains, pulse-width modulation) and counts
// its periods. It looks at the plateau a few times early in the fault; once it has found a period it
// follows the crossings reading by reading, which makes the period as exact as the fault is long.
type ripple struct {
	period   float64 // s; 0: none found
	depth    float64 // peak to peak over mean
	lo, hi   float64 // hysteresis, A
	mid      float64
	armed    bool
	rose     float64 // where the current last came up through mid since it was low
	first    float64 // instant of the first and the last upward crossing of mid, s
	last     float64
	crossed  int
	nextLook int
	top, low float64 // extremes since the last crossing
	crest    float64 // the highest of the last cycles, A
	base     float64 // ... when mid was set
	steps    float64 // share of the upward crossings that one interval made whole
}

const (
	rippleMinHz = 8.0 // slower trains are retries
	rippleMaxFs = 0.4
	// A plateau whose peak-to-peak is below this share of its mean needs no special care: it never
	// comes near the off level.
	rippleMinDepth = 0.2
)

// looks are the times after the onset at which a period is sought, s. The first is short, because
// until a period is known a slow ripple could be taken for a cut-off.
var looks = []float64{0.04, 0.06, 0.1, 0.16, 0.25, 0.4, 0.6, 1.0}

// look seeks a period in readings k0..end-1 of the plateau.
func (p *ripple) look(r *ring, k0 int, sigma, interval float64) {
	k0 = max(k0, r.first()+1)
	n := r.end - k0
	if n < 8 {
		return
	}
	lo, hi, sum := math.Inf(1), math.Inf(-1), 0.0
	for k := k0; k < r.end; k++ {
		x := r.at(k).x
		lo, hi, sum = min(lo, x), max(hi, x), sum+x
	}
	mean := sum / float64(n)
	if hi-lo < max(rippleMinDepth*mean, 10*sigma) {
		return
	}
	c := ripple{mid: mean, lo: mean - (mean-lo)/4, hi: mean + (hi-mean)/4, depth: (hi - lo) / mean, top: mean, low: mean, base: hi, crest: hi}
	var spans []float64
	for k := k0; k < r.end; k++ {
		before := c.last
		if c.follow(r.at(k-1), r.at(k)) && c.crossed > 1 {
			spans = append(spans, c.last-before)
		}
	}
	if len(spans) < 3 {
		return
	}
	period := (c.last - c.first) / float64(c.crossed-1)
	var ss float64
	for _, s := range spans {
		ss += (s - period) * (s - period)
	}
	// Edges of pulse-width modulation are known to one interval only, so the spans may scatter by it.
	scatter := math.Sqrt(ss / float64(len(spans)))
	if f := 1 / period; f < rippleMinHz || f*interval > rippleMaxFs || scatter > 0.12*period+0.5*interval {
		return
	}
	c.period = period
	c.steps = stepShare(r, k0, c.lo, c.hi)
	c.nextLook = p.nextLook
	*p = c
}

// follow counts upward crossings of the mid level with hysteresis; it reports one.
func (p *ripple) follow(a, b *obs) bool {
	p.top, p.low = max(p.top, b.x), min(p.low, b.x)
	if b.x < p.lo {
		p.armed = true
		p.rose = b.t
		return false
	}
	if !p.armed {
		return false
	}
	if a.x < p.mid && b.x >= p.mid {
		p.rose = a.t + (p.mid-a.x)/(b.x-a.x)*(b.t-a.t)
	}
	if b.x < p.hi {
		return false
	}
	p.armed = false
	passed := 1 // periods since the last crossing: a reading may have missed a trough
	if p.crossed == 0 {
		p.first = p.rose
	} else if p.period > 0 {
		if passed = int(math.Round((p.rose - p.last) / p.usual())); passed == 0 {
			return false // one rise seen twice, as the crossing level moved
		}
	}
	p.last = p.rose
	p.crossed += passed
	p.adapt()
	return true
}

// usual is the period over all crossings so far, once they are many.
func (p *ripple) usual() float64 {
	if p.crossed > 16 {
		return (p.last - p.first) / float64(p.crossed-1)
	}
	return p.period
}

// adapt lets the hysteresis follow a plateau that sags, from the extremes of the cycle just seen.
func (p *ripple) adapt() {
	p.crest = max(p.top, 0.9*p.crest)
	if p.crest < 0.85*p.base || p.crest > 1.5*p.base {
		// The load has changed: the same place on the wave is another level now.
		p.mid, p.base = p.mid*p.crest/p.base, p.crest
	}
	if p.crossed > 1 && p.top > p.low {
		// The crossing level itself stays: moving it would move the crossings against each other.
		p.lo, p.hi = p.mid-max(p.mid-p.low, 0)/4, p.mid+max(p.top-p.mid, 0)/4
	}
	p.top, p.low = p.mid, p.mid
}

// stepShare is the share of the rises from below lo to above hi that take a single interval.
func stepShare(r *ring, k0 int, lo, hi float64) float64 {
	rises, steps := 0, 0
	low := false
	for k := k0; k < r.end; k++ {
		x := r.at(k).x
		switch {
		case x < lo:
			low = true
		case x >= hi && low:
			low = false
			rises++
			if r.at(k-1).x < lo {
				steps++
			}
		}
	}
	return float64(steps) / float64(max(rises, 1))
}

// hz gives the ripple's frequency and its standard uncertainty. A steep edge lies anywhere between two
// readings; on a rectified sine the crossing is interpolated: its chord is off by about half of what the
// interval is of the period, and noise moves it along the slope, at least 0.75 pi times crest times frequency
// (textbook).
func (p *ripple) hz(interval, sigma float64, steep bool) (f, u float64) {
	if p.period == 0 || p.crossed < 2 {
		return 0, 0
	}
	span := p.last - p.first
	f = float64(p.crossed-1) / span
	at := interval / math.Sqrt(12)
	if !steep {
		at = min(at, math.Hypot(interval*interval*f/2, sigma/(0.75*math.Pi*p.crest*f)))
	}
	return f, f * at * math.Sqrt2 / span
}

// slowestHz is below what rectified mains or pulse-width modulation has (common practice, no source).
const slowestHz = 45

// seen tells whether a period found is the output's own and not an alias of something faster: at
// least eight readings a period at 500 readings a second or more; or a frequency that rectified
// mains has.
func (d *Detector) rippleSeen() bool {
	f, _ := d.ripple.hz(d.interval(), d.sigma, true)
	if f == 0 {
		return false
	}
	for _, mains := range []float64{50, 60, 100, 120} {
		if math.Abs(f-mains) < 0.03*mains {
			return d.set.Waveform != trace.PWM || f*d.interval() <= 0.2
		}
	}
	if d.set.Waveform == trace.FullWave || d.set.Waveform == trace.HalfWave {
		return false // rectified mains has no other
	}
	if f < slowestHz {
		return false // no output ripples so slowly, but what is faster may look so
	}
	return f*d.interval() <= 0.125 && d.interval() <= 0.002
}
