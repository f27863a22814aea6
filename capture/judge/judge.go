// Package judge says what a meter can tell before anybody buys or wires it: it plays the simulated shelf
// through the meter's rate, averaging, range, resolution and accuracy, derives what it would have shown, and
// counts for each figure how often it was told, with what uncertainty, and how often the truth lay in it.
package judge

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"letthrough/capture/sim"
	"letthrough/capture/trace"
	"letthrough/capture/trip"
)

// Meter is what is known of an instrument; the zero of anything but RateHz means unknown or none.
type Meter struct {
	RateHz      float64 // readings a second
	AveragingS  *float64
	ResolutionA float64
	FullScaleA  float64
	Accuracy    trace.Accuracy
	NoiseA      float64 // standard deviation of a reading; 0: half a count, or 2 mA where no count is known
	Voltage     bool    // reads the voltage as well, at the same instants
}

// Of is the meter that an instrument's own line in the settings describes.
func Of(s trace.Settings, rateHz float64) Meter {
	return Meter{RateHz: rateHz, AveragingS: s.AveragingS, ResolutionA: s.ResolutionA, FullScaleA: s.FullScaleA, Accuracy: s.Accuracy}
}

// Test is what is played: every unit of the shelf so many times.
type Test struct {
	Procedure trace.Procedure // empty: a short
	Trials    int             // of each unit
	HoldS     float64         // 0: 10 s
	Seed      uint64
}

// Told says how a figure fared. The counts add up to Of, the tests in which the figure has a true value.
type Told struct {
	Key     string  `json:"key"`
	Say     string  `json:"say"`
	Unit    string  `json:"unit"`
	Of      int     `json:"of"`
	Exact   int     `json:"exact"`    // a value with its uncertainty
	Bound   int     `json:"bound"`    // at most or at least
	None    int     `json:"none"`     // not resolved
	Typical float64 `json:"u"`        // the median uncertainty of the exact ones, in the figure's unit
	Percent float64 `json:"u_pc"`     // the median of uncertainty over value, percent
	Within  int     `json:"within"`   // exact ones that hold the truth, and bounds that it keeps
	Looser  float64 `json:"bound_by"` // the median of bound over truth (or truth over bound where it is at least); 0: no bound
}

// Seen says how a unit's behaviour fared.
type Seen struct {
	Unit      string          `json:"unit"`
	Behaviour trace.Behaviour `json:"behaviour"` // what it does
	Right     int             `json:"right"`
	Unsure    int             `json:"not_resolved"`
	Wrong     int             `json:"wrong"`
	As        trace.Behaviour `json:"taken_for,omitempty"` // what it was most often taken for where that was wrong
}

// Report is what a meter can tell of one procedure.
type Report struct {
	Procedure  trace.Procedure `json:"procedure"`
	Tests      int             `json:"tests"`
	RateHz     float64         `json:"rate_hz"`
	Behaviours []Seen          `json:"behaviours"`
	Figures    []Told          `json:"figures"`
}

// The limits of what may be asked for, so that an answer comes within a minute or so.
const (
	MostTrials = 100
	MostRateHz = 50000
)

// Run plays the shelf. It fails where the meter or the test is out of range, naming what is allowed, or with
// the context's error.
func Run(ctx context.Context, m Meter, t Test) (Report, error) {
	if t.Procedure == "" {
		t.Procedure = trace.Short
	}
	if t.HoldS == 0 {
		t.HoldS = 10
	}
	switch {
	case !(m.RateHz > 0 && m.RateHz <= MostRateHz):
		return Report{}, fmt.Errorf("rate: %g readings a second is out of range, allowed is more than 0 and at most %d", m.RateHz, MostRateHz)
	case t.Trials < 1 || t.Trials > MostTrials:
		return Report{}, fmt.Errorf("trials: %d is out of range, allowed is 1 to %d", t.Trials, MostTrials)
	case !slices.Contains(trace.Procedures, t.Procedure):
		return Report{}, fmt.Errorf("procedure: %q is none of short, ramp, steps, overload, carry", string(t.Procedure))
	case !(t.HoldS >= 1 && t.HoldS <= 60):
		return Report{}, fmt.Errorf("hold: %g s is out of range, allowed is 1 to 60", t.HoldS)
	}
	c := &count{figures: map[string]*tally{}}
	for _, u := range sim.Shelf() {
		seen := Seen{Unit: u.Plate.Name}
		taken := map[trace.Behaviour]int{}
		for n := range t.Trials {
			if err := ctx.Err(); err != nil {
				return Report{}, err
			}
			seed := t.Seed + uint64(n)*7919 + uint64(len(c.seen))
			got, truth, err := play(u, m, t, seed)
			if err != nil {
				return Report{}, err
			}
			c.add(got, truth, m)
			seen.Behaviour = truth.Behaviour
			switch got.Behaviour {
			case truth.Behaviour:
				seen.Right++
			case trace.BehaviourUnsure:
				seen.Unsure++
			default:
				seen.Wrong++
				taken[got.Behaviour]++
			}
		}
		for b, n := range taken {
			if n > taken[seen.As] || n == taken[seen.As] && b < seen.As {
				seen.As = b
			}
		}
		c.seen = append(c.seen, seen)
	}
	return Report{
		Procedure: t.Procedure, Tests: len(c.seen) * t.Trials, RateHz: m.RateHz, Behaviours: c.seen, Figures: c.told(),
	}, nil
}

// play is one test of one unit: what the meter would have shown of it, and what happened.
func play(u sim.Unit, m Meter, t Test, seed uint64) (trace.Derivation, sim.Truth, error) {
	rnd := rand.New(rand.NewPCG(seed, 23))
	meter := sim.Meter{
		RateHz: m.RateHz, ResolutionA: m.ResolutionA, FullScaleA: m.FullScaleA, OverWord: true, PhaseS: -1,
		NoiseA: m.noise(), Voltage: m.Voltage, VoltageNoiseV: 0.005, VoltageResolutionV: 0.001,
	}
	// The meter in hand is somewhere within its specification, and stays there.
	spec := m.Accuracy.At(u.Plate.RatedCurrentA)
	meter.GainError = spec.Percent / 100 * (2*rnd.Float64() - 1)
	meter.OffsetA = spec.Counts * max(spec.Resolution, m.ResolutionA) * (2*rnd.Float64() - 1)
	// A slow meter that says nothing of its averaging is taken to integrate, as nearly all do (common practice,
	// no source); the detector does not know.
	if m.AveragingS != nil {
		meter.AveragingS = *m.AveragingS
	} else if m.RateHz < slowHz {
		meter.AveragingS = 1 / m.RateHz
	}
	rec, err := sim.Record(u, scenario(u, t, rnd), meter, seed)
	if err != nil {
		return trace.Derivation{}, sim.Truth{}, err
	}
	set := rec.Settings
	set.AveragingS, set.Accuracy = m.AveragingS, m.Accuracy
	d, err := trip.New(set)
	if err != nil {
		return trace.Derivation{}, sim.Truth{}, err
	}
	for i := 0; i < len(rec.Current); i += handful {
		d.Current(rec.Current[i:min(i+handful, len(rec.Current))])
		if m.Voltage {
			d.Voltage(rec.Voltage[i:min(i+handful, len(rec.Voltage))])
		}
	}
	return d.Finish(), rec.Truth, nil
}

const (
	slowHz  = 20
	handful = 16 // readings of one channel handed over before those of the other
)

func (m Meter) noise() float64 {
	switch {
	case m.NoiseA > 0:
		return m.NoiseA
	case m.ResolutionA > 0:
		return m.ResolutionA / 2
	}
	return 0.002
}

// scenario is a usual test of the unit.
func scenario(u sim.Unit, t Test, rnd *rand.Rand) sim.Scenario {
	r, idle := u.Plate.RatedCurrentA, 3+0.5*rnd.Float64()
	switch t.Procedure {
	case trace.Ramp:
		return sim.RampTest(idle, 0, 4*r, 0.2*r)
	case trace.Steps:
		return sim.StepsTest(idle, 3, 0.5*r, 0.8*r, r, 1.2*r, 1.5*r, 2*r, 2.5*r, 3*r)
	case trace.Overload:
		return sim.OverloadTest(u, idle, 2, t.HoldS, 6)
	case trace.Carry:
		return sim.CarryTest(u, idle, t.HoldS, rnd.IntN(2) == 0)
	}
	return sim.ShortTest(idle, t.HoldS, 6)
}

// count adds the trials up.
type count struct {
	seen    []Seen
	figures map[string]*tally
}

type tally struct {
	Told
	us, shares, loose []float64
}

func (c *count) add(got trace.Derivation, truth sim.Truth, m Meter) {
	for _, f := range got.Figures {
		want, known := truth.Figures[f.Key]
		if !known || math.IsNaN(want) || f.Bound == trace.NotApplicable {
			continue
		}
		t := c.figures[f.Key]
		if t == nil {
			t = &tally{Told: Told{Key: f.Key}}
			c.figures[f.Key] = t
		}
		t.Of++
		switch f.Bound {
		case trace.Exact:
			t.Exact++
			t.us = append(t.us, f.U)
			if f.Value != 0 {
				t.shares = append(t.shares, 100*math.Abs(f.U/f.Value))
			}
			if math.Abs(f.Value-want) <= f.U+tiny(want) {
				t.Within++
			}
		case trace.AtMost, trace.AtLeast:
			t.Bound++
			by := f.Value / want
			kept := f.Value+f.U+tiny(want) >= want
			if f.Bound == trace.AtLeast {
				by, kept = want/f.Value, f.Value-f.U-tiny(want) <= want
			}
			if kept {
				t.Within++
			}
			if by > 0 && !math.IsInf(by, 0) {
				t.loose = append(t.loose, by)
			}
		default:
			t.None++
		}
	}
}

func tiny(v float64) float64 { return 1e-9 * math.Max(1, math.Abs(v)) }

// told gives the figures in the order of their definitions.
func (c *count) told() []Told {
	var out []Told
	for _, def := range trace.Definitions {
		t := c.figures[def.Key]
		if t == nil {
			continue
		}
		t.Say, t.Unit = def.Say, def.Unit
		t.Typical, t.Percent, t.Looser = median(t.us), median(t.shares), median(t.loose)
		out = append(out, t.Told)
	}
	return out
}

func median(v []float64) float64 {
	if len(v) == 0 {
		return 0
	}
	slices.Sort(v)
	return v[len(v)/2]
}
