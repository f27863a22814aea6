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

// obs is one reading.
type obs struct {
	t, x float64 // s since the first sample; A, sign turned so that the fault is positive
	over bool
	hole bool // a gap lies before it
}

// ring keeps the newest readings, long enough to look back over an edge when it is confirmed, and the
// running integrals at every blockN-th of them. What lies between two of those is summed up on
// demand, so that a reading costs one store.
type ring struct {
	buf   []obs
	marks []sums // the sums at reading k for every k that blockN divides, at k/blockN
	mask  int
	end   int // number ever pushed; reading k lives at buf[k&mask] while k >= from
	from  int // a multiple of blockN
	span  float64
	known int     // the marks up to this reading are worked out, a multiple of blockN
	floor float64 // A; set with the onset level
	quiet bool    // nobody has asked for integrals yet: they begin with the oldest reading kept
}

const (
	ringSpanS  = 1.2 // s kept at least
	slopeRingS = 2.6 // ... of a ramp or of stairs, whose trip needs the second before it and the one before that
	ringStartN = 1024
	ringLimit  = 1 << 19
	blockN     = 16
)

func newRing() *ring {
	return &ring{buf: make([]obs, ringStartN), marks: make([]sums, ringStartN/blockN), mask: ringStartN - 1, span: ringSpanS, quiet: true}
}

func (r *ring) at(k int) *obs { return &r.buf[k&r.mask] }
func (r *ring) first() int    { return r.from }
func (r *ring) last() *obs    { return r.at(r.end - 1) }
func (r *ring) len() int      { return r.end - r.from }

// push adds a reading; the oldest fall out once the ring is full and they are older than span. It
// grows by doubling up to ringLimit, so the cost per reading stays flat.
func (r *ring) push(o *obs) {
	if r.end-r.from == len(r.buf) {
		r.makeRoom(o.t)
	}
	r.buf[r.end&r.mask] = *o
	r.end++
}

// mark works the sums out up to reading k, a multiple of blockN.
func (r *ring) mark(k int) {
	if r.known == 0 && r.from == 0 {
		r.marks[0] = sums{t: r.at(0).t}
	}
	for r.known < k {
		s := r.marks[(r.known&r.mask)/blockN]
		r.sumUp(&s, r.known, r.known+blockN)
		r.known += blockN
		r.marks[(r.known&r.mask)/blockN] = s
	}
}

func (r *ring) makeRoom(now float64) {
	if now-r.at(r.from).t >= r.span || len(r.buf) >= ringLimit {
		next := r.from + blockN
		if r.quiet {
			r.known = next
			r.marks[(next&r.mask)/blockN] = sums{t: r.at(next).t}
		} else {
			r.mark(next)
		}
		r.from = next
		return
	}
	buf, marks := make([]obs, 2*len(r.buf)), make([]sums, 2*len(r.marks))
	mask := len(buf) - 1
	for k := r.from; k < r.end; k++ {
		buf[k&mask] = *r.at(k)
		if k%blockN == 0 && k <= r.known {
			marks[(k&mask)/blockN] = r.marks[(k&r.mask)/blockN]
		}
	}
	r.buf, r.marks, r.mask = buf, marks, mask
}

// sums gives the sums at reading k.
func (r *ring) sums(k int) sums {
	k0 := k - k%blockN
	r.mark(k0)
	s := r.marks[(k0&r.mask)/blockN]
	r.sumUp(&s, k0, k)
	return s
}

// sumUp adds the intervals from reading k0 to k.
func (r *ring) sumUp(s *sums, k0, k int) {
	a := r.at(k0)
	for j := k0 + 1; j <= k; j++ {
		b := r.at(j)
		dt := b.t - a.t
		switch {
		case b.hole:
			s.gap += dt
		default:
			if a.over || b.over {
				s.over += dt
			}
			x0, x1 := a.x, b.x
			sq0, sq1 := x0*x0, x1*x1
			trap := dt * (sq0 + sq1) / 2
			s.trap += trap
			if isStep(x0, x1, r.floor) {
				s.chord += trap
				s.step += dt
			} else {
				s.chord += dt * (sq0 + x0*x1 + sq1) * (1.0 / 3)
			}
			s.q += dt * (x0 + x1) / 2
		}
		a = b
	}
	s.t = a.t
}

// flip turns the sign of everything kept.
func (r *ring) flip() {
	for k := r.from; k < r.end; k++ {
		r.at(k).x = -r.at(k).x
		if k%blockN == 0 && k <= r.known {
			m := &r.marks[(k&r.mask)/blockN]
			m.q = -m.q
		}
	}
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
		return r.sums(r.end - 1), true
	case k == r.from:
		return r.sums(k), r.at(k).t == t || r.from == 0
	}
	return r.between(k-1, t), true
}

// between gives the sums at t within the interval from reading k to k+1.
func (r *ring) between(k int, t float64) sums {
	a, b := r.at(k), r.at(k+1)
	s := r.sums(k)
	dt := b.t - a.t
	if dt <= 0 {
		return r.sums(k + 1)
	}
	f := min(max((t-a.t)/dt, 0), 1)
	s.t = a.t + f*dt
	if b.hole {
		s.gap += f * dt
		return s
	}
	if a.over || b.over {
		s.over += f * dt
	}
	if isStep(a.x, b.x, r.floor) {
		s.stepTo(a, b, f, dt)
		return s
	}
	x, h := a.x+f*(b.x-a.x), f*dt
	s.chord += h * (a.x*a.x + a.x*x + x*x) / 3
	s.trap += h * (a.x*a.x + (a.x*a.x + f*(b.x*b.x-a.x*a.x))) / 2
	s.q += h * (a.x + x) / 2
	return s
}

// stepTo: a step within one interval stands at its middle. Up to there the level before flows, after
// it the level behind.
func (s *sums) stepTo(a, b *obs, f, dt float64) {
	before := min(f, 0.5) * dt
	after := max(f-0.5, 0) * dt
	i2 := before*a.x*a.x + after*b.x*b.x
	s.chord += i2
	s.trap += i2
	s.q += before*a.x + after*b.x
	s.step += f * dt
}

// isStep: the level changes by more than half of the larger value within one interval. Below the floor
// there is only noise.
func isStep(x0, x1, floor float64) bool {
	if x0 < floor && x1 < floor {
		return false
	}
	return 2*x0 < x1 || 2*x1 < x0
}
