package trip

import "sort"

// sums are integrals from the first sample on, at one instant.
type sums struct {
	t     float64 // the instant itself, s
	chord float64 // A²s, i taken linear between readings, a step within one interval at its middle
	trap  float64 // A²s, i² taken linear between readings
	q     float64 // A s
	gap   float64 // s without readings
	over  float64 // s beyond the range
	step  float64 // s of intervals that hold a step (their i² counts as trap in chord too)
}

func (a sums) minus(b sums) sums {
	return sums{a.t - b.t, a.chord - b.chord, a.trap - b.trap, a.q - b.q, a.gap - b.gap, a.over - b.over, a.step - b.step}
}

// obs is one reading with the sums up to it.
type obs struct {
	t, x float64 // s since the first sample; A, sign turned so that the fault is positive
	at   sums
	over bool
	hole bool // a gap lies before it
}

// ring keeps the newest readings: long enough to look back over an edge when it is confirmed.
type ring struct {
	buf  []obs
	mask int
	end  int // number ever pushed; reading k lives at buf[k&mask] while k >= start
	from int
	span float64 // s kept at least
}

const (
	ringSpanS  = 1.2 // s kept at least
	slopeRingS = 2.6 // ... of a ramp or of stairs, whose trip needs the second before it and the one before that
	ringSpanN  = 64  // readings kept at least
	ringLimit  = 1 << 18
	ringStartN = 1024
)

func newRing() *ring {
	return &ring{buf: make([]obs, ringStartN), mask: ringStartN - 1, span: ringSpanS}
}

func (r *ring) at(k int) *obs { return &r.buf[k&r.mask] }
func (r *ring) first() int    { return r.from }
func (r *ring) last() *obs    { return r.at(r.end - 1) }
func (r *ring) len() int      { return r.end - r.from }

// push adds a reading; the oldest fall out once they are older than ringSpanS and more than
// ringSpanN are kept. It grows by doubling up to ringLimit, so the cost per reading stays flat.
func (r *ring) push(o obs) {
	if r.end-r.from == len(r.buf) {
		oldest := r.at(r.from)
		if o.t-oldest.t < r.span && len(r.buf) < ringLimit {
			r.grow()
		} else {
			r.from++
		}
	}
	r.buf[r.end&r.mask] = o
	r.end++
}

func (r *ring) grow() {
	buf := make([]obs, 2*len(r.buf))
	for k := r.from; k < r.end; k++ {
		buf[k&(len(buf)-1)] = *r.at(k)
	}
	r.buf, r.mask = buf, len(buf)-1
}

// index gives the number of the first kept reading at or after t.
func (r *ring) index(t float64) int {
	return r.from + sort.Search(r.len(), func(i int) bool { return r.at(r.from+i).t >= t })
}

// sumsAt interpolates the sums at an instant; ok is false when it is older than what is kept.
func (r *ring) sumsAt(t float64) (s sums, ok bool) {
	k := r.index(t)
	switch {
	case r.len() == 0:
		return sums{}, false
	case k >= r.end:
		return r.last().at, true
	case k == r.from:
		return r.at(k).at, r.at(k).t == t || r.from == 0
	}
	return between(r.at(k-1), r.at(k), t), true
}

// between gives the sums at t within the interval a..b.
func between(a, b *obs, t float64) sums {
	dt := b.t - a.t
	if dt <= 0 {
		return b.at
	}
	f := min(max((t-a.t)/dt, 0), 1)
	if b.hole {
		s := a.at
		s.t = a.t + f*dt
		s.gap += f * dt
		return s
	}
	if isStep(a.x, b.x) {
		// A step within the interval stands at one instant: before it flows a.x, after it b.x.
		return stepWithin(a, b, f, dt)
	}
	x := a.x + f*(b.x-a.x)
	s := a.at
	h := f * dt
	s.t += h
	s.chord += h * (a.x*a.x + a.x*x + x*x) / 3
	s.trap += h * (a.x*a.x + (a.x*a.x + f*(b.x*b.x-a.x*a.x))) / 2
	s.q += h * (a.x + x) / 2
	s.over += f * (b.at.over - a.at.over)
	return s
}

// stepWithin: t is the 50 % instant of the step itself or lies on either side of the middle. Up to
// the middle the level before flows, after it the level behind.
func stepWithin(a, b *obs, f, dt float64) sums {
	s := a.at
	s.t += f * dt
	before := min(f, 0.5) * dt
	after := max(f-0.5, 0) * dt
	i2 := before*a.x*a.x + after*b.x*b.x
	s.chord += i2
	s.trap += i2
	s.q += before*a.x + after*b.x
	s.over += f * (b.at.over - a.at.over)
	s.step += f * dt
	return s
}

// isStep: the level changes by more than half of the larger value within one interval.
func isStep(x0, x1 float64) bool {
	d := x1 - x0
	if d < 0 {
		d = -d
	}
	return 2*d > max(x0, x1, -x0, -x1)
}
