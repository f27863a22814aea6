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
	firstT  float64
	reads   int
	prevV   float64
	level   *histogram // while up: the open level
	open    float64
	before  float64 // the open level when it first collapsed
	sum     float64 // of the readings before that, and of the low ones among them not counted yet
	n       int
	lowSum  float64
	lowN    int
	touched bool // it came below half of the open level without collapsing: a rectified or pulsed output
	up      bool
	lowT    float64 // since when it is low without being down yet
	lowAt   change
	low     bool
	changes []change
	fault   series // readings since the first collapse
	under   span   // the fault, once the current channel has told it
	energy  energySum
	waiting []vReading
}

// span is a stretch of time with the median voltage in it, worked out once the stream has passed it.
type span struct {
	from, to float64
	asked    bool
	done     bool
	volts    float64
	n        int
}

type vReading struct{ t, v float64 }

// change is a collapse (down) or return (up) of the voltage: its 50 % instant.
type change struct {
	t, u float64
	up   bool
}

const (
	maxWaiting = 1 << 15
	outputV    = 0.5 // V; less is no output of a power unit
	// The voltage under the fault is worked out so long after the fault, when the current channel has told
	// its end however the two were cut into portions: at any other time the series would stand elsewhere.
	underWaitS = 2.0
)

// Voltage takes the next samples of the voltage channel (V). The two channels are handed over in step,
// neither more than a second ahead of the other. Samples beyond the range or without a
// number are passed over: a voltage bound serves no figure.
func (d *Detector) Voltage(samples []trace.Sample) {
	if c := d.set.VoltageCalibration; c.Known() {
		d.corrected(c, samples, d.rightVoltage)
		return
	}
	d.rightVoltage(samples)
}

func (d *Detector) rightVoltage(samples []trace.Sample) {
	for _, s := range samples {
		if s.Flags&trace.Over != 0 || math.IsNaN(s.Value) || math.Abs(s.Value) > absurdA {
			continue
		}
		if !d.begun {
			d.start(s.AtNS)
			d.lastNS = s.AtNS - 1
		}
		d.volts.take(d, float64(s.AtNS-d.t0)/1e9+d.lag-d.lagV, s.Value)
	}
}

func (v *voltage) take(d *Detector, t, x float64) {
	if v.seen && t <= v.prevT {
		return
	}
	if v.reads++; !v.seen {
		v.seen, v.up, v.firstT = true, true, t
		v.level = newHistogram(64.0 / (1 << 20))
	}
	if v.sign == 0 {
		// Noise around zero has no direction: the first real output tells how the leads lie.
		switch {
		case x > outputV:
			v.sign = 1
		case x < -outputV:
			v.sign = -1
		}
	}
	if v.sign < 0 {
		x = -x
	}
	v.follow(d, t, x)
	if len(v.changes) > 0 || v.low {
		v.fault.add(t, x)
	}
	v.prevT, v.prevV = t, x
	if u := &v.under; u.asked && !u.done && t >= u.to+underWaitS {
		u.resolve(&v.fault, v.touched)
	}
	if len(v.waiting) < maxWaiting {
		v.waiting = append(v.waiting, vReading{t, x})
	}
	v.settleEnergy(d)
}

// ask sets the stretch over which the voltage under fault is wanted.
func (v *voltage) ask(from, to float64) {
	if !v.seen || v.under.asked {
		return
	}
	v.under = span{from: from, to: to, asked: true}
}

func (u *span) resolve(s *series, rippled bool) {
	m := s.within(u.from, u.to)
	u.done, u.n = true, len(m)*max(s.every, 1)
	switch {
	case len(m) == 0:
	case rippled:
		u.volts = meanOf(m)
	default:
		u.volts = medianOf(m)
	}
}

// follow looks for collapse below and return above half of the open level. A rectified or pulsed
// output touches zero every period, so it has collapsed only when it stays low for the confirm time.
func (v *voltage) follow(d *Detector, t, x float64) {
	if v.open == 0 || x >= v.open/2 {
		if !v.up {
			v.add(d, v.instant(d, t, x, true))
			v.up = true
		}
		if v.low {
			v.touched = true
		}
		v.low = false
		v.sum, v.n = v.sum+v.lowSum+x, v.n+v.lowN+1
		v.lowSum, v.lowN = 0, 0
		v.level.add(x, 1)
		if n := v.level.n; n <= 8 || n&(n-1) == 0 || n&255 == 0 {
			v.open, _ = v.level.quantile(0.5)
		}
		return
	}
	if !v.up || v.open <= outputV { // no output to speak of: nothing can collapse
		return
	}
	v.lowSum, v.lowN = v.lowSum+x, v.lowN+1
	if !v.low {
		v.low, v.lowT = true, t
		v.lowAt = v.instant(d, t, x, false)
		return
	}
	if t-v.lowT >= offConfirmS {
		if v.stray() {
			v.startOver()
			return
		}
		if len(v.changes) == 0 {
			v.before = v.openLevel()
		}
		v.up = false
		v.add(d, v.lowAt)
	}
}

// stray: what was taken for the open level are a few readings at the beginning, and what followed is the output of
// a unit all the same: half a line at opening, or the kick of an inductance, stood above it.
func (v *voltage) stray() bool {
	return len(v.changes) == 0 && v.n < baselineMin && v.lowN > v.n && v.lowSum/float64(v.lowN) > max(outputV, strayShare*v.open)
}

// strayShare of the open level is more than what a rig leaves of it under a short (common practice, no source).
const strayShare = 0.25

// startOver takes the readings since then for the open level.
func (v *voltage) startOver() {
	level := v.lowSum / float64(v.lowN)
	v.level = newHistogram(v.level.width)
	v.level.add(level, 1)
	v.open, v.sum, v.n = level, v.lowSum, v.lowN
	v.lowSum, v.lowN, v.low, v.touched = 0, 0, false, false
	v.fault = series{}
}

// interval is the mean time between two readings, s.
func (v *voltage) interval() float64 { return (v.prevT - v.firstT) / float64(max(v.reads-1, 1)) }

// averaging is the time over which a reading of the voltage is a mean: stated, else that of a slow meter is
// its reading interval, as with current.
func (v *voltage) averaging(d *Detector) float64 {
	if a := d.set.VoltageAveragingS; a != nil {
		return *a
	}
	if a := d.set.AveragingS; a != nil && d.set.SkewUS == 0 {
		return *a // one instrument measures both
	}
	if v.interval() > slowS {
		return v.interval()
	}
	return 0
}

// coarse: as with current, pulses may hide between the readings.
func (v *voltage) coarse(d *Detector) bool { return v.interval() > slowS || v.averaging(d) > slowS }

// blinking: single readings of a rippled output, farther apart than its off time may be, find it on or off
// by chance, which is neither a collapse nor a return.
func (v *voltage) blinking(d *Detector) bool {
	w := d.set.Waveform
	rippled := v.touched || d.ripple.period > 0 || w != "" && w != trace.DC
	return rippled && v.interval() > offConfirmS/2 && v.averaging(d) < v.interval()/2
}

// openLevel is the level before the fault: the median, for a rectified or pulsed output the mean, as
// its rating is stated (NEM 630: the arithmetic mean of a rectified or pulsed supply).
func (v *voltage) openLevel() float64 {
	if v.touched && v.n > 0 {
		return v.sum / float64(v.n)
	}
	return v.open
}

func (v *voltage) instant(d *Detector, t, x float64, up bool) change {
	dt, f := t-v.prevT, 0.5
	if x != v.prevV {
		f = min(max((v.open/2-v.prevV)/(x-v.prevV), 0), 1)
	}
	u := dt / math.Sqrt(12)
	if w := v.averaging(d); w > 0.8*dt && w < 1.2*dt {
		// The share of the window that the step takes is in the readings; interpolating between their
		// middles places it to within 0.09 of the window, more where the level before it is not steady.
		u = boxShare * dt
	}
	return change{v.prevT + f*dt, u, up}
}

const boxShare = 0.1

func (v *voltage) add(d *Detector, c change) {
	if len(v.changes) < 2*maxPulses {
		v.changes = append(v.changes, c)
		d.dirty = true
	}
}

// returned finds the return of the voltage that lasted to the end of what is known, where it came
// after t.
func (v *voltage) returned(t float64) (change, bool) {
	if !v.seen || !v.up || len(v.changes) == 0 {
		return change{}, false
	}
	c := v.changes[len(v.changes)-1]
	return c, c.up && c.t >= t
}
