package web

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"net"
	"net/http"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/gorilla/websocket"

	"letthrough/capture"
	"letthrough/capture/trace"
)

// patience is how long a test waits for what must come.
const patience = 30 * time.Second

// socket is a viewer of the test's own.
type socket struct {
	*websocket.Conn
	t testing.TB
}

func (ts *testServer) dial(t testing.TB, query string, headers http.Header) *socket {
	t.Helper()
	c, resp, err := websocket.DefaultDialer.Dial("ws"+strings.TrimPrefix(ts.url, "http")+"/live"+query, headers)
	if err != nil {
		t.Fatalf("dial: %v (%v)", err, resp)
	}
	t.Cleanup(func() { c.Close() })
	if err := c.SetReadDeadline(time.Now().Add(patience)); err != nil {
		t.Fatal(err)
	}
	return &socket{c, t}
}

// message is one message: text decoded, or a frame.
type message struct {
	text  map[string]any
	frame *frame
	size  int
}

func (m message) kind() string {
	if m.frame != nil {
		return "frame"
	}
	return m.text["type"].(string)
}

func (s *socket) next() message {
	s.t.Helper()
	kind, b, err := s.ReadMessage()
	if err != nil {
		s.t.Fatalf("read: %v", err)
	}
	if kind == websocket.BinaryMessage {
		f := readFrame(s.t, b)
		return message{frame: &f, size: len(b)}
	}
	m := message{size: len(b)}
	if err := json.Unmarshal(b, &m.text); err != nil {
		s.t.Fatalf("message %s: %v", b, err)
	}
	if _, ok := m.text["type"].(string); !ok || !bytes.HasPrefix(b, []byte(`{"type":`)) {
		s.t.Fatalf("message %.80s does not begin with its type", b)
	}
	return m
}

// until reads on until a message of a kind comes, and gives it and all before it.
func (s *socket) until(kind string) (message, []message) {
	s.t.Helper()
	var before []message
	for {
		m := s.next()
		if m.kind() == kind {
			return m, before
		}
		before = append(before, m)
	}
}

func kinds(ms []message) (out []string) {
	for _, m := range ms {
		out = append(out, m.kind())
	}
	return out
}

// eventually waits until a condition holds.
func eventually(t testing.TB, what string, ok func() bool) {
	t.Helper()
	deadline := time.After(patience)
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	for !ok() {
		select {
		case <-tick.C:
		case <-deadline:
			t.Fatalf("never came true: %s", what)
		}
	}
}

func steadyColumns(from, n int) []capture.Column {
	out := make([]capture.Column, n)
	for i := range out {
		out[i] = capture.Column{AtNS: int64(from+i) * 1e6, WidthNS: 1e6, Min: float32(from + i), Max: float32(from+i) + 0.5}
	}
	return out
}

// runEvents is the log of a run from its opening to its figures: opened at 1 s, onset at 2 s.
func runEvents() []capture.Event {
	zero := int64(2e9)
	mark := func(id int, kind trace.MarkKind, at int64, z *int64, provisional bool) capture.Event {
		return capture.Event{Kind: capture.EventMark, Run: 3, AtNS: at, OpenedNS: 1e9, ZeroNS: z,
			Mark: &trace.Mark{ID: id, Kind: kind, T: float64(at-1e9) / 1e9, By: trace.Detector, Provisional: provisional, Level: 4.2}}
	}
	return []capture.Event{
		{Kind: capture.EventRun, Run: 3, AtNS: 1e9, OpenedNS: 1e9, RunState: trace.RunOpen, Procedure: trace.Short,
			Unit: trace.Unit{ID: 1, Name: "Tin", RatedCurrentA: 1.4}, Started: time.Date(2026, 3, 1, 18, 30, 0, 0, time.FixedZone("", 3600))},
		mark(1, trace.Applied, 1.9e9, nil, false),
		mark(2, trace.Onset, 2e9, &zero, true),
		mark(2, trace.Onset, 2e9, &zero, false),
		mark(3, trace.CutOff, 2.9e9, &zero, true),
		{Kind: capture.EventFigures, Run: 3, ZeroNS: &zero, OpenedNS: 1e9, Figures: &trace.Derivation{
			Behaviour: trace.AutoRetry, ApparentBehaviour: trace.AutoRetry, Recovery: trace.NotTested,
			Figures: trace.Figures{{Key: "time_to_cutoff_s", Value: 0.9, U: 0.001, Bound: trace.Exact}, {Key: "time_to_limit_s", Bound: trace.NotApplicable}}}},
	}
}

func TestHelloComesFirst(t *testing.T) {
	ts := newTestServer(t)
	for _, query := range []string{"", "?trace=0", "?trace=1"} {
		s := ts.dial(t, query, nil)
		m := s.next()
		if m.kind() != "hello" || m.text["version"] != "test" || m.text["role"] != "operator" || m.text["bench"] != "idle" {
			t.Fatalf("first message with %q is %v, want hello with version, role and state", query, m.text)
		}
		want := `[{"instrument":"shunt","quantity":"current","unit":"A"}]`
		if got, _ := json.Marshal(m.text["channels"]); string(got) != want {
			t.Errorf("channels %s, want %s", got, want)
		}
	}
}

func TestNewViewerGetsTheWholeRun(t *testing.T) {
	ts := newTestServer(t)
	ts.bench.addColumns(0, steadyColumns(0, 100)...)
	ts.bench.publish(runEvents()...)
	s := ts.dial(t, "", nil)
	f, before := s.until("frame")
	if got, want := fmt.Sprint(kinds(before)), "[hello run mark mark mark figures]"; !strings.HasPrefix(got, want[:len(want)-1]) {
		t.Fatalf("before the trace came %v, want %v", got, want)
	}
	run, applied, onset, cutoff, figures := before[1].text, before[2].text, before[3].text, before[4].text, before[5].text
	if run["run"] != 3.0 || run["state"] != "open" || run["zero_at_s"] != 2.0 || run["started"] != "2026-03-01T18:30:00.000+01:00" || run["procedure"] != "short" {
		t.Errorf("run %v", run)
	}
	if applied["kind"] != "applied" || math.Abs(applied["t_s"].(float64)+0.1) > 1e-9 || applied["at_s"] != 1.9 {
		t.Errorf("applied %v, want 0.1 s before the onset", applied)
	}
	if onset["kind"] != "onset" || onset["t_s"] != 0.0 || onset["provisional"] != false || onset["by"] != "detector" {
		t.Errorf("onset %v, want it confirmed at 0", onset)
	}
	if cutoff["kind"] != "cut_off" || math.Abs(cutoff["t_s"].(float64)-0.9) > 1e-9 || cutoff["provisional"] != true || cutoff["level_a"] != 4.2 {
		t.Errorf("cut-off %v, want it provisional at 0.9 s", cutoff)
	}
	fs := figures["figures"].(map[string]any)
	if figures["behaviour"] != "auto_retry" || fs["time_to_cutoff_s"].(map[string]any)["value"] != 0.9 ||
		fs["time_to_limit_s"].(map[string]any)["value"] != nil || len(figures["lines"].([]any)) != 1 {
		t.Errorf("figures %v", figures)
	}
	if f.frame.kind != byte(frameBacklog) || len(f.frame.t) != 100 || f.frame.lo[99] != 99 || f.frame.hi[99] != 99.5 || f.frame.dt != 0.001 {
		t.Errorf("frame %+v, want the backlog of 100 columns", f.frame)
	}
}

func TestColumnsArriveOnceAndInOrder(t *testing.T) {
	ts := newTestServer(t)
	ts.bench.addColumns(0, steadyColumns(0, 50)...)
	s := ts.dial(t, "", nil)
	s.until("hello")
	const total = 2000
	sent := make(chan struct{})
	go func() {
		defer close(sent)
		for i := 50; i < total; i += 10 {
			ts.bench.addColumns(0, steadyColumns(i, 10)...)
		}
	}()
	next := 0
	for next < total {
		m := s.next()
		if m.frame == nil {
			continue
		}
		if m.frame.kind == byte(frameBacklog) {
			next = 0
		}
		for i := range m.frame.t {
			if m.frame.lo[i] != float32(next) || math.Abs(m.frame.t[i]-float64(next)/1e3) > 1e-6 {
				t.Fatalf("column %v at %v s, want %d", m.frame.lo[i], m.frame.t[i], next)
			}
			next++
		}
	}
	<-sent
}

func TestColumnsThatComeDuringTheBacklog(t *testing.T) {
	ts := newTestServer(t)
	ts.bench.addColumns(0, steadyColumns(0, 50)...)
	var once sync.Once
	ts.bench.beforeWindow = func() { once.Do(func() { ts.bench.addColumns(0, steadyColumns(50, 10)...) }) }
	s := ts.dial(t, "", nil)
	next := 0
	for next < 70 {
		if next == 60 { // what was sent twice would come before these
			ts.bench.addColumns(0, steadyColumns(60, 10)...)
		}
		m := s.next()
		if m.frame == nil {
			continue
		}
		for i := range m.frame.t {
			if m.frame.lo[i] != float32(next) {
				t.Fatalf("column %v, want %d: each once, in order", m.frame.lo[i], next)
			}
			next++
		}
	}
}

func TestBacklogReachesToThisMoment(t *testing.T) {
	ts := serveTest(t, func(s *Server) { s.hub.frameAt = time.Now().Add(time.Hour) }) // no step of its own comes in between
	ts.bench.addColumns(0, steadyColumns(0, 100)...)
	f, _ := ts.dial(t, "", nil).until("frame")
	if f.frame.kind != byte(frameBacklog) || len(f.frame.t) != 100 {
		t.Fatalf("kind %d with %d columns, want a backlog of 100", f.frame.kind, len(f.frame.t))
	}
}

func TestTraceLeftOut(t *testing.T) {
	ts := newTestServer(t)
	s := ts.dial(t, "?trace=0", nil)
	for i := range 20 {
		ts.bench.addColumns(0, steadyColumns(i*10, 10)...)
		if _, before := s.until("state"); len(before) > 0 && before[len(before)-1].frame != nil {
			t.Fatal("a trace message came")
		}
	}
}

func TestMarksCorrectionsAndRunsReachEverybody(t *testing.T) {
	ts := newTestServer(t)
	a, b := ts.dial(t, "", nil), ts.dial(t, "?trace=0", nil)
	a.until("state")
	b.until("state")
	ts.bench.publish(runEvents()...)
	for _, s := range []*socket{a, b} {
		_, before := s.until("figures")
		var got []string
		for _, m := range before {
			switch m.kind() {
			case "run", "mark":
				got = append(got, fmt.Sprint(m.kind(), m.text["kind"], m.text["provisional"]))
			}
		}
		// The run is told again once its zero is known.
		want := "[run<nil> <nil> markappliedfalse run<nil> <nil> markonsettrue markonsetfalse markcut_offtrue]"
		if fmt.Sprint(got) != want {
			t.Errorf("got  %v\nwant %v", got, want)
		}
	}
}

func TestStateComesOftenWhileSomethingIsReceived(t *testing.T) {
	ts := newTestServer(t)
	t.Run("even by a meter of one reading a second", func(t *testing.T) {
		s := ts.dial(t, "?trace=0", nil)
		s.until("hello")
		begin := time.Now()
		for range 6 {
			s.until("state")
		}
		if took := time.Since(begin); took > 3*time.Second {
			t.Errorf("6 states took %v, promised are 5 a second", took)
		}
	})
	s := ts.dial(t, "?trace=0", nil)
	s.until("hello")
	stop, stopped := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(stopped)
		tick := time.NewTicker(5 * time.Millisecond)
		defer tick.Stop()
		for i := 0; ; i++ {
			select {
			case <-tick.C:
				ts.bench.addColumns(0, steadyColumns(i, 1)...)
			case <-stop:
				return
			}
		}
	}()
	begin := time.Now()
	for range 10 {
		s.until("state")
	}
	close(stop)
	<-stopped
	if took := time.Since(begin); took > 5*time.Second {
		t.Errorf("10 states took %v, promised are 5 a second", took)
	}
}

func TestInstrumentAddedGreetsAnew(t *testing.T) {
	ts := newTestServer(t)
	s := ts.dial(t, "", nil)
	s.until("hello")
	ts.bench.addChannel("meter", trace.Voltage)
	m, _ := s.until("hello")
	if got := len(m.text["channels"].([]any)); got != 2 {
		t.Fatalf("%d channels, want 2", got)
	}
	ts.bench.addColumns(1, steadyColumns(5, 1)...)
	for {
		if m := s.next(); m.frame != nil && m.frame.channel == 1 && len(m.frame.t) == 1 {
			return
		}
	}
}

func TestColumnsTheHubMissedComeAsBacklog(t *testing.T) {
	ts := newTestServer(t)
	s := ts.dial(t, "", nil)
	ts.bench.addColumns(0, steadyColumns(0, 10)...)
	for m := s.next(); m.frame == nil || len(m.frame.t) == 0; m = s.next() {
	}
	ts.bench.mu.Lock() // in one step, so that the hub cannot see the columns in between
	ts.bench.columns[0] = append(ts.bench.columns[0], steadyColumns(10, 1000)...)
	drop := len(ts.bench.columns[0]) - 5
	ts.bench.columns[0], ts.bench.from[0] = ts.bench.columns[0][drop:], ts.bench.from[0]+uint64(drop)
	ts.bench.changed()
	ts.bench.mu.Unlock()
	m, before := s.until("skipped")
	if m.text["messages"].(float64) < 1 {
		t.Errorf("skipped %v, want at least one", m.text)
	}
	for _, b := range before {
		if b.frame != nil && len(b.frame.t) > 0 && b.frame.lo[0] >= 1000 {
			t.Errorf("columns came before it was said that some are missing")
		}
	}
	f, _ := s.until("frame")
	if f.frame.kind != byte(frameBacklog) || len(f.frame.t) != 5 || f.frame.lo[4] != 1009 {
		t.Errorf("frame %+v, want the 5 columns kept as a backlog", f.frame)
	}
}

func TestForeignSocketsAreRefused(t *testing.T) {
	ts := newTestServer(t)
	address := "ws" + strings.TrimPrefix(ts.url, "http") + "/live"
	for _, origin := range []string{"http://evil.example", "null", "http://localhost:1"} {
		_, resp, err := websocket.DefaultDialer.Dial(address, http.Header{"Origin": {origin}})
		if err == nil || resp == nil || resp.StatusCode != 403 {
			t.Errorf("origin %s: err %v, answer %v: want 403", origin, err, resp)
		}
	}
	s := ts.dial(t, "", http.Header{"Origin": {ts.url}})
	s.until("hello")
	if _, resp, err := websocket.DefaultDialer.Dial(address+"?trace=maybe", nil); err == nil || resp.StatusCode != 400 {
		t.Errorf("trace=maybe: err %v, want 400", err)
	}
}

func TestRolesOnTheSocket(t *testing.T) {
	ts := newTestServer(t, withTokens)
	for token, role := range map[string]string{operatorToken: "operator", viewerToken: "viewer"} {
		s := ts.dial(t, "", http.Header{"Authorization": {"Bearer " + token}})
		if m := s.next(); m.text["role"] != role {
			t.Errorf("role %v, want %s", m.text["role"], role)
		}
	}
	_, resp, err := websocket.DefaultDialer.Dial("ws"+strings.TrimPrefix(ts.url, "http")+"/live", nil)
	if err == nil || resp == nil || resp.StatusCode != 401 {
		t.Errorf("without a token: err %v, answer %v: want 401", err, resp)
	}
}

func TestViewerThatTalksTooMuch(t *testing.T) {
	ts := newTestServer(t)
	s := ts.dial(t, "", nil)
	s.until("hello")
	if err := s.WriteMessage(websocket.TextMessage, []byte(`{"type":"hi"}`)); err != nil {
		t.Fatal(err)
	}
	s.until("state") // a word is not minded
	if err := s.WriteMessage(websocket.TextMessage, bytes.Repeat([]byte("x"), 1<<20)); err != nil {
		return // cut while writing
	}
	for {
		if _, _, err := s.ReadMessage(); err != nil {
			if ne, ok := err.(net.Error); ok && ne.Timeout() {
				t.Fatal("a message of 1 MiB was taken")
			}
			return
		}
	}
}

func TestCloseEndsSockets(t *testing.T) {
	ts := newTestServer(t)
	s := ts.dial(t, "", nil)
	s.until("hello")
	c := ts.rawConn(t) // one that never reads goes too
	fmt.Fprintf(c, "GET /live HTTP/1.1\r\nHost: %s\r\nUpgrade: websocket\r\nConnection: Upgrade\r\nSec-WebSocket-Version: 13\r\nSec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\n\r\n", ts.Addr())
	eventually(t, "both are in", func() bool { return ts.hub.count.Load() == 2 })
	for range 2 {
		if err := ts.Close(); err != nil {
			t.Fatalf("close: %v", err)
		}
	}
	for {
		if _, _, err := s.ReadMessage(); err != nil {
			if !websocket.IsCloseError(err, websocket.CloseGoingAway) {
				t.Fatalf("the socket ended with %v, want 1001 going away", err)
			}
			break
		}
	}
	if n := ts.hub.count.Load(); n != 0 {
		t.Errorf("%d viewers left", n)
	}
}

func TestExcludedRunIsTold(t *testing.T) {
	ts := newTestServer(t)
	run := storedRun(t, ts.db, "Tin", 100)
	s := ts.dial(t, "?trace=0", nil)
	s.until("hello")
	ts.must(t, "POST", fmt.Sprintf("/api/runs/%d/exclude", run), `{"reason":"lead came off"}`, nil)
	m, _ := s.until("run")
	if m.text["state"] != "excluded" || m.text["run"] != float64(run) {
		t.Fatalf("told %v, want the run excluded", m.text)
	}
}
