package web

import (
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"iter"
	"math"
	"strings"
	"testing"
	"time"

	"letthrough/capture"
	"letthrough/capture/trace"
)

func TestUnitsComeAndGo(t *testing.T) {
	ts := newTestServer(t)
	status, body, h := ts.call(t, "POST", "/api/units", `{"name":"Tin","rated_current_a":1.4,"rated_voltage_v":12,"waveform":"dc","note":"blue"}`)
	var u trace.Unit
	if err := json.Unmarshal(body, &u); err != nil || status != 201 {
		t.Fatalf("status %d, %v: %s", status, err, body)
	}
	want := trace.Unit{ID: u.ID, Name: "Tin", RatedCurrentA: 1.4, RatedVoltageV: 12, Waveform: trace.DC, Note: "blue"}
	if u != want || u.ID < 1 || h.Get("Location") != fmt.Sprintf("/api/units/%d", u.ID) {
		t.Fatalf("made %+v at %q, want %+v", u, h.Get("Location"), want)
	}
	path := h.Get("Location")
	var got trace.Unit
	ts.must(t, "GET", path, "", &got)
	if got != want {
		t.Errorf("read %+v, want %+v", got, want)
	}
	got = trace.Unit{}
	ts.must(t, "PUT", path, `{"name":"Tin","rated_current_a":1.6}`, &got)
	if want = (trace.Unit{ID: u.ID, Name: "Tin", RatedCurrentA: 1.6}); got != want {
		t.Errorf("put %+v, want %+v: PUT replaces the whole", got, want)
	}
	b, err := json.Marshal(got) // what was read may be put back as it is
	if err != nil {
		t.Fatal(err)
	}
	ts.must(t, "PUT", path, string(b), nil)
	if status, _, _ := ts.call(t, "DELETE", path, ""); status != 204 {
		t.Errorf("delete: status %d, want 204", status)
	}
	if status, _, _ := ts.call(t, "GET", path, ""); status != 404 {
		t.Errorf("after delete: status %d, want 404", status)
	}
	_, body, _ = ts.call(t, "GET", "/api/units", "")
	if string(body) != "{\"units\":[]}\n" {
		t.Errorf("units %s, want an empty list", body)
	}
}

func TestArmPassesEverythingOn(t *testing.T) {
	ts := newTestServer(t)
	ts.must(t, "POST", "/api/units", `{"name":"Tin","rated_current_a":1.4}`, nil)
	ts.must(t, "POST", "/api/rigs", `{"name":"bench leads","parts":[{"kind":"fuse","rated_a":10}]}`, nil)
	ts.must(t, "POST", "/api/arm", `{"unit":"Tin","output":"2","setting":"half","procedure":"ramp","hold_s":12.5,"rig":"bench leads"}`, nil)
	q := ts.bench.armed
	if q.Unit.Name != "Tin" || q.Unit.RatedCurrentA != 1.4 || q.Output != "2" || q.Setting != "half" || q.Procedure != trace.Ramp || q.HoldS == nil || *q.HoldS != 12.5 || q.Rig != "bench leads" {
		t.Fatalf("armed with %+v", q)
	}
	ts.must(t, "POST", "/api/arm", `{"unit":"Tin"}`, nil)
	if q = ts.bench.armed; q.HoldS != nil {
		t.Errorf("hold %v, want none, so that the bench takes its default", *q.HoldS)
	}
}

func TestMarkCountsFromTheOnset(t *testing.T) {
	ts := newTestServer(t)
	ts.bench.publish(runEvents()...) // run 3: its zero is 2 s after its origin
	eventually(t, "the hub has seen the run", func() bool { return ts.hub.newest.Load() == uint64(len(runEvents())) })
	var m struct {
		Run  int64
		Kind string
		T    float64 `json:"t_s"`
		U    float64 `json:"u_s"`
		By   string
		Text string
	}
	ts.must(t, "POST", "/api/mark", `{"kind":"note","text":"a spark"}`, &m)
	if m.Run != 3 || m.Kind != "note" || m.T != 4.5 || m.U != 0.3 || m.By != "hand" || m.Text != "a spark" {
		t.Fatalf("mark %+v, want run 3 at 4.5 s (6.5 s of its own time, onset at 2 s)", m)
	}
}

func TestRunsAreListed(t *testing.T) {
	ts := newTestServer(t)
	_, body, _ := ts.call(t, "GET", "/api/runs", "")
	if string(body) != "{\"runs\":[],\"next\":null}\n" {
		t.Errorf("no runs: %s", body)
	}
	var ids []int64
	for _, unit := range []string{"Tin", "Moss", "Tin"} {
		ids = append(ids, storedRun(t, ts.db, unit, 100))
	}
	list := func(query string) (got []int64, next *string) {
		var page struct {
			Runs []struct{ ID int64 }
			Next *string
		}
		ts.must(t, "GET", "/api/runs"+query, "", &page)
		for _, r := range page.Runs {
			got = append(got, r.ID)
		}
		return got, page.Next
	}
	for query, want := range map[string][]int64{
		"":                                  {ids[2], ids[1], ids[0]},
		"?unit=Tin":                         {ids[2], ids[0]},
		"?unit=Nobody":                      nil,
		"?procedure=short":                  {ids[2], ids[1], ids[0]},
		"?procedure=ramp":                   nil,
		"?behaviour=latching&unit=Moss":     {ids[1]},
		"?from=2026-03-01&to=2026-03-03":    {ids[2], ids[1], ids[0]},
		"?to=2026-02-01":                    nil,
		"?from=2026-03-01T18:31:00%2B01:00": nil,
		"?state=excluded":                   nil,
		"?q=Mos":                            {ids[1]},
	} {
		if got, _ := list(query); fmt.Sprint(got) != fmt.Sprint(want) {
			t.Errorf("%s: runs %v, want %v", query, got, want)
		}
	}
	got, next := list("?limit=2")
	if len(got) != 2 || next == nil {
		t.Fatalf("first page %v, next %v", got, next)
	}
	more, next := list("?limit=2&after=" + *next)
	if fmt.Sprint(append(got, more...)) != fmt.Sprint([]int64{ids[2], ids[1], ids[0]}) || next != nil {
		t.Errorf("pages %v and %v, next %v", got, more, next)
	}
}

func TestRunIsToldFromItsOnset(t *testing.T) {
	ts := newTestServer(t)
	id := storedRun(t, ts.db, "Tin", 2000)
	var run map[string]any
	ts.must(t, "GET", fmt.Sprintf("/api/runs/%d", id), "", &run)
	for key, want := range map[string]any{
		"id": float64(id), "procedure": "short", "behaviour": "latching", "apparent_behaviour": "latching", "recovery": "not_tested",
		"zero_at": "onset", "state": "complete", "unit": "Tin",
	} {
		if run[key] != want {
			t.Errorf("%s = %v, want %v", key, run[key], want)
		}
	}
	for _, key := range []string{"marks", "figures", "warnings", "settings", "rig", "built", "started", "derivations", "note"} {
		if _, ok := run[key]; !ok {
			t.Errorf("%s is missing", key)
		}
	}
	if _, ok := run["derivation"]; ok {
		t.Error("the derivation stands there twice")
	}
	marks := run["marks"].([]any)
	if len(marks) != 2 || marks[0].(map[string]any)["t_s"] != 0.0 || math.Abs(marks[1].(map[string]any)["t_s"].(float64)-0.4) > 1e-9 {
		t.Errorf("marks %v, want onset at 0 and cut-off at 0.4", marks)
	}
	if got := run["settings"].(map[string]any)["applied_at_s"].(float64); math.Abs(got+0.1) > 1e-9 {
		t.Errorf("applied_at_s = %v, want -0.1: from the onset like everything else", got)
	}
	if _, err := time.Parse(time.RFC3339, run["started"].(string)); err != nil {
		t.Errorf("started: %v", err)
	}
}

func TestNoteExcludeInclude(t *testing.T) {
	ts := newTestServer(t)
	path := fmt.Sprintf("/api/runs/%d", storedRun(t, ts.db, "Tin", 100))
	var run struct{ Note, State, Reason string }
	ts.must(t, "PATCH", path, `{"note":"two\nlines"}`, &run)
	if run.Note != "two\nlines" {
		t.Errorf("note %q", run.Note)
	}
	ts.must(t, "POST", path+"/exclude", `{"reason":" lead came off "}`, &run)
	if run.State != "excluded" || run.Reason != "lead came off" {
		t.Errorf("after exclude: %+v", run)
	}
	ts.must(t, "POST", path+"/include", "", &run)
	if run.State != "complete" {
		t.Errorf("after include: %+v", run)
	}
	if status, body, _ := ts.call(t, "POST", path+"/include", ""); status != 409 {
		t.Errorf("include twice: status %d, want 409: %s", status, body)
	}
	if status, _, _ := ts.call(t, "DELETE", path, ""); status != 204 {
		t.Errorf("delete: status %d, want 204", status)
	}
	if status, _, _ := ts.call(t, "GET", path, ""); status != 404 {
		t.Errorf("after delete: status %d, want 404", status)
	}
}

func TestDeriveAgain(t *testing.T) {
	var used trace.Settings
	var samples int
	ts := newTestServer(t, func(o *Options) {
		o.Derive = func(s trace.Settings, marks []trace.Mark, in iter.Seq2[trace.Batch, error]) (trace.Derivation, error) {
			used, samples = s, 0
			for b, err := range in {
				if err != nil {
					return trace.Derivation{}, err
				}
				samples += len(b.Samples)
			}
			return deriveNothing(s, marks, in)
		}
	})
	path := fmt.Sprintf("/api/runs/%d", storedRun(t, ts.db, "Tin", 2000))
	var got struct {
		Kept         bool
		DerivationID *int64 `json:"derivation_id"`
		ZeroAt       string `json:"zero_at"`
		Marks        []trace.Mark
		Settings     trace.Settings
	}
	ts.must(t, "POST", path+"/derive", `{"settings":{"rated_current_a":2,"applied_at_s":-0.2}}`, &got)
	if samples != 2000 {
		t.Errorf("derived from %d samples, want 2000", samples)
	}
	if used.RatedCurrentA != 2 || used.HoldS != 30 || used.AppliedAtS == nil || math.Abs(*used.AppliedAtS-0.3) > 1e-9 {
		t.Errorf("derived with %+v: want the run's own settings but for what was sent, on its own time", used)
	}
	if got.Kept || got.DerivationID != nil || got.ZeroAt != "onset" || len(got.Marks) != 1 || got.Marks[0].T != 0 || got.Settings.RatedCurrentA != 2 {
		t.Errorf("answer %+v", got)
	}
	var run struct {
		Derivations []struct{ Origin string }
		Settings    trace.Settings
	}
	ts.must(t, "GET", path, "", &run)
	if n := len(run.Derivations); n != 1 {
		t.Errorf("%d derivations, want 1: it was not to be kept", n)
	}
	ts.must(t, "POST", path+"/derive", `{"settings":{"rated_current_a":2},"keep":true}`, &got)
	if !got.Kept || got.DerivationID == nil {
		t.Errorf("answer %+v, want it kept", got)
	}
	ts.must(t, "GET", path, "", &run)
	if n := len(run.Derivations); n != 2 {
		t.Errorf("%d derivations, want 2", n)
	}
	ts.must(t, "POST", path+"/derive", `{"settings":{"hold_s":20}}`, &got)
	if used.RatedCurrentA != 2 || used.HoldS != 20 {
		t.Errorf("derived with %+v: want what was kept before, but for what was sent", used)
	}
	var chosen struct {
		Derivations []struct {
			ID      int64
			Current bool
		}
	}
	ts.must(t, "GET", path, "", &chosen)
	oldest := chosen.Derivations[len(chosen.Derivations)-1].ID
	ts.must(t, "POST", fmt.Sprintf("%s/derivations/%d", path, oldest), "", &chosen)
	if n := len(chosen.Derivations); n != 2 || !chosen.Derivations[n-1].Current {
		t.Errorf("derivations %+v, want the oldest to be the current one", chosen.Derivations)
	}
	for bad, want := range map[string]int{"999": 404, "first": 400} {
		if status, _, _ := ts.call(t, "POST", path+"/derivations/"+bad, ""); status != want {
			t.Errorf("derivation %s: status %d, want %d", bad, status, want)
		}
	}
}

type samplesAnswer struct {
	Channels []struct {
		Instrument, Quantity, Unit string
		Single                     bool
		T                          []float64 `json:"t_s"`
		Min, Max, Mean             []*float64
		Flags                      []int
	}
}

func TestSamplesOfAnyWindow(t *testing.T) {
	ts := newTestServer(t)
	path := fmt.Sprintf("/api/runs/%d/samples", storedRun(t, ts.db, "Tin", 2000))
	get := func(query string) samplesAnswer {
		var a samplesAnswer
		ts.must(t, "GET", path+query, "", &a)
		if len(a.Channels) != 1 {
			t.Fatalf("%s: %d channels, want 1", query, len(a.Channels))
		}
		return a
	}
	c := get("?columns=100").Channels[0]
	if c.Instrument != "shunt" || c.Quantity != "current" || c.Unit != "A" || c.Single {
		t.Errorf("channel %+v", c)
	}
	if n := len(c.T); n == 0 || n > 101 || len(c.Min) != n || len(c.Max) != n || len(c.Mean) != n || len(c.Flags) != n {
		t.Fatalf("%d columns with %d, %d, %d, %d values, want at most 100 of each", n, len(c.Min), len(c.Max), len(c.Mean), len(c.Flags))
	}
	peak := 0.0
	for _, v := range c.Max {
		peak = max(peak, *v)
	}
	if peak != 9 {
		t.Errorf("peak = %v, want 9: one sample must not hide", peak)
	}
	if c.T[0] > -0.49 {
		t.Errorf("first column at %v, want -0.5 s before the onset", c.T[0])
	}
	c = get("?from_s=0.195&to_s=0.205&columns=100").Channels[0]
	if !c.Single || len(c.T) < 10 || len(c.T) > 12 {
		t.Errorf("a narrow window has %d columns, single %v: want its samples", len(c.T), c.Single)
	}
	c = get("?from_s=100&to_s=200").Channels[0]
	if len(c.T) != 0 {
		t.Errorf("beyond the end: %d columns, want none", len(c.T))
	}
}

func TestExports(t *testing.T) {
	ts := newTestServer(t)
	id := storedRun(t, ts.db, "Tin", 2000)
	path := fmt.Sprintf("/api/runs/%d/export?format=", id)

	status, body, h := ts.call(t, "GET", path+"csv", "")
	if status != 200 || !strings.HasPrefix(h.Get("Content-Type"), "text/csv") || h.Get("Content-Disposition") != fmt.Sprintf(`attachment; filename="run-%d-Tin.csv"`, id) {
		t.Fatalf("status %d, type %q, disposition %q", status, h.Get("Content-Type"), h.Get("Content-Disposition"))
	}
	lines := bufio.NewScanner(bytes.NewReader(body))
	n := 0
	for lines.Scan() {
		if n == 0 && !strings.HasPrefix(lines.Text(), "time_s,current_a") {
			t.Errorf("header %q", lines.Text())
		}
		n++
	}
	if n != 2001 {
		t.Errorf("%d lines, want a header and 2000 samples", n)
	}

	var run struct {
		ID     int64
		ZeroAt string `json:"zero_at"`
		Trace  []struct {
			Instrument, Quantity, Unit string
			Columns                    []string
			Rows                       [][]*float64
		}
	}
	ts.must(t, "GET", path+"json", "", &run)
	if run.ID != id || run.ZeroAt != "onset" || len(run.Trace) != 1 || len(run.Trace[0].Rows) != 2000 || run.Trace[0].Unit != "A" {
		t.Fatalf("json: run %d, zero %s, %d channels", run.ID, run.ZeroAt, len(run.Trace))
	}
	if r := run.Trace[0].Rows[700]; *r[0] != 0.2 || *r[1] != 9 || *r[2] != 0 {
		t.Errorf("row 700 is %v %v %v, want 0.2 s, 9 A, no flag", *r[0], *r[1], *r[2])
	}
	status, body, _ = ts.call(t, "GET", path+"pdf", "")
	if _, _, hint := faultIn(t, body); status != 422 || !strings.Contains(hint, "csv") || !strings.Contains(hint, "json") {
		t.Errorf("status %d, hint %q: want 422 that names the formats", status, hint)
	}
}

func TestMetrics(t *testing.T) {
	ts := newTestServer(t)
	ts.bench.setState(func(st *capture.State) {
		st.Instruments[0].Latest[0].Samples = 12345
		st.Instruments[0].Lost, st.Instruments[0].Garbled, st.Instruments[0].Duplicate = 1, 2, 3
	})
	s := ts.dial(t, "", nil)
	s.until("hello")
	status, body, h := ts.call(t, "GET", "/metrics", "")
	if status != 200 || !strings.HasPrefix(h.Get("Content-Type"), "text/plain") {
		t.Fatalf("status %d, type %q", status, h.Get("Content-Type"))
	}
	for _, want := range []string{
		`letthrough_samples_total{instrument="shunt",quantity="current"} 12345`, `letthrough_lost_samples_total{instrument="shunt"} 1`,
		`letthrough_garbled_total{instrument="shunt"} 2`, `letthrough_duplicate_total{instrument="shunt"} 3`, "letthrough_viewers 1",
		"letthrough_store_queue_samples 0", "letthrough_store_lost_samples_total 0", `letthrough_bench_mode{mode="idle"} 1`, "letthrough_run_open 0",
	} {
		if !strings.Contains(string(body), want+"\n") {
			t.Errorf("lacks %s", want)
		}
	}
	for line := range strings.Lines(string(body)) {
		if !strings.HasPrefix(line, "#") && !strings.HasPrefix(line, "letthrough_") {
			t.Errorf("a name of somebody else: %s", line)
		}
	}
}
