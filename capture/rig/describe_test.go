package rig_test

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"letthrough/capture/rig"
	"letthrough/capture/trace"
)

func TestPartsAreDescribedByWhatIsKnown(t *testing.T) {
	for _, c := range []struct {
		part  trace.RigPart
		full  string
		brief string
	}{
		{trace.RigPart{Kind: "lead", LengthM: 0.6, AreaMM2: 0.75}, "0.6 m copper, 0.75 mm², PVC", "0.6 m, 0.75 mm²"},
		{trace.RigPart{Kind: "lead", RatedA: 6}, "6 A for ever", "6 A"},
		{trace.RigPart{Kind: "fuse", RatedA: 6.3, FuseSheet: "60127-2/3"}, "6.3 A, time-lag, 5 × 20 mm", "6.3 A, time-lag"},
		{trace.RigPart{Kind: "fuse", RatedA: 6.3}, "6.3 A", "6.3 A"},
		{trace.RigPart{Kind: "shunt", Ohm: 0.05, RatedW: 1, OverloadFactor: 5, OverloadS: 5}, "50 mΩ, 1 W, 5 × for 5.0 s", "50 mΩ, 1 W"},
		{trace.RigPart{Kind: "instrument", FullScaleA: 10, RatedA: 10, MaxOnS: 30, RestS: 900, FuseA: 10, IntervalS: 0.4}, "reads up to 10 A, 10 A for at most 30 s, then 15 min rest, its own fuse 10 A, a reading every 400 ms", "up to 10 A"},
		{trace.RigPart{Kind: "lamp", RatedV: 12, RatedW: 21}, "12 V, 21 W", "12 V, 21 W"},
		{trace.RigPart{Kind: "relay", RatedA: 30, MakeA: 60, BreakA: 30}, "30 A, closes on 60 A, opens 30 A", "30 A"},
		{trace.RigPart{Kind: "other"}, "nothing is known of it", ""},
	} {
		if got := rig.Describe(c.part); got != c.full {
			t.Errorf("%+v: %q, want %q", c.part, got, c.full)
		}
		if got := rig.Brief(c.part); got != c.brief {
			t.Errorf("%+v in short: %q, want %q", c.part, got, c.brief)
		}
	}
}

// A meter in the loop states what it carries; a board's input does not, and stands across the shunt beside it.
func TestOnlyAnInputWithoutBurdenStandsAcrossTheShunt(t *testing.T) {
	shunt, board, meter := trace.RigPart{Kind: "shunt", Ohm: 0.1}, trace.RigPart{Kind: "instrument", FullScaleA: 16}, trace.RigPart{Kind: "instrument", FullScaleA: 10, RatedA: 10}
	for _, c := range []struct {
		parts []trace.RigPart
		place int
		shunt int
		ok    bool
	}{
		{[]trace.RigPart{shunt, board}, 1, 0, true}, {[]trace.RigPart{board, shunt}, 0, 1, true}, {[]trace.RigPart{shunt, meter}, 1, 0, false},
		{[]trace.RigPart{board}, 0, 0, false}, {[]trace.RigPart{shunt, {Kind: "lead"}, board}, 2, 0, false}, {[]trace.RigPart{shunt, board}, 0, 0, false},
	} {
		if at, ok := rig.Across(c.parts, c.place); ok != c.ok || at != c.shunt {
			t.Errorf("%+v at %d: %d, %v", c.parts, c.place, at, ok)
		}
	}
}

// The uncertainty of two loads known by their resistance is that of the volts and ohms moved one by one (JCGM 100:2008,
// 5.1.3: central differences), worked out here anew.
func TestLoadsByResistanceCarryTheirWholeUncertainty(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		open, own := rapid.Float64Range(5, 30).Draw(t, "open volts"), rapid.Float64Range(0.1, 10).Draw(t, "own ohms")
		big := rapid.Float64Range(5, 100).Draw(t, "large ohms")
		small := big * rapid.Float64Range(0.05, 0.6).Draw(t, "ratio")
		x := [4]float64{open * big / (big + own), big, open * small / (small + own), small} // V, Ω, V, Ω
		var u [4]float64
		for i := range u {
			u[i] = x[i] * rapid.Float64Range(0, 1e-4).Draw(t, "relative uncertainty")
		}
		zero := func(x [4]float64) float64 {
			i1, i2 := x[0]/x[1], x[2]/x[3]
			r := (x[0] - x[2]) / (i2 - i1)
			return (x[0] + r*i1) / r
		}
		want := 0.0
		for i := range x {
			up, down := x, x
			h := 1e-6 * x[i]
			up[i], down[i] = x[i]+h, x[i]-h
			d := (zero(up) - zero(down)) / (2 * h) * u[i]
			want += d * d
		}
		want = math.Sqrt(want)
		a, b := rig.PointsByOhm(rig.LoadByOhm{V: x[0], Ohm: x[1], UV: u[0], UOhm: u[1]}, rig.LoadByOhm{V: x[2], Ohm: x[3], UV: u[2], UOhm: u[3]})
		e, err := rig.FromTwoLoads(a, b)
		if err != nil {
			t.Skip(err) // currents nearer than their uncertainty
		}
		if math.Abs(e.ZeroOhmA-open/own) > 1e-6*open/own {
			t.Fatalf("%g A into a short, want %g", e.ZeroOhmA, open/own)
		}
		if math.Abs(e.UZeroOhmA-want) > 1e-3*want+1e-12 {
			t.Fatalf("uncertainty %g, want %g", e.UZeroOhmA, want)
		}
	})
}

func TestAnEstimateSaysItsUncertainty(t *testing.T) {
	e, err := rig.FromTwoLoads(rig.LoadPoint{A: 0.5, V: 12.1, UV: 0.01}, rig.LoadPoint{A: 1.5, V: 10.4, UV: 0.01})
	if err != nil {
		t.Fatal(err)
	}
	if got, want := e.Say(), "12.950 ± 0.016 V open behind 1.700 ± 0.014 Ω, so 7.618 ± 0.055 A into a true zero-ohm short."; got != want {
		t.Errorf("says %q, want %q", got, want)
	}
	if got := rig.PlusMinus(1234, 120, "A"); got != "1230 ± 120 A" {
		t.Errorf("a large one is %q", got)
	}
}
