package web

import (
	"bytes"
	"context"
	"net/url"
	"strings"
	"testing"

	"letthrough/capture/rig"
	"letthrough/capture/trace"
)

// rigServer has a unit, the starter set and its rig.
func rigServer(t *testing.T, change ...func(*Options)) (*testServer, trace.Unit, trace.Rig) {
	t.Helper()
	ts := newTestServer(t, change...)
	ctx := context.Background()
	unit, err := ts.db.CreateUnit(ctx, trace.Unit{Name: "Tin", RatedVoltageV: 12, RatedCurrentA: 1.4, Waveform: trace.DC})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := ts.db.AddStarter(ctx, rig.Starter(), rig.StarterRig()); err != nil {
		t.Fatal(err)
	}
	r, err := ts.db.Rigs().ByName(ctx, "bench1")
	if err != nil {
		t.Fatal(err)
	}
	return ts, unit, r
}

// page gets a page and gives its text.
func (ts *testServer) page(t *testing.T, path string) string {
	t.Helper()
	status, b, _ := ts.call(t, "GET", path, "")
	if status != 200 {
		t.Fatalf("GET %s: status %d: %.300s", path, status, b)
	}
	return string(b)
}

// mustSay fails where a page lacks one of these.
func mustSay(t *testing.T, where, page string, want ...string) {
	t.Helper()
	for _, w := range want {
		if !strings.Contains(page, w) {
			t.Errorf("%s lacks %q", where, w)
		}
	}
}

// Everything that is answered stands in the page as the server sends it, so that it can be read without scripts.
func TestRigPageAnswersWithoutScripts(t *testing.T) {
	ts, _, _ := rigServer(t)
	p := ts.page(t, "/rig?unit=1&hold=20&from=assumed&assume=30")
	mustSay(t, "the page", p, "Rig for Tin", "Short-circuit test, 20 s hold", "Taken as 30 × the rating", "42 A may flow", "nfit", "fuse T 6.3 A, 5 × 20", "1 m copper, 2.5 mm², PVC",
		`<svg class="drawn"`, "the weakest", "The rig has", "Readings of the shunt board&#39;s input stop at 16 A", "Isolated low-voltage outputs only, never the mains side", "Local codes and qualified persons come first",
		"Load ladder", "is-weak", "should trip in this band", `href="/?hold=20&amp;procedure=short&amp;rig=bench1&amp;unit=1"`)
	for procedure, want := range map[string]string{"ramp": "Load rises to 3 × the rating", "steps": "4.2 A", "overload": "Load of 2 × the rating, 2.8 A.", "carry": "Load of 1 × the rating, 1.4 A."} {
		mustSay(t, procedure, ts.page(t, "/rig?unit=1&procedure="+procedure), want, ">load</text>")
	}
	mustSay(t, "twice the rating", ts.page(t, "/rig?unit=1&procedure=ramp&times=2"), "Load rises to 2 × the rating, 2.8 A")
	mustSay(t, "five times", ts.page(t, "/rig?unit=1&from=assumed&assume=5"), "Taken as 5 × the rating", "7 A may flow")
	mustSay(t, "known amps", ts.page(t, "/rig?unit=1&from=amps&amps=4,5"), "4.5 A may flow")
	mustSay(t, "known source", ts.page(t, "/rig?unit=1&from=source&open_v=12.4&source_ohm=2.5"), "into a true zero-ohm short 4.96 A would flow")
}

// Two harmless loads at 12.95 V behind 1.7 Ω, by amps and by ohms: the same unit either way.
func TestRigPageForecastsFromTwoLoads(t *testing.T) {
	ts, unit, _ := rigServer(t)
	byAmps := "/rig?unit=1&from=loads&v1=12.1&x1=0.5&v2=10.4&x2=1.5"
	p := ts.page(t, byAmps)
	mustSay(t, "by amps", p, "12.9 V open behind 1.7 Ω, so 7.62 A into a true zero-ohm short", "Forecast from two harmless loads", `id="keep-loads"`)
	mustSay(t, "by ohms", ts.page(t, "/rig?unit=1&from=loads&by=ohms&v1=12.1&x1=24.2&v2=10.4&x2=6.9333333"), "12.9 V open behind 1.7 Ω", "ohms of the larger load")
	mustSay(t, "with uncertainty", ts.page(t, byAmps+"&uv1=0.02&uv2=0.02"), "1.700 ± 0.028 Ω", "7.48 ± 0.11 A")

	// Kept, it stands there the next time, and arming goes by it.
	var kept forecastOut
	ts.must(t, "POST", "/api/units/1/forecasts", `{"loads":[{"a":0.5,"v":12.1,"u_a":0,"u_v":0.02},{"a":1.5,"v":10.4,"u_a":0,"u_v":0.02}]}`, &kept)
	if kept.ID == 0 || !strings.Contains(kept.Text, "±") {
		t.Errorf("kept as %+v", kept)
	}
	mustSay(t, "the next time", ts.page(t, "/rig?unit=1"), `id="from-loads" checked`, `value="12.1"`, "Kept on", "7.48 ± ")
	s, tested, err := SourceOf(context.Background(), ts.db, unit.Name)
	if err != nil || tested || len(s.Loads) != 2 || s.Loads[1].V != 10.4 {
		t.Errorf("arming knows %+v, %v, %v", s, tested, err)
	}
	// Measured since: both stand beside each other.
	ts.testedRun(t, unit)
	mustSay(t, "after a short", ts.page(t, "/rig?unit=1"), "Measured, run ", "What was measured since", "The forecast of", "<b>4.5")
}

// testedRun keeps a short that measured something.
func (ts *testServer) testedRun(t *testing.T, unit trace.Unit) {
	t.Helper()
	id := storedRun(t, ts.db, unit.Name, 2000)
	d := trace.Derivation{Procedure: trace.Short, Behaviour: trace.Latching, ApparentBehaviour: trace.Latching, Recovery: trace.NotTested, ZeroAt: "file",
		Marks:   []trace.Mark{{ID: 1, Kind: trace.Onset, T: 0.5, U: 0.001, By: trace.Detector}},
		Figures: trace.Figures{{Key: "peak_current_a", Value: 4.5, U: 0.1, Bound: trace.Exact, Text: "peak 4.5 A"}, {Key: "sustained_current_a", Value: 4.2, U: 0.1, Bound: trace.Exact, Text: "sustained 4.2 A"}}}
	if _, err := ts.db.AddDerivation(context.Background(), id, trace.Settings{Procedure: trace.Short, RatedCurrentA: 1.4, HoldS: 30}, d, "test"); err != nil {
		t.Fatal(err)
	}
}

func TestRigPageSaysWhatIsWrongInItsPlace(t *testing.T) {
	ts, _, _ := rigServer(t)
	for query, want := range map[string]string{
		"hold=-3":                              "-3 is not above 0",
		"hold=x":                               "“x” is no number",
		"hold=1e9":                             "is more than",
		"hold=NaN":                             "NaN",
		"from=amps&amps=0":                     "Type the amps that flow into a short",
		"from=loads&v1=12&x1=1":                "Type both loads",
		"from=loads&v1=12&x1=1&v2=12&x2=1":     "take two different loads",
		"from=loads&v1=11&x1=1&v2=12&x2=2":     "it may be regulated",
		"from=source&open_v=12":                "Type both: the volts",
		"steps=0.5,x":                          "“x” is no step",
		"steps=1,0.5":                          "is not above the step before it",
		"in=amps&steps=":                       "Write the wished steps, in amperes",
		"procedure=ramp&times=0":               "is not above 0",
		"steps=1,2,3,4,5&series=E13":           "E13",
		"from=assumed&assume=-1":               "-1 is not above 0",
		"ladder_v=0,01":                        "Volts: 0.01 is out of range",
		"unit=1&rig=1&from=amps&amps=infinity": "infinity",
	} {
		mustSay(t, query, ts.page(t, "/rig?"+query), want)
	}
	// What cannot be read never becomes an assumption in silence.
	if p := ts.page(t, "/rig?from=loads"); !strings.Contains(p, "Not determined") || strings.Contains(p, "may flow, from plus") {
		t.Error("two loads that nobody typed gave a current")
	}
	for _, path := range []string{"/rig?unit=9", "/rig?unit=x", "/rig?rig=9", "/rig?procedure=nonsense", "/rig/list?rig=0"} {
		if status, _, _ := ts.call(t, "GET", path, ""); status != 404 {
			t.Errorf("%s: status %d, want 404", path, status)
		}
	}
	if status, _, _ := ts.call(t, "GET", "/rig?steps="+strings.Repeat("1,", 300), ""); status != 400 {
		t.Errorf("a very long list: status %d, want 400", status)
	}
}

func TestRigPageHoldsNamesAsText(t *testing.T) {
	ts, _, _ := rigServer(t)
	ctx := context.Background()
	const evil = `<script>alert(1)</script>"'&`
	if _, err := ts.db.Parts().Add(ctx, trace.Part{RigPart: trace.RigPart{Kind: "lead", Name: evil, AreaMM2: 1}}); err != nil {
		t.Fatal(err)
	}
	r, err := ts.db.Rigs().Add(ctx, trace.Rig{Name: evil, Parts: []trace.RigPart{{Kind: "fuse", Name: evil, Note: evil}}})
	if err != nil {
		t.Fatal(err)
	}
	u, err := ts.db.CreateUnit(ctx, trace.Unit{Name: evil, RatedCurrentA: 1})
	if err != nil {
		t.Fatal(err)
	}
	for _, path := range []string{"/rig", "/rig/list"} {
		q := url.Values{"unit": {plainNumber(float64(u.ID))}, "rig": {plainNumber(float64(r.ID))}, "steps": {evil}, "hold": {evil}}
		if p := ts.page(t, path+"?"+q.Encode()); strings.Contains(p, "<script>alert") {
			t.Errorf("%s holds a name as markup", path)
		}
	}
}

func TestRigPageOfAViewerOnlyShows(t *testing.T) {
	ts, _, _ := rigServer(t, func(o *Options) { o.Tokens = Tokens{Operator: "operator-token-1", Viewer: "viewer-token-1"} })
	_, b, _ := ts.call(t, "GET", "/rig?unit=1&from=assumed&assume=30", "", "Authorization", "Bearer viewer-token-1")
	mustSay(t, "a viewer's page", string(b), "Rig for Tin", "the weakest", "Load ladder")
	for _, not := range []string{"data-do=", "part-dialog", `id="put-in"`, "Use it on the Bench"} {
		if bytes.Contains(b, []byte(not)) {
			t.Errorf("a viewer's page has %q", not)
		}
	}
	if status, _, _ := ts.call(t, "POST", "/api/units/1/forecasts", `{"loads":[]}`, "Authorization", "Bearer viewer-token-1"); status != 403 {
		t.Errorf("a viewer keeps a forecast: status %d", status)
	}
}

func TestRigListGoesToTheBench(t *testing.T) {
	ts, _, _ := rigServer(t)
	p := ts.page(t, "/rig/list?unit=1&steps=0.5,1,2")
	mustSay(t, "the list", p, "Low-voltage isolated outputs only, never the mains side.", "A fuse in the loop.", "Local electrical codes and qualified persons come first.", "2 × 18 Ω", "to be bought", "fuse T 6.3 A")
}

func TestForecastsAreRefusedWhereNoLineGoesThrough(t *testing.T) {
	ts, _, _ := rigServer(t)
	for body, want := range map[string]int{
		`{"loads":[{"a":1,"v":12}]}`:                                   422,
		`{"loads":[{"a":1,"v":12},{"a":1,"v":11}]}`:                    422,
		`{"loads":[{"a":1,"v":12},{"a":2,"v":13}]}`:                    422,
		`{"loads":[{"a":-1,"v":12},{"a":2,"v":11}]}`:                   422,
		`{"loads":[{"a":1,"v":12},{"a":2,"v":11}],"x":1}`:              400,
		`{"loads":[{"a":1,"v":12},{"a":2,"v":11},{"a":3,"v":1}]}`:      422,
		`{"loads":[{"a":1,"v":12,"u_a":3},{"a":2,"v":11,"u_a":0.01}]}`: 422,
	} {
		if status, b, _ := ts.call(t, "POST", "/api/units/1/forecasts", body); status != want {
			t.Errorf("%s: status %d, want %d: %s", body, status, want, b)
		}
	}
	if status, _, _ := ts.call(t, "POST", "/api/units/9/forecasts", `{"loads":[{"a":1,"v":12},{"a":2,"v":11}]}`); status != 404 {
		t.Errorf("of no unit: status %d", status)
	}
	var kept forecastOut
	ts.must(t, "POST", "/api/units/1/forecasts", `{"loads":[{"a":1,"v":12},{"a":2,"v":11}]}`, &kept)
	var list struct{ Forecasts []forecastOut }
	ts.must(t, "GET", "/api/units/1/forecasts", "", &list)
	if len(list.Forecasts) != 1 || list.Forecasts[0].ID != kept.ID {
		t.Errorf("listed as %+v", list)
	}
	ts.must(t, "DELETE", "/api/units/1/forecasts/1", "", nil)
	for _, path := range []string{"/api/units/1/forecasts/1", "/api/units/1/forecasts/x", "/api/units/9/forecasts/1"} {
		if status, _, _ := ts.call(t, "DELETE", path, ""); status != 404 {
			t.Errorf("DELETE %s: status %d, want 404", path, status)
		}
	}
}

// Nothing is there yet: the page says what to do first, and makes up nothing.
func TestRigPageWithNothingThereSaysWhatToDo(t *testing.T) {
	ts := newTestServer(t)
	for _, path := range []string{"/rig", "/rig?procedure=ramp", "/rig?from=loads", "/rig/list"} {
		p := ts.page(t, path)
		mustSay(t, path, p, "No rig yet", "hoose a unit")
		if strings.Contains(p, "may flow, from plus") {
			t.Errorf("%s tells a current of no unit", path)
		}
	}
	mustSay(t, "the page", ts.page(t, "/rig"), "Copy a rating plate first", "Put the starter set on the shelf", "no unit")
	if _, err := ts.db.Rigs().Add(context.Background(), trace.Rig{Name: "bare"}); err != nil {
		t.Fatal(err)
	}
	mustSay(t, "an empty rig", ts.page(t, "/rig?rig=Bare"), "Not determined", "This rig has no parts yet", "There is no fuse in this rig")
	// A unit without a rating, and a fuse faster than the meter.
	if _, err := ts.db.CreateUnit(context.Background(), trace.Unit{Name: "Moss"}); err != nil {
		t.Fatal(err)
	}
	mustSay(t, "a unit without a rating", ts.page(t, "/rig"), "Not determined", "rated current")
	quick := trace.Rig{Name: "quick", Parts: []trace.RigPart{{Kind: "fuse", Name: "F", RatedA: 1, FuseSheet: "60127-2/2"}, {Kind: "instrument", Name: "meter", FullScaleA: 10, RatedA: 10, IntervalS: 0.4}}}
	if _, err := ts.db.Rigs().Add(context.Background(), quick); err != nil {
		t.Fatal(err)
	}
	mustSay(t, "a fuse faster than the meter", ts.page(t, "/rig?rig=quick&from=amps&amps=12"), "the trace may show the fuse&#39;s work")
}
