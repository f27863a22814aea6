package trip

import (
	"math"
	"sort"
)

// energySum is the running integral of v·i, of what it may be off, and a thinned memory of its course.
//
// Both channels are piecewise linear between their own readings, and their product is integrated exactly as
// such. What the two did between their readings is not known. Over a group, the shortest stretch in which both
// were read, the mean of the product differs from the product of the means by at most a quarter of the product
// of both ranges (Grüss' inequality, 1935, from memory); at an edge the ranges are the whole step, on a
// plateau next to nothing, and what is noise in them is left out. (Nothing here may depend on how far the other
// channel is ahead: only on the readings up to the one that is taken.) The groups' shares are rectangular, and
// independent except on a rippled output, where the readings may fall at the same place of each period.
type energySum struct {
	have  bool
	last  vReading // the voltage reading up to which it is known
	i     float64  // the current there
	total float64
	trap  float64 // the same with the product taken linear between two instants
	off   missed
	group group
	curve []course // thinned
	every int
	n     int
	jumps []course // around steps of the power, not thinned: instants asked for are mostly there
	now   course
	power float64 // at now, and the largest ever
	most  float64
	amps  float64 // the largest current so far, of the groups and at the voltage's readings
	high  float64
	// What was read within the skew before the group.
	before []vReading
}

// group is a stretch in which both channels were read at least once. Where the two time bases may be apart, what
// was read so much earlier belongs to its ranges, too.
type group struct {
	from       float64
	v, i       extent
	sawCurrent bool
}

const (
	maxJumps  = 4096
	jumpPower = 0.05 // of the largest power
	jumpAmps  = 0.02 // of the largest current: less is noise, or flat enough
	mostBack  = 256  // readings looked back for, however far apart the time bases may be
)

type extent struct{ lo, hi float64 }

func at(x float64) extent { return extent{x, x} }

func (e *extent) add(x float64) { e.lo, e.hi = min(e.lo, x), max(e.hi, x) }

// missed is what lay between the readings, as a standard uncertainty in joules: of groups that are independent
// (as its square in a running sum), and of groups that are all off the same way.
type missed struct{ var2, alike float64 }

// course is the integral up to an instant, with what it may be off.
type course struct {
	t, total, trap float64
	off            missed
}

// settleEnergy integrates v·i up to the newest instant at which both are known.
func (v *voltage) settleEnergy(d *Detector) {
	done := 0
	for _, w := range v.waiting {
		if d.n == 0 || w.t > d.now() {
			break
		}
		done++
		v.energy.upTo(d, w)
	}
	v.waiting = append(v.waiting[:0], v.waiting[done:]...)
}

// upTo takes the next voltage reading; the current is known up to it.
func (e *energySum) upTo(d *Detector, w vReading) {
	k := d.ring.index(w.t)
	if k == d.ring.first() && d.ring.at(k).t != w.t {
		e.have = false
		return
	}
	b := d.ring.at(k)
	i := b.x
	if b.t != w.t {
		a := d.ring.at(k - 1)
		if b.hole {
			e.have = false
			return
		}
		i = a.x + (b.x-a.x)*(w.t-a.t)/(b.t-a.t)
	}
	if !e.have {
		e.have, e.last, e.i = true, w, i
		e.group = group{from: w.t, v: at(w.v), i: at(i)}
		return
	}
	e.stretch(d, w, i, k)
	if d.set.SkewUS > 0 {
		e.before = append(e.before, e.last)
	}
	e.last, e.i = w, i
	e.remember()
}

// stretch adds the product from the last voltage reading to w, at which the current is i and whose next
// current reading is k.
func (e *energySum) stretch(d *Detector, w vReading, i float64, k int) {
	g := &e.group
	g.v.add(w.v)
	slope := (w.v - e.last.v) / (w.t - e.last.t)
	t, volts, amps := e.last.t, e.last.v, e.i
	step := func(to, x float64) {
		next := e.last.v + slope*(to-e.last.t)
		e.total += (to - t) / 6 * (2*volts*amps + volts*x + next*amps + 2*next*x)
		e.trap += (to - t) / 2 * (volts*amps + next*x)
		t, volts, amps = to, next, x
	}
	for j := d.ring.index(e.last.t); j < k; j++ {
		r := d.ring.at(j)
		if r.t <= e.last.t {
			continue
		}
		if r.hole {
			e.have = false
			return
		}
		step(r.t, r.x)
		g.i.add(r.x)
		g.sawCurrent = true
	}
	step(w.t, i)
	// The reading behind w belongs to the interval in which w lies.
	next := d.ring.at(k)
	g.i.add(next.x)
	g.sawCurrent = g.sawCurrent || next.t == w.t
	if !g.sawCurrent {
		return
	}
	length := w.t - g.from
	e.lookBack(d)
	e.amps = max(e.amps, math.Abs(g.i.hi), math.Abs(g.i.lo))
	if di := g.i.hi - g.i.lo; di > jumpAmps*e.amps {
		half := (g.v.hi - g.v.lo) * di * (length + d.set.SkewUS) / 4
		e.off.var2 += half * half / 3
		e.off.alike += half / math.Sqrt(3)
	}
	*g = group{from: w.t, v: at(w.v), i: at(i)}
	if next.t != w.t {
		g.i.add(next.x)
	}
}

// lookBack widens the group's ranges by what either channel showed within the skew before it.
func (e *energySum) lookBack(d *Detector) {
	skew, g := d.set.SkewUS, &e.group
	if skew == 0 {
		return
	}
	drop := 0
	for _, r := range e.before {
		if r.t < g.from-skew {
			drop++
			continue
		}
		g.v.add(r.v)
	}
	e.before = append(e.before[:0], e.before[max(drop, len(e.before)-mostBack):]...)
	k := d.ring.index(g.from)
	for j := k - 1; j >= max(d.ring.first(), k-mostBack) && d.ring.at(j).t >= g.from-skew; j-- {
		g.i.add(d.ring.at(j).x)
	}
}

// remember keeps the course of the integral: thinned, and whole around every step of the power.
func (e *energySum) remember() {
	was, power := e.now, e.last.v*e.i
	e.now = course{e.last.t, e.total, e.trap, e.off}
	e.most = max(e.most, math.Abs(power))
	if i := math.Abs(e.i); i > e.high {
		if i > 5*e.high { // what looked like steps was the noise of a quiet trace
			e.jumps = e.jumps[:0]
		}
		e.high = i
	}
	if math.Abs(power-e.power) > jumpPower*e.most && len(e.jumps) < maxJumps {
		if n := len(e.jumps); was.t > 0 && (n == 0 || e.jumps[n-1].t < was.t) {
			e.jumps = append(e.jumps, was)
		}
		e.jumps = append(e.jumps, e.now)
	}
	e.power = power
	if e.every == 0 {
		e.every = 1
	}
	if e.n++; e.n%e.every != 0 {
		return
	}
	e.curve = append(e.curve, e.now)
	if len(e.curve) == 2*seriesN {
		for i := range seriesN {
			e.curve[i] = e.curve[2*i+1]
		}
		e.curve = e.curve[:seriesN]
		e.every *= 2
	}
}

// between gives what came from..to: the energy in joules in two ways, and what each may be off; ok is false
// where it is not known.
func (e *energySum) between(from, to float64) (part course, ok bool) {
	a, ok1 := e.upToInstant(from)
	b, ok2 := e.upToInstant(to)
	off := missed{math.Sqrt(max(b.off.var2-a.off.var2, 0)), max(b.off.alike-a.off.alike, 0)}
	return course{to - from, b.total - a.total, b.trap - a.trap, off}, ok1 && ok2
}

// upToInstant interpolates between the nearest two instants that are kept.
func (e *energySum) upToInstant(t float64) (course, bool) {
	if len(e.curve) == 0 || t < e.curve[0].t && (len(e.jumps) == 0 || t < e.jumps[0].t) {
		return course{}, false
	}
	a, b := course{t: math.Inf(-1)}, e.now
	for _, c := range [][]course{e.curve, e.jumps} {
		k := sort.Search(len(c), func(k int) bool { return c[k].t > t })
		if k > 0 && c[k-1].t > a.t {
			a = c[k-1]
		}
		if k < len(c) && c[k].t < b.t {
			b = c[k]
		}
	}
	if b.t <= a.t {
		return a, true
	}
	part := func(x, y float64) float64 { return x + (y-x)*min((t-a.t)/(b.t-a.t), 1) }
	return course{t, part(a.total, b.total), part(a.trap, b.trap), missed{part(a.off.var2, b.off.var2), part(a.off.alike, b.off.alike)}}, true
}
