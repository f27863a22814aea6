package trip_test

import (
	"math"
	"testing"

	"letthrough/capture/sim"
	"letthrough/capture/trace"
)

// loadTest plays a load program on a unit at 1 kS/s.
func loadTest(t *testing.T, unit string, p trace.Procedure, stairs bool, load ...sim.LoadPoint) (trace.Derivation, sim.Truth) {
	t.Helper()
	last := load[len(load)-1].AtS
	sc := sim.Scenario{Procedure: p, Contact: []sim.Span{{FromS: 2, ToS: 2 + last + 6}}, EndS: 2 + last + 9, Load: load, Stairs: stairs, Bounce: -1}
	rec := record(t, unit, sc, sim.Meter{RateHz: 1000, NoiseA: 0.004, ResolutionA: 0.001, PhaseS: -1}, 5)
	rec.Settings.DwellS = 0 // nobody states it: the stairs are found in the trace itself
	return finish(t, rec.Settings, rec.Current), rec.Truth
}

// covers: the figure is exact and its interval, doubled, holds the truth; a test of the way and not of the
// statistics, which is TestHonest's.
func covers(t *testing.T, d trace.Derivation, key string, want float64) {
	t.Helper()
	f := figure(t, d, key)
	if f.Bound != trace.Exact || math.Abs(f.Value-want) > 2*f.U+1e-3*math.Abs(want) {
		t.Errorf("%s = %s %v ± %v (%s), want %v", key, f.Bound, f.Value, f.U, f.Why, want)
	}
}

// Ramps turned up by hand: they pause, fall back, jump. Tin opens by an inverse-time element.
func TestRampsByHand(t *testing.T) {
	at := func(s, a float64) sim.LoadPoint { return sim.LoadPoint{AtS: s, CurrentA: a} }
	for _, c := range []struct {
		name string
		unit string
		load []sim.LoadPoint
		want trace.Behaviour
	}{
		{"steady", "Tin", []sim.LoadPoint{at(0, 0), at(20, 6)}, trace.Tripped},
		{"it pauses half way", "Tin", []sim.LoadPoint{at(0, 0), at(4, 1), at(10, 1), at(25, 6)}, trace.Tripped},
		{"it falls back and goes on", "Tin", []sim.LoadPoint{at(0, 0), at(4, 1.4), at(6, 0.7), at(7, 0.7), at(25, 6)}, trace.Tripped},
		{"it falls back suddenly and goes on", "Tin", []sim.LoadPoint{at(0, 0), at(4, 1.4), at(4.001, 0.7), at(25, 6)}, trace.Tripped},
		{"it jumps up half way", "Tin", []sim.LoadPoint{at(0, 0), at(5, 1), at(5.01, 1.4), at(25, 6)}, trace.Tripped},
		{"it is turned down in the end", "Tin", []sim.LoadPoint{at(0, 0), at(6, 1.3), at(12, 0.2), at(20, 0.2)}, trace.NoTrip},
		{"a unit that limits", "Fern", []sim.LoadPoint{at(0, 0), at(20, 1.5)}, trace.NoTrip},
		{"a unit that folds back", "Amber", []sim.LoadPoint{at(0, 0), at(20, 3.2)}, trace.Tripped},
		{"a latch", "Slate", []sim.LoadPoint{at(0, 0), at(3, 1), at(6, 1), at(20, 6)}, trace.Tripped},
		{"half-wave without protection", "Moss", []sim.LoadPoint{at(0, 0), at(20, 1.2)}, trace.NoTrip},
	} {
		t.Run(c.name, func(t *testing.T) {
			d, truth := loadTest(t, c.unit, trace.Ramp, false, c.load...)
			if truth.Behaviour != c.want {
				t.Fatalf("the simulation %s, the table expects %s", truth.Behaviour, c.want)
			}
			if d.Behaviour != c.want {
				t.Fatalf("behaviour %s, want %s; marks %v", d.Behaviour, c.want, d.Marks)
			}
			if c.want == trace.Tripped {
				covers(t, d, "trip_current_a", truth.Figures["trip_current_a"])
				covers(t, d, "ramp_rate_a_per_s", truth.Figures["ramp_rate_a_per_s"])
				return
			}
			if f := bound(t, d, "trip_current_a", trace.AtLeast); f.Value-f.U > truth.Figures["peak_current_a"] {
				t.Errorf("at least %v ± %v, but no more than %v flowed", f.Value, f.U, truth.Figures["peak_current_a"])
			}
		})
	}
}

// A jump by hand that trips the unit at once: the trip lies between the level carried and the one jumped to.
func TestRampThatJumpsIntoTheTrip(t *testing.T) {
	at := func(s, a float64) sim.LoadPoint { return sim.LoadPoint{AtS: s, CurrentA: a} }
	d, _ := loadTest(t, "Slate", trace.Ramp, false, at(0, 0), at(6, 1.5), at(6.001, 4), at(12, 4))
	if d.Behaviour != trace.Tripped {
		t.Fatalf("behaviour %s, want tripped", d.Behaviour)
	}
	f := figure(t, d, "trip_current_a")
	if f.Bound != trace.Exact || f.Value-f.U > 1.5 || f.Value+f.U < 2.5 {
		t.Errorf("trip current %s %v ± %v, want an interval from 1.5 A to the jump's level", f.Bound, f.Value, f.U)
	}
}

// Stairs of equal and of unequal height and dwell.
func TestStairsAreFoundInTheTrace(t *testing.T) {
	stairs := func(steps ...float64) (out []sim.LoadPoint) {
		at := 0.0
		for i := 0; i+1 < len(steps); i += 2 {
			out = append(out, sim.LoadPoint{AtS: at, CurrentA: steps[i]})
			at += steps[i+1]
		}
		return append(out, sim.LoadPoint{AtS: at, CurrentA: steps[len(steps)-2]})
	}
	for _, c := range []struct {
		name  string
		unit  string
		load  []sim.LoadPoint
		trips bool
	}{
		{"equal height and dwell", "Tin", stairs(0.5, 4, 1, 4, 1.5, 4, 2, 4, 2.5, 4, 3, 6), true},
		{"unequal height", "Tin", stairs(0.3, 4, 1.1, 4, 1.3, 4, 1.9, 4, 3.2, 6), true},
		{"unequal dwell", "Tin", stairs(0.5, 3, 1, 5, 1.4, 4, 2, 6, 3, 6), true},
		{"rippled", "Flint", stairs(1, 4, 2, 4, 3, 4, 4, 4, 5.5, 10), true},
		{"no stair trips it", "Tin", stairs(0.4, 4, 0.8, 4, 1.2, 4), false},
		{"a latch", "Slate", stairs(0.5, 4, 1, 4, 1.5, 4, 2, 4, 2.6, 4, 3.4, 6), true},
	} {
		t.Run(c.name, func(t *testing.T) {
			d, truth := loadTest(t, c.unit, trace.Steps, true, c.load...)
			if (d.Behaviour == trace.Tripped) != c.trips || (truth.Behaviour == trace.Tripped) != c.trips {
				t.Fatalf("behaviour %s, the simulation %s, the table expects tripped %v", d.Behaviour, truth.Behaviour, c.trips)
			}
			covers(t, d, "carried_current_a", truth.Figures["carried_current_a"])
			if c.trips {
				covers(t, d, "tripped_current_a", truth.Figures["tripped_current_a"])
				covers(t, d, "trip_current_a", truth.Figures["trip_current_a"])
			} else {
				bound(t, d, "trip_current_a", trace.AtLeast)
			}
		})
	}
}

// A carry test begins with a surge of twice the rating if asked; falling from it is no fold-back.
func TestCarryWithAndWithoutSurge(t *testing.T) {
	for _, u := range sim.Shelf() {
		for _, surge := range []bool{false, true} {
			name := u.Plate.Name
			if surge {
				name += " after a surge"
			}
			t.Run(name, func(t *testing.T) {
				rec := record(t, u.Plate.Name, sim.CarryTest(u, 2, 15, surge), sim.Meter{RateHz: 1000, NoiseA: 0.004, ResolutionA: 0.001, PhaseS: -1}, 4)
				d := finish(t, rec.Settings, rec.Current)
				if d.Behaviour != rec.Truth.Behaviour {
					t.Fatalf("behaviour %s, want %s", d.Behaviour, rec.Truth.Behaviour)
				}
				if d.Behaviour == trace.Carried {
					covers(t, d, "carried_current_a", rec.Truth.Figures["carried_current_a"])
					bound(t, d, "carried_for_s", trace.AtLeast)
				}
			})
		}
	}
}
