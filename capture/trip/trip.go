// Package trip finds onset, limitation, cut-off and retry pulses in a stream of current readings and
// derives the figures of a test. It is pure: samples and marks from outside in, marks and figures
// out; no clock, no I/O, no goroutine. Live capture, replay and re-reading use this same code, and
// any cutting of the input into batches gives identical results, because every decision hangs on a
// reading's number or time and never on where a batch ended.
//
// The way a reading takes:
//
//	Current -> reading (time, sign, gap, sums) -> ring (the last second, to look back over an edge)
//	        -> idle | on | off                 -> pulses (edges, peaks, sums at the edges)
//	Derive  -> story (what the pulses mean, given the marks from outside) -> marks, figures
//
// Memory does not grow with the run: levels come from histograms and bounded series, edges are
// worked out while the readings around them are still in the ring.
package trip

import (
	"math"
	"slices"

	"letthrough/capture/trace"
)

// state is where the detector stands.
type state uint8

const (
	idle state = iota // no fault current yet
	on                // a pulse of fault current flows
	off               // interrupted
)

// Detector reads one run. It is not safe for concurrent use.
type Detector struct {
	set trace.Settings

	// The stream.
	begun    bool
	t0       int64   // AtNS of the first sample
	lagV     float64 // ... of the voltage
	lag      float64 // s, half the stated averaging: so much a reading's stamp lies behind what it tells
	lastNS   int64
	sign     float64
	prevT    float64 // the newest reading: its time and level
	prevX    float64
	wakeT    float64 // something waits for this instant
	holdT    float64 // the end of the stated hold
	cad      cadence
	ring     *ring
	largest  float64 // largest magnitude with a number, A
	n        int
	backward int // rows not later than all before
	unread   int // NaN or absurd
	gaps     []gap
	gapCount int

	// The quiet before.
	base     baseline
	b, sigma float64 // baseline level and noise, fixed at the onset
	onLevel  float64 // onset level above b
	candK    int     // reading that began a rise; -1 when none
	nextBase float64 // when to look at the baseline again for a trace that began inside a fault
	doubt    bool    // the first pulse may be a standing load

	// Single readings above the onset level that the next one did not confirm.
	singles    int
	firstMake  int
	lastSingle float64

	// The fault.
	state    state
	pulses   []*pulse // pulses[0] is the fault; later ones are retries, at most maxPulses kept
	unkept   int      // pulses beyond maxPulses
	hist     *histogram
	fold     fold
	spike    spike
	ripple   ripple
	periods  periods
	stairs   stairs
	trip     tripPoint
	offLevel float64
	resid    series
	dec      series // the whole on-interval, thinned

	out     outside
	hand    hand
	volts   voltage
	notes   []obs // what a person noted, while the stamps are a person's
	plain   bool  // every sample is read one by one, for the test that compares
	sent    map[int]trace.Mark
	dirty   bool
	scratch [maxLevel]float64
	copied  []trace.Sample // corrected by a calibration
}

type gap struct{ from, to float64 }

const (
	maxPulses = 4096
	maxGaps   = 256
	// A reading of more than this many amperes is no reading of a low-voltage power unit.
	absurdA = 1e6
)

// New checks the settings and makes a detector. The error names the setting and its allowed range.
func New(s trace.Settings) (*Detector, error) {
	if err := s.Validate(); err != nil {
		return nil, err
	}
	if s.Procedure == "" {
		s.Procedure = trace.Short
	}
	d := &Detector{set: calibrated(s), sign: 1, ring: newRing(), candK: -1, sent: map[int]trace.Mark{}, plain: s.StampUS > 0}
	d.base.quantum = math.Inf(1)
	if s.Procedure.NoUpperState() {
		d.ring.span = slopeRingS
		d.base.rising = true
	}
	if d.noted() && s.AveragingS == nil {
		update := trace.DisplayUpdateS
		s.AveragingS, d.set.AveragingS = &update, &update
	}
	if s.AveragingS != nil {
		d.lag = *s.AveragingS / 2
		d.lagV = d.lag
	}
	if s.VoltageAveragingS != nil {
		d.lagV = *s.VoltageAveragingS / 2
	}
	if s.AppliedAtS != nil {
		d.out.pending = append(d.out.pending, trace.Mark{Kind: trace.Applied, T: *s.AppliedAtS, U: trace.HandU, By: trace.Hand})
	}
	if s.RemovedAtS != nil {
		d.out.pending = append(d.out.pending, trace.Mark{Kind: trace.Removed, T: *s.RemovedAtS, U: trace.HandU, By: trace.Hand})
	}
	d.hand.hear(s.MarkEdits)
	d.plain = len(d.hand.said) > 0
	return d, nil
}

// Current takes the next samples of the current channel (A). Samples not later than all before are
// set aside and counted. They are as they were shown; the settings' calibration is applied here.
func (d *Detector) Current(samples []trace.Sample) {
	if c := d.set.Calibration; c.Known() {
		d.corrected(c, samples, d.rightCurrent)
		return
	}
	d.rightCurrent(samples)
}

func (d *Detector) rightCurrent(samples []trace.Sample) {
	for i := 0; i < len(samples); i++ {
		i += d.coast(samples[i:])
		if i >= len(samples) {
			return
		}
		s := &samples[i]
		// Nearly every sample is a plain one: a number, in range, later than the one before.
		if d.begun && s.Flags == 0 && s.AtNS > d.lastNS && s.Value < absurdA && s.Value > -absurdA {
			d.read(s.AtNS, s.Value, 0)
		} else {
			d.take(s)
		}
	}
}

// take sorts out a sample that is not plain.
func (d *Detector) take(s *trace.Sample) {
	v := s.Value
	over := s.Flags&trace.Over != 0
	if math.IsNaN(v) || (!over && (v > absurdA || v < -absurdA)) {
		d.unread++
		return
	}
	if !d.begun {
		d.start(s.AtNS)
	} else if s.AtNS <= d.lastNS {
		d.backward++
		return
	}
	if over {
		v = d.overValue(v)
	}
	d.read(s.AtNS, v, s.Flags)
}

// read turns a sample into a reading on the run's own clock and hands it on.
func (d *Detector) read(ns int64, v float64, flags trace.Flags) {
	o := obs{t: float64(ns-d.t0) / 1e9, x: d.sign * v, over: flags&trace.Over != 0}
	if d.n > 0 {
		d.advance(&o, ns-d.lastNS, flags&trace.Gap != 0)
	}
	d.lastNS = ns
	if v > d.largest || -v > d.largest {
		d.largest = max(v, -v)
	}
	d.ring.push(&o)
	if d.noted() {
		d.note(&o)
	}
	d.prevT, d.prevX = o.t, o.x
	d.n++
	switch d.state {
	case idle:
		d.whileIdle(&o)
	case on:
		d.whileOn(&o)
	case off:
		d.whileOff(&o)
	}
	if o.t >= d.wakeT {
		d.wake(o.t)
	}
}

// wake does what waits for an instant of the stream: the end of the hold, marks from outside.
func (d *Detector) wake(t float64) {
	if d.state != idle {
		d.passHold(t)
	}
	d.out.arrive(d, t)
	d.hand.pass(d, t)
	d.setWake()
}

// setWake works out the next instant that something waits for.
func (d *Detector) setWake() {
	d.wakeT = d.hand.nextT()
	for _, m := range d.out.pending {
		d.wakeT = min(d.wakeT, m.T)
	}
	d.holdT = math.Inf(1)
	if end, ok := d.holdEnd(); ok {
		d.holdT = end
		if !d.out.holdKept || d.out.holdAt != end {
			d.wakeT = min(d.wakeT, end)
		}
	}
}

func (d *Detector) start(ns int64) {
	d.begun, d.t0 = true, ns
	for i := range d.out.pending {
		d.out.pending[i].T = d.rel(d.out.pending[i].T)
	}
	d.hand.begin(d)
	d.nextBase = fastQuietS
	d.setWake()
	d.largest = d.set.FullScaleA
}

// overValue gives the least current that a reading beyond the range stands for, signed: the number
// it carries, else the range's end, else the largest reading so far.
func (d *Detector) overValue(v float64) float64 {
	if !math.IsInf(v, 0) && math.Abs(v) <= absurdA {
		return v
	}
	return math.Copysign(max(d.set.FullScaleA, d.largest, 2*d.leastOnset()), v)
}

// advance notices what lies between the reading before and o, dt nanoseconds: a gap, or an interval to
// count.
func (d *Detector) advance(o *obs, dt int64, flagged bool) {
	if flagged || d.cad.isGap(dt) {
		o.hole = true
		d.gapCount++
		if len(d.gaps) < maxGaps {
			d.gaps = append(d.gaps, gap{d.prevT, o.t})
		}
		return
	}
	d.cad.interval(dt)
	diff := o.x - d.prevX
	if diff < 0 {
		diff = -diff
	}
	if diff > 0 && diff < 1.1*d.base.quantum {
		d.base.step(diff)
	}
}

// turn makes the other direction the positive one.
func (d *Detector) turn() {
	d.sign = -d.sign
	d.base.flip()
	d.ring.flip()
	d.prevX = -d.prevX
	for i := range d.notes {
		d.notes[i].x = -d.notes[i].x
	}
}

// rel turns seconds on the samples' time base into seconds since the first sample; abs is its
// inverse.
func (d *Detector) rel(t float64) float64 { return t - float64(d.t0)/1e9 + d.lag }
func (d *Detector) abs(t float64) float64 { return t + float64(d.t0)/1e9 - d.lag }

// newest gives the sums at the newest reading.
func (d *Detector) newest() sums {
	if d.ring.end == 0 {
		return sums{}
	}
	return d.ring.sums(d.ring.end - 1)
}

// now is the time of the newest reading.
func (d *Detector) now() float64 { return d.prevT }

// interval is the usual time between readings, s; 0 while unknown.
func (d *Detector) interval() float64 { return d.cad.median }

// averaging is the time over which the instrument averages: as stated, else a whole reading interval
// where that is over 50 ms (such a meter integrates: common practice, no source), else none.
func (d *Detector) averaging() float64 {
	if d.set.AveragingS != nil {
		return *d.set.AveragingS
	}
	if d.cad.slow() {
		return d.interval()
	}
	return 0
}

// coarse: reading interval or averaging over 50 ms, so that fast pulses look like a steady current.
func (d *Detector) coarse() bool {
	if d.cad.slow() {
		return true
	}
	return d.averaging() > slowS
}

// resolution is one display count in A: stated, else the smallest step that neighbouring readings
// make again and again, where it is small enough to be one; 0 where none is known.
func (d *Detector) resolution() float64 {
	if d.set.ResolutionA > 0 {
		return d.set.ResolutionA
	}
	limit := 0.25
	if d.set.RatedCurrentA > 0 {
		limit = 0.25 * d.set.RatedCurrentA
	}
	if d.base.quantum <= limit && d.base.repeats >= 2 {
		return d.base.quantum
	}
	return 0
}

// SetHold changes the hold, counted from the onset in seconds; 0 is to the end of the trace.
func (d *Detector) SetHold(holdS float64) {
	if holdS >= 0 {
		d.set.HoldS = holdS
		d.setWake()
	}
}

// Phase is the phase at the newest sample.
func (d *Detector) Phase() trace.Phase {
	switch {
	case d.state == idle || d.doubt:
		return trace.Idle
	case d.state == off && d.out.removedBy(d.now()):
		return trace.Idle
	case d.state == off:
		return trace.Off
	case len(d.pulses) > 1 || d.unkept > 0:
		return trace.Retry
	case d.fold.confirmed:
		return trace.Limiting
	}
	return trace.Fault
}

// Onset is the instant of the onset, provisional or final, in seconds on the samples' time base.
func (d *Detector) Onset() (t float64, ok bool) {
	if len(d.pulses) == 0 || d.doubt {
		return 0, false
	}
	return d.abs(d.pulses[0].on.t), true
}

// Changes appends the marks that are new, moved, confirmed or withdrawn since the last call.
func (d *Detector) Changes(dst []trace.Mark) []trace.Mark {
	if !d.dirty {
		return dst
	}
	d.dirty = false
	marks := d.tell(false).marks(d)
	seen := make(map[int]bool, len(marks))
	for _, m := range marks {
		seen[m.ID] = true
		if d.sent[m.ID] != m {
			d.sent[m.ID] = m
			dst = append(dst, m)
		}
	}
	var gone []int
	for id := range d.sent {
		if !seen[id] {
			gone = append(gone, id)
		}
	}
	slices.Sort(gone)
	for _, id := range gone {
		m := d.sent[id]
		delete(d.sent, id)
		m.Withdrawn, m.Provisional = true, false
		dst = append(dst, m)
	}
	return dst
}

// Derive gives marks and figures as if the trace ended here. It does not disturb the detector.
func (d *Detector) Derive() trace.Derivation { return d.tell(false).derive(d) }

// Finish gives marks and figures of the whole trace: a fall that the end came too soon to confirm
// counts as a cut-off, with a warning.
func (d *Detector) Finish() trace.Derivation {
	d.dirty = true
	return d.tell(true).derive(d)
}
