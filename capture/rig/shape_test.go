package rig_test

import (
	"math"
	"strings"
	"testing"

	"letthrough/capture/rig"
	"letthrough/capture/trace"
)

// A half-wave unit of 2.74 A mean heats like 4.281 A: 1.833 W in 0.1 Ω. By hand −τ ln(1 − 1/1.833) with
// τ = −5/ln(1 − 1/5).
func TestMeasuredRippleHeatsByItsRmsAndPeaksByItsPeak(t *testing.T) {
	moss := trace.Unit{Name: "Moss", RatedCurrentA: 1, Waveform: trace.HalfWave}
	small := trace.RigPart{Kind: "instrument", Name: "meter", FullScaleA: 5}
	a := mustCheck(t, []trace.RigPart{goodFuse, goodLead, shunt1, small}, rig.Test{Unit: moss, HoldS: 30, Tested: true,
		Source: rig.Source{CurrentA: 2.74, HeatA: 4.281, PeakA: 9.38, From: "run 8"}})
	watts := 4.281 * 4.281 * 0.1
	want := 5 / math.Log(0.8) * math.Log(1-1/watts)
	if a.Verdict != rig.FitFor || a.Enough || a.FitForS == nil || math.Abs(*a.FitForS-want) > 1e-9 || want > 18 {
		t.Fatalf("%s, want fit for %v s: %s", a.Verdict, want, a.Text)
	}
	if s := a.Parts[2]; math.Abs(*s.W-watts) > 1e-9 || math.Abs(*s.A2s-4.281*4.281*30) > 1e-9 || math.Abs(*s.DropV-0.274) > 1e-9 {
		t.Errorf("the shunt: %v W, %v A²s, %v V", *s.W, *s.A2s, *s.DropV)
	}
	if p := a.Prospective; *p.CurrentA != 2.74 || *p.HeatA != 4.281 || *p.PeakA != 9.38 || !strings.Contains(p.Text, "heats like a steady 4.28 A (rms; measured)") || !strings.Contains(p.Text, "peaks at 9.38 A") {
		t.Errorf("%+v", p)
	}
	if !a.Readings.Stop || !strings.Contains(a.Readings.Text, "9.38 A may flow") {
		t.Error("readings stop at the peak:", a.Readings.Text)
	}
	// Through another rig the same shape.
	a = mustCheck(t, []trace.RigPart{shunt1}, rig.Test{Unit: moss, HoldS: 30, Source: rig.Source{OpenV: 12, SourceOhm: 2.9, CurrentA: 2, HeatA: 3, PeakA: 5}})
	if p := a.Prospective; math.Abs(*p.CurrentA-4) > 1e-9 || math.Abs(*p.HeatA-6) > 1e-9 || math.Abs(*p.PeakA-10) > 1e-9 {
		t.Errorf("volts and ohms: %v %v %v", *p.CurrentA, *p.HeatA, *p.PeakA)
	}
	// Heat is never less than the mean, whatever is said.
	if p := mustCheck(t, []trace.RigPart{shunt1}, rig.Test{Unit: moss, HoldS: 30, Source: rig.Source{CurrentA: 4, HeatA: 1}}).Prospective; *p.HeatA != 4 || *p.PeakA != 4 {
		t.Errorf("less than the mean: %v %v", *p.HeatA, *p.PeakA)
	}
}

// Rms over mean: full-wave π/(2√2) = 1.1107, half-wave π/2 = 1.5708 (closed forms; the means of 0.90 and 0.64 of the
// rms in NEM 630).
func TestStatedWaveformHeatsByItsFormFactorWhereNothingWasMeasured(t *testing.T) {
	forms := map[trace.Waveform][2]float64{"": {1, 1}, trace.DC: {1, 1}, trace.FullWave: {1.1107207, 1.5707963}, trace.HalfWave: {1.5707963, 3.1415927}, trace.PWM: {2, 4}}
	tests := map[string]rig.Test{
		"assumed":        {},
		"volts and ohms": {Source: rig.Source{OpenV: 12, SourceOhm: 3}},
		"known amps":     {Source: rig.Source{CurrentA: 4}},
		"two loads":      {Source: rig.Source{Loads: []rig.LoadPoint{{A: 0.5, V: 12}, {A: 1.5, V: 10}}}},
		"overload":       {Procedure: trace.Overload},
		"carry":          {Procedure: trace.Carry},
	}
	for w, f := range forms {
		for name, test := range tests {
			test.HoldS, test.Unit = 10, trace.Unit{Name: "Fern", RatedCurrentA: 1, Waveform: w}
			a := mustCheck(t, []trace.RigPart{goodFuse, shunt1, meter}, test)
			p := a.Prospective
			if math.Abs(*p.HeatA / *p.CurrentA - f[0]) > 1e-6 || math.Abs(*p.PeakA / *p.CurrentA - f[1]) > 1e-6 || math.Abs(*a.Parts[1].W-0.1**p.HeatA**p.HeatA) > 1e-9 {
				t.Errorf("%s %s: heats by %v, peaks by %v, want %v", w, name, *p.HeatA / *p.CurrentA, *p.PeakA / *p.CurrentA, f)
			}
			if f[0] > 1 != strings.Contains(p.Text, "heats like a steady") || w == trace.PWM != strings.Contains(p.Text, "duty not known: taken as on for 25 %") {
				t.Errorf("%s %s: %q", w, name, p.Text)
			}
		}
	}
}

func TestLadderCountsWattsByTheRmsOfARippledUnit(t *testing.T) {
	q := rig.LadderRequest{Volts: 12, RatedA: 1, Steps: []float64{1}}
	plain, err := rig.MakeLadder(q, nil)
	if err != nil {
		t.Fatal(err)
	}
	q.FormFactor, q.FormWhy = rig.FormFactor(trace.HalfWave, rig.Source{})
	half, err := rig.MakeLadder(q, nil)
	if err != nil {
		t.Fatal(err)
	}
	more := math.Pi * math.Pi / 4
	if a, b := plain.Resistors[0], half.Resistors[0]; math.Abs(b.W/a.W-more) > 1e-9 || math.Abs(b.HeatJ/a.HeatJ-more) > 1e-9 || *b.TakeW <= *a.TakeW || math.Abs(half.HeatJ/plain.HeatJ-more) > 1e-9 {
		t.Errorf("%+v beside %+v", b, a)
	}
	if half.Stairs[0].CurrentA != plain.Stairs[0].CurrentA || !strings.Contains(strings.Join(half.Notes, " "), "half-wave rectified") {
		t.Errorf("%+v %q", half.Stairs[0], half.Notes)
	}
}

func TestHeadlineAndTableNameTheSamePart(t *testing.T) {
	lead := trace.RigPart{Kind: "lead", Name: "lead", LengthM: 1, AreaMM2: 1.5}
	relay := trace.RigPart{Kind: "relay", Name: "relay", RatedA: 30, OverloadFactor: 10, OverloadS: 0.05}
	for name, parts := range map[string][]trace.RigPart{"lead first": {goodFuse, lead, relay, meter}, "relay first": {relay, goodFuse, lead, meter}} {
		a := mustCheck(t, parts, rig.Test{HoldS: 30, Tested: true, Source: known(289)})
		weak := -1
		for i, s := range a.Parts {
			if s.LongestS != nil && (weak < 0 || *s.LongestS < *a.Parts[weak].LongestS) {
				weak = i
			}
		}
		if a.Verdict != rig.Unfit || a.Parts[weak].Kind != "relay" || *a.Weakest != weak || !strings.Contains(a.Text, "Unfit: the relay stands") {
			t.Errorf("%s: weakest %d: %s", name, *a.Weakest, a.Text)
		}
		if len(a.Cures) != len(a.Parts[weak].Cures) || len(a.Cures) > 0 && a.Cures[0] != a.Parts[weak].Cures[0] {
			t.Errorf("%s: %q are not the relay's, %q", name, a.Cures, a.Parts[weak].Cures)
		}
	}
}

// 35 A or ten times the rating, whichever is greater: IEC 60127-2 sheets 2 and 3, from memory.
func TestFuseOfLowBreakingCapacityIsWarnedOfBeyondIt(t *testing.T) {
	for _, c := range []struct {
		fuse trace.RigPart
		a    float64
		want string
	}{
		{trace.RigPart{Kind: "fuse", Name: "fuse", RatedA: 1, FuseSheet: "60127-2/2"}, 36, "35 A only"},
		{trace.RigPart{Kind: "fuse", Name: "fuse", RatedA: 1, FuseSheet: "60127-2/3"}, 34, ""},
		{trace.RigPart{Kind: "fuse", Name: "fuse", RatedA: 6.3, FuseSheet: "60127-2/3"}, 62, ""},
		{trace.RigPart{Kind: "fuse", Name: "fuse", RatedA: 6.3, FuseSheet: "60127-2/3"}, 64, "63 A only"},
		{trace.RigPart{Kind: "fuse", Name: "fuse", RatedA: 6.3, FuseSheet: "60127-2/1"}, 289, ""},
		{trace.RigPart{Kind: "fuse", Name: "fuse", RatedA: 6.3, FuseSheet: "60127-2/3", BreakA: 1500}, 289, ""},
		{trace.RigPart{Kind: "instrument", Name: "meter", FullScaleA: 10, FuseA: 1, FuseSheet: "60127-2/2"}, 36, "The fuse inside the meter is of low breaking capacity"},
	} {
		got := ""
		for _, p := range mustCheck(t, []trace.RigPart{c.fuse}, rig.Test{HoldS: 1, Source: known(c.a)}).Problems {
			if p.Code == "breaking_capacity" {
				got = p.Text
			}
		}
		if (c.want == "") != (got == "") || !strings.Contains(got, c.want) {
			t.Errorf("%s %g A at %g A: %q, want %q", c.fuse.FuseSheet, c.fuse.RatedA, c.a, got, c.want)
		}
	}
}

func TestFuseThatCarriesItsRatingIsNotSaidToOpen(t *testing.T) {
	input := trace.RigPart{Kind: "instrument", Name: "meter", FullScaleA: 20, FuseA: 10, IntervalS: 0.5}
	for amp, want := range map[float64]string{9: "", 12: "may open at once"} {
		got := ""
		for _, p := range mustCheck(t, []trace.RigPart{goodFuse, input}, rig.Test{HoldS: 30, Source: known(amp)}).Problems {
			if p.Code == "fuse_faster_than_meter" && p.Place == 1 {
				got = p.Text
			}
		}
		if (want == "") != (got == "") || !strings.Contains(got, want) || strings.Contains(got, "after 0 s") {
			t.Errorf("%g A: %q, want %q", amp, got, want)
		}
	}
}

func TestSourceGivenByHalfIsRefused(t *testing.T) {
	for name, c := range map[string]struct {
		s    rig.Source
		want string
	}{
		"nothing":         {rig.Source{}, ""},
		"both":            {rig.Source{OpenV: 12, SourceOhm: 2}, ""},
		"volts and amps":  {rig.Source{OpenV: 12, CurrentA: 2}, ""},
		"volts alone":     {rig.Source{OpenV: 12}, "source_ohm: "},
		"ohms alone":      {rig.Source{SourceOhm: 2}, "open_v: "},
		"heat alone":      {rig.Source{HeatA: 2}, "current_a: "},
		"not a number":    {rig.Source{OpenV: math.NaN()}, "open_v: "},
		"peak not finite": {rig.Source{CurrentA: 1, PeakA: math.Inf(1)}, "peak_a: "},
	} {
		if err := c.s.Whole(); (c.want == "") != (err == nil) || err != nil && !strings.HasPrefix(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q", name, err, c.want)
		}
	}
}

func TestUnfitRigOffersNoFirstHold(t *testing.T) {
	relay := trace.RigPart{Kind: "relay", Name: "relay", RatedA: 30, BreakA: 10}
	a := mustCheck(t, []trace.RigPart{goodFuse, relay, meter}, rig.Test{}) // Tin, 14 A assumed
	if a.Verdict != rig.Unfit || a.FirstHoldS != nil || !strings.HasSuffix(a.FirstHold, "Mend the rig first.") || !strings.HasPrefix(a.Text, "Unfit: the relay may open 10 A only, and 14 A may flow.") {
		t.Errorf("%v %q: %s", a.FirstHoldS, a.FirstHold, a.Text)
	}
}
