package web

import (
	"bytes"
	"context"
	"net/url"
	"strings"
	"testing"
	"testing/fstest"

	"letthrough/capture/compare"
)

func TestModulesBecomeOneScript(t *testing.T) {
	files := fstest.MapFS{
		"scripts/a.js": {Data: []byte("import { b, C } from \"./b.js\";\nexport const a = b + C;\nasync function f() {}\n")},
		"scripts/b.js": {Data: []byte("export function b() {}\nexport class C {}\nconst own = 1;\n")},
		"scripts/x.js": {Data: []byte("export default 1;\n")},
		"scripts/y.js": {Data: []byte("import * as all from \"./b.js\";\n")},
	}
	got, err := linkModules(files, "scripts/a.js")
	want := "\"use strict\";\nconst module_b = (() => {\nfunction b() {}\nclass C {}\nconst own = 1;\n\nreturn { b, C };\n})();\n" +
		"const module_a = (() => {\nconst { b, C } = module_b;\nconst a = b + C;\nasync function f() {}\n\nreturn { a };\n})();\n"
	if err != nil || got != want {
		t.Errorf("%v\n%s\nwant\n%s", err, got, want)
	}
	for _, name := range []string{"x", "y", "nowhere"} {
		if got, err := linkModules(files, "scripts/"+name+".js"); err == nil {
			t.Errorf("%s became %q", name, got)
		}
	}
}

// TestTheAddressHoldsTheChoice: what a page is asked for is what its links ask for again.
func TestTheAddressHoldsTheChoice(t *testing.T) {
	for _, query := range []string{
		"?runs=14,9", "?runs=14,9&align=cut_off&view=stack&unit=rated&time=log", "?runs=1,2,3&from=-0.5&to=2.25", "?runs=1,2&align=clock",
	} {
		q, err := url.ParseQuery(query[1:])
		if err != nil {
			t.Fatal(err)
		}
		c, err := sideChoiceOf(q)
		if err != nil {
			t.Fatal(err)
		}
		if c.Runs, err = runIDs(q); err != nil {
			t.Fatal(err)
		}
		if got := c.query(); got != query {
			t.Errorf("%s became %s", query, got)
		}
	}
	for _, bad := range []string{"unit=volts", "time=slow", "view=round", "from=soon"} {
		q, _ := url.ParseQuery(bad)
		if _, err := sideChoiceOf(q); err == nil {
			t.Errorf("%s was taken", bad)
		}
	}
}

func TestSideBySidePageSaysWhatIsWrong(t *testing.T) {
	ts := newTestServer(t)
	ids := shelf(t, ts, 200, "Tin", "Slate")
	for query, want := range map[string]struct {
		status int
		says   string
	}{
		"?runs=" + idList(ids):                 {200, "Tin and Slate"},
		"?runs=" + idList(ids[:1]):             {422, "one is chosen"},
		"?runs=1,2,3,4,5,6,7":                  {422, "7 are chosen"},
		"?runs=" + idList(ids) + "&view=round": {422, "round"},
		"?runs=" + idList(ids) + ",777":        {404, "run 777"},
		"":                                     {200, "the newest of"},
	} {
		status, body, _ := ts.call(t, "GET", "/compare"+query, "", "Accept", "text/html")
		if status != want.status || !strings.Contains(string(body), want.says) {
			t.Errorf("%s: status %d, want %d with %q", query, status, want.status, want.says)
		}
	}
	status, _, h := ts.call(t, "GET", "/compare?run=1&run=2", "")
	if to := h.Get("Location"); status != 303 || to != "/compare?runs=1%2C2" {
		t.Errorf("the list's own form leads to %d %s", status, to)
	}
}

// TestSavedPageHoldsEverything: no address of any machine stands in it but as a name space, and the same
// choice gives the same file.
func TestSavedPageHoldsEverything(t *testing.T) {
	ts := newTestServer(t)
	if ts.chartMissing() {
		t.Skip("NOT RUN: the chart library is not part of this build. Type: make assets")
	}
	ids := shelf(t, ts, 1000, "Tin", "Slate", "Amber")
	sides, err := StoredSides(context.Background(), ts.db, ids)
	if err != nil {
		t.Fatal(err)
	}
	s, err := SideBySide(sides, compare.AtOnset)
	if err != nil {
		t.Fatal(err)
	}
	page, err := s.File(context.Background(), testFiles, SidePage{View: viewStack, Rated: true}, "test")
	if err != nil {
		t.Fatal(err)
	}
	again, err := s.File(context.Background(), testFiles, SidePage{View: viewStack, Rated: true}, "test")
	if err != nil || !bytes.Equal(page, again) {
		t.Errorf("the same choice gave another file, %v", err)
	}
	text := string(page)
	for _, never := range []string{`src="`, `href="/`, `href="http`, "@import", "url(http", "fetch(", "/api/"} {
		if i := strings.Index(text, never); i >= 0 {
			t.Errorf("the file asks for something: %s", text[max(0, i-40):min(len(text), i+60)])
		}
	}
	if strings.Count(text, "<script") != 3 || !strings.Contains(text, "default-src 'none'") || !strings.Contains(text, "one above another") {
		t.Error("the file is not made as it should be")
	}
	const most = 3 << 20
	if len(page) > most {
		t.Errorf("the file has %d bytes, at most %d for three runs", len(page), most)
	}
}

// A saved page has the bands of its close look as fine as that is, on either axis of time.
func TestASavedPageHasTheBandsOfItsCloseLook(t *testing.T) {
	ts := newTestServer(t)
	ids := shelf(t, ts, 1000, "Tin", "Slate", "Tin")
	sides, err := StoredSides(t.Context(), ts.db, ids)
	if err != nil {
		t.Fatal(err)
	}
	s, err := SideBySide(sides, "")
	if err != nil {
		t.Fatal(err)
	}
	near := sideWindow{0.86, 0.93}
	c, err := s.fileColumns(t.Context(), sideData{Span: sideWindow{-0.5, 12}, Close: sideWindow{0, 3}, Chosen: &near})
	if err != nil {
		t.Fatal(err)
	}
	if len(c.Bands) != 1 || len(c.CloseBands) != 1 || len(c.CloseBands[0]) != 1 {
		t.Fatalf("%d bands, and %d of the close look", len(c.Bands), len(c.CloseBands))
	}
	at := c.CloseBands[0][0].T
	if n := len(at); n < 500 || at[0] < near.From || at[n-1] > near.To || at[n-1]-at[0] < 0.06 {
		t.Errorf("the close look's band has %d columns", n)
	}
	c, err = s.fileColumns(t.Context(), sideData{Log: true, Span: sideWindow{0.001, 10}, Close: sideWindow{0.001, 10}})
	if err != nil {
		t.Fatal(err)
	}
	if len(c.CloseBands) != 4 {
		t.Fatalf("%d decades", len(c.CloseBands))
	}
	for i, b := range c.CloseBands {
		if len(b) != 1 || len(b[0].T) < 8 {
			t.Errorf("decade %d: %d bands", i, len(b))
		}
	}
}
