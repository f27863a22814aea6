package trip

import (
	"math"
	"slices"

	"letthrough/capture/trace"
)

// figures computes the figures of one story.
type figures struct {
	d          *Detector
	s          *story
	behaviour  trace.Behaviour // what it looks like
	unsure     bool            // ... which the meter cannot tell from something else
	quietSigma float64         // noise of the quiet trace alone
	out        trace.Figures
}

// all gives every figure that belongs to the procedure, in the order of the definitions.
func (f *figures) all() trace.Figures {
	f.prepare()
	for _, def := range trace.Definitions {
		if !slices.Contains(def.In, f.d.set.Procedure) {
			continue
		}
		fig, belongs := f.one(def.Key)
		if !belongs {
			continue
		}
		if f.d.noted() {
			fig = f.asNoted(def.Key, fig)
		}
		fig.Key = def.Key
		f.out = append(f.out, sound(fig))
	}
	for i, fig := range f.out {
		if fig.Bound == trace.AtMost || fig.Bound == trace.AtLeast {
			f.out[i].U *= boundK
		}
	}
	f.mostThrough()
	f.rate()
	return f.out
}

// boundK: a bound is to hold in 99 of 100 cases, which takes 2.58 standard uncertainties of a normal
// distribution where an interval for 95 takes two.
const boundK = 2.58 / 2

// perSecond are the units of figures that are proportional to a number of seconds, or to one over it:
// what the time base's rate is off, they are off.
var perSecond = map[string]bool{"s": true, "A²s": true, "C": true, "J": true, "A/s": true, "Hz": true}

// rate adds what the time base's rate leaves open (JCGM 100, 5.1.2), last, so that it cancels in what is
// a quotient of two such figures. A count of seconds that a person set is not measured on that base.
func (f *figures) rate() {
	for i := range f.out {
		fig := &f.out[i]
		if def, ok := trace.DefinitionOf(fig.Key); ok && perSecond[def.Unit] && fig.Bound.HasValue() {
			fig.U = math.Hypot(fig.U, f.d.set.ClockRateU*fig.Value)
		}
	}
}

// prepare settles what all figures share: whether the meter can tell the behaviour at all (single low
// readings of a slow one may be interruptions), its noise, and the integrals up to the end of the watch.
func (f *figures) prepare() {
	if !f.s.begun {
		return
	}
	f.unsure = f.d.resolved(f.s, f.behaviour) == trace.BehaviourUnsure || f.d.coarse() && (f.s.p0.lows > 0 || f.dips())
	f.quietSigma = f.d.sigma
	if !f.d.coarse() && !f.d.averaged() {
		return
	}
	d := *f.d
	end, _ := f.s.faultEnd()
	d.sigma = max(d.sigma, d.plateauNoise(f.s.p0.on.t, end))
	f.d = &d
	if f.d.boxed() {
		s := *f.s
		s.endAt = f.boxEnd()
		f.s = &s
	}
}

// dips: under a fixed load a slow meter read less for a moment, as where the unit cut off and came back
// between two readings.
func (f *figures) dips() bool {
	d, s := f.d, f.s
	if d.set.Procedure != trace.Carry || d.dec.every == 0 {
		return false
	}
	end, _ := s.faultEnd()
	level, ok := d.sustained(s)
	inner := d.dec.within(s.p0.on.after+d.interval(), end-1.5*d.interval())
	return ok && len(inner) > fewReadings && slices.Min(inner) < level*(1-0.2/float64(d.dec.every))-4*d.sigma
}

// boxEnd gives the integrals at the end of the watch where the current fell close to it: the reading that
// holds the fall holds a part of the watch, too.
func (f *figures) boxEnd() sums {
	s := f.s
	last := s.p0
	if n := len(s.retries); n > 0 {
		last = s.retries[n-1]
	}
	late := last.off.t - s.end
	if s.endBy != byHold && s.endBy != byRemovedMark || !last.ended || math.Abs(late) > 2*f.d.interval() {
		return s.endAt
	}
	at := last.off.at
	level := last.off.from
	if late < 0 {
		level = last.off.to
	}
	at.t, at.q = s.end, at.q-level*late
	at.chord -= level * level * late
	at.trap -= level * level * late
	return at
}

// one computes a figure; belongs is false where it is left out.
func (f *figures) one(key string) (fig trace.Figure, belongs bool) {
	compute := figureOf[key]
	if compute == nil {
		return fig, false
	}
	if !f.s.begun {
		if leftOut[key] {
			return fig, false
		}
		if f.behaviour == trace.BehaviourUnsure {
			return unresolved("no current was seen though the short was applied"), true
		}
		return inapplicable("nothing happened"), true
	}
	return compute(f)
}

// figureOf names the function behind each figure.
var figureOf map[string]func(*figures) (trace.Figure, bool)

func init() {
	figureOf = map[string]func(*figures) (trace.Figure, bool){
		"time_to_cutoff_s":      (*figures).timeToCutoff,
		"time_to_trip_s":        (*figures).timeToCutoff,
		"load_current_a":        (*figures).sustained,
		"time_to_limit_s":       (*figures).timeToLimit,
		"peak_current_a":        (*figures).peak,
		"sustained_current_a":   (*figures).sustained,
		"end_current_a":         (*figures).endCurrent,
		"residual_current_a":    (*figures).residual,
		"let_through_a2s":       (*figures).letThrough,
		"hold_a2s":              (*figures).holdA2s,
		"heating_current_a":     (*figures).heating,
		"hold_s":                (*figures).hold,
		"charge_c":              (*figures).charge,
		"energy_j":              (*figures).energy,
		"spike_a2s":             (*figures).spikeA2s,
		"spike_charge_c":        (*figures).spikeCharge,
		"retry_count":           (*figures).retryCount,
		"retry_period_s":        (*figures).retryPeriod,
		"retry_width_s":         (*figures).retryWidth,
		"retry_peak_a":          (*figures).retryPeak,
		"retry_duty":            (*figures).retryDuty,
		"settled_within_s":      (*figures).settledWithin,
		"bounce_count":          (*figures).bounceCount,
		"peak_times_rated":      timesRated("peak_current_a"),
		"sustained_times_rated": timesRated("sustained_current_a"),
		"trip_times_rated":      timesRated("trip_current_a"),
		"ripple_hz":             (*figures).rippleHz,
		"form_factor":           (*figures).formFactor,
		"trip_current_a":        (*figures).tripCurrent,
		"ramp_rate_a_per_s":     (*figures).rampRate,
		"carried_current_a":     (*figures).carriedCurrent,
		"tripped_current_a":     (*figures).trippedCurrent,
		"carried_for_s":         (*figures).carriedFor,
		"open_volts":            (*figures).openVolts,
		"source_ohm":            (*figures).sourceOhm,
		"prospective_current_a": (*figures).prospective,
		"restored_after_s":      (*figures).restoredAfter,
	}
}

// leftOut are the figures that are absent rather than not applicable where nothing gives them.
var leftOut = map[string]bool{
	"energy_j": true, "spike_a2s": true, "spike_charge_c": true,
	"open_volts": true, "source_ohm": true, "prospective_current_a": true,
	"peak_times_rated": true, "sustained_times_rated": true, "trip_times_rated": true,
}

func exact(v, u float64) trace.Figure { return trace.Figure{Value: v, U: u, Bound: trace.Exact} }

func bounded(b trace.Bound, v, u float64, why string) trace.Figure {
	return trace.Figure{Value: v, U: u, Bound: b, Why: why}
}

func unresolved(why string) trace.Figure {
	return trace.Figure{Bound: trace.NotResolved, Why: why}
}

func inapplicable(why string) trace.Figure {
	return trace.Figure{Bound: trace.NotApplicable, Why: why}
}

// sound guards the promise that no figure is ever NaN or infinite.
func sound(f trace.Figure) trace.Figure {
	if f.Bound.HasValue() && (math.IsNaN(f.Value+f.U) || math.IsInf(f.Value, 0) || math.IsInf(f.U, 0)) {
		return trace.Figure{Key: f.Key, Bound: trace.NotResolved, Why: "the readings give no number"}
	}
	if !f.Bound.HasValue() {
		f.Value, f.U = 0, 0
	}
	return f
}

// get finds a figure computed before.
func (f *figures) get(key string) (trace.Figure, bool) { return f.out.Get(key) }

// timesRated divides a figure by the rated current.
func timesRated(key string) func(*figures) (trace.Figure, bool) {
	return func(f *figures) (trace.Figure, bool) {
		r := f.d.set.RatedCurrentA
		fig, ok := f.get(key)
		if !ok || r <= 0 {
			return trace.Figure{}, false
		}
		fig.Value, fig.U = fig.Value/r, fig.U/r
		return fig, true
	}
}

// squares takes i² integrals between two instants, less the share of the noise: sigma² for each
// second that i² is taken linear, two thirds of it where i is (independent noise of neighbouring
// readings, whose cross term vanishes).
func (f *figures) squares(a, b sums) float64 {
	s, v := b.minus(a), f.d.sigma*f.d.sigma
	t := f.spanOf(a, b)
	if f.d.rippled(f.s.p0) {
		return max(s.trap-v*t, 0)
	}
	return max(s.chord-v*(2*t+s.step)/3, 0)
}

// spanOf is the time with readings between two instants; the sums carry no time, so it is passed in
// through the ends.
func (f *figures) spanOf(a, b sums) float64 { return max(b.t-a.t-(b.gap-a.gap), 0) }

// overHold tells what makes an integral over from..to a bound.
func (f *figures) boundOver(a, b sums) (trace.Bound, string) {
	s := b.minus(a)
	switch {
	case s.gap > 0:
		return trace.AtLeast, "a gap lies in it"
	case s.over > 0:
		return trace.AtLeast, "readings beyond the range count as the range's end"
	case f.s.p0.inside:
		return trace.AtLeast, "the trace begins inside the fault"
	}
	return trace.Exact, ""
}
