package trip

import (
	"math"
	"slices"
)

// stairs finds the levels of a load raised in stairs from the trace itself, reading by reading through
// means over short windows: a stair ends where two windows in a row leave its level the same way.
type stairs struct {
	from    sums // where the window began
	fromX   float64
	due     float64 // when it ends: from a whole number of windows to the next, so that ends do not drift through a ripple
	look    float64 // s; the length of a window
	begun   bool
	cur     stair
	done    []stair // at most maxStairs, the oldest fall out
	strayed window  // a window off the level, waiting for a second one
	waiting bool
}

// stair is one level held for a while.
type stair struct {
	from, to float64 // s
	level    float64 // A, mean of its newest windows
	mean     float64 // A, mean of all of its windows without the first
	late     float64 // A, mean of about the last eight
	n        int     // windows
	second   float64 // A, mean of its second window, the first whole one
	last     float64 // A, mean of its newest
	sure     means   // mean and late without its newest window
}

type means struct{ mean, late float64 }

type window struct{ from, to, mean float64 }

const (
	maxStairs  = 256
	stairShare = 0.03 // a change smaller than this share of the level is drift, not a stair
	stairLookS = 0.02
	stairDoubt = 4.0 // so many standard uncertainties of a window's mean are no stair
)

// pass takes one reading.
func (s *stairs) pass(d *Detector, p *pulse, o *obs) {
	if !s.begun {
		s.begun, s.from, s.fromX = true, d.newest(), o.x
		return
	}
	if o.hole {
		s.from, s.fromX, s.due, s.waiting = d.newest(), o.x, o.t+s.look, false
		return
	}
	if o.t < s.due {
		return
	}
	s.look = s.window(d, p)
	if s.due += s.look; s.due <= o.t {
		s.due = o.t + s.look
	}
	if o.t-s.from.t < s.look/2 { // the first one
		return
	}
	now := d.newest()
	part := now.minus(s.from)
	if d.boxed() {
		// Each reading is itself the mean over the time since the one before it.
		part.q += (o.x - s.fromX) / 2 * d.interval()
	}
	w := window{s.from.t, o.t, part.q / max(part.t, 1e-12)}
	s.from, s.fromX = now, o.x
	if p.lowN == 0 || d.rippled(p) {
		s.take(d, w)
	}
}

func (s *stairs) window(d *Detector, p *pulse) float64 {
	w := stairLookS
	switch {
	case d.ripple.period > 0:
		t := d.truePeriod()
		w = math.Ceil(foldChopS/t) * t
	case d.boxed():
		// Long enough that the ripple left in the means is no stair.
		w = beatSlack * d.boxRipple() * d.averaging() / stairShare
	case p.lows > p.bounces, d.ripplePeriod() > 0:
		w = foldChopS
	}
	return max(w, 0.999*d.interval())
}

// beatSlack is how many standard deviations of what is left of a ripple a mean may be off: the beat between
// ripple and windows is a sine, which goes to 1.4, in neighbouring windows both ways.
const beatSlack = 2.5

func (s *stairs) take(d *Detector, w window) {
	readings := max((w.to-w.from)/max(d.interval(), 1e-12), 1)
	slack := max(stairShare*math.Abs(s.cur.level), 4*d.sigma/math.Sqrt(readings), 3*d.resolution())
	switch {
	case d.ripple.period > 0: // a window ends at a reading, not at a period's end
		slack = max(slack, math.Abs(s.cur.level)*max(3*d.interval()/(w.to-w.from), stairDoubt*d.shareOver(w.to-w.from)))
	case d.boxed():
		slack = max(slack, beatSlack*math.Abs(s.cur.level)*d.meanRipple(w.to-w.from))
	}
	switch off := w.mean - s.cur.level; {
	case s.cur.n == 0:
		s.cur = newStair(w.from, w)
	case math.Abs(off) <= slack:
		s.cur.extend(w)
		s.waiting = false
	case s.waiting && (s.strayed.mean-s.cur.level)*off > 0:
		s.next(w)
	default:
		s.strayed, s.waiting = w, true
	}
}

// next begins a new stair with the window that strayed first, which may hold the step itself.
func (s *stairs) next(w window) {
	s.cur.to = s.strayed.from
	if s.cur.n > 2 {
		// What its newest window strayed by may have been the beginning of the step.
		s.cur.mean, s.cur.late = s.cur.sure.mean, s.cur.sure.late
	}
	if len(s.done) == maxStairs {
		s.done = append(s.done[:0], s.done[1:]...)
	}
	s.done = append(s.done, s.cur)
	s.cur = newStair(s.strayed.from, w)
	s.waiting = false
}

func newStair(from float64, w window) stair {
	return stair{from: from, to: w.to, level: w.mean, mean: w.mean, late: w.mean, n: 1, second: w.mean, last: w.mean, sure: means{w.mean, w.mean}}
}

// drift is by how much its level changes in a second, A/s, from one whole window to another.
func (c stair) drift(look float64) float64 {
	if c.n < 3 {
		return 0
	}
	return (c.last - c.second) / max(c.held()-2*look, look)
}

// extend lets the level follow slow drift: a mean over at most its last 64 windows.
func (c *stair) extend(w window) {
	c.sure = means{c.mean, c.late}
	c.to, c.last = w.to, w.mean
	if c.n++; c.n == 2 {
		c.second = w.mean
	}
	c.level += (w.mean - c.level) / float64(min(c.n, 64))
	c.mean += (w.mean - c.mean) / float64(c.n)
	c.late += (w.mean - c.late) / float64(min(c.n, 8))
}

// held is how long a stair lasted, s.
func (c stair) held() float64 { return c.to - c.from }

// all are the stairs in their order, the one that is going on last.
func (s *stairs) all() []stair { return append(slices.Clone(s.done), s.cur) }

// before are the stairs that a trip at t ended. What follows a fold-back looks like a stair too; its first
// window holds the fall, which lies within a window and a half of its beginning (an averaging meter's stamps
// lag by half a window), while a stair that tripped fills two windows and more.
func (s *stairs) before(t float64) []stair {
	return slices.DeleteFunc(s.all(), func(c stair) bool { return c.n == 0 || t-c.from < 1.75*s.look })
}

// lastOf is the last of the stairs; of none it is one without readings.
func lastOf(all []stair) (last stair) {
	if len(all) > 0 {
		last = all[len(all)-1]
	}
	return last
}

// highest is the highest mean level seen over a window, the one that is going on included.
func (s *stairs) highest() float64 {
	v := s.cur.level
	for _, c := range s.done {
		v = max(v, c.level)
	}
	return v
}
