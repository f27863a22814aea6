package web

import (
	"compress/gzip"
	"io"
	"log/slog"
	"net/http"
	"strings"
	"testing"
	"testing/fstest"
)

func TestBusyPortIsAnError(t *testing.T) {
	ts := newTestServer(t)
	other, err := New(Options{Addr: ts.Addr().String(), Bench: ts.bench, Store: ts.db, Files: testFiles})
	if err != nil {
		t.Fatal(err)
	}
	err = other.Open()
	if err == nil || !strings.Contains(err.Error(), "another program already does") || !strings.Contains(err.Error(), ts.Addr().String()) {
		t.Errorf("err = %v, want one that names the address and what is wrong", err)
	}
	if err := other.Close(); err != nil {
		t.Errorf("close after that: %v", err)
	}
}

func TestCloseWithoutServe(t *testing.T) {
	s, err := New(Options{Addr: "127.0.0.1:0", Bench: newFakeBench(), Store: openTestStore(t), Files: testFiles})
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Open(); err != nil {
		t.Fatal(err)
	}
	for range 2 {
		if err := s.Close(); err != nil {
			t.Fatalf("close: %v", err)
		}
	}
	if err := s.Serve(); err != nil {
		t.Errorf("serve after close: %v, want nil", err)
	}
}

func TestConnectionsBeyondTheLimit(t *testing.T) {
	ts := newTestServer(t, func(o *Options) { o.MaxViewers = 1 })
	for range 1 + spareConns {
		ts.rawConn(t)
	}
	eventually(t, "one more is told so", func() bool {
		c := ts.rawConn(t)
		b, _ := io.ReadAll(c) // ends, since the server closes it
		return strings.HasPrefix(string(b), "HTTP/1.1 503 ") && strings.Contains(string(b), `"code":"unavailable"`)
	})
}

// withFiles serves files of the test's own beside the embedded templates.
func withFiles(files fstest.MapFS) func(*Options) {
	return func(o *Options) { o.Files = overlay{files, o.Files} }
}

func TestAssets(t *testing.T) {
	script := strings.Repeat("let a = 1;\n", 200) // its comment is left out on the way
	ts := newTestServer(t, withFiles(fstest.MapFS{"scripts/x.js": {Data: []byte("// a script\n" + script)}, chartLibrary: nil}))

	status, body, h := ts.call(t, "GET", ts.asset("scripts/x.js"), "", "Accept-Encoding", "identity")
	if status != 200 || string(body) != script || h.Get("Content-Type") != "text/javascript; charset=utf-8" {
		t.Fatalf("status %d, type %q, %d bytes", status, h.Get("Content-Type"), len(body))
	}
	if got := h.Get("Cache-Control"); !strings.Contains(got, "immutable") {
		t.Errorf("Cache-Control %q, want it kept for ever", got)
	}
	etag := h.Get("ETag")
	if status, body, _ = ts.call(t, "GET", ts.asset("scripts/x.js"), "", "If-None-Match", etag); status != 304 || len(body) != 0 {
		t.Errorf("asked again: status %d with %d bytes, want 304", status, len(body))
	}
	if _, _, h = ts.call(t, "GET", "/assets/scripts/x.js", ""); h.Get("Cache-Control") != "no-cache" || h.Get("ETag") != etag {
		t.Errorf("without hash: Cache-Control %q, ETag %q: want it asked for anew", h.Get("Cache-Control"), h.Get("ETag"))
	}

	req, err := http.NewRequest("GET", ts.url+ts.asset("scripts/x.js"), nil)
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Accept-Encoding", "br;q=1, gzip;q=0.5")
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	if resp.Header.Get("Content-Encoding") != "gzip" || resp.Header.Get("Vary") != "Accept-Encoding" || resp.ContentLength > int64(len(script))/2 {
		t.Errorf("encoding %q, vary %q, %d bytes of %d", resp.Header.Get("Content-Encoding"), resp.Header.Get("Vary"), resp.ContentLength, len(script))
	}
	z, err := gzip.NewReader(resp.Body)
	if err != nil {
		t.Fatal(err)
	}
	if b, err := io.ReadAll(z); err != nil || string(b) != script {
		t.Errorf("unpacked %d bytes (%v), want the script", len(b), err)
	}
}

func TestChartLibraryMissing(t *testing.T) {
	ts := newTestServer(t, withFiles(fstest.MapFS{chartLibrary: nil}))
	if !ts.chartMissing() {
		t.Fatal("chartMissing = false")
	}
	status, body, _ := ts.call(t, "GET", ts.asset(chartLibrary), "")
	if _, _, hint := faultIn(t, body); status != 503 || !strings.Contains(hint, "make assets") {
		t.Fatalf("status %d, hint %q: want 503 and what to type", status, hint)
	}
	there := newTestServer(t, withFiles(fstest.MapFS{chartLibrary: {Data: []byte("chart")}}))
	if status, body, _ := there.call(t, "GET", there.asset(chartLibrary), ""); there.chartMissing() || status != 200 || string(body) != "chart" {
		t.Errorf("where it is there: missing %v, status %d, %s", there.chartMissing(), status, body)
	}
}

func TestNewBuildHasNewAddresses(t *testing.T) {
	hash := func(script string) string {
		a, err := loadAssets(overlay{fstest.MapFS{"scripts/x.js": {Data: []byte(script)}}, testFiles})
		if err != nil {
			t.Fatal(err)
		}
		return a.hash
	}
	first, again, other := hash("a"), hash("a"), hash("b")
	if first != again || first == other {
		t.Errorf("hashes %s, %s and %s: want the address to follow the content and nothing else", first, again, other)
	}
}

func TestHelp(t *testing.T) {
	ts := newTestServer(t, withFiles(fstest.MapFS{"help/sparks.md": {Data: []byte("# Sparks & arcs\n\nSee [the socket](live.md).\n\n| a | b |\n|---|---|\n| 1 | 2 |\n\n<script>alert(1)</script>\n")}}))
	status, body, h := ts.call(t, "GET", "/help/sparks", "", "Accept", "text/html")
	page := string(body)
	if status != 200 || !strings.HasPrefix(h.Get("Content-Type"), "text/html") {
		t.Fatalf("status %d, type %q", status, h.Get("Content-Type"))
	}
	for _, want := range []string{"Sparks &amp; arcs", `href="live"`, "<td>1</td>"} {
		if !strings.Contains(page, want) {
			t.Errorf("the page lacks %s", want)
		}
	}
	if strings.Contains(page, "<script>alert") {
		t.Error("a script came through")
	}
	if _, body, _ := ts.call(t, "GET", "/help/", "", "Accept", "text/html"); !strings.Contains(string(body), `<a href="/help/sparks">Sparks &amp; arcs</a>`) {
		t.Error("the list lacks the page")
	}
}

// The help pages are ours: each has a title, and each link between them leads somewhere.
func TestHelpPagesHoldTogether(t *testing.T) {
	h, err := loadHelp(testFiles)
	if err != nil {
		t.Fatal(err)
	}
	for _, need := range []string{"live", "http"} {
		if _, ok := h.pages[need]; !ok {
			t.Errorf("help/%s.md is missing", need)
		}
	}
	for name, page := range h.pages {
		if page.title == name {
			t.Errorf("%s has no title", name)
		}
		for part := range strings.SplitSeq(string(page.body), `href="`) {
			target, _, ok := strings.Cut(part, `"`)
			target, _, _ = strings.Cut(target, "#")
			if !ok || target == "" || strings.HasPrefix(target, "/") || strings.ContainsAny(target, "<> ") {
				continue
			}
			if _, ok := h.pages[target]; !ok {
				t.Errorf("%s links to %q, which is no page", name, target)
			}
		}
	}
}

func TestLogSaysWhatTheAnswerDoesNot(t *testing.T) {
	var log strings.Builder
	ts := newTestServer(t, func(o *Options) { o.Log = slog.New(slog.NewTextHandler(&log, nil)) })
	ts.bench.mu.Lock()
	ts.bench.blow = true
	ts.bench.mu.Unlock()
	ts.call(t, "GET", "/api/instruments", "")
	if err := ts.Close(); err != nil {
		t.Fatal(err)
	}
	if got := log.String(); !strings.Contains(got, "/var/lib/secret") || !strings.Contains(got, "getInstruments") {
		t.Errorf("log %.300s: want the panic's text and where it was", got)
	}
}
