package web

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"html"
	"iter"
	"math"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"letthrough/capture/file"
	"letthrough/capture/trace"
	"letthrough/capture/trip"
	"letthrough/capture/words"
	"letthrough/store"
)

// deriveReally derives as the program does.
func deriveReally(s trace.Settings, marks []trace.Mark, samples iter.Seq2[trace.Batch, error]) (trace.Derivation, error) {
	d, err := trip.Read(s, marks, samples)
	if err != nil {
		return trace.Derivation{}, err
	}
	out := d.Finish()
	words.Fill(&out, s)
	return out, nil
}

// shortOf stores a short-circuit test of n readings, 1000 a second: idle for a second, then the current of at.
func shortOf(t testing.TB, db *store.DB, unit trace.Unit, n int, at func(s float64) float64) int64 {
	t.Helper()
	ch := trace.Channel{Instrument: "shunt", Quantity: trace.Current}
	samples := make([]trace.Sample, n)
	for i := range samples {
		s := float64(i) / 1000
		samples[i] = trace.Sample{AtNS: int64(i) * 1e6, Value: 0.001 * float64(i%3)}
		if s >= 1 {
			samples[i].Value += at(s - 1)
		}
	}
	set := trace.Settings{Procedure: trace.Short, RatedCurrentA: unit.RatedCurrentA, ResolutionA: 0.001}
	batches := func(yield func(trace.Batch, error) bool) { yield(trace.Batch{Channel: ch, Samples: samples}, nil) }
	d, err := deriveReally(set, nil, batches)
	if err != nil {
		t.Fatal(err)
	}
	id, err := db.ImportRun(context.Background(), trace.RunStart{Unit: unit, Settings: set, Started: time.Date(2026, 3, 1, 18, 30, 0, 0, time.UTC),
		Instruments: []trace.RunInstrument{{Name: "shunt", Format: "text", Port: "/dev/null"}}, Version: "test"}, batches,
		trace.RunEnd{State: trace.RunComplete, Settings: set, EndNS: int64(n) * 1e6, Ended: time.Date(2026, 3, 1, 18, 31, 0, 0, time.UTC), Derivation: d})
	if err != nil {
		t.Fatal(err)
	}
	return id
}

// reportShelf has a unit that cuts off, one that feeds the short, and one without runs, whose name is hostile.
func reportShelf(t testing.TB) *testServer {
	t.Helper()
	ts := newTestServer(t, func(o *Options) { o.Derive = deriveReally })
	shortOf(t, ts.db, trace.Unit{Name: "Slate", RatedCurrentA: 1.5, RatedVoltageV: 12, Waveform: trace.DC}, 12000, func(s float64) float64 {
		if s < 0.5 {
			return 5.1
		}
		return 0
	})
	shortOf(t, ts.db, trace.Unit{Name: "Moss", RatedCurrentA: 0.3, RatedVoltageV: 12, Waveform: trace.DC}, 12000, func(s float64) float64 { return 3 - 0.02*s })
	ts.must(t, "POST", "/api/units", `{"name":"</script><b>x","rated_current_a":1}`, nil)
	return ts
}

func fetch(t testing.TB, ts *testServer, path string) string {
	t.Helper()
	status, body, _ := ts.call(t, "GET", path, "")
	if status != 200 {
		t.Fatalf("%s: %d %.300s", path, status, body)
	}
	return string(body)
}

// cellsOf gives the figures that a page's table shows, by run and figure.
func cellsOf(page string) map[string]string {
	out := map[string]string{}
	for _, m := range shownCell.FindAllStringSubmatch(page, -1) {
		out[m[1]+" "+m[2]] = strings.Join(strings.Fields(html.UnescapeString(markup.ReplaceAllString(m[3], ""))), " ")
	}
	return out
}

func TestPageFileTableAndJSONOfAReportShowTheSameNumbers(t *testing.T) {
	ts := reportShelf(t)
	page, saved := cellsOf(fetch(t, ts, "/report")), cellsOf(fetch(t, ts, "/api/report?format=html"))
	if len(page) != 6 || fmt.Sprint(page) != fmt.Sprint(saved) {
		t.Errorf("page %v\nfile %v", page, saved)
	}
	var rep Report
	ts.must(t, "GET", "/api/report", "", &rep)
	told := map[string]trace.Figure{}
	for _, u := range rep.Units {
		for _, f := range u.Figures {
			told[f.UUID+" "+f.Key] = withKey(f)
		}
	}
	rows, err := csv.NewReader(strings.NewReader(fetch(t, ts, "/api/report?format=csv"))).ReadAll()
	if err != nil || len(rows) != 4 {
		t.Fatalf("%d rows, %v", len(rows), err)
	}
	for key, cell := range page {
		f, ok := told[key]
		if want := shownText(words.Sentence(f, trace.Settings{})); !ok || cell != want {
			t.Errorf("%s: the page shows %q, JSON says %q", key, cell, want)
		}
		if !slices.ContainsFunc(rows, func(row []string) bool {
			return slices.Contains(row, f.Text) && slices.Contains(row, fmt.Sprint(f.Value))
		}) {
			t.Errorf("%s: no row of the table has %q", key, f.Text)
		}
	}
}

func TestAReportStandsAlone(t *testing.T) {
	ts := reportShelf(t)
	page := fetch(t, ts, "/api/report?format=html")
	if len(page) > 2<<20 {
		t.Errorf("%d bytes", len(page))
	}
	for _, bad := range []string{"http://", "https://", " src=", "<link", "@import", "url(", `</script><b>x`} {
		if strings.Contains(page, bad) {
			at := strings.Index(page, bad)
			t.Errorf("it has %q: %q", bad, page[max(0, at-60):at+60])
		}
	}
	if !strings.Contains(page, "default-src 'none'") || !strings.Contains(page, "never the mains side") || !strings.Contains(page, "House rules of this program, not a standard") {
		t.Error("policy, cautions or what the criteria are is missing")
	}
}

func TestAReportOfNothingIsOne(t *testing.T) {
	ts := newTestServer(t)
	if page := fetch(t, ts, "/report"); !strings.Contains(page, "There is no unit yet") {
		t.Error("an empty shelf is not said")
	}
	ts.must(t, "POST", "/api/units", `{"name":"Tin"}`, nil)
	for _, path := range []string{"/report", "/api/report?format=html"} {
		if page := fetch(t, ts, path); !strings.Contains(page, "No run counts yet") || !strings.Contains(page, "No short-circuit test that counts") {
			t.Errorf("%s does not say that there are no runs", path)
		}
	}
	for path, want := range map[string]int{"/api/report?units=Brick": 404, "/api/report?criteria=none": 404, "/api/report?format=pdf": 422, "/api/report?unit=Tin": 400, "/report?units=Brick": 404} {
		if status, body, _ := ts.call(t, "GET", path, ""); status != want {
			t.Errorf("%s: %d %.200s", path, status, body)
		}
	}
}

// check derives what a saved report carries, and holds the page against it.
func check(t testing.TB, page string) []Tampered {
	t.Helper()
	runs, err := file.ReadRuns(strings.NewReader(page), int64(len(page)), "shelf.html")
	if err != nil {
		t.Fatal(err)
	}
	defer runs.Close()
	derived := map[string]trace.Derivation{}
	for rec, err := range runs.All() {
		if err != nil {
			t.Fatal(err)
		}
		if derived[rec.UUID], err = deriveReally(rec.End.Settings, trace.EditedMarks(rec.Marks, rec.Edits), rec.Batches); err != nil {
			t.Fatal(err)
		}
	}
	says, whole, ok, err := file.ReportSays(strings.NewReader(page), int64(len(page)), "shelf.html")
	if err != nil || !ok {
		t.Fatal(ok, err)
	}
	wrong, figures, err := CheckReport(says, whole, derived)
	if err != nil || figures != 7 {
		t.Fatalf("%d figures, %v", figures, err)
	}
	return wrong
}

func TestATamperedReportIsFoundOut(t *testing.T) {
	ts := reportShelf(t)
	page := fetch(t, ts, "/api/report?format=html")
	if wrong := check(t, page); len(wrong) != 0 {
		t.Fatalf("as saved: %+v", wrong)
	}
	cell := regexp.MustCompile(`(data-figure="time_to_cutoff_s">)<b>[0-9.]+</b>`)
	value := regexp.MustCompile(`("key":"peak_current_a","figure":\{"value":)[0-9.]+`)
	for name, changed := range map[string]string{
		"a cell":              cell.ReplaceAllString(page, "$1<b>0.01</b>"),
		"a value in the JSON": value.ReplaceAllString(page, "${1}1.5"),
		"a cell of no run":    strings.Replace(page, `data-figure="peak_current_a"`, `data-figure="peak_currents_a"`, 1),
		"no table":            strings.ReplaceAll(page, `class="q" data-run`, `class="r" data-run`),
	} {
		if changed == page {
			t.Errorf("%s: nothing was changed", name)
		} else if wrong := check(t, changed); len(wrong) == 0 {
			t.Errorf("%s: not found out", name)
		}
	}
	for name, broken := range map[string]string{
		"no runs":      strings.Replace(page, `id="runs"`, `id="ruins"`, 1),
		"damaged runs": regexp.MustCompile(`(id="runs">.{100}).`).ReplaceAllString(page, "$1!"),
	} {
		if _, err := file.ReadRuns(strings.NewReader(broken), int64(len(broken)), "shelf.html"); err == nil || !strings.Contains(err.Error(), "shelf.html") {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// Ten times what fits: the samples are thinned, both extremes of every stretch stay, and what is shown still
// comes out.
func TestALongRunIsThinnedAndStillVerifies(t *testing.T) {
	if testing.Short() {
		t.Skip("takes seconds")
	}
	ts := newTestServer(t, func(o *Options) { o.Derive = deriveReally })
	shortOf(t, ts.db, trace.Unit{Name: "Moss", RatedCurrentA: 0.3}, 1_500_000, func(s float64) float64 {
		if math.Abs(s-700) < 0.0004 {
			return 7.25 // one sample
		}
		return 3 + 0.3*math.Sin(s*37) + 0.0137*math.Sin(s*1001)
	})
	page := fetch(t, ts, "/api/report?format=html")
	if len(page) >= 2<<20 {
		t.Errorf("%d bytes", len(page))
	}
	says, whole, _, err := file.ReportSays(strings.NewReader(page), int64(len(page)), "x")
	if err != nil {
		t.Fatal(err)
	}
	var rep Report
	if err := json.Unmarshal(says, &rep); err != nil {
		t.Fatal(err)
	}
	c := rep.Carried[0]
	if !c.thinned() || c.Of != 1_500_000 || c.Samples < 50_000 || !slices.ContainsFunc(c.Extremes, func(e Extreme) bool { return e.Max > 7.2 }) {
		t.Errorf("carried %d of %d, %d columns", c.Samples, c.Of, len(c.Extremes))
	}
	runs, err := file.ReadRuns(bytes.NewReader(whole), int64(len(whole)), "x")
	if err != nil {
		t.Fatal(err)
	}
	defer runs.Close()
	for rec, err := range runs.All() {
		if err != nil {
			t.Fatal(err)
		}
		d, err := deriveReally(rec.End.Settings, nil, rec.Batches)
		if err != nil {
			t.Fatal(err)
		}
		if wrong, _, err := CheckReport(says, whole, map[string]trace.Derivation{rec.UUID: d}); err != nil || len(wrong) != 0 {
			t.Errorf("%+v, %v; too thin for %v", wrong, err, c.TooThin)
		}
	}
}
