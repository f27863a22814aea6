package web

import (
	"fmt"
	"math"
	"testing"

	"letthrough/capture/sim"
	"letthrough/capture/trace"
)

func TestARunTellsWhichReadingsItsFiguresRestOn(t *testing.T) {
	ts := newTestServer(t, truly)
	id := keepRun(t, ts.db, simulatedRun(t, "Tin", sim.ShortTest(2, 12, 3), sim.Meter{RateHz: 1000, NoiseA: 0.004}))
	path := fmt.Sprintf("/api/runs/%d/used", id)
	var got usedJSON
	ts.must(t, "GET", path, "", &got)
	run, err := ts.db.Run(t.Context(), id)
	if err != nil {
		t.Fatal(err)
	}
	cut, _ := run.Derivation.FirstMark(trace.CutOff)
	edges := got.Figures["time_to_cutoff_s"]
	if len(edges) != 2 || edges[0].From > 0 || edges[0].To < 0 || edges[1].From > cut.T || edges[1].To < cut.T || edges[1].To-edges[1].From > 0.0021 {
		t.Errorf("cut off after rests on %+v, want the readings around 0 and %g s", edges, cut.T)
	}
	if sum := got.Figures["hold_a2s"]; len(sum) != 1 || math.Abs(sum[0].To-12) > 0.01 || sum[0].Of != trace.Current {
		t.Errorf("the hold's integral rests on %+v, want 0 to 12 s", sum)
	}
	if len(got.Changed) != 0 {
		t.Errorf("changed: %v, want none", got.Changed)
	}

	// Another settings' figures rest on other readings, and what an older program found is not explained by this one.
	ts.must(t, "POST", fmt.Sprintf("/api/runs/%d/derive", id), `{"settings":{"hold_s":6},"keep":true}`, nil)
	ts.must(t, "GET", path, "", &got)
	if sum := got.Figures["hold_a2s"]; len(sum) != 1 || math.Abs(sum[0].To-6) > 0.01 {
		t.Errorf("after the hold was set to 6 s its integral rests on %+v", sum)
	}
	run, err = ts.db.Run(t.Context(), id)
	if err != nil {
		t.Fatal(err)
	}
	old := run.Derivation.Shifted(run.ZeroS, "file")
	for i := range old.Figures {
		if old.Figures[i].Key == "peak_current_a" {
			old.Figures[i].Value *= 1.01
		}
	}
	if _, err := ts.db.AddDerivation(t.Context(), id, run.DerivedWith, old, "older"); err != nil {
		t.Fatal(err)
	}
	got = usedJSON{}
	ts.must(t, "GET", path, "", &got)
	if _, told := got.Figures["peak_current_a"]; told || len(got.Changed) != 1 || got.Changed[0] != "peak_current_a" {
		t.Errorf("changed: %v, and told %v: want only the peak", got.Changed, told)
	}
	for bad, want := range map[string]int{"/api/runs/99/used": 404, path + "?key=peak": 400} {
		if status, _, _ := ts.call(t, "GET", bad, ""); status != want {
			t.Errorf("%s: status %d, want %d", bad, status, want)
		}
	}
}
