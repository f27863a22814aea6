package sim

import (
	"math"

	"letthrough/capture/trace"
)

// stage is where a test stands, seen from the physics.
type stage uint8

const (
	waiting  stage = iota // no fault current yet
	fault                 // from onset to the first cut-off or limit
	off                   // interrupted
	retry                 // a try
	limiting              // folded back
	over                  // the contact was opened
)

// edge is a transition whose 50 % instant is still to come.
type edge struct {
	kind   trace.MarkKind // "" is none
	levelA float64
	rising bool
}

// pulse is one try, instants in nanoseconds; offNS is NaN where the end of the hold cut it.
type pulse struct{ onNS, offNS, peakA float64 }

// sums are integrals over a stretch.
type sums struct{ a2s, coulomb, joule, seconds float64 }

// tracker follows one test step by step and keeps what its figures need. It knows what opened and
// closed, which no instrument does.
type tracker struct {
	procedure trace.Procedure
	ratedA    float64
	binNS     float64
	stage     stage
	pending   edge

	closedNS  float64 // contact made for the first time; NaN before
	onsetNS   float64
	settledNS float64 // last bounce, or the onset
	cutNS     float64
	limitNS   float64
	removedNS float64
	restored  float64
	bounces   int
	peakA     float64
	offset    float64 // current before the closing

	letThrough, hold sums
	idleV            sums // seconds and joule: volts times seconds
	faultBins        bins
	restBins         bins // after the first cut-off or limit, outside the tries
	pulses           []pulse
	nowNS            int64
	openedNS         float64 // when the element first acted

	spike     sums // of the output capacitor, over what the source gave
	spikeOver bool
	levelA    float64 // the state level that the closing aimed at
	reached   float64 // when the current had settled there, nanoseconds
	atReached sums    // the let-through until then
	marks     []trace.Mark
}

func newTracker(u Unit, procedure trace.Procedure, src *source) *tracker {
	t := &tracker{procedure: procedure, ratedA: u.Plate.RatedCurrentA, binNS: src.periodNS}
	if t.binNS == 0 {
		t.binNS = 1e6
	}
	nan := math.NaN()
	t.closedNS, t.onsetNS, t.settledNS, t.cutNS, t.limitNS = nan, nan, nan, nan, nan
	t.removedNS, t.restored, t.openedNS, t.reached = nan, nan, nan, nan
	return t
}

// mark notes an instant.
func (t *tracker) mark(kind trace.MarkKind, ns float64, by trace.By) {
	t.marks = append(t.marks, trace.Mark{ID: len(t.marks) + 1, Kind: kind, T: ns * 1e-9, By: by})
}

// contact is told of every make and break; before is the state level until then.
func (t *tracker) contact(c *circuit, e contactEvent, before float64) {
	now := float64(c.nowNS)
	switch {
	case t.stage == over:
		// Closed once more to see whether the unit has recovered: the test itself is over.
	case e.closed && !e.bounce:
		t.closedNS, t.settledNS, t.offset = now, now, before
		t.mark(trace.Applied, now, trace.Contact)
		t.expectOnset(c)
	case e.closed:
		t.bounces++
		t.settledNS, t.reached = now, math.NaN()
		t.faultBins = bins{}
		if t.stage == waiting {
			t.expectOnset(c)
		}
	case e.bounce:
	default:
		t.removal(c)
	}
}

// expectOnset looks for the 50 % instant between the level before and the level to come; a ramp or
// stairs have no level to come, there the onset is 5 % of the rated current.
func (t *tracker) expectOnset(c *circuit) {
	t.levelA = c.plateau()
	level := t.offset + (t.levelA-t.offset)/2
	if t.procedure == trace.Ramp || t.procedure == trace.Steps {
		if level = 0.05 * t.ratedA; level == 0 {
			level = 0.05
		}
	}
	t.pending = edge{trace.Onset, level, true}
}

func (t *tracker) removal(c *circuit) {
	now := float64(c.nowNS)
	if t.pending.kind == trace.CutOff || t.pending.kind == trace.RetryOff || t.pending.kind == trace.Limited {
		t.cross(now) // the element had acted before the contact opened
	}
	t.pending = edge{}
	t.removedNS = now
	t.mark(trace.Removed, now, trace.Contact)
	t.stage = over
	if !c.element.open { // one that has folded back feeds an open output all the same
		t.restore(now)
	}
}

func (t *tracker) restore(ns float64) {
	if math.IsNaN(t.restored) {
		t.restored = ns
		t.mark(trace.Restored, ns, trace.Detector)
	}
}

// gate is told what the protection element did.
func (t *tracker) gate(c *circuit, ev gateEvent) {
	now := float64(c.nowNS)
	switch {
	case t.stage == over:
		if ev == closed || ev == released {
			t.restore(now)
		}
	case t.stage == waiting:
		// Something acted without a test: a standing load, or a ramp that never reached its onset.
	case ev == closed:
		t.pending = edge{trace.RetryOn, c.plateau() / 2, true}
	case ev == opened:
		t.acted(now)
		kind := trace.RetryOff
		if math.IsNaN(t.cutNS) {
			kind = trace.CutOff
		}
		t.fall(kind, c.i, c.drive(c.src.meanV, c.source+c.ext), c, now)
	case ev == folded && math.IsNaN(t.limitNS):
		t.acted(now)
		t.fall(trace.Limited, c.i, c.element.clip, c, now)
	}
}

func (t *tracker) acted(ns float64) {
	if math.IsNaN(t.openedNS) {
		t.openedNS = ns
	}
	t.faultBins.pause()
}

// fall expects the 50 % instant between what flowed when the element acted and the level after. In
// the dead time of a ripple nothing falls any more: there it is the instant at which it acted.
func (t *tracker) fall(kind trace.MarkKind, fromA, toA float64, c *circuit, ns float64) {
	t.pending = edge{kind, toA + (fromA-toA)/2, false}
	if stateA := c.src.peakV / (c.source + c.ext); fromA-toA <= 0.02*stateA {
		t.cross(ns)
	}
}

// cross is the 50 % instant of the pending transition.
func (t *tracker) cross(ns float64) {
	kind := t.pending.kind
	t.pending = edge{}
	switch kind {
	case trace.Onset:
		t.stage, t.onsetNS = fault, ns
	case trace.CutOff:
		t.stage, t.cutNS = off, ns
		t.restBins.resume(ns+1e6, t.binNS)
	case trace.RetryOff:
		t.stage = off
		t.pulses[len(t.pulses)-1].offNS = ns
		t.restBins.resume(ns+1e6, t.binNS)
	case trace.RetryOn:
		t.stage = retry
		t.pulses = append(t.pulses, pulse{ns, math.NaN(), 0})
	case trace.Limited:
		t.stage, t.limitNS = limiting, ns
		t.restBins.resume(ns+1e6, t.binNS)
	}
	t.mark(kind, ns, trace.Detector)
}

// segment follows one physics step.
func (t *tracker) segment(t0, t1 int64, i0, i1, v0, v1 float64) {
	t.nowNS = t1
	if t.stage == over {
		return
	}
	dt := float64(t1-t0) * 1e-9
	if math.IsNaN(t.closedNS) {
		t.idleV.joule += dt * (v0 + v1) / 2
		t.idleV.seconds += dt
		return
	}
	from := 0.0
	if p := t.pending; p.kind != "" && (p.rising && i1 >= p.levelA || !p.rising && i1 <= p.levelA) {
		at := 0.0
		if i1 != i0 {
			at = min(max((p.levelA-i0)/(i1-i0), 0), 1)
		}
		t.integrate(dt, 0, at, i0, i1, v0, v1)
		t.cross(float64(t0) + at*float64(t1-t0))
		from = at
	}
	t.integrate(dt, from, 1, i0, i1, v0, v1)
	t.levels(t0, t1, i0, i1)
}

// integrate adds the part from..to of a step (0..1) to the integrals that run in this stage.
func (t *tracker) integrate(dt, from, to, i0, i1, v0, v1 float64) {
	if t.stage == waiting || to <= from {
		return
	}
	d := (to - from) * dt
	a, b := i0+from*(i1-i0), i0+to*(i1-i0)
	va, vb := v0+from*(v1-v0), v0+to*(v1-v0)
	part := sums{
		a2s:     d * (a*a + a*b + b*b) / 3,
		coulomb: d * (a + b) / 2,
		joule:   d * (2*a*va + a*vb + b*va + 2*b*vb) / 6,
		seconds: d,
	}
	t.hold.add(part)
	if t.stage == fault {
		t.letThrough.add(part)
	}
}

func (s *sums) add(p sums) {
	s.a2s += p.a2s
	s.coulomb += p.coulomb
	s.joule += p.joule
	s.seconds += p.seconds
}

// levels keeps peaks and the short means from which the levels are medians.
func (t *tracker) levels(t0, t1 int64, i0, i1 float64) {
	switch t.stage {
	case fault:
		t.peakA = max(t.peakA, i1)
		if t.faultBins.widthNS == 0 {
			t.faultBins.resume(max(t.settledNS, t.onsetNS), t.binNS)
		}
		t.faultBins.add(t0, t1, i0, i1)
		if math.IsNaN(t.reached) && i1 >= 0.98*t.levelA {
			t.reached, t.atReached = float64(t1), t.letThrough
		}
	case retry:
		p := &t.pulses[len(t.pulses)-1]
		p.peakA = max(p.peakA, i1)
	case off, limiting:
		t.restBins.add(t0, t1, i0, i1)
	}
}

// capacitor follows the spike of an output capacitor: what flows beyond what the source gives, until
// that is less than a twentieth of the plateau.
func (t *tracker) capacitor(dt, loopA, sourceA float64) {
	if t.stage != fault || t.spikeOver {
		return
	}
	if t.spike.seconds > 0 && loopA-sourceA < 0.05*t.levelA {
		t.spikeOver = loopA > 0 // a contact in the air is not the end of it
		return
	}
	t.spike.add(sums{a2s: dt * (loopA*loopA - sourceA*sourceA), coulomb: dt * (loopA - sourceA), seconds: dt})
}
