package trace

import "slices"

// Definition is the one place where a figure is defined: what it is, how it is computed, when it is
// only a bound, and where the definition comes from.
type Definition struct {
	Key     string
	Unit    string // SI symbol, A²s for Joule integrals, empty for a pure number
	Say     string // the words a person reads above it
	Formula string
	Bounds  string // when it is not exact
	Source  string
	In      []Procedure // the procedures it belongs to
}

var (
	shortOnly = []Procedure{Short}
	faults    = []Procedure{Short, Overload}
	slopes    = []Procedure{Ramp, Steps}
	all       = Procedures
)

// Definitions lists every figure in the order a person reads them.
var Definitions = []Definition{
	{"time_to_cutoff_s", "s", "Cut off after", "50 % instant of the first interruption less that of the onset",
		"at most, the longest the readings allow, when fewer than 3 readings or 3 averaging times fell into it or a gap lies in it; at least, the time watched, when none came; not applicable where the unit limits or folds back; not resolved where the meter is too slow to tell a steady current from pulses",
		"IEEE Std 181 reference-level instants; IEC 60050-441 break time", shortOnly},
	{"time_to_trip_s", "s", "Tripped after", "50 % instant of the interruption less that of the onset of the overload",
		"as time to cut-off", "IEEE Std 181", []Procedure{Overload}},
	{"load_current_a", "A", "Load", "time-weighted median from the settling to the trip",
		"as the sustained current", "common practice, no source", []Procedure{Overload}},
	{"trip_current_a", "A", "Tripped at", "ramp: median of the last 0.2 s (3 readings at least) before the cut-off or fold-back, plus the slope times the time from its middle to the cut-off, the slope being the mean over the last second, and with 16 readings or more in it that of its end; steps: midway between the stair carried and the stair that tripped",
		"at least the largest level where it never tripped, and the stair carried where too few readings saw the next one or none did; where one step between readings exceeds 5 %, midway in the bracket, the uncertainty covering both ends", "common practice, no source", slopes},
	{"ramp_rate_a_per_s", "A/s", "Load rose by", "slope of the readings over the last second before the trip (least squares; rippled: means over whole periods at its two ends)", "not applicable where it never tripped; not resolved where the readings are too slow for the ripple", "common practice, no source", []Procedure{Ramp}},
	{"carried_current_a", "A", "Carried", "steps: the highest stair carried for its whole dwell; carry: the level carried", "at least where it lasted under three averaging times; not resolved where no stair stood for its dwell and where a slow meter read less for a moment, in which the unit may have cut off", "common practice, no source", []Procedure{Steps, Carry}},
	{"tripped_current_a", "A", "Tripped on the stair of", "level of the stair that tripped", "not applicable where none did; at least the stair carried where it tripped faster than a reading could show; at least what was seen where too few readings saw it settled", "common practice, no source", []Procedure{Steps}},
	{"carried_for_s", "s", "Carried for", "time from the onset to the trip or the end", "at least where the end of the watch ended it; else as time to cut-off", "common practice, no source", []Procedure{Carry}},
	{"time_to_limit_s", "s", "Limited after", "fold-back: onset to the 50 % instant of the fall to the lower level; limited: onset to the first settled reading",
		"at most where the unit limits from the start and where it lasted under three averaging times; not applicable without limitation", "IEEE Std 181", faults},
	{"peak_current_a", "A", "Peaked at", "largest reading of the first on-interval, less the mean excess of the noise over as many readings, 0.85 sigma sqrt(2 ln n)",
		"at least when beyond the range, when fewer than 3 readings lie within 5 % of it, when it is among the first 3 and falls by over 1 % a reading, and from a meter that averages over more than 10 ms or over the stated ripple; on a ramp it is the trip current where that was highest",
		"IEC 60050-441-17-12 cut-off current; noise term: extreme of n normal values, textbook, from memory", all},
	{"sustained_current_a", "A", "Held", "time-weighted median from the settling to the cut-off or limit, of the means of fifteen groups of readings, so that noise does not draw the median of a sag towards its mean; on a rippled plateau of the means over whole periods",
		"at least when beyond the range, when it lasted under three averaging times, and where the meter is too slow to tell a steady current from pulses; not resolved where the readings are too slow for the ripple", "IEEE Std 181 state level", faults},
	{"end_current_a", "A", "At the end of the fault", "median of the last 10 % of the fault, 3 readings at least, carried on along the slope to the middle of that tenth where they reach further back", "not resolved with fewer than 3 readings; at least as the sustained current", "common practice, no source", faults},
	{"residual_current_a", "A", "Afterwards there still flows", "median after the first cut-off or limitation, outside retry pulses",
		"at most where it is less than the instrument can tell from zero, and where an averaging meter mixes it with the retry pulses; not applicable without either", "common practice, no source", faults},
	{"let_through_a2s", "A²s", "Let through", "integral of i² from the onset to the first cut-off or limit, i linear between readings: dt (i0² + i0 i1 + i1²)/3, a step within one interval at its 50 % instant, on a rippled plateau i² linear; less the noise's own share",
		"at least over the time watched when neither came, over gaps, beyond the range and of averaged readings; at most, the peak's square times the time to limit, where it limits from the start, and, the square of the prospective current times the longest time to the cut-off, where that is a bound and the prospective current is measured or stated; not resolved where the meter is too slow to tell a steady current from pulses", "IEC 60050-441-18-23 Joule integral", faults},
	{"hold_a2s", "A²s", "Let through in the whole hold", "integral of i² from the onset to the end of the hold", "as let-through", "IEC 60050-441-18-23", faults},
	{"heating_current_a", "A", "Heats like a steady", "square root of hold_a2s over hold_s: the steady current that heats the same", "as hold_a2s", "definition of the rms value", faults},
	{"hold_s", "s", "Held for", "onset to the removal, the end of the stated hold or the end of the trace", "at least where the trace began inside the fault", "IEEE Std 181 reference-level instants", all},
	{"charge_c", "C", "Charge", "integral of i over the hold", "at least over gaps and beyond the range; not resolved where the readings are too slow for the ripple", "definition of electric charge, IEC 60050-121", faults},
	{"energy_j", "J", "Energy into the rig", "integral of v i over the hold", "at least over gaps; not resolved where either is read less than 20 times a second or averaged over more than 50 ms, nor on a rippled output that two instruments read less than four times a period; left out without a voltage channel", "definition of energy, IEC 60050-131", faults},
	{"spike_a2s", "A²s", "The capacitor's spike let through", "integral of i² from the onset to the spike's end, less the plateau's own share", "at least when fewer than 3 readings saw it; left out where there is none", "IEC 60050-441-18-23 Joule integral; discharge V²C/(2R), closed form", faults},
	{"spike_charge_c", "C", "The capacitor's spike held", "integral of i from the onset to the spike's end, less the plateau's own share", "as spike_a2s", "definition of electric charge; discharge V C, closed form", faults},
	{"retry_count", "", "Came back", "pulses after the first cut-off", "at least over gaps and from meters over 50 ms", "common practice, no source", faults},
	{"retry_period_s", "s", "Comes back every", "median onset to onset of the pulses after the first cut-off", "not applicable with one pulse; not resolved where the readings are too slow to count the pulses", "IEEE Std 181", faults},
	{"retry_width_s", "s", "Each time for", "median duration at 50 % of the pulses seen whole", "at most when fewer than 3 readings or 3 averaging times fell into one", "IEEE Std 181 pulse duration", faults},
	{"retry_peak_a", "A", "Each time up to", "largest peak of the retry pulses", "as the peak", "as the peak", faults},
	{"retry_duty", "", "On for a share of", "retry width over retry period", "as the width", "duty of a pulse train, textbook", faults},
	{"settled_within_s", "s", "The contact settled within", "onset to the last make of the bouncing contact", "at most below 40,000 readings a second, between which a short bounce falls: what was seen and what a usual bounce takes; not resolved on a rippled plateau", "common practice, no source", faults},
	{"bounce_count", "", "The contact bounced", "makes after the first within 30 ms of closing", "at least below 40,000 readings a second; not resolved on a rippled plateau", "common practice, no source", faults},
	{"peak_times_rated", "", "Peak over rating", "peak over rated current", "as the peak", "ratio", all},
	{"sustained_times_rated", "", "Held over rating", "sustained over rated current", "as the sustained current", "ratio", faults},
	{"trip_times_rated", "", "Trip over rating", "trip current over rated current", "as the trip current", "ratio", slopes},
	{"ripple_hz", "Hz", "Ripples at", "upward crossings of the plateau's middle over their time", "not applicable on a smooth plateau; not resolved where the sampling cannot see it", "definition of frequency", all},
	{"form_factor", "", "Form factor", "rms over mean of the plateau; pi/(2 sqrt 2) for full-wave and pi/2 for half-wave rectified sine where the waveform is stated and the meter averages",
		"not resolved where the sampling cannot see it and no waveform is stated, and where it lasted under three averaging times", "textbook, from memory; mean factors 0.90 and 0.64 in NEM 630", faults},
	{"open_volts", "V", "Open-circuit voltage", "median of the voltage before the fault", "not resolved where the readings fall at too few places of a rippled output's period; left out without a voltage channel", "IEC 60050-131 equivalent source", faults},
	{"source_ohm", "Ω", "Source resistance", "(open voltage less voltage under fault) over the sustained current", "not resolved where a slow meter sees only the level that it was limited to; left out without a voltage channel", "IEC 60050-131 equivalent source", faults},
	{"prospective_current_a", "A", "Into a true short", "open voltage over source resistance", "left out without a voltage channel", "IEC 60050-441-17-01 prospective current", faults},
	{"restored_after_s", "s", "Output back after", "removal of the short to the output's return", "at most where it is no more than its own uncertainty; not applicable where nothing shows it", "common practice, no source", faults},
}

// DefinitionOf finds a figure's definition.
func DefinitionOf(key string) (Definition, bool) {
	i := slices.IndexFunc(Definitions, func(d Definition) bool { return d.Key == key })
	if i < 0 {
		return Definition{}, false
	}
	return Definitions[i], true
}
