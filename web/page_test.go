package web

import (
	"context"
	"encoding/json"
	"fmt"
	"io/fs"
	"os"
	"regexp"
	"strings"
	"testing"

	"letthrough/capture/trace"
	"letthrough/store"
)

// everyPage gives the addresses of all pages, each kind at least once.
func everyPage(t *testing.T, ts *testServer) []string {
	t.Helper()
	if _, err := ts.db.CreateUnit(context.Background(), trace.Unit{Name: "Slate", RatedVoltageV: 12, RatedCurrentA: 1.5, Waveform: trace.DC}); err != nil {
		t.Fatal(err)
	}
	storeTin(t, ts, trace.RunInterrupted, 3)
	run := fmt.Sprintf("/runs/%d", storeTin(t, ts, trace.RunComplete, 12))
	return []string{"/", "/runs", run, "/units", "/units/new", "/units/1", "/report", "/readout", "/help/", "/help/bench"}
}

// get fetches a page as a browser does.
func (ts *testServer) get(t *testing.T, path string) string {
	t.Helper()
	status, body, header := ts.call(t, "GET", path, "", "Accept", "text/html")
	if status != 200 {
		t.Errorf("GET %s: status %d", path, status)
	}
	if !strings.HasPrefix(header.Get("Content-Type"), "text/html") && !strings.Contains(path, "export") && !strings.HasPrefix(path, "/api/report") && path != "/api/backup" && !strings.HasSuffix(path, ".png") {
		t.Errorf("GET %s: content type %q", path, header.Get("Content-Type"))
	}
	return string(body)
}

var (
	linkIn    = regexp.MustCompile(`<a [^>]*href="([^"#]+)"`)
	assetIn   = regexp.MustCompile(`(?:src|href)="(/assets/[^"#]+)"`)
	scriptTag = regexp.MustCompile(`<script[^>]*>`)
	address   = regexp.MustCompile(`(?i)(?:https?|wss?)://[^\s"'<>)]*`)
)

func TestEveryPageIsReachedByLinksFromTheBench(t *testing.T) {
	ts := newTestServer(t)
	want := everyPage(t, ts)
	seen := map[string]bool{"/": true}
	queue := []string{"/"}
	for len(queue) > 0 {
		path := queue[0]
		queue = queue[1:]
		for _, m := range linkIn.FindAllStringSubmatch(ts.get(t, path), -1) {
			next := strings.ReplaceAll(m[1], "&amp;", "&")
			if strings.HasPrefix(next, "/") && !seen[next] {
				seen[next] = true
				queue = append(queue, next)
			}
		}
	}
	for _, path := range append(want, "/api"+want[2]+"/export?format=csv") {
		if !seen[path] {
			t.Errorf("%s is not reached by links from /", path)
		}
	}
}

func TestPagesHoldToTheContentPolicy(t *testing.T) {
	ts := newTestServer(t)
	playTin(ts.bench, 9, 5)
	for _, path := range everyPage(t, ts) {
		html := ts.get(t, path)
		if strings.Contains(html, " style=") || strings.Contains(html, "<style") {
			t.Errorf("%s has inline style", path)
		}
		if m := regexp.MustCompile(`(?i)\son[a-z]+=`).FindString(html); m != "" {
			t.Errorf("%s has an inline handler:%s", path, m)
		}
		for _, tag := range scriptTag.FindAllString(html, -1) {
			if !strings.Contains(tag, " src=") && !strings.Contains(tag, `type="application/json"`) {
				t.Errorf("%s has an inline script: %s", path, tag)
			}
		}
		for _, m := range assetIn.FindAllStringSubmatch(html, -1) {
			if status, _, _ := ts.call(t, "GET", m[1], ""); status != 200 && !strings.HasSuffix(m[1], chartLibrary) {
				t.Errorf("%s asks for %s: status %d", path, m[1], status)
			}
		}
	}
}

// TestNothingServedNamesAnotherMachine reads every page and every file that a browser gets.
func TestNothingServedNamesAnotherMachine(t *testing.T) {
	ts := newTestServer(t)
	check := func(name, text string) {
		for _, a := range address.FindAllString(text, -1) {
			// Names of vocabularies, never asked for; and examples of this machine's own addresses.
			if strings.HasPrefix(a, "http://www.w3.org/") || strings.Contains(a, "://127.0.0.1") || strings.Contains(a, "://localhost") ||
				a == "ws://" || a == "wss://" || strings.HasPrefix(a, "http://ADDR") {
				continue
			}
			t.Errorf("%s names %s", name, a)
		}
	}
	for _, path := range everyPage(t, ts) {
		check(path, ts.get(t, path))
	}
	err := fs.WalkDir(testFiles, ".", func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || strings.HasPrefix(name, "help/") || name == chartLibrary { // the library's licence names its source
			return err
		}
		b, err := fs.ReadFile(testFiles, name)
		check(name, string(b))
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
}

func TestChartLibraryIsPartOfThisBuild(t *testing.T) {
	b, err := fs.ReadFile(testFiles, chartLibrary)
	switch {
	case err == nil && len(b) > 100_000:
	case os.Getenv("CI") == "true":
		t.Fatalf("the chart library is missing or cut short (%d bytes): type make assets", len(b))
	default:
		t.Skip("NOT RUN: the chart library is not bundled. Type: make assets")
	}
}

func TestChartOptionIsWhatTheScriptsExpect(t *testing.T) {
	b, err := json.Marshal(chartOption())
	if err != nil {
		t.Fatal(err)
	}
	var o struct {
		Animation bool
		Tooltip   struct{ RenderMode string }
		Legend    struct{ Top string }
		Grid      []struct {
			OuterBoundsMode string
			Left            string
		}
		XAxis, YAxis []any
		Series       []struct {
			Name, Type string
			Silent     bool
		}
	}
	if err := json.Unmarshal(b, &o); err != nil {
		t.Fatalf("%v in %s", err, b)
	}
	if o.Animation || o.Tooltip.RenderMode != "richText" || o.Legend.Top == "" {
		t.Errorf("animation %v, tooltip %q, legend top %q: want none, richText, stated", o.Animation, o.Tooltip.RenderMode, o.Legend.Top)
	}
	if len(o.Grid) != 2 || len(o.XAxis) != 2 || len(o.YAxis) != 2 {
		t.Fatalf("%d grids, %d and %d axes, want two of each", len(o.Grid), len(o.XAxis), len(o.YAxis))
	}
	frame, err := os.ReadFile("../static/scripts/frame.js")
	if err != nil {
		t.Fatal(err)
	}
	for _, g := range o.Grid {
		if g.OuterBoundsMode != "none" || !strings.Contains(string(frame), "left: "+g.Left+",") {
			t.Errorf("grid %+v does not stand where frame.js has it", g)
		}
	}
	var names []string
	for _, s := range o.Series {
		names = append(names, s.Type+" "+s.Name)
		if !s.Silent {
			t.Errorf("series %s answers to the pointer", s.Name)
		}
	}
	if got := strings.Join(names, ", "); got != "line phases, line references, custom ribbon" {
		t.Errorf("series are %s", got)
	}
}

func TestSmallTraceHidesNoPeak(t *testing.T) {
	c := store.Columns{Channel: trace.Channel{Instrument: "shunt", Quantity: trace.Current}, T: []float64{0, 1, 2, 3}, Min: []float64{0, 0, 0, 0}, Max: []float64{0, 5, 0, 0}}
	s := sparkOf([]store.Columns{c}, 1)
	if !strings.Contains(s.Points, ",5.0") { // the top of its box
		t.Errorf("the peak is not in %q", s.Points)
	}
	if s.Rated <= 5 || s.Rated >= sparkHeight {
		t.Errorf("rated line at %g", s.Rated)
	}
	for name, bad := range map[string][]store.Columns{
		"nothing":      nil,
		"one column":   {{Channel: c.Channel, T: []float64{1}, Min: []float64{1}, Max: []float64{1}}},
		"only voltage": {{Channel: trace.Channel{Quantity: trace.Voltage}, T: c.T, Min: c.Min, Max: c.Max}},
	} {
		if s := sparkOf(bad, 1); s.Points != "" {
			t.Errorf("%s drew %q", name, s.Points)
		}
	}
}

func TestEventRowsCountRetries(t *testing.T) {
	rows := eventRows([]trace.Mark{
		{ID: 4, Kind: trace.RetryOff, T: 2.85}, {ID: 1, Kind: trace.Onset, T: -1e-9}, {ID: 2, Kind: trace.CutOff, T: 0.0349},
		{ID: 3, Kind: trace.RetryOn, T: 2.6, Level: 4.47}, {ID: 9, Kind: trace.CutOff, T: 1, Withdrawn: true}, {ID: 5, Kind: trace.Note, T: 3, Text: "winks", By: trace.Hand},
	})
	var got []string
	for _, r := range rows {
		got = append(got, r.Time+" "+r.Say+" "+strings.Join(r.Asides, " "))
	}
	want := []string{"0.00 s Onset ", "0.035 s Cut off ", "2.60 s Retry 1 on 4.47 A", "2.85 s Retry 1 off ", "3.00 s Note “winks” by hand"}
	if strings.Join(got, "|") != strings.Join(want, "|") {
		t.Errorf("got  %q\nwant %q", got, want)
	}
}
