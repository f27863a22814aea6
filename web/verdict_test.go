package web

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"testing"

	"letthrough/capture/trace"
)

type verdictAnswer struct {
	Verdict, Say string
	Outputs      []struct {
		Verdict  string
		Findings []struct {
			Criterion, Verdict, Why, Next string
			Runs                          []struct{ Run int64 }
		}
		Counted []int64
		Skipped []struct {
			Run int64
			Why string
		}
	}
	History []struct {
		Verdict string
		Version int
		Changes []string
	}
	Remarks []struct {
		ID   int64
		Text string
	}
}

// quick is a set that one short run decides.
const quick = `criterion stops\nsay: stops\njudges: time_to_cutoff_s\npass: at most 1 s`

func TestVerdictsNeverChangeInSilence(t *testing.T) {
	ts := newTestServer(t)
	id := storedRun(t, ts.db, "Tin", 1000)
	ts.must(t, "POST", "/api/criteria", `{"name":"mine","chosen":true,"text":"`+quick+`"}`, nil)
	var v verdictAnswer
	read := func(changes ...string) {
		t.Helper()
		v = verdictAnswer{}
		ts.must(t, "GET", "/api/units/1/verdict", "", &v)
		var got []string
		if len(v.History) > 0 {
			got = v.History[0].Changes
		}
		if !slices.Equal(got, changes) {
			t.Errorf("changes %q, want %q", got, changes)
		}
	}
	read()
	if v.Verdict != "pass" || len(v.History) != 1 || len(v.Outputs) != 1 || v.Outputs[0].Findings[0].Runs[0].Run != id {
		t.Fatalf("%+v", v)
	}
	read()
	if len(v.History) != 1 {
		t.Errorf("looked at twice, it is kept %d times", len(v.History))
	}
	ts.must(t, "PUT", "/api/criteria/2", `{"name":"mine","text":"`+strings.Replace(quick, "1 s", "0.1 s", 1)+`"}`, nil)
	read("criteria mine version 2, were mine version 1", "stops: fail, was pass", "the verdict is fail, was pass")
	ts.must(t, "POST", fmt.Sprintf("/api/runs/%d/exclude", id), `{"reason":"the clip slipped"}`, nil)
	read(fmt.Sprintf("run %d counts no more", id), "stops: not determined, was fail", "the verdict is not determined, was fail")
	if s := v.Outputs[0].Skipped; len(s) != 1 || s[0].Why != "left out: the clip slipped" {
		t.Errorf("left out: %+v", s)
	}
	ts.must(t, "POST", fmt.Sprintf("/api/runs/%d/include", id), ``, nil)
	read(fmt.Sprintf("run %d counts now", id), "stops: fail, was not determined", "the verdict is fail, was not determined")
	// A run that is derived again, as after a moved mark.
	run, err := ts.db.Run(context.Background(), id)
	if err != nil {
		t.Fatal(err)
	}
	d := run.Derivation
	d.Figures = trace.Figures{{Key: "time_to_cutoff_s", Value: 0.05, U: 0.001, Bound: trace.Exact}}
	if _, err := ts.db.AddDerivation(context.Background(), id, run.Settings, d, "test"); err != nil {
		t.Fatal(err)
	}
	read(fmt.Sprintf("run %d was derived again, with another setting or a mark moved by hand", id), "stops: pass, was fail", "the verdict is pass, was fail")
	ts.must(t, "PUT", "/api/units/1", `{"name":"Tin","rated_current_a":1.6}`, nil)
	read("the plate says 1.6 A, said 1.4 A")
	ts.must(t, "POST", "/api/loads", `{"name":"Loco"}`, nil)
	ts.must(t, "PUT", "/api/units/1", `{"name":"Tin","rated_current_a":1.6,"load":"Loco"}`, nil)
	read("the weakest load is Loco, none was named")
	ts.must(t, "PUT", "/api/loads/8", `{"name":"Loco","stall_a":2}`, nil)
	read("what is known of the load Loco was changed")
	if len(v.History) != 8 {
		t.Errorf("%d verdicts are kept, want 8", len(v.History))
	}
	// Another set has a history of its own.
	ts.must(t, "GET", "/api/units/1/verdict?criteria=house", "", &v)
	if len(v.History) != 1 || v.Verdict != "not_determined" {
		t.Errorf("by another set: %+v", v)
	}
}

func TestRemarksStandBesideAVerdict(t *testing.T) {
	ts := newTestServer(t)
	storedRun(t, ts.db, "Tin", 1000)
	ts.must(t, "POST", "/api/units/1/remarks", `{"text":"warm","criterion":"stops"}`, nil)
	var v verdictAnswer
	if ts.must(t, "GET", "/api/units/1/verdict", "", &v); len(v.Remarks) != 1 || v.Remarks[0].Text != "warm" {
		t.Errorf("%+v", v.Remarks)
	}
	for path, want := range map[string]int{"/api/units/1/remarks/9": 404, "/api/units/1/remarks/x": 404, "/api/units/1/remarks/1": 204} {
		if status, body, _ := ts.call(t, "DELETE", path, ""); status != want {
			t.Errorf("%s: %d %s", path, status, body)
		}
	}
	if status, body, _ := ts.call(t, "POST", "/api/units/1/remarks", `{"text":""}`); status != 422 {
		t.Errorf("%d %s", status, body)
	}
}

func TestRunsAreFoundByTheirVerdict(t *testing.T) {
	ts := newTestServer(t)
	ts.must(t, "POST", "/api/criteria", `{"name":"mine","chosen":true,"text":"`+quick+`"}`, nil)
	var passing []int64
	for i := range 7 {
		id := storedRun(t, ts.db, "Tin", 1000)
		if i%3 == 0 {
			passing = append(passing, id)
			continue
		}
		run, err := ts.db.Run(context.Background(), id)
		if err != nil {
			t.Fatal(err)
		}
		d := run.Derivation
		d.Figures = trace.Figures{{Key: "time_to_cutoff_s", Value: 3, U: 0.001, Bound: trace.Exact}}
		if _, err := ts.db.AddDerivation(context.Background(), id, run.Settings, d, "test"); err != nil {
			t.Fatal(err)
		}
	}
	type answer struct {
		Runs []struct {
			ID      int64
			Verdict string
		}
		Next *string
	}
	var got []int64
	path := "/api/runs?verdict=pass&sort=id&limit=1"
	for pages := 0; ; pages++ {
		var a answer
		ts.must(t, "GET", path, "", &a)
		for _, r := range a.Runs {
			if r.Verdict != "pass" {
				t.Errorf("run %d: %s", r.ID, r.Verdict)
			}
			got = append(got, r.ID)
		}
		if a.Next == nil || pages > 10 {
			break
		}
		path = "/api/runs?verdict=pass&sort=id&limit=1&after=" + *a.Next
	}
	if !slices.Equal(got, passing) {
		t.Errorf("passing are %v, want %v", got, passing)
	}
	var all answer
	if ts.must(t, "GET", "/api/runs", "", &all); len(all.Runs) != 7 || all.Runs[0].Verdict != "pass" || all.Runs[1].Verdict != "fail" {
		t.Errorf("%+v", all)
	}
}

func TestASetOfCriteriaThatCannotBeUsedSaysWhere(t *testing.T) {
	ts := newTestServer(t) // whose store takes any text, as an older program did
	storedRun(t, ts.db, "Tin", 1000)
	ts.must(t, "POST", "/api/criteria", `{"name":"old","chosen":true,"text":"stops within 1 s"}`, nil)
	if status, body, _ := ts.call(t, "GET", "/api/units/1/verdict", ""); status != 422 || !strings.Contains(string(body), `the set of criteria \"old\" cannot be used: line 1`) {
		t.Errorf("%d %s", status, body)
	}
	if status, body, _ := ts.call(t, "GET", "/api/runs", ""); status != 200 || !strings.Contains(string(body), `"verdict":""`) {
		t.Errorf("%d %s", status, body)
	}
	if status, body, _ := ts.call(t, "GET", "/api/units/1/verdict?criteria=none", ""); status != 404 {
		t.Errorf("%d %s", status, body)
	}
}
