package web

import (
	"encoding/json"
	"fmt"
	"net/http"
	"reflect"
	"strings"
	"testing"
	"time"

	"github.com/gorilla/websocket"

	"letthrough/capture"
	"letthrough/capture/sim"
	"letthrough/capture/trace"
	"letthrough/store"
)

// replayLine is a socket of a replay in a test's hand.
type replayLine struct {
	t    testing.TB
	conn *websocket.Conn
	// What a page keeps of what was told.
	marks   map[int]markMessage
	figures *figuresMessage
	state   replayState
	runs    []trace.RunState
	columns int
	rewound int
	errors  []string
}

func dialReplay(t testing.TB, ts *testServer, query string) *replayLine {
	t.Helper()
	c, resp, err := websocket.DefaultDialer.Dial("ws"+strings.TrimPrefix(ts.url, "http")+"/live?"+query, nil)
	if err != nil {
		t.Fatalf("dial: %v (%v)", err, resp)
	}
	t.Cleanup(func() { c.Close() })
	if err := c.SetReadDeadline(time.Now().Add(patience)); err != nil {
		t.Fatal(err)
	}
	return &replayLine{t: t, conn: c, marks: map[int]markMessage{}}
}

func (l *replayLine) ask(format string, args ...any) {
	l.t.Helper()
	if err := l.conn.WriteMessage(websocket.TextMessage, fmt.Appendf(nil, format, args...)); err != nil {
		l.t.Fatal(err)
	}
}

// until reads until something is so.
func (l *replayLine) until(what string, so func() bool) {
	l.t.Helper()
	for !so() {
		kind, b, err := l.conn.ReadMessage()
		if err != nil {
			l.t.Fatalf("waiting for %s: %v", what, err)
		}
		if kind == websocket.BinaryMessage {
			f := readFrame(l.t, b)
			if f.kind == byte(frameBacklog) {
				l.columns = 0
			}
			l.columns += len(f.t)
			continue
		}
		l.take(b)
	}
}

func (l *replayLine) take(b []byte) {
	l.t.Helper()
	var m struct{ Type string }
	into := func(v any) {
		if err := json.Unmarshal(b, v); err != nil {
			l.t.Fatalf("%v in %s", err, b)
		}
	}
	into(&m)
	switch m.Type {
	case "rewound":
		l.marks, l.figures, l.runs = map[int]markMessage{}, nil, nil
		l.rewound++
	case "mark":
		var mark markMessage
		into(&mark)
		if l.marks[mark.ID] = mark; mark.Withdrawn {
			delete(l.marks, mark.ID)
		}
	case "figures":
		l.figures = &figuresMessage{}
		into(l.figures)
	case "hello", "state":
		l.state = replayState{}
		into(&struct {
			Replay *replayStanding `json:"replay"`
			Bench  *capture.Mode   `json:"bench"`
		}{&l.state.Replay, &l.state.Bench})
	case "run":
		var run runMessage
		into(&run)
		l.runs = append(l.runs, run.State)
	case "error":
		var e errorMessage
		into(&e)
		l.errors = append(l.errors, e.Text)
	}
}

func (l *replayLine) mustBe(run store.Run) {
	l.t.Helper()
	if l.figures == nil || !reflect.DeepEqual(l.figures.Lines, linesOf(run.Derivation.Figures, run.DerivedWith)) {
		l.t.Errorf("replayed figures %+v\nstored %+v", l.figures, run.Derivation.Figures)
	}
	if len(l.marks) != len(run.Derivation.Marks) {
		l.t.Errorf("%d marks were told, %d are stored", len(l.marks), len(run.Derivation.Marks))
	}
	for _, m := range run.Derivation.Marks {
		if got := l.marks[m.ID]; got.Kind != m.Kind || got.Provisional || got.TS-m.T > 1e-9 || m.T-got.TS > 1e-9 || got.By != m.By {
			l.t.Errorf("told %+v, stored %+v", got, m)
		}
	}
}

func TestAReplayTellsWhatTheLiveRunTold(t *testing.T) {
	ts := newTestServer(t, truly)
	id := keepRun(t, ts.db, simulatedRun(t, "Tin", sim.ShortTest(2, 12, 3), sim.Meter{RateHz: 500, NoiseA: 0.004, Voltage: true}))
	run, err := ts.db.Run(t.Context(), id)
	if err != nil {
		t.Fatal(err)
	}
	l := dialReplay(t, ts, fmt.Sprintf("replay=%d", id))
	l.until("hello", func() bool { return l.state.Bench == capture.Replaying })
	if at := l.state.Replay; at.Playing || at.Speed != 1 || at.AtS > -1.9 || at.ToS < 14 {
		t.Errorf("it begins as %+v, want it to stand before the onset", at)
	}
	l.ask(`{"do":"speed","times":50}`)
	l.ask(`{"do":"play"}`)
	l.until("the end", func() bool { return l.state.Replay.Ended })
	l.until("the run's end", func() bool { return len(l.runs) > 0 && l.runs[len(l.runs)-1] == trace.RunComplete })
	l.mustBe(run)

	// Back to just after the cut-off: the retries lie ahead again, and the trace ends there.
	cut, _ := run.Derivation.FirstMark(trace.CutOff)
	l.ask(`{"do":"go","at_s":%g}`, cut.T+0.5)
	l.until("the place", func() bool { return l.rewound == 1 && !l.state.Replay.Ended && len(l.marks) >= 2 })
	l.until("a frame", func() bool { return l.columns > 0 })
	for _, m := range l.marks {
		if m.Kind == trace.RetryOn {
			t.Errorf("after going back to %g s the retry at %g s is told", cut.T+0.5, m.TS)
		}
	}
	l.ask(`{"do":"step","by":3}`)
	l.ask(`{"do":"step","by":-1}`)
	l.until("the steps", func() bool { return l.state.Replay.AtS > cut.T+0.5 && l.state.Replay.AtS < cut.T+0.51 })
	l.ask(`{"do":"loop","from_s":0,"to_s":0.2}`)
	l.ask(`{"do":"play"}`)
	l.until("the loop", func() bool { return l.state.Replay.LoopS != nil && l.rewound >= 4 })
	if at := l.state.Replay; at.AtS < -0.001 || at.AtS > 0.2 || !at.Playing {
		t.Errorf("in the loop it stands at %+v", at)
	}
	l.ask(`{"do":"loop"}`)
	l.ask(`{"do":"go","at_s":99}`)
	l.until("the end again", func() bool { return l.state.Replay.Ended })
	l.until("the run's end", func() bool { return len(l.runs) > 0 && l.runs[len(l.runs)-1] == trace.RunComplete })
	l.mustBe(run)
	for _, bad := range []string{`{"do":"speed","times":1000}`, `{"do":"fly"}`, `{"do":"go"}`, `nonsense`} {
		n := len(l.errors)
		l.ask("%s", bad)
		l.until("the refusal of "+bad, func() bool { return len(l.errors) > n })
	}
	if calls := ts.bench.called(); len(calls) != 0 {
		t.Errorf("the replay moved the bench: %v", calls)
	}
}

// What a person said of the marks since is replayed too.
func TestAReplayHeedsWhatAPersonSaid(t *testing.T) {
	ts := newTestServer(t, truly)
	id := keepRun(t, ts.db, simulatedRun(t, "Slate", sim.ShortTest(2, 4, 2), sim.Meter{RateHz: 500, NoiseA: 0.004}))
	cut, _ := mustRun(t, ts, id).Derivation.FirstMark(trace.CutOff)
	ts.must(t, "POST", fmt.Sprintf("/api/runs/%d/marks", id), `{"kind":"note","t_s":1,"reason":"a lamp winks"}`, nil)
	d, err := deriveTruly(mustRun(t, ts, id).DerivedWith, nil, ts.db.Batches(t.Context(), id))
	if err != nil || len(d.Marks) == 0 {
		t.Fatal(err)
	}
	ts.must(t, "POST", fmt.Sprintf("/api/runs/%d/marks", id), fmt.Sprintf(`{"kind":"cut_off","was_t_s":%g,"t_s":%g,"reason":"video","u_s":0.001}`, cut.T, cut.T+0.002), nil)
	ts.must(t, "POST", fmt.Sprintf("/api/runs/%d/derive", id), `{"settings":{},"keep":true}`, nil)
	run := mustRun(t, ts, id)
	l := dialReplay(t, ts, fmt.Sprintf("replay=%d&trace=0", id))
	l.ask(`{"do":"go","at_s":99}`)
	l.until("the end", func() bool {
		return l.state.Replay.Ended && l.figures != nil && len(l.runs) > 0 && l.runs[len(l.runs)-1] == trace.RunComplete
	})
	l.mustBe(run)
	byHand := 0
	for _, m := range l.marks {
		if m.By == trace.Hand {
			byHand++
		}
	}
	if byHand < 2 || l.columns != 0 {
		t.Errorf("%d marks by hand, %d columns: want the note and the cut-off, and no trace", byHand, l.columns)
	}
}

func mustRun(t testing.TB, ts *testServer, id int64) store.Run {
	t.Helper()
	run, err := ts.db.Run(t.Context(), id)
	if err != nil {
		t.Fatal(err)
	}
	return run
}

func TestAReplayThatCannotBeIsRefused(t *testing.T) {
	ts := newTestServer(t, truly)
	open, err := ts.db.Begin(trace.RunStart{Unit: trace.Unit{Name: "Tin"}, Settings: trace.Settings{HoldS: 30}, Started: time.Now()})
	if err != nil {
		t.Fatal(err)
	}
	if err := ts.db.Flush(t.Context()); err != nil {
		t.Fatal(err)
	}
	for query, want := range map[string]int{"replay=99": 404, "replay=tin": 400, "replay=": 400, "replay=-1": 400, fmt.Sprintf("replay=%d", open): 409} {
		_, resp, err := websocket.DefaultDialer.Dial("ws"+strings.TrimPrefix(ts.url, "http")+"/live?"+query, nil)
		if err == nil || resp == nil || resp.StatusCode != want {
			t.Errorf("%s: %v, %v, want status %d", query, err, resp, want)
		}
	}
	// Others than our own pages may not.
	_, resp, err := websocket.DefaultDialer.Dial("ws"+strings.TrimPrefix(ts.url, "http")+"/live?replay=1", http.Header{"Origin": {"http://elsewhere.example"}})
	if err == nil || resp.StatusCode != http.StatusForbidden {
		t.Errorf("a foreign page: %v, %v", err, resp)
	}
}

// A leap over more marks than may wait for a viewer ends no socket.
func TestAReplayLeapsOverManyMarks(t *testing.T) {
	ts := newTestServer(t, truly)
	id := keepRun(t, ts.db, simulatedRun(t, "Clay", sim.ShortTest(2, 400, 3), sim.Meter{RateHz: 200, NoiseA: 0.004}))
	if n := len(mustRun(t, ts, id).Derivation.Marks); n < 2*textsQueued {
		t.Fatalf("the run has only %d marks", n)
	}
	l := dialReplay(t, ts, fmt.Sprintf("replay=%d&trace=0", id))
	for range 3 {
		l.ask(`{"do":"go","at_s":999}`)
		l.until("the end", func() bool {
			return l.state.Replay.Ended && l.figures != nil && len(l.runs) > 0 && l.runs[len(l.runs)-1] == trace.RunComplete
		})
		if n := len(l.marks); n < 100 || n > marksTold+1 {
			t.Errorf("%d marks were told, want the first and the newest", n)
		}
		l.ask(`{"do":"go","at_s":0}`)
		l.until("the beginning", func() bool { return !l.state.Replay.Ended })
	}
}
