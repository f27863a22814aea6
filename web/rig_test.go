package web

import (
	"context"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"letthrough/capture/rig"
	"letthrough/capture/trace"
)

const weakRig = `{"name":"weak","parts":[{"kind":"fuse","name":"fuse","rated_a":6.3,"fuse_sheet":"60127-2/3"},{"kind":"lead","name":"lead","length_m":1,"area_mm2":2.5,"rated_a":20},
	{"kind":"shunt","name":"shunt","ohm":0.1,"rated_w":1,"overload_factor":5,"overload_s":5},{"kind":"instrument","full_scale_a":20}]}`

func TestRigIsCheckedOverHTTP(t *testing.T) {
	ts := newTestServer(t)
	ts.must(t, "POST", "/api/units", `{"name":"Tin","rated_current_a":1.4,"rated_voltage_v":12}`, nil)
	ts.must(t, "POST", "/api/rigs", weakRig, nil)
	var a rig.Answer
	ts.must(t, "POST", "/api/rig/check", `{"unit":"Tin","rig":"Weak","hold_s":30}`, &a)
	if a.Verdict != rig.FitFor || a.Enough || *a.Weakest != 2 || *a.Prospective.CurrentA != 14 || len(a.Parts) != 4 || len(a.Cautions) == 0 || len(a.Cures) == 0 {
		t.Errorf("%+v", a)
	}
	ts.must(t, "POST", "/api/rig/check", `{"unit":"Tin","rig":"weak","hold_s":5,"source":{"open_v":12.4,"source_ohm":2.7}}`, &a)
	if !a.Enough || a.Prospective.Basis != rig.Measured || a.Effect.ZeroOhmA == nil {
		t.Errorf("%+v", a.Prospective)
	}
	ts.must(t, "POST", "/api/rig/check", `{"rated_current_a":1,"parts":[{"kind":"fuse","rated_a":2}],"source":{"loads":[{"a":0.5,"v":12,"u_a":0.01,"u_v":0.02},{"a":1.5,"v":10,"u_a":0.02,"u_v":0.02}]}}`, &a)
	if a.Prospective.Basis != rig.TwoLoads || !a.Prospective.Forecast || math.Abs(*a.Prospective.CurrentA-6.5) > 1e-9 || *a.Prospective.UA <= 0 {
		t.Errorf("%+v", a.Prospective)
	}
	for body, want := range map[string]struct {
		status int
		text   string
	}{
		`{"unit":"Tin","rig":"none"}`:                                       {404, `there is no rig`},
		`{"unit":"Slate","rig":"weak"}`:                                     {404, `there is no unit`},
		`{"unit":"Tin"}`:                                                    {400, `rig: is missing`},
		`{"unit":"Tin","rig":"weak","hold_s":0}`:                            {422, `hold_s: 0`},
		`{"unit":"Tin","rig":"weak","holds_s":3}`:                           {400, `holds_s`},
		`{"unit":"Tin","parts":[{"kind":"shunt","ohm":-1}]}`:                {422, `parts[0].ohm: -1 is out of range`},
		`{"unit":"Tin","rig":"weak","procedure":"dance"}`:                   {422, `procedure`},
		`{"unit":"Tin","rig":"weak","source":{"loads":[{"a":1,"v":1}]}}`:    {422, `takes two loads`},
		`{"unit":"Tin","rig":"weak","source":{"open_v":12}}`:                {422, `source.source_ohm: the open volts alone do not say what flows`},
		`{"unit":"Tin","rig":"weak","source":{"open_v":12,"source_ohm":0}}`: {422, `source.source_ohm`},
		`{"unit":"Tin","rig":"weak","source":{"source_ohm":2}}`:             {422, `source.open_v`},
		`{"rated_current_a":-1,"rig":"weak"}`:                               {422, `rated_current_a`},
	} {
		if status, got, _ := ts.call(t, "POST", "/api/rig/check", body); status != want.status || !strings.Contains(string(got), strings.ReplaceAll(want.text, `"`, `\"`)) {
			t.Errorf("%s: %d %s, want %d %s", body, status, got, want.status, want.text)
		}
	}
}

// What earlier runs measured takes the place of the assumption.
func TestRigGoesByWhatEarlierRunsMeasured(t *testing.T) {
	ts := newTestServer(t)
	measured := func(figures ...trace.Figure) string {
		t.Helper()
		set := trace.Settings{Procedure: trace.Short, RatedCurrentA: 1.4, HoldS: 30}
		id, err := ts.db.ImportRun(context.Background(), trace.RunStart{Unit: trace.Unit{Name: "Tin", RatedCurrentA: 1.4}, Settings: set, Started: time.Now()},
			func(yield func(trace.Batch, error) bool) {},
			trace.RunEnd{State: trace.RunComplete, Settings: set, Derivation: trace.Derivation{Procedure: trace.Short, Figures: figures}})
		if err != nil {
			t.Fatal(err)
		}
		return fmt.Sprintf("run %d", id)
	}
	ts.must(t, "POST", "/api/rigs", weakRig, nil)
	check := func() (a rig.Answer) {
		t.Helper()
		ts.must(t, "POST", "/api/rig/check", `{"unit":"Tin","rig":"weak"}`, &a)
		return a
	}
	measured(trace.Figure{Key: "sustained_current_a", Value: 1, Bound: trace.NotResolved})
	if a := check(); a.Prospective.Basis != rig.Assumed || a.FirstHoldS == nil {
		t.Errorf("not resolved: %+v", a.Prospective)
	}
	run := measured(trace.Figure{Key: "peak_current_a", Value: 9, U: 0.1, Bound: trace.Exact}, trace.Figure{Key: "sustained_current_a", Value: 4.5, U: 0.1, Bound: trace.Exact})
	if a := check(); a.Prospective.Basis != rig.Stated || *a.Prospective.CurrentA != 4.6 || a.FirstHoldS != nil || a.HoldS != 30 || !strings.Contains(a.Prospective.Text, run) {
		t.Errorf("current: %+v", a.Prospective)
	}
	run = measured(trace.Figure{Key: "open_volts", Value: 12.4, U: 0.1, Bound: trace.Exact}, trace.Figure{Key: "source_ohm", Value: 2.5, U: 0.1, Bound: trace.Exact})
	if a := check(); a.Prospective.Basis != rig.Measured || !strings.Contains(a.Prospective.Text, run+": 12.5 V open behind 2.5 Ω") {
		t.Errorf("volts: %+v", a.Prospective)
	}
}

// A rippled output heats by its rms, whichever way a run tells it: by its form factor, by what it let through, or not at
// all, where the stated waveform counts.
func TestRigCountsTheRmsOfARippledRun(t *testing.T) {
	exact := func(key string, v float64) trace.Figure { return trace.Figure{Key: key, Value: v, Bound: trace.Exact} }
	held, peak, long := exact("sustained_current_a", 2.74), exact("peak_current_a", 9.38), exact("hold_s", 30)
	for name, c := range map[string]struct {
		wave    trace.Waveform
		figures trace.Figures
		heat    float64
		text    string
	}{
		"by the whole hold":          {trace.HalfWave, trace.Figures{held, peak, long, exact("hold_a2s", 549.9), exact("form_factor", 1.56)}, math.Sqrt(549.9 / 30), "rms; measured"},
		"by the form factor":         {trace.HalfWave, trace.Figures{held, peak, exact("form_factor", 1.6)}, 2.74 * 1.6, "rms; measured"},
		"by the stated waveform":     {trace.HalfWave, trace.Figures{held, peak}, 2.74 * math.Pi / 2, "half-wave rectified"},
		"by what it let through":     {"", trace.Figures{held, peak, exact("let_through_a2s", 36), exact("time_to_cutoff_s", 2), long, exact("hold_a2s", 36)}, math.Sqrt(18), "rms; measured"},
		"smoothed readings":          {trace.HalfWave, trace.Figures{held, long, exact("hold_a2s", 2.75*2.75*30)}, 2.74 * math.Pi / 2, "half-wave rectified"},
		"without the spike":          {"", trace.Figures{held, peak, exact("let_through_a2s", 2.74*2.74*0.02+1), exact("spike_a2s", 1), exact("time_to_cutoff_s", 0.02)}, 2.74, ""},
		"volts and ohms":             {trace.HalfWave, trace.Figures{held, peak, exact("form_factor", 1.6), exact("open_volts", 12), exact("source_ohm", 3)}, 1, "rms; measured"},
		"volts, ohms and a peak":     {trace.HalfWave, trace.Figures{peak, exact("open_volts", 12), exact("source_ohm", 3)}, 0, "half-wave rectified"},
		"a peak alone":               {trace.HalfWave, trace.Figures{peak}, 9.38, ""},
		"never less than what flows": {"", trace.Figures{held, peak, long, exact("hold_a2s", 3), exact("form_factor", 0.9)}, 2.74, ""},
	} {
		t.Run(name, func(t *testing.T) {
			ts := newTestServer(t)
			ts.must(t, "POST", "/api/units", `{"name":"Moss","rated_current_a":1,"waveform":"`+string(c.wave)+`"}`, nil)
			ts.must(t, "POST", "/api/rigs", weakRig, nil)
			set := trace.Settings{Procedure: trace.Short, RatedCurrentA: 1, HoldS: 30, Waveform: c.wave}
			if _, err := ts.db.ImportRun(context.Background(), trace.RunStart{Unit: trace.Unit{Name: "Moss", RatedCurrentA: 1, Waveform: c.wave}, Settings: set, Started: time.Now()},
				func(yield func(trace.Batch, error) bool) {}, trace.RunEnd{State: trace.RunComplete, Settings: set, Derivation: trace.Derivation{Procedure: trace.Short, Figures: c.figures}}); err != nil {
				t.Fatal(err)
			}
			var a rig.Answer
			ts.must(t, "POST", "/api/rig/check", `{"unit":"Moss","rig":"weak","hold_s":30}`, &a)
			p := a.Prospective
			want := c.heat
			if p.Basis == rig.Measured { // through this rig, of the same shape
				form := math.Pi / 2
				if c.heat > 0 {
					form = 1.6
				}
				want = *p.CurrentA * form
			}
			if math.Abs(*p.HeatA-want) > 1e-9 || !strings.Contains(p.Text, c.text) || *p.HeatA > 3.2 == a.Enough {
				t.Errorf("heats like %v A, want %v: %s / %s", *p.HeatA, want, p.Text, a.Text)
			}
		})
	}
}

func TestArmingLooksAtTheRig(t *testing.T) {
	ts := newTestServer(t)
	ts.must(t, "POST", "/api/units", `{"name":"Tin","rated_current_a":1.4,"rated_voltage_v":12}`, nil)
	ts.must(t, "POST", "/api/rigs", weakRig, nil)
	if status, body, _ := ts.call(t, "POST", "/api/arm", `{"unit":"Tin","rig":"nowhere"}`); status != 404 || !strings.Contains(string(body), "there is no rig") || ts.bench.armed.Unit.Name != "" {
		t.Errorf("%d %s", status, body)
	}
	var out struct {
		Bench    string
		Warnings []string
	}
	ts.must(t, "POST", "/api/arm", `{"unit":"Tin","rig":"weak"}`, &out)
	if q := ts.bench.armed; q.HoldS == nil || *q.HoldS != 1.1 || len(out.Warnings) == 0 || !strings.Contains(out.Warnings[0], "the first hold is 1.1 s") {
		t.Errorf("a unit never tested: hold %v, %q", q.HoldS, out.Warnings)
	}
	ts.must(t, "POST", "/api/arm", `{"unit":"Tin","rig":"weak","hold_s":30}`, &out)
	if q := ts.bench.armed; *q.HoldS != 30 || len(out.Warnings) == 0 || !strings.Contains(out.Warnings[0], "Fit for at most 1.1 s, not for the hold of 30 s") {
		t.Errorf("a hold of one's own: %v, %q", *q.HoldS, out.Warnings)
	}
	ts.must(t, "POST", "/api/arm", `{"unit":"Tin"}`, &out)
	if q := ts.bench.armed; q.HoldS != nil || len(out.Warnings) != 0 {
		t.Errorf("without a rig: %v, %q", q.HoldS, out.Warnings)
	}
}

func TestLadderAndPartsOverHTTP(t *testing.T) {
	ts := newTestServer(t)
	ts.must(t, "POST", "/api/units", `{"name":"Tin","rated_current_a":1.4,"rated_voltage_v":12}`, nil)
	ts.must(t, "POST", "/api/parts", `{"kind":"resistor","name":"brick","ohm":18,"rated_w":25,"count":1,"price":2}`, nil)
	var l rig.Ladder
	ts.must(t, "POST", "/api/rig/ladder", `{"unit":"Tin","steps":[0.5,0.8,1,1.2,1.5,2,3]}`, &l)
	if len(l.Stairs) != 7 || l.BuyCount != l.PartCount-1 || l.HeatJ <= 0 {
		t.Errorf("%+v", l)
	}
	ts.must(t, "POST", "/api/rig/ladder", `{"volts":12,"rated_a":1.4,"steps":[0.5,1],"shelf":false}`, &l)
	if l.BuyCount != 2 {
		t.Errorf("without the shelf: %+v", l)
	}
	if status, body, _ := ts.call(t, "POST", "/api/rig/ladder", `{"unit":"Tin","steps":[1,0.5]}`); status != 422 || !strings.Contains(string(body), "steps[1]") {
		t.Errorf("%d %s", status, body)
	}
	var s struct {
		Added int
		Parts []trace.Part
	}
	ts.must(t, "POST", "/api/parts/starter", "", &s)
	if s.Added != len(rig.Starter()) || len(s.Parts) != s.Added+1 {
		t.Errorf("%d added, %d there", s.Added, len(s.Parts))
	}
	ts.must(t, "POST", "/api/parts/starter", "", &s)
	if s.Added != 0 {
		t.Errorf("%d added again", s.Added)
	}
	var a rig.Answer
	ts.must(t, "POST", "/api/rig/check", `{"unit":"Tin","rig":"bench1"}`, &a)
	if !a.Enough {
		t.Error(a.Text)
	}
}
