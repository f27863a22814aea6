package trip

import (
	"math"

	"letthrough/capture/trace"
)

// climb splits the stairs into those left for the next one and the one that tripped; carried is the
// highest that stood for its whole dwell.
func (f *figures) climb() (carried stair, tripped stair, found bool) {
	d, s := f.d, f.s
	all := d.stairs.all()
	end := s.end
	trip := s.tripOf()
	if trip != nil {
		end = trip.t
	}
	dwell := d.dwell(all)
	brief := trip != nil && d.briefStair(all, end)
	unseen := trip != nil && !brief && f.unseenStair()
	for i, c := range all {
		if c.n == 0 || c.from >= end {
			continue
		}
		last := i == len(all)-1 || all[i+1].from >= end
		if trip != nil && last && !brief && !unseen {
			tripped = c
			continue
		}
		// Its first and its last window hold a step and are not counted to it.
		if c.held()+1.5*max(d.interval(), stairLookS) >= 0.9*dwell && c.level > carried.level {
			carried, found = c, true
		}
	}
	if brief {
		tripped = stair{from: end, to: end, level: d.trip.level, n: 1}
	}
	return carried, tripped, found
}

// unseenStair: the trip came when the last stair seen had stood just its dwell, so that it was the next
// one that tripped, faster than a reading could show.
func (f *figures) unseenStair() bool {
	d, trip := f.d, f.s.tripOf()
	if d.set.Procedure != trace.Steps || trip == nil {
		return false
	}
	dwell := d.set.DwellS
	all := d.stairs.all()
	last := lastBefore(all, trip.t)
	if dwell == 0 || last.n == 0 || d.briefStair(all, trip.t) {
		return false
	}
	slack := 0.02*dwell + 2*max(d.interval(), stairLookS)
	return math.Abs(trip.t-last.from-dwell) < slack
}

const whyUnseenStair = "the stair that tripped did so faster than a reading could show"

// briefStair: the stair that tripped did so before it filled the windows that make it one; the
// readings just before the trip say how high it was.
func (d *Detector) briefStair(all []stair, end float64) bool {
	last := lastBefore(all, end)
	return d.trip.found && last.n > 0 && d.trip.level > (1+stairShare)*last.level+4*d.sigma
}

// dwell is the stated one, else 10 s, or what the stairs themselves lasted where that is shorter.
func (d *Detector) dwell(all []stair) float64 {
	if d.set.DwellS > 0 {
		return d.set.DwellS
	}
	var spans []float64
	for _, c := range all[:len(all)-1] {
		if c.n > 1 {
			spans = append(spans, c.held())
		}
	}
	if len(spans) == 0 {
		return 10
	}
	return min(10, medianOf(spans))
}

func (f *figures) carriedCurrent() (trace.Figure, bool) {
	d := f.d
	if d.blind() {
		return unresolved(whyBlind), true
	}
	if d.set.Procedure == trace.Carry {
		v, ok := d.sustained(f.s)
		if !ok {
			return unresolved("too few readings"), true
		}
		q1, _ := d.hist.quantile(0.25)
		q3, _ := d.hist.quantile(0.75)
		u := expand(append(d.levelParts(v, d.hist.n), part{v * d.rippleShare(), true}, part{spreadNoise(d.sigma, q3-q1, d.hist.n), false}, part{(q3 - q1) / 30, true}, part{1e-4 * v, true})...)
		if end, _ := f.s.faultEnd(); d.averaged() && end-f.s.p0.on.t < 3*d.averaging() {
			v, u = f.heldAtLeast(v, u)
			return bounded(trace.AtLeast, v, u, "it lasted under three averaging times of the meter"), true
		}
		return exact(v, u), true
	}
	carried, _, found := f.climb()
	if !found {
		return unresolved("no stair stood for its whole dwell"), true
	}
	return exact(carried.level, f.stairU(carried)), true
}

func (f *figures) stairU(c stair) float64 {
	n := int(c.held() / max(f.d.interval(), 1e-9))
	parts := append(f.d.levelParts(c.level, n), part{stairShare / 40 * c.level, true})
	if f.d.rippled(f.s.p0) {
		parts = append(parts, part{c.level * f.d.shareOver(c.held()), true})
	}
	return expand(parts...)
}

func (f *figures) trippedCurrent() (trace.Figure, bool) {
	if f.s.tripOf() == nil {
		return inapplicable("no stair tripped"), true
	}
	if f.d.blind() {
		return unresolved(whyBlind), true
	}
	carried, tripped, found := f.climb()
	if f.unseenStair() && found {
		return bounded(trace.AtLeast, carried.level, f.stairU(carried), whyUnseenStair), true
	}
	if tripped.level <= 0 {
		return unresolved("too few readings on the stair that tripped"), true
	}
	return exact(tripped.level, f.stairU(tripped)), true
}

func (f *figures) stairTrip() (trace.Figure, bool) {
	if f.d.blind() {
		return unresolved(whyBlind), true
	}
	carried, tripped, found := f.climb()
	switch {
	case f.s.tripOf() == nil && found:
		return bounded(trace.AtLeast, carried.level, f.stairU(carried), "no stair tripped"), true
	case f.s.tripOf() == nil:
		return f.neverTripped("no stair tripped")
	case f.unseenStair() && found:
		return bounded(trace.AtLeast, carried.level, f.stairU(carried), whyUnseenStair), true
	case tripped.level <= 0:
		return unresolved("too few readings on the stair that tripped"), true
	case !found:
		return bounded(trace.AtMost, tripped.level, f.stairU(tripped), "the first stair tripped"), true
	}
	half := math.Abs(tripped.level-carried.level) / 2
	return exact((carried.level+tripped.level)/2, half+math.Hypot(f.stairU(carried), f.stairU(tripped))), true
}
