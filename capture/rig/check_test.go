package rig_test

import (
	"encoding/json"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"letthrough/capture/heat"
	"letthrough/capture/rig"
	"letthrough/capture/trace"
)

var tin = trace.Unit{Name: "Tin", RatedVoltageV: 12, RatedCurrentA: 1.4}

func mustCheck(t *testing.T, parts []trace.RigPart, test rig.Test) rig.Answer {
	t.Helper()
	if test.Unit.Name == "" {
		test.Unit = tin
	}
	a, err := rig.Check(trace.Rig{Name: "bench", Parts: parts}, test)
	if err != nil {
		t.Fatal(err)
	}
	return a
}

var (
	goodLead = trace.RigPart{Kind: "lead", Name: "lead", LengthM: 1, AreaMM2: 2.5, RatedA: 20}
	goodFuse = trace.RigPart{Kind: "fuse", Name: "fuse", RatedA: 6.3, FuseSheet: "60127-2/3"}
	meter    = trace.RigPart{Kind: "instrument", Name: "meter", FullScaleA: 10}
)

func known(a float64) rig.Source { return rig.Source{CurrentA: a, From: "run 14"} }

func TestWeakestPartIsNamedWithWhatWouldCureIt(t *testing.T) {
	a := mustCheck(t, []trace.RigPart{goodFuse, goodLead, shunt1, meter}, rig.Test{HoldS: 30, Tested: true, Source: known(4.6)})
	// 2.116 times its watts: −τ ln(1 − 1/2.116), τ = −5/ln(1 − 1/5).
	want := 5 / math.Log(0.8) * math.Log(1-1/2.116)
	if a.Verdict != rig.FitFor || a.Enough || *a.Weakest != 2 || math.Abs(*a.FitForS-want) > 1e-9 {
		t.Errorf("%s %v %v: %s", a.Verdict, *a.Weakest, *a.FitForS, a.Text)
	}
	if a.Text != "Fit for at most 14 s, not for the hold of 30 s: the shunt gives way first, by its watts." {
		t.Error(a.Text)
	}
	if len(a.Cures) != 3 || a.Cures[0] != "0.1 Ω, 3 W in its place: no limit" || a.Cures[1] != "50 mΩ, 1 W in its place: at most 65 s, 0.5 × the signal" || a.Cures[2] != "a hold of 14 s" {
		t.Errorf("%q", a.Cures)
	}
	s := a.Parts[2]
	if math.Abs(*s.W-2.116) > 1e-9 || math.Abs(*s.DropV-0.46) > 1e-9 || math.Abs(*s.A2s-4.6*4.6*30) > 1e-9 || s.Must != "2.12 W, 2.12 × its watts; drops 0.46 V" || s.May != "at most 14 s" {
		t.Errorf("%+v", s)
	}
	// The cure is one: with it the rig stands the hold.
	cured := shunt1
	cured.RatedW = 3
	if a := mustCheck(t, []trace.RigPart{goodFuse, goodLead, cured, meter}, rig.Test{HoldS: 30, Tested: true, Source: known(4.6)}); a.Verdict != rig.Fit || !a.Enough || a.FitForS != nil {
		t.Errorf("cured: %s", a.Text)
	}
}

// k²S² by IEC 60364-5-54: 0.75 mm² copper in PVC from 30 to 160 °C stands k = 142.7.
func TestLeadIsWorkedOutByItsAdiabaticWithstandAndItsRise(t *testing.T) {
	lead := trace.RigPart{Kind: "lead", Name: "lead", LengthM: 1.2, AreaMM2: 0.75}
	a := mustCheck(t, []trace.RigPart{goodFuse, lead, meter}, rig.Test{HoldS: 30, Tested: true, Source: known(4.6)})
	s := a.Parts[1]
	if math.Abs(*s.WithstandA2s-142.6861*142.6861*0.75*0.75) > 1 {
		t.Errorf("withstands %v A²s", *s.WithstandA2s)
	}
	if want := heat.Copper.EndC(4.6*4.6*30, 0.75, 30); math.Abs(*s.EndC-want) > 1e-9 {
		t.Errorf("ends at %v °C, want %v", *s.EndC, want)
	}
	if want := heat.Copper.LongestS(4.6, 0.75, 30, 70); math.Abs(*s.LongestS-want) > 1e-9 {
		t.Errorf("may stay on %v s, want %v: all heat kept, to what PVC works at", *s.LongestS, want)
	}
	if want := 0.0312 * 264.5 / 254.5; math.Abs(*s.Ohm-want) > 1e-9 { // 1.2 m of 26 mΩ at 30 °C
		t.Errorf("%v Ω, want %v", *s.Ohm, want)
	}
	// With what it carries for ever known, the same current below that has no limit, and above it takes longer
	// than with all heat kept.
	lead.RatedA = 6
	if a := mustCheck(t, []trace.RigPart{goodFuse, lead, meter}, rig.Test{HoldS: 30, Tested: true, Source: known(4.6)}); a.Parts[1].LongestS != nil {
		t.Errorf("below its rating: %v", *a.Parts[1].LongestS)
	}
	if a := mustCheck(t, []trace.RigPart{goodFuse, lead, meter}, rig.Test{HoldS: 30, Tested: true, Source: known(9)}); *a.Parts[1].LongestS <= heat.Copper.LongestS(9, 0.75, 30, 70) {
		t.Errorf("above its rating: %v", *a.Parts[1].LongestS)
	}
}

func TestProspectiveCurrentHasItsReason(t *testing.T) {
	parts := []trace.RigPart{goodFuse, {Kind: "shunt", Name: "shunt", Ohm: 0.15, RatedW: 100}, meter}
	for name, c := range map[string]struct {
		source rig.Source
		basis  rig.Basis
		a      float64
		zero   float64
		text   string
	}{
		"measured":         {rig.Source{OpenV: 12.4, SourceOhm: 2.35, From: "run 14"}, rig.Measured, 12.4 / 2.5, 12.4 / 2.35, "Measured, run 14: 12.4 V open"},
		"known":            {rig.Source{CurrentA: 4.3, OpenV: 12.4}, rig.Stated, 4.3, 12.4 / (12.4/4.3 - 0.15), "Known: 4.3 A into a short."},
		"two loads":        {rig.Source{Loads: []rig.LoadPoint{{A: 0.5, V: 12}, {A: 1.5, V: 10}}}, rig.TwoLoads, 13 / 2.15, 6.5, "Forecast from two harmless loads: 13 V behind 2 Ω"},
		"assumed":          {rig.Source{}, rig.Assumed, 14, 0, "Taken as 10 × the rating, 14 A"},
		"assumed 5 times":  {rig.Source{AssumedTimes: 5}, rig.Assumed, 7, 0, "Taken as 5 × the rating, 7 A"},
		"held by the rig":  {rig.Source{OpenV: 1.5}, rig.Assumed, 10, 0, "lets no more than 10 A flow"},
		"measured is best": {rig.Source{OpenV: 12, SourceOhm: 2.85, CurrentA: 99}, rig.Measured, 4, 12 / 2.85, "Measured"},
	} {
		p := mustCheck(t, parts, rig.Test{HoldS: 1, Source: c.source}).Prospective
		if p.Basis != c.basis || math.Abs(*p.CurrentA-c.a) > 1e-9 || !strings.Contains(p.Text, c.text) {
			t.Errorf("%s: %s %v A, %q", name, p.Basis, *p.CurrentA, p.Text)
		}
		if (c.zero == 0) != (p.ZeroOhmA == nil) || c.zero != 0 && math.Abs(*p.ZeroOhmA-c.zero) > 1e-9 {
			t.Errorf("%s: zero-ohm current %v, want %v", name, p.ZeroOhmA, c.zero)
		}
	}
	a := mustCheck(t, parts, rig.Test{Unit: trace.Unit{Name: "Dust"}})
	if a.Verdict != rig.NotDetermined || a.Enough || a.Prospective.CurrentA != nil || !strings.Contains(a.Text, "not known") {
		t.Errorf("nothing known: %s %s", a.Verdict, a.Text)
	}
}

// The forecast's uncertainty against a Monte Carlo of the same readings (JCGM 101).
func TestForecastFromTwoLoadsIsAsUncertainAsItsReadings(t *testing.T) {
	a, b := rig.LoadPoint{A: 0.5, V: 12, UA: 0.01, UV: 0.02}, rig.LoadPoint{A: 1.5, V: 10, UA: 0.02, UV: 0.02}
	e, err := rig.FromTwoLoads(b, a)
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(e.OpenV-13) > 1e-12 || math.Abs(e.SourceOhm-2) > 1e-12 || math.Abs(e.ZeroOhmA-6.5) > 1e-12 {
		t.Errorf("%+v", e)
	}
	rnd := newNormal(1)
	var v, r, i, through sums
	for range 200000 {
		p, q := a, b
		p.A, p.V, q.A, q.V = p.A+rnd()*p.UA/2, p.V+rnd()*p.UV/2, q.A+rnd()*q.UA/2, q.V+rnd()*q.UV/2
		ohm := (p.V - q.V) / (q.A - p.A)
		open := p.V + ohm*p.A
		v.add(open)
		r.add(ohm)
		i.add(open / ohm)
		through.add(open / (ohm + 0.7))
	}
	parts := []trace.RigPart{goodFuse, {Kind: "shunt", Name: "shunt", Ohm: 0.7, RatedW: 100}, meter}
	p := mustCheck(t, parts, rig.Test{HoldS: 1, Source: rig.Source{Loads: []rig.LoadPoint{a, b}}}).Prospective
	for what, c := range map[string][2]float64{"short through the rig": {*p.UA, 2 * through.sd()}, "open volts": {e.UOpenV, 2 * v.sd()}, "source resistance": {e.USource, 2 * r.sd()}, "short": {e.UZeroOhmA, 2 * i.sd()}} {
		if math.Abs(c[0]/c[1]-1) > 0.03 {
			t.Errorf("%s: U is %v, the Monte Carlo says %v", what, c[0], c[1])
		}
	}
	for name, bad := range map[string][2]rig.LoadPoint{
		"the same load":  {a, a},
		"too near":       {a, {A: 0.51, V: 11.9, UA: 0.02}},
		"rising volts":   {a, {A: 1.5, V: 12.5}},
		"no number":      {a, {A: math.NaN(), V: 1}},
		"negative volts": {a, {A: 2, V: -1}},
		"negative U":     {a, {A: 2, V: 1, UA: -1}},
	} {
		if e, err := rig.FromTwoLoads(bad[0], bad[1]); err == nil {
			t.Errorf("%s: %+v", name, e)
		}
	}
}

func TestUnitNeverTestedIsOfferedAShortFirstHold(t *testing.T) {
	parts := []trace.RigPart{goodFuse, goodLead, shunt1, {Kind: "instrument", FullScaleA: 20}}
	a := mustCheck(t, parts, rig.Test{}) // 14 A: 19.6 W, the shunt stands 1.17 s
	if a.FirstHoldS == nil || *a.FirstHoldS != 1.1 || a.HoldS != 1.1 || !a.Enough || !strings.Contains(a.FirstHold, "the first hold is 1.1 s") {
		t.Errorf("%v %v: %s %s", a.FirstHoldS, a.HoldS, a.Text, a.FirstHold)
	}
	if a := mustCheck(t, parts, rig.Test{HoldS: 30}); a.Verdict != rig.FitFor || a.HoldS != 30 || !strings.Contains(a.FirstHold, "Begin with a hold of 1.1 s") {
		t.Errorf("with a hold of one's own: %s %s", a.Text, a.FirstHold)
	}
	if a := mustCheck(t, parts, rig.Test{Tested: true, Source: known(3)}); a.HoldS != 30 || a.FirstHoldS != nil || a.FirstHold != "" {
		t.Errorf("tested: %v %q", a.HoldS, a.FirstHold)
	}
	weak := shunt1
	weak.RatedW = 0.25
	if a := mustCheck(t, []trace.RigPart{goodFuse, weak, meter}, rig.Test{}); a.Verdict != rig.Unfit || a.FirstHoldS != nil || !strings.Contains(a.FirstHold, "no hold that a hand can make") {
		t.Errorf("a weak shunt: %s %s", a.Text, a.FirstHold)
	}
}

func TestBadRigsAreSaidInPlaceAndNeverPassInSilence(t *testing.T) {
	for name, c := range map[string]struct {
		parts []trace.RigPart
		code  string
		text  string
		fit   bool
	}{
		"no fuse":                 {[]trace.RigPart{goodLead, meter}, "no_fuse", "There is no fuse in this rig.", true},
		"only the meter's":        {[]trace.RigPart{goodLead, {Kind: "instrument", FullScaleA: 10, FuseA: 10}}, "fuse_inside", "The only fuse is the one inside", true},
		"no instrument":           {[]trace.RigPart{goodFuse, goodLead}, "no_instrument", "There is no instrument", true},
		"shunt without watts":     {[]trace.RigPart{goodFuse, meter, {Kind: "shunt", Ohm: 0.1}}, "missing", "The shunt: its rated watts are not known", false},
		"shunt without ohms":      {[]trace.RigPart{goodFuse, meter, {Kind: "shunt", RatedW: 1}}, "missing", "its ohms are not known", false},
		"lead without area":       {[]trace.RigPart{goodFuse, meter, {Kind: "lead", LengthM: 1}}, "missing", "its area is not known", false},
		"contact without rating":  {[]trace.RigPart{goodFuse, meter, {Kind: "contact"}}, "missing", "its rated current is not known", false},
		"fuse without rating":     {[]trace.RigPart{{Kind: "fuse"}, meter}, "missing", "its rating is not known", false},
		"fuse without sheet":      {[]trace.RigPart{{Kind: "fuse", RatedA: 2}, meter}, "note", "standard and sheet are not known", true},
		"fuse outside its sheet":  {[]trace.RigPart{{Kind: "fuse", RatedA: 7, FuseSheet: "60127-2/2"}, meter}, "note", "has no gates for 7 A", true},
		"box":                     {[]trace.RigPart{goodFuse, meter, {Kind: "other", Name: "box"}}, "missing", "nothing is known of what it may carry", false},
		"instrument of nothing":   {[]trace.RigPart{goodFuse, {Kind: "instrument"}}, "missing", "neither its full scale", false},
		"on-time without current": {[]trace.RigPart{goodFuse, {Kind: "instrument", MaxOnS: 10}}, "missing", "counts only with the current", false},
		"shunt of ohms":           {[]trace.RigPart{goodFuse, meter, {Kind: "shunt", Ohm: 100, RatedW: 1e5}}, "absurd", "was mΩ meant", true},
		"lead of cheese":          {[]trace.RigPart{goodFuse, meter, {Kind: "lead", LengthM: 1, AreaMM2: 1, Material: "cheese"}}, "missing", "is no material of the sums", false},
		"hot lead":                {[]trace.RigPart{goodFuse, meter, {Kind: "lead", LengthM: 1, AreaMM2: 1, RatedA: 50, StartC: 75}}, "absurd", "starts at 75 °C", true},
		"fuse that never opens":   {[]trace.RigPart{{Kind: "fuse", RatedA: 63}, meter}, "absurd", "never open", true},
		"amps against watts":      {[]trace.RigPart{goodFuse, meter, {Kind: "shunt", Ohm: 0.1, RatedW: 1, RatedA: 20}}, "absurd", "the watts decide", true},
	} {
		a := mustCheck(t, c.parts, rig.Test{HoldS: 5, Tested: true, Source: known(0.5)})
		found := false
		for _, p := range a.Problems {
			found = found || p.Code == c.code && strings.Contains(p.Text, c.text)
		}
		if !found {
			t.Errorf("%s: %+v", name, a.Problems)
		}
		if a.Enough != c.fit || !c.fit && a.Verdict != rig.NotDetermined {
			t.Errorf("%s: %s %s", name, a.Verdict, a.Text)
		}
	}
	for name, p := range map[string]trace.RigPart{
		"negative ohms": {Kind: "shunt", Ohm: -1}, "no number": {Kind: "shunt", Ohm: math.NaN()}, "endless watts": {Kind: "shunt", Ohm: 1, RatedW: math.Inf(1)},
		"no kind": {}, "unknown kind": {Kind: "wand"}, "unknown sheet": {Kind: "fuse", FuseSheet: "99"}, "overload of half": {Kind: "shunt", OverloadFactor: 0.5, OverloadS: 1},
		"overload without time": {Kind: "shunt", OverloadFactor: 5}, "end below start": {Kind: "lead", StartC: 90, EndC: 60},
	} {
		if _, err := rig.Check(trace.Rig{Parts: []trace.RigPart{p}}, rig.Test{Unit: tin}); err == nil || !strings.HasPrefix(err.Error(), "parts[0].") {
			t.Errorf("%s: %v", name, err)
		}
	}
	for name, test := range map[string]rig.Test{
		"negative hold": {HoldS: -1}, "no number": {HoldS: math.NaN()}, "negative volts": {Source: rig.Source{OpenV: -1}}, "one load": {Source: rig.Source{Loads: make([]rig.LoadPoint, 1)}},
		"no procedure": {Procedure: "dance"}, "negative times": {Times: -2}, "endless assumption": {Source: rig.Source{AssumedTimes: math.Inf(1)}},
	} {
		test.Unit = tin
		if a, err := rig.Check(trace.Rig{Parts: []trace.RigPart{goodFuse}}, test); err == nil {
			t.Errorf("%s: %+v", name, a)
		}
	}
}

func TestContactsGoByWhatTheyMayCloseOnCarryAndOpen(t *testing.T) {
	for name, c := range map[string]struct {
		p    trace.RigPart
		want rig.Verdict
		text string
	}{
		"within its rating": {trace.RigPart{Kind: "contact", RatedA: 10}, rig.Fit, ""},
		"above its rating":  {trace.RigPart{Kind: "contact", RatedA: 5}, rig.Unfit, "rated to carry and to open 5 A"},
		"above its making":  {trace.RigPart{Kind: "relay", RatedA: 10, MakeA: 7}, rig.Unfit, "may close on 7 A only"},
		"above its opening": {trace.RigPart{Kind: "switch", RatedA: 10, BreakA: 6}, rig.Unfit, "may open 6 A only"},
		"overload stated":   {trace.RigPart{Kind: "contact", RatedA: 5, OverloadFactor: 4, OverloadS: 10}, rig.FitFor, "by its rated current"},
	} {
		a := mustCheck(t, []trace.RigPart{goodFuse, c.p, meter}, rig.Test{HoldS: 30, Tested: true, Source: known(8)})
		if a.Parts[1].Verdict != c.want || !strings.Contains(a.Text, c.text) || a.Verdict != c.want {
			t.Errorf("%s: %s, %s", name, a.Parts[1].Verdict, a.Text)
		}
	}
}

func TestFusesAreSaidToOpenOrNot(t *testing.T) {
	at := func(fuse trace.RigPart, amp float64) rig.FuseAnswer {
		a := mustCheck(t, []trace.RigPart{fuse, goodLead, shunt1, meter}, rig.Test{HoldS: 30, Tested: true, Source: known(amp)})
		return a.Fuses[0]
	}
	if f := at(goodFuse, 4.6); f.Opens != "no" || f.Text != "The fuse at 4.6 A (0.73 × its rating) will not open in this test; at 17.3 A it opens within 10 s. It does not protect the shunt, which stands 14 s. One of 1.6 A of the same kind would open before that." {
		t.Errorf("%s: %s", f.Opens, f.Text)
	}
	quick := trace.RigPart{Kind: "fuse", Name: "fuse", RatedA: 1, FuseSheet: "60127-2/2"}
	if f := at(quick, 4.6); f.Opens != "yes" || !*f.Saves || !strings.Contains(f.Text, "opens within 300 ms. It opens before the shunt gives way.") {
		t.Errorf("%s: %s", f.Opens, f.Text)
	}
	if f := at(trace.RigPart{Kind: "fuse", Name: "fuse", RatedA: 2, FuseSheet: "60127-2/3"}, 4.6); f.Opens != "maybe" || *f.Saves || !strings.Contains(f.Text, "may open in this test: after 600 ms to 120 s") {
		t.Errorf("%s: %s", f.Opens, f.Text)
	}
	if f := at(trace.RigPart{Kind: "fuse", RatedA: 2}, 4.6); f.Opens != "unknown" || f.LatestS != nil || !strings.Contains(f.Text, "not known") {
		t.Errorf("%s: %s", f.Opens, f.Text)
	}
	// A sure opening ends the test before its hold, if the current is more than an assumption.
	a := mustCheck(t, []trace.RigPart{quick, goodLead, meter}, rig.Test{HoldS: 30, Tested: true, Source: known(4.6)})
	if a.Enough || !strings.HasPrefix(a.Text, "Fit, but not for the whole hold") {
		t.Error(a.Text)
	}
	if a := mustCheck(t, []trace.RigPart{quick, goodLead, {Kind: "instrument", FullScaleA: 20}}, rig.Test{}); !a.Enough {
		t.Error(a.Text)
	}
	// A fuse that may open before three readings are there.
	slow := meter
	slow.IntervalS = 0.4
	a = mustCheck(t, []trace.RigPart{quick, goodLead, slow}, rig.Test{HoldS: 30, Tested: true, Source: known(4.6)})
	if !hasProblem(a, "fuse_faster_than_meter", "the instrument gives a reading every 400 ms") {
		t.Errorf("%+v", a.Problems)
	}
	burst := quick
	burst.BreakA = 4
	if a := mustCheck(t, []trace.RigPart{burst, goodLead, meter}, rig.Test{HoldS: 30, Tested: true, Source: known(4.6)}); !hasProblem(a, "breaking_capacity", "can open 4 A only") {
		t.Errorf("%+v", a.Problems)
	}
	low := trace.RigPart{Kind: "relay", Name: "relay", RatedA: 30, RatedV: 10}
	if a := mustCheck(t, []trace.RigPart{goodFuse, low, meter}, rig.Test{HoldS: 30, Tested: true, Source: known(4.6)}); !hasProblem(a, "voltage", "The relay is made to break 10 V, and the unit has 12 V") {
		t.Errorf("%+v", a.Problems)
	}
	ptc := mustCheck(t, []trace.RigPart{goodFuse, {Kind: "protector", Name: "PTC", RatedA: 0.9}, meter}, rig.Test{HoldS: 30, Tested: true, Source: known(4.6)})
	if len(ptc.Fuses) != 2 || ptc.Fuses[1].Opens != "yes" || !strings.Contains(ptc.Fuses[1].Text, "trips at 4.6 A within 5.9 s") {
		t.Errorf("%+v", ptc.Fuses)
	}
}

func hasProblem(a rig.Answer, code, text string) bool {
	for _, p := range a.Problems {
		if p.Code == code && strings.Contains(p.Text, text) {
			return true
		}
	}
	return false
}

func TestReadingsStopAtFullScaleAndAShuntCuresIt(t *testing.T) {
	board := trace.RigPart{Kind: "instrument", Name: "board", FullScaleA: 2}
	big := trace.RigPart{Kind: "shunt", Name: "shunt", Ohm: 0.1, RatedW: 100}
	r := mustCheck(t, []trace.RigPart{goodFuse, big, board}, rig.Test{HoldS: 1, Source: known(5)}).Readings
	if !r.Stop || *r.FullScaleA != 2 || len(r.Cures) != 2 || r.Cures[0] != "a shunt of 20 mΩ: readings up to 10 A, 0.2 × the signal" || r.Cures[1] != "a range of 5 A or more" {
		t.Errorf("%+v", r)
	}
	if r := mustCheck(t, []trace.RigPart{goodFuse, big, board}, rig.Test{HoldS: 1, Source: known(1.9)}).Readings; r.Stop {
		t.Errorf("%+v", r)
	}
}

func TestOtherProceduresGoByTheirOwnCurrent(t *testing.T) {
	for p, want := range map[trace.Procedure]float64{trace.Ramp: 4.2, trace.Steps: 4.2, trace.Overload: 2.8, trace.Carry: 1.4} {
		a := mustCheck(t, []trace.RigPart{goodFuse, goodLead, meter}, rig.Test{Procedure: p, HoldS: 30})
		if a.Prospective.Basis != rig.Chosen || math.Abs(*a.Prospective.CurrentA-want) > 1e-9 {
			t.Errorf("%s: %v", p, *a.Prospective.CurrentA)
		}
	}
	a := mustCheck(t, []trace.RigPart{goodFuse, goodLead, meter}, rig.Test{Procedure: trace.Overload, Times: 5, HoldS: 30})
	if *a.Prospective.CurrentA != 7 {
		t.Error(*a.Prospective.CurrentA)
	}
}

func TestEffectOfTheRigIsStated(t *testing.T) {
	parts := []trace.RigPart{goodFuse, {Kind: "shunt", Name: "shunt", Ohm: 0.15, RatedW: 100}, meter}
	e := mustCheck(t, parts, rig.Test{HoldS: 1, Source: rig.Source{OpenV: 12.4, SourceOhm: 2.35}}).Effect
	if *e.LoopOhm != 0.15 || math.Abs(*e.BurdenV-0.15*12.4/2.5) > 1e-12 || e.Text != "The rig has 0.15 Ω and takes 0.744 V at 4.96 A; into a true zero-ohm short 5.28 A would flow." {
		t.Errorf("%+v", e)
	}
}

// What the check says a part stands, the guard lets pass and no more.
func TestGuardAndCheckAgree(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := rapid.SampledFrom(kinds).Draw(t, "part")
		amp := rapid.Float64Range(1, 40).Draw(t, "amp")
		a, err := rig.Check(trace.Rig{Parts: []trace.RigPart{p}}, rig.Test{Unit: tin, HoldS: 5, Tested: true, Source: known(amp)})
		if err != nil {
			t.Fatal(err)
		}
		long := a.Parts[0].LongestS
		if long == nil || *long > 1000 || *long < 0.1 {
			return
		}
		g := rig.NewGuard([]trace.RigPart{p}, rig.GuardSettings{})
		g.Feed(steady(0, *long*0.99, *long/1000, amp))
		if s := g.State(); s.Level == rig.AtLimit {
			t.Errorf("%+v before its %v s", s, *long)
		}
		g.Feed(steady(*long*0.991, *long*1.01, *long/1000, amp))
		if s := g.State(); s.Level != rig.AtLimit && s.Used < 1 {
			t.Errorf("%+v after its %v s", s, *long)
		}
	})
}

func TestAnyRigGivesAnAnswerOrARefusal(t *testing.T) {
	number := rapid.OneOf(rapid.SampledFrom([]float64{0, 0, -1, 1e-9, 0.1, 1, 30, 1e5, math.NaN(), math.Inf(1)}), rapid.Float64Range(0, 100))
	rapid.Check(t, func(t *rapid.T) {
		var parts []trace.RigPart
		for range rapid.IntRange(0, 5).Draw(t, "n") {
			f := func(name string) float64 { return number.Draw(t, name) }
			parts = append(parts, trace.RigPart{Kind: rapid.SampledFrom(append(trace.RigPartKinds, "x")).Draw(t, "kind"), Ohm: f("ohm"), RatedA: f("a"), RatedV: f("v"), RatedW: f("w"),
				TauS: f("tau"), FullScaleA: f("fs"), MaxOnS: f("on"), RestS: f("rest"), MakeA: f("make"), BreakA: f("break"), LengthM: f("m"), AreaMM2: f("mm2"),
				StartC: f("start"), EndC: f("end"), MeltingA2s: f("melt"), FuseA: f("fuse"), FuseSheet: rapid.SampledFrom(append(trace.RigFuseSheets, "")).Draw(t, "sheet"),
				Insulation: rapid.SampledFrom(append(trace.RigInsulations, "")).Draw(t, "insulation"), Material: rapid.SampledFrom([]string{"", "copper", "cheese"}).Draw(t, "material")})
		}
		a, err := rig.Check(trace.Rig{Parts: parts}, rig.Test{Unit: trace.Unit{RatedCurrentA: rapid.Float64Range(0, 10).Draw(t, "rated")}, HoldS: rapid.Float64Range(0, 60).Draw(t, "hold"),
			Procedure: rapid.SampledFrom(trace.Procedures).Draw(t, "procedure"), Source: rig.Source{OpenV: number.Draw(t, "open"), SourceOhm: number.Draw(t, "own")}})
		if err != nil {
			return
		}
		if _, err := json.Marshal(a); err != nil { // NaN and infinities are no JSON
			t.Errorf("%v: %+v", err, a)
		}
		if a.Text == "" || a.Verdict == "" || strings.Contains(a.Text, "NaN") || strings.Contains(a.Text, "Inf") || a.Enough != (a.Verdict == rig.Fit) {
			t.Errorf("%s: %q", a.Verdict, a.Text)
		}
	})
}

func TestStarterPartsAreWholeAndTheirRigIsFit(t *testing.T) {
	names := map[string]bool{}
	for _, p := range rig.Starter() {
		if err := p.Validate(); err != nil {
			t.Errorf("%s: %v", p.Name, err)
		}
		if names[p.Name] || p.Note == "" {
			t.Errorf("%s is there twice, or does not say where its numbers come from", p.Name)
		}
		names[p.Name] = true
		for _, m := range rig.Problems([]trace.RigPart{p.RigPart}) {
			if m.Missing || m.Code == "absurd" {
				t.Errorf("%s: %s", p.Name, m.Text)
			}
		}
	}
	r := rig.StarterRig()
	if len(r.Parts) != 6 {
		t.Fatalf("%d parts", len(r.Parts))
	}
	if a, err := rig.Check(r, rig.Test{Unit: tin}); err != nil || !a.Enough || len(a.Problems) != 0 {
		t.Errorf("%v %s %+v", err, a.Text, a.Problems)
	}
}
