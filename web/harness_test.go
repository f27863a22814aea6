package web

import (
	"context"
	"encoding/json"
	"io"
	"iter"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"letthrough/capture/trace"
	"letthrough/static"
	"letthrough/store"
)

// testFiles are the embedded files as the program gets them.
var testFiles = static.Files

// openTestStore makes a real database of the test's own.
func openTestStore(t testing.TB) *store.DB {
	t.Helper()
	db, err := store.Open(context.Background(), filepath.Join(t.TempDir(), "bench.db"), store.Options{Record: true})
	if err != nil {
		t.Fatalf("open store: %v", err)
	}
	t.Cleanup(func() {
		if err := db.Close(); err != nil {
			t.Errorf("close store: %v", err)
		}
	})
	// Its cautions were read: a test that is about them asks for another rig.
	if err := db.CautionsRead(context.Background(), ""); err != nil {
		t.Fatal(err)
	}
	return db
}

// testServer is a server on a free port with a bench in the test's hand and a real store.
type testServer struct {
	*Server
	bench *fakeBench
	db    *store.DB
	url   string
}

// newTestServer serves until the test ends; change edits the options first.
func newTestServer(t testing.TB, change ...func(*Options)) *testServer {
	t.Helper()
	return serveTest(t, func(*Server) {}, change...)
}

// serveTest is newTestServer with something done to the server before it serves.
func serveTest(t testing.TB, prepare func(*Server), change ...func(*Options)) *testServer {
	t.Helper()
	ts := &testServer{bench: newFakeBench(), db: openTestStore(t)}
	o := Options{
		Addr: "127.0.0.1:0", Bench: ts.bench, Store: ts.db, Files: testFiles, Version: "test",
		Log: slog.New(slog.DiscardHandler), Derive: deriveNothing,
	}
	for _, f := range change {
		f(&o)
	}
	s, err := New(o)
	if err != nil {
		t.Fatalf("new server: %v", err)
	}
	ts.Server = s
	prepare(s)
	if err := s.Open(); err != nil {
		t.Fatalf("open server: %v", err)
	}
	ts.url = s.URL()
	served := make(chan error, 1)
	go func() { served <- s.Serve() }()
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Errorf("close server: %v", err)
		}
		if err := <-served; err != nil {
			t.Errorf("serve: %v", err)
		}
		http.DefaultClient.CloseIdleConnections()
	})
	return ts
}

// deriveNothing stands in where a test does not look at figures.
func deriveNothing(s trace.Settings, _ []trace.Mark, samples iter.Seq2[trace.Batch, error]) (trace.Derivation, error) {
	for _, err := range samples {
		if err != nil {
			return trace.Derivation{}, err
		}
	}
	return trace.Derivation{Procedure: s.Procedure, Behaviour: trace.Latching, ZeroAt: "file",
		Marks: []trace.Mark{{ID: 1, Kind: trace.Onset, T: 0.5, U: 0.001, By: trace.Detector}}}, nil
}

// call sends a request with a JSON body (empty: none) and gives status and body.
func (ts *testServer) call(t testing.TB, method, path, body string, headers ...string) (int, []byte, http.Header) {
	t.Helper()
	var rd io.Reader
	if body != "" {
		rd = strings.NewReader(body)
	}
	req, err := http.NewRequest(method, ts.url+path, rd)
	if err != nil {
		t.Fatalf("request: %v", err)
	}
	if body != "" {
		req.Header.Set("Content-Type", "application/json")
	}
	for i := 0; i+1 < len(headers); i += 2 {
		if headers[i] == "Host" {
			req.Host = headers[i+1]
		}
		if headers[i+1] == "" {
			req.Header.Del(headers[i])
		} else {
			req.Header.Set(headers[i], headers[i+1])
		}
	}
	client := &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	resp, err := client.Do(req)
	if err != nil {
		t.Fatalf("%s %s: %v", method, path, err)
	}
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatalf("%s %s: read: %v", method, path, err)
	}
	return resp.StatusCode, b, resp.Header
}

// must is call for a request that has to succeed; the answer is decoded into dst.
func (ts *testServer) must(t testing.TB, method, path, body string, dst any) {
	t.Helper()
	status, b, _ := ts.call(t, method, path, body)
	if status >= 300 {
		t.Fatalf("%s %s: status %d: %s", method, path, status, b)
	}
	if dst != nil {
		if err := json.Unmarshal(b, dst); err != nil {
			t.Fatalf("%s %s: %v in %.300s", method, path, err, b)
		}
	}
}

// faultIn reads the error body and fails where it is not whole.
func faultIn(t testing.TB, b []byte) (code, text, hint string) {
	t.Helper()
	var body struct {
		Error *struct{ Code, Text, Hint *string }
	}
	if err := json.Unmarshal(b, &body); err != nil || body.Error == nil || body.Error.Code == nil || body.Error.Text == nil || body.Error.Hint == nil {
		t.Fatalf("error body %s: want {\"error\":{\"code\",\"text\",\"hint\"}} (%v)", b, err)
	}
	return *body.Error.Code, *body.Error.Text, *body.Error.Hint
}

// storedRun puts one run of n samples at 1 kS/s into the store: 1 A, with one sample of 9 A at
// 0.7 s. Its onset is at 0.5 s.
func storedRun(t testing.TB, db *store.DB, unit string, n int) int64 {
	t.Helper()
	ch := trace.Channel{Instrument: "shunt", Quantity: trace.Current}
	samples := make([]trace.Sample, n)
	for i := range samples {
		samples[i] = trace.Sample{AtNS: int64(i) * 1e6, Value: 1}
		if i == 700 {
			samples[i].Value = 9
		}
	}
	applied := 0.4
	set := trace.Settings{Procedure: trace.Short, RatedCurrentA: 1.4, HoldS: 30, AppliedAtS: &applied}
	id, err := db.ImportRun(context.Background(), trace.RunStart{
		Unit: trace.Unit{Name: unit, RatedCurrentA: 1.4, RatedVoltageV: 12}, Settings: set,
		Started:     time.Date(2026, 3, 1, 18, 30, 0, 0, time.FixedZone("", 3600)),
		Instruments: []trace.RunInstrument{{Name: "shunt", Format: "text", Port: "/dev/null"}}, Version: "test",
	}, func(yield func(trace.Batch, error) bool) { yield(trace.Batch{Channel: ch, Samples: samples}, nil) },
		trace.RunEnd{State: trace.RunComplete, Settings: set, EndNS: int64(n) * 1e6, Ended: time.Date(2026, 3, 1, 18, 31, 0, 0, time.UTC),
			Derivation: trace.Derivation{Procedure: trace.Short, Behaviour: trace.Latching, ApparentBehaviour: trace.Latching, Recovery: trace.NotTested, ZeroAt: "file",
				Marks:   []trace.Mark{{ID: 1, Kind: trace.Onset, T: 0.5, U: 0.001, By: trace.Detector}, {ID: 2, Kind: trace.CutOff, T: 0.9, U: 0.001, By: trace.Detector}},
				Figures: trace.Figures{{Key: "time_to_cutoff_s", Value: 0.4, U: 0.001, Bound: trace.Exact, Text: "cut off after 0.4000 ± 0.0010 s"}}}})
	if err != nil {
		t.Fatalf("import run: %v", err)
	}
	return id
}

// recorder runs one request through the whole chain without a network.
func (ts *testServer) recorder(r *http.Request) *httptest.ResponseRecorder {
	w := httptest.NewRecorder()
	ts.Handler().ServeHTTP(w, r)
	return w
}

// endless is a body that never ends.
type endless struct{ given atomic.Int64 }

func (e *endless) Read(b []byte) (int, error) {
	for i := range b {
		b[i] = ' '
	}
	e.given.Add(int64(len(b)))
	return len(b), nil
}
