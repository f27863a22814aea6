package trip

import (
	"math"

	"letthrough/capture/trace"
)

// voltage follows the unit's output voltage: the open level before the fault, the collapse and the
// return, the level during the fault, and the energy where current is known at the same time.
type voltage struct {
	seen    bool
	sign    float64
	prevT   float64
	prevV   float64
	level   *histogram // while up: the open level
	open    float64
	up      bool
	changes []change
	thin    series
	energy  energySum
	waiting []vReading
}

type vReading struct{ t, v float64 }

// change is a collapse (down) or return (up) of the voltage: its 50 % instant.
type change struct {
	t, u float64
	up   bool
}

// energySum is the running integral of v·i with a thinned memory of its course.
type energySum struct {
	have  bool
	t, p  float64
	total float64
	curve []vReading // t and the integral up to it
	every int
	n     int
}

const maxWaiting = 1 << 15

// Voltage takes the next samples of the voltage channel (V). Samples beyond the range or without a
// number are passed over: a voltage bound serves no figure.
func (d *Detector) Voltage(samples []trace.Sample) {
	for _, s := range samples {
		if s.Flags&trace.Over != 0 || math.IsNaN(s.Value) || math.Abs(s.Value) > absurdA {
			continue
		}
		if !d.begun {
			d.start(s.AtNS)
			d.lastNS = s.AtNS - 1
		}
		d.volts.take(d, float64(s.AtNS-d.t0)/1e9, s.Value)
	}
}

func (v *voltage) take(d *Detector, t, x float64) {
	if v.seen && t <= v.prevT {
		return
	}
	if !v.seen {
		v.seen, v.up, v.sign = true, true, 1
		if x < 0 {
			v.sign = -1
		}
		v.level = newHistogram(64.0 / (1 << 20))
	}
	x *= v.sign
	v.follow(d, t, x)
	v.thin.add(t, x)
	v.prevT, v.prevV = t, x
	if len(v.waiting) < maxWaiting {
		v.waiting = append(v.waiting, vReading{t, x})
	}
	v.settleEnergy(d)
}

// follow looks for collapse below and return above half of the open level.
func (v *voltage) follow(d *Detector, t, x float64) {
	if v.up {
		if v.open == 0 || x >= v.open/2 {
			v.level.add(x, 1)
			if n := v.level.n; n <= 8 || n&(n-1) == 0 || n&255 == 0 {
				v.open, _ = v.level.quantile(0.5)
			}
			return
		}
	} else if x < v.open/2 {
		return
	}
	if v.open <= 0.5 { // no output to speak of: nothing can collapse
		return
	}
	v.up = !v.up
	if len(v.changes) >= 2*maxPulses {
		return
	}
	dt := t - v.prevT
	f := 0.5
	if x != v.prevV {
		f = min(max((v.open/2-v.prevV)/(x-v.prevV), 0), 1)
	}
	v.changes = append(v.changes, change{v.prevT + f*dt, dt / math.Sqrt(12), v.up})
	d.dirty = true
}

// settleEnergy integrates v·i up to the newest instant at which both are known.
func (v *voltage) settleEnergy(d *Detector) {
	done := 0
	for _, w := range v.waiting {
		if d.n == 0 || w.t > d.now() {
			break
		}
		done++
		k := d.ring.index(w.t)
		if k == d.ring.first() && d.ring.at(k).t != w.t {
			v.energy.have = false
			continue
		}
		b := d.ring.at(k)
		i := b.x
		if b.t != w.t {
			a := d.ring.at(k - 1)
			if b.hole {
				v.energy.have = false
				continue
			}
			i = a.x + (b.x-a.x)*(w.t-a.t)/(b.t-a.t)
		}
		v.energy.add(w.t, w.v*i)
	}
	v.waiting = append(v.waiting[:0], v.waiting[done:]...)
}

func (e *energySum) add(t, p float64) {
	if e.have {
		e.total += (t - e.t) * (p + e.p) / 2
	}
	e.have, e.t, e.p = true, t, p
	if e.every == 0 {
		e.every = 1
	}
	if e.n++; e.n%e.every != 0 {
		return
	}
	e.curve = append(e.curve, vReading{t, e.total})
	if len(e.curve) == 2*seriesN {
		for i := range seriesN {
			e.curve[i] = e.curve[2*i+1]
		}
		e.curve = e.curve[:seriesN]
		e.every *= 2
	}
}

// between gives the energy from..to in joules; ok is false where the curve does not cover it.
func (e *energySum) between(from, to float64) (float64, bool) {
	at := func(t float64) (float64, bool) {
		c := e.curve
		if len(c) < 2 || t < c[0].t {
			return 0, false
		}
		for i := 1; i < len(c); i++ {
			if c[i].t >= t {
				return c[i-1].v + (c[i].v-c[i-1].v)*(t-c[i-1].t)/(c[i].t-c[i-1].t), true
			}
		}
		return e.total, true
	}
	a, ok1 := at(from)
	b, ok2 := at(to)
	return b - a, ok1 && ok2
}

// returned finds the first return of the voltage after t that lasts to the end of what is known.
func (v *voltage) returned(t float64) (change, bool) {
	if !v.seen || !v.up {
		return change{}, false
	}
	for i := len(v.changes) - 1; i >= 0; i-- {
		if c := v.changes[i]; c.up {
			return c, c.t >= t
		}
	}
	return change{}, false
}
