package sim

import "letthrough/capture/trace"

// Shelf is the invented lending cupboard: seven units that between them show every behaviour. The
// numbers are chosen so that a dead short through 0.12 ohm of instrument, leads and contact gives what
// stands beside each.
func Shelf() []Unit {
	return []Unit{
		tin(), slate(), amber(), moss(), clay(), flint(), fern(),
	}
}

// plate is what is printed on a unit.
func plate(name string, ratedV, ratedA float64, w trace.Waveform, note string) trace.Unit {
	return trace.Unit{Name: name, RatedVoltageV: ratedV, RatedCurrentA: ratedA, Waveform: w, Note: note}
}

// tin: 4.5 A falling to 4.2 A, opens after 0.9 s, tries again every 2.6 s for 0.25 s.
func tin() Unit {
	return Unit{
		Plate:       plate("Tin", 12, 1.4, trace.DC, "solid-state breaker that tries again"),
		OpenV:       13.5,
		SourceOhm:   2.88,
		InductanceH: 300e-6,
		Winding:     Winding{KelvinPerW: 0.75, TauS: 1.5},
		Protection:  Protection{Kind: Breaker, TripA: 2.1, TauS: 3.33, RetryPeriodS: 2.6, RetryWidthS: 0.25},
	}
}

// slate: 5.1 A for 35 ms, then off until switched.
func slate() Unit {
	return Unit{
		Plate:       plate("Slate", 12, 1.5, trace.DC, "latching breaker"),
		OpenV:       12.8,
		SourceOhm:   2.39,
		InductanceH: 250e-6,
		Winding:     Winding{KelvinPerW: 0.5, TauS: 4},
		Protection:  Protection{Kind: Breaker, TripA: 2.25, TauS: 0.157},
	}
}

// amber: full-wave, 2.5 A for 0.3 s, then folded back to 0.9 A until the short is gone.
func amber() Unit {
	return Unit{
		Plate:       plate("Amber", 14, 0.8, trace.FullWave, "folds back, recovers by itself"),
		OpenV:       15,
		SourceOhm:   5.88,
		InductanceH: 600e-6,
		Winding:     Winding{KelvinPerW: 0.4, TauS: 6},
		Protection:  Protection{Kind: FoldBack, TripA: 1.2, TauS: 1.145, LimitA: 0.9},
	}
}

// moss: half-wave, no protection, about 3 A that sags as the winding warms.
func moss() Unit {
	return Unit{
		Plate:       plate("Moss", 12, 0.3, trace.HalfWave, "no protection at all"),
		OpenV:       12.6,
		SourceOhm:   4.08,
		InductanceH: 1e-3,
		Winding:     Winding{KelvinPerW: 0.5, TauS: 12},
	}
}

// clay: 12 A for 60 ms every 0.62 s.
func clay() Unit {
	return Unit{
		Plate:       plate("Clay", 16, 3.0, trace.DC, "switching supply that hiccups"),
		OpenV:       17,
		SourceOhm:   1.2967,
		InductanceH: 80e-6,
		Winding:     Winding{KelvinPerW: 0.1, TauS: 10},
		Protection:  Protection{Kind: Breaker, TripA: 4.5, TauS: 0.396, RetryPeriodS: 0.62, RetryWidthS: 0.06},
	}
}

// flint: pulse-width output at 120 Hz, 5.2 A sagging to 4.7 A, thermal cut-out after about 4 s from
// cold, closes again after about 40 s.
func flint() Unit {
	return Unit{
		Plate:       plate("Flint", 12, 2.0, trace.PWM, "thermal cut-out"),
		OpenV:       13,
		SourceOhm:   2.38,
		InductanceH: 200e-6,
		Winding:     Winding{KelvinPerW: 0.54, TauS: 3},
		Protection:  Protection{Kind: Bimetal, TripA: 3.0, TauS: 8.5, CoolTauS: 38, Reclose: 0.35},
	}
}

// fern: never gives more than 0.58 A.
func fern() Unit {
	return Unit{
		Plate:       plate("Fern", 9, 0.5, trace.DC, "electronic current limit"),
		OpenV:       10,
		SourceOhm:   1.2,
		InductanceH: 150e-6,
		Winding:     Winding{KelvinPerW: 1, TauS: 8},
		Protection:  Protection{Kind: CurrentLimit, LimitA: 0.58},
	}
}
