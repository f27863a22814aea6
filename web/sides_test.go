package web

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"letthrough/capture/sim"
	"letthrough/capture/trace"
)

// shelf keeps a short test of each of these simulated units, in their order, an hour apart.
func shelf(t testing.TB, ts *testServer, rateHz float64, units ...string) (ids []int64) {
	t.Helper()
	for i, name := range units {
		rec := simulatedRun(t, name, sim.ShortTest(2, 12, 2), sim.DefaultMeter(rateHz))
		rec.Start.Started = rec.Start.Started.Add(time.Duration(i) * time.Hour)
		ids = append(ids, keepRun(t, ts.db, rec))
	}
	return ids
}

func idList(ids []int64) string {
	return strings.ReplaceAll(strings.Trim(fmt.Sprint(ids), "[]"), " ", ",")
}

// sidesAnswer is what a program reads of GET /api/compare.
type sidesAnswer struct {
	Align     string
	Says      string
	Title     string
	Procedure string
	Names     []string
	Rows      []struct {
		Key     string
		Between string
		Cells   []*struct {
			Value *float64
			Bound string
		}
		Pairs []struct {
			Order      string
			Exceeds    *bool
			Difference struct {
				Value, U *float64
				Bound    string
			}
		}
	}
	Runs []struct {
		ID       int64
		ShiftS   float64 `json:"shift_s"`
		Aligned  string  `json:"aligned_at"`
		Marks    []trace.Mark
		Channels []struct {
			Quantity string
			Single   bool
			T        []float64  `json:"t_s"`
			Max      []*float64 `json:"max"`
		}
	}
	Bands []struct {
		Unit           string
		T              []float64 `json:"t_s"`
		Min, Mean, Max []float64
	}
}

func TestRunsSideBySideOverHTTP(t *testing.T) {
	ts := newTestServer(t)
	ids := shelf(t, ts, 1000, "Tin", "Slate", "Amber", "Tin")
	var a sidesAnswer
	ts.must(t, "GET", "/api/compare?columns=500&runs="+idList(ids), "", &a)
	if a.Align != "onset" || a.Procedure != "short" || len(a.Runs) != 4 || a.Names[1] != "Slate" || len(a.Rows) < 10 {
		t.Fatalf("%+v", a)
	}
	for i, r := range a.Runs {
		if r.ID != ids[i] || len(r.Channels[0].T) > 500 || len(r.Channels[0].T) < 200 {
			t.Errorf("run %d has %d columns", r.ID, len(r.Channels[0].T))
		}
		for _, m := range r.Marks {
			if m.Kind == trace.Onset && m.T != 0 {
				t.Errorf("the onset of run %d is at %g s", r.ID, m.T)
			}
		}
	}
	if len(a.Bands) != 1 || a.Bands[0].Unit != "Tin" || len(a.Bands[0].T) < 300 {
		t.Fatalf("bands %+v", a.Bands)
	}
	for i := range a.Bands[0].T {
		b := a.Bands[0]
		if b.Min[i] > b.Mean[i]+1e-9 || b.Mean[i] > b.Max[i]+1e-9 {
			t.Errorf("at %g s the band is %g, %g, %g", b.T[i], b.Min[i], b.Mean[i], b.Max[i])
		}
	}

	// Aligned at the cut-off that is nought, and Amber, which folds back, stands where it limited.
	ts.must(t, "GET", "/api/compare?align=cut_off&runs="+idList(ids[:3]), "", &a)
	for i, want := range []string{"cut_off", "cut_off", "limited"} {
		if a.Runs[i].Aligned != want {
			t.Errorf("run %d is aligned at its %s, want %s", i, a.Runs[i].Aligned, want)
		}
	}
	// The readings are moved with the marks: before nought Tin's fault flows, after it nothing does.
	for _, side := range []struct{ from, to, most, least float64 }{{-0.8, -0.05, 5, 4}, {0.05, 1, 0.1, -0.1}} {
		var near sidesAnswer
		ts.must(t, "GET", fmt.Sprintf("/api/compare?align=cut_off&from_s=%g&to_s=%g&runs=%s", side.from, side.to, idList(ids[:2])), "", &near)
		c := near.Runs[0].Channels[0]
		if len(c.T) < 500 || c.T[0] < side.from || c.T[len(c.T)-1] > side.to {
			t.Errorf("%d columns from %g to %g s, asked for %g to %g", len(c.T), c.T[0], c.T[len(c.T)-1], side.from, side.to)
		}
		for i, v := range c.Max {
			if *v > side.most || *v < side.least {
				t.Errorf("%g A at %g s from the cut-off", *v, c.T[i])
				break
			}
		}
	}
	if !strings.Contains(a.Says, "Amber limited instead") {
		t.Errorf("says %q", a.Says)
	}
	// By the clock the second one comes an hour later.
	ts.must(t, "GET", "/api/compare?align=clock&runs="+idList(ids[:2]), "", &a)
	if d := a.Runs[1].ShiftS - a.Runs[0].ShiftS; math.Abs(d-3600) > 1 {
		t.Errorf("an hour became %g s", d)
	}
	// Nearer: single readings in aligned seconds.
	ts.must(t, "GET", "/api/compare?from_s=-0.01&to_s=0.05&columns=500&runs="+idList(ids[:2]), "", &a)
	for _, r := range a.Runs {
		c := r.Channels[0]
		if !c.Single || len(c.T) < 55 || len(c.T) > 65 || c.T[0] < -0.0101 || c.T[len(c.T)-1] > 0.0501 {
			t.Errorf("single %v, %d readings from %g to %g s", c.Single, len(c.T), c.T[0], c.T[len(c.T)-1])
		}
	}
}

// TestComparedFiguresAreThoseOfTheRuns: the table says no other numbers than the runs themselves.
func TestComparedFiguresAreThoseOfTheRuns(t *testing.T) {
	ts := newTestServer(t)
	ids := shelf(t, ts, 1000, "Tin", "Slate")
	var a sidesAnswer
	ts.must(t, "GET", "/api/compare?runs="+idList(ids), "", &a)
	var figures [2]trace.Figures
	for i, id := range ids {
		run, err := ts.db.Run(context.Background(), id)
		if err != nil {
			t.Fatal(err)
		}
		figures[i] = run.Derivation.Figures
	}
	seen := 0
	for _, row := range a.Rows {
		f0, ok0 := figures[0].Get(row.Key)
		f1, ok1 := figures[1].Get(row.Key)
		if !ok0 || !ok1 || f0.Bound != trace.Exact || f1.Bound != trace.Exact || strings.Contains(row.Between, "ranked") {
			continue
		}
		seen++
		p := row.Pairs[0]
		if math.Abs(*p.Difference.Value-(f1.Value-f0.Value)) > 1e-12 || math.Abs(*p.Difference.U-math.Hypot(f0.U, f1.U)) > 1e-12 {
			t.Errorf("%s: difference %g ± %g of %g ± %g and %g ± %g", row.Key, *p.Difference.Value, *p.Difference.U, f0.Value, f0.U, f1.Value, f1.U)
		}
		if exceeds := math.Abs(f1.Value-f0.Value) > math.Hypot(f0.U, f1.U); p.Exceeds == nil || *p.Exceeds != exceeds {
			t.Errorf("%s: exceeds %v, want %v", row.Key, p.Exceeds, exceeds)
		}
	}
	if seen < 5 {
		t.Errorf("only %d figures were held against each other", seen)
	}
}

func TestWhatCannotStandSideBySide(t *testing.T) {
	ts := newTestServer(t)
	ids := shelf(t, ts, 200, "Tin", "Slate", "Fern", "Moss", "Amber", "Clay", "Flint")
	ramp := keepRun(t, ts.db, simulatedRun(t, "Tin", sim.RampTest(2, 0.2, 4, 0.2), sim.DefaultMeter(200)))
	for name, c := range map[string]struct {
		query  string
		status int
		says   string
	}{
		"one":                 {idList(ids[:1]), 422, "one is chosen"},
		"none":                {"", 422, "none is chosen"},
		"seven":               {idList(ids), 422, "7 are chosen"},
		"twice":               {idList([]int64{ids[0], ids[0]}), 422, "chosen twice"},
		"gone":                {idList([]int64{ids[0], 999}), 404, "there is no run 999"},
		"unlike":              {idList([]int64{ids[0], ramp}), 409, "different kinds of tests"},
		"no number":           {"1,Tin", 400, "Tin"},
		"no alignment":        {idList(ids[:2]) + "&align=sideways", 422, "sideways"},
		"backwards":           {idList(ids[:2]) + "&from_s=2&to_s=1", 422, "from_s"},
		"too many columns":    {idList(ids[:2]) + "&columns=1000000", 422, "columns"},
		"a parameter unknown": {idList(ids[:2]) + "&aligned=onset", 400, "aligned"},
	} {
		status, body, _ := ts.call(t, "GET", "/api/compare?runs="+c.query, "")
		if status != c.status {
			t.Errorf("%s: status %d, want %d: %s", name, status, c.status, body)
			continue
		}
		if _, text, _ := faultIn(t, body); !strings.Contains(text, c.says) {
			t.Errorf("%s: says %q, want %q", name, text, c.says)
		}
	}
	var whole any
	if status, body, _ := ts.call(t, "GET", "/api/compare?runs="+idList(ids[1:]), ""); status != 200 || json.Unmarshal(body, &whole) != nil {
		t.Errorf("six: status %d", status)
	}
}

// BenchmarkSixLongRunsSideBySide: six runs of ten million readings each, from the question to the answer's
// last byte: table, alignment and columns of the whole.
func BenchmarkSixLongRunsSideBySide(b *testing.B) {
	ts := newTestServer(b)
	const n = 10_000_000
	var ids []int64
	part := make([]trace.Sample, 100_000)
	for k := range 6 {
		rec := simulatedRun(b, "Tin", sim.ShortTest(2, 12, 2), sim.DefaultMeter(1000))
		rec.Batches = func(yield func(trace.Batch, error) bool) {
			for at := 0; at < n; at += len(part) {
				for i := range part {
					part[i] = trace.Sample{AtNS: int64(at+i) * 1500, Value: math.Round(1000*(2+float64(k)+2*math.Sin(float64(at+i)/1e5))) / 1000}
				}
				if !yield(trace.Batch{Channel: shuntChannel, Samples: part}, nil) {
					return
				}
			}
		}
		ids = append(ids, keepRun(b, ts.db, rec))
	}
	b.ResetTimer()
	for b.Loop() {
		if status, body, _ := ts.call(b, "GET", "/api/compare?columns=1200&runs="+idList(ids), ""); status != 200 {
			b.Fatalf("%d %s", status, body)
		}
	}
	b.ReportMetric(b.Elapsed().Seconds()/float64(b.N)*1e3, "ms/answer")
}

// TestRunsAreSortedByAFigureOverHTTP: the order of the store, in the words of the interface, page by page.
func TestRunsAreSortedByAFigureOverHTTP(t *testing.T) {
	ts := newTestServer(t)
	shelf(t, ts, 1000, "Tin", "Slate", "Fern", "Clay")
	var names []string
	for after := ""; ; {
		var page struct {
			Runs []struct{ Unit string }
			Next *string
		}
		ts.must(t, "GET", "/api/runs?procedure=short&limit=2&sort=-peak_current_a&after="+after, "", &page)
		for _, r := range page.Runs {
			names = append(names, r.Unit)
		}
		if page.Next == nil || len(names) > 8 {
			break
		}
		after = *page.Next
	}
	if got := strings.Join(names, " "); got != "Clay Slate Tin Fern" {
		t.Errorf("%s", got)
	}
	status, body, _ := ts.call(t, "GET", "/api/runs?sort=colour", "")
	if _, text, _ := faultIn(t, body); status != 422 || !strings.Contains(text, "colour") {
		t.Errorf("%d %s", status, body)
	}
}
