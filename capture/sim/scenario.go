package sim

import (
	"fmt"
	"math"
	"sort"

	"letthrough/capture/trace"
)

// Span is a stretch of time in seconds.
type Span struct{ FromS, ToS float64 }

// LoadPoint is one corner of a load program: what the load would draw from the cold, unprotected
// unit, amperes (arithmetic mean), so many seconds after the contact first closed.
type LoadPoint struct{ AtS, CurrentA float64 }

// Scenario is what happens to a unit during one recording. Times are seconds from its start.
type Scenario struct {
	Procedure trace.Procedure
	Contact   []Span  // when the contact is closed, in order
	EndS      float64 // length of the recording

	// Load runs in straight lines from point to point, or in stairs where Stairs is set. Without any
	// point the contact is a dead short.
	Load   []LoadPoint
	Stairs bool

	StandingOhm float64 // a load that stays on beside the contact; 0 is none
	RigOhm      float64 // instrument, leads and contact; 0 is 0.12
	Bounce      int     // the most bounces at a closing; 0 is 4, below 0 is none
}

// ShortTest shorts the unit for holdS after idleS, and then watches it for watchS.
func ShortTest(idleS, holdS, watchS float64) Scenario {
	return Scenario{Procedure: trace.Short, Contact: []Span{{idleS, idleS + holdS}}, EndS: idleS + holdS + watchS}
}

// RampTest raises the load smoothly from fromA to toA and takes it off two seconds later.
func RampTest(idleS, fromA, toA, ampsPerS float64) Scenario {
	rise := (toA - fromA) / ampsPerS
	return Scenario{
		Procedure: trace.Ramp,
		Contact:   []Span{{idleS, idleS + rise + 2}},
		EndS:      idleS + rise + 3,
		Load:      []LoadPoint{{0, fromA}, {rise, toA}},
	}
}

// StepsTest raises the load in stairs, each held for dwellS.
func StepsTest(idleS, dwellS float64, stairsA ...float64) Scenario {
	sc := Scenario{Procedure: trace.Steps, Stairs: true}
	for n, a := range stairsA {
		sc.Load = append(sc.Load, LoadPoint{float64(n) * dwellS, a})
	}
	hold := float64(len(stairsA)) * dwellS
	sc.Contact, sc.EndS = []Span{{idleS, idleS + hold}}, idleS+hold+1
	return sc
}

// OverloadTest puts a fixed load of timesRated times the unit's rated current on it.
func OverloadTest(u Unit, idleS, timesRated, holdS, watchS float64) Scenario {
	sc := ShortTest(idleS, holdS, watchS)
	sc.Procedure = trace.Overload
	sc.Load = []LoadPoint{{0, timesRated * u.Plate.RatedCurrentA}}
	return sc
}

// CarryTest loads the unit with its rated current for forS, beginning, if asked, with a surge of
// twice that for half a second.
func CarryTest(u Unit, idleS, forS float64, surge bool) Scenario {
	sc := ShortTest(idleS, forS, 1)
	sc.Procedure = trace.Carry
	rated := u.Plate.RatedCurrentA
	sc.Load = []LoadPoint{{0, rated}}
	if surge {
		sc.Load, sc.Stairs = []LoadPoint{{0, 2 * rated}, {0.5, rated}}, true
	}
	return sc
}

// longestS bounds a recording: beyond a day somebody mixed up units.
const longestS = 86400

// Validate names what is wrong with a scenario, or returns nil.
func (sc Scenario) Validate() error {
	if !(sc.EndS > 0 && sc.EndS <= longestS) {
		return fmt.Errorf("scenario: length %g s is out of range, allowed is above 0 to %d s", sc.EndS, longestS)
	}
	last := 0.0
	for n, s := range sc.Contact {
		if !(s.FromS >= last && s.ToS > s.FromS && s.ToS <= longestS) {
			return fmt.Errorf("scenario: contact %d: closed from %g s to %g s is not in order", n+1, s.FromS, s.ToS)
		}
		last = s.ToS
	}
	return validLoad(sc.Load, sc.StandingOhm, sc.RigOhm)
}

func validLoad(points []LoadPoint, standingOhm, rigOhm float64) error {
	if !(standingOhm >= 0 && rigOhm >= 0 && rigOhm <= 1000) {
		return fmt.Errorf("scenario: standing load %g ohm or rig %g ohm is out of range", standingOhm, rigOhm)
	}
	for n, p := range points {
		if !(p.AtS >= 0 && p.CurrentA >= 0 && p.CurrentA <= 1e4) || n > 0 && p.AtS < points[n-1].AtS {
			return fmt.Errorf("scenario: load point %d: %g A at %g s is out of range or order", n+1, p.CurrentA, p.AtS)
		}
	}
	return nil
}

// loadProgram is a load over time.
type loadProgram struct {
	points []LoadPoint
	stairs bool
}

// amps is what the load asks for, so many seconds after the first closing.
func (l loadProgram) amps(atS float64) float64 {
	n := sort.Search(len(l.points), func(n int) bool { return l.points[n].AtS > atS })
	if n == 0 {
		return l.points[0].CurrentA
	}
	a := l.points[n-1]
	if l.stairs || n == len(l.points) {
		return a.CurrentA
	}
	b := l.points[n]
	return a.CurrentA + (b.CurrentA-a.CurrentA)*(atS-a.AtS)/(b.AtS-a.AtS)
}

// ohms is the load's resistance: what would draw that current from the cold unit. A unit that cannot
// give so much sees a dead short.
func (l loadProgram) ohms(atS float64, u Unit, rigOhm float64) float64 {
	if len(l.points) == 0 {
		return 0
	}
	a := l.amps(atS)
	if a <= 0 {
		return math.Inf(1)
	}
	return max(0, u.OpenV/a-u.SourceOhm-rigOhm)
}
