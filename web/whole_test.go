package web

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"iter"
	"log/slog"
	"math"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"letthrough/capture"
	"letthrough/capture/trace"
	"letthrough/capture/trip"
	"letthrough/capture/wire"
	"letthrough/capture/words"
	"letthrough/store"
)

var (
	_ Bench = (*capture.Bench)(nil)
	_ Store = (*store.DB)(nil)
)

// shorted is an instrument and the contact before it: while the contact is closed 4.2 A flow for
// 0.9 s, then 0.25 s of every 2 s. It sends 1000 readings a second of the bench's time.
type shorted struct {
	clock  capture.Clock
	closed atomic.Int64 // instant at which the contact closed, ns; 0: open
	sent   int64
	end    chan struct{}
	once   sync.Once
	buf    []trace.Sample
}

var shuntCurrent = trace.Channel{Instrument: "shunt", Quantity: trace.Current}

func (s *shorted) current(at int64) float64 {
	noise := 0.002 * float64(at/1e6%3-1)
	since := float64(at-s.closed.Load()) / 1e9
	if s.closed.Load() == 0 || since < 0 || since > 0.9 && math.Mod(since-0.9, 2) < 1.75 {
		return noise
	}
	return 4.2 + noise
}

func (s *shorted) Channels() []trace.Channel { return []trace.Channel{shuntCurrent} }

func (s *shorted) Next(ctx context.Context) ([]trace.Batch, error) {
	tick := time.NewTimer(2 * time.Millisecond)
	defer tick.Stop()
	select {
	case <-ctx.Done():
		return nil, ctx.Err()
	case <-s.end:
		return nil, io.EOF
	case <-tick.C:
	}
	s.buf = s.buf[:0]
	for now := s.clock.NowNS(); s.sent+1e6 <= now; {
		s.sent += 1e6
		s.buf = append(s.buf, trace.Sample{AtNS: s.sent, Value: s.current(s.sent)})
	}
	return []trace.Batch{{Channel: shuntCurrent, Samples: s.buf}}, nil
}

func (s *shorted) Status() capture.SourceStatus {
	return capture.SourceStatus{State: capture.Receiving, RateHz: 1000}
}

// instrument and contact are the two ends of it; both have a Close of their own.
type instrumentEnd struct{ *shorted }
type contactEnd struct{ s *shorted }

func (i instrumentEnd) Close() error { i.once.Do(func() { close(i.end) }); return nil }

func (c contactEnd) Close() error { c.s.closed.CompareAndSwap(0, c.s.clock.NowNS()); return nil }
func (c contactEnd) Open() error  { c.s.closed.Store(0); return nil }
func (c contactEnd) Closed() bool { return c.s.closed.Load() != 0 }

// deriveShort reads a run with one channel again.
func deriveShort(s trace.Settings, marks []trace.Mark, batches iter.Seq2[trace.Batch, error]) (trace.Derivation, error) {
	d, err := trip.New(s)
	if err != nil {
		return trace.Derivation{}, err
	}
	for b, err := range batches {
		if err != nil {
			return trace.Derivation{}, err
		}
		for _, x := range b.Samples {
			for len(marks) > 0 && marks[0].T < x.At() {
				d.Mark(marks[0])
				marks = marks[1:]
			}
			d.Current([]trace.Sample{x})
		}
	}
	for _, m := range marks {
		d.Mark(m)
	}
	out := d.Finish()
	words.Fill(&out, s)
	return out, nil
}

// One short test from arming to the stored run, over the interface alone: a real bench, a real store,
// and an instrument of which everything is known.
func TestWholeRunOverTheInterface(t *testing.T) {
	clock := capture.NewClock(10)
	shunt := &shorted{clock: clock, end: make(chan struct{})}
	var bench *capture.Bench
	ts := newTestServer(t, func(o *Options) {
		bench = capture.New(capture.Options{
			Clock: clock, Recorder: o.Store.(*store.DB), Contact: contactEnd{shunt}, Version: "test", Log: slog.New(slog.DiscardHandler),
			OpenSource: func(wire.Spec) (capture.Source, error) { return instrumentEnd{shunt}, nil },
		})
		o.Bench, o.Derive = bench, deriveShort
	})
	if err := bench.Open(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { // before the server closes, which the bench does not mind
		if err := bench.Close(); err != nil {
			t.Errorf("close bench: %v", err)
		}
	})
	ts.must(t, "POST", "/api/instruments", `{"spec":"shunt=text:/dev/null"}`, nil)
	ts.must(t, "POST", "/api/units", `{"name":"Tin","rated_current_a":1.4,"rated_voltage_v":12}`, nil)
	eventually(t, "the shunt is heard", func() bool { return shuntIsHeard(bench) })
	s := ts.dial(t, "", nil)
	ts.must(t, "POST", "/api/arm", `{"unit":"Tin","hold_s":6}`, nil)
	if status, _, _ := ts.call(t, "POST", "/api/arm", `{"unit":"Tin"}`); status != 409 {
		t.Errorf("armed twice: status %d, want 409", status)
	}
	ts.must(t, "POST", "/api/contact", `{"do":"close"}`, nil)

	seen, live := watchRun(t, s)
	for _, kind := range []string{"applied", "onset", "cut_off", "retry_on", "retry_off", "removed"} {
		if !seen[kind] {
			t.Errorf("no mark %s came over the socket", kind)
		}
	}
	if live["behaviour"] != "auto_retry" || live["say"] == "" {
		t.Errorf("behaviour %v (%v), want auto_retry in words too", live["behaviour"], live["say"])
	}
	checkCutOff(t, "live", live["figures"])

	if err := ts.db.Flush(context.Background()); err != nil {
		t.Fatal(err)
	}
	path := fmt.Sprintf("/api/runs/%v", live["run"])
	var stored, again map[string]any
	ts.must(t, "GET", path, "", &stored)
	if stored["state"] != "complete" || stored["behaviour"] != "auto_retry" || stored["unit"] != "Tin" {
		t.Errorf("stored: %v %v %v", stored["state"], stored["behaviour"], stored["unit"])
	}
	checkCutOff(t, "stored", stored["figures"])
	ts.must(t, "POST", path+"/derive", `{}`, &again)
	for _, other := range []map[string]any{live, again} {
		a, _ := json.Marshal(stored["figures"])
		b, _ := json.Marshal(other["figures"])
		if string(a) != string(b) {
			t.Errorf("the figures differ:\n%s\n%s", a, b)
		}
	}
}

func shuntIsHeard(b *capture.Bench) bool {
	cols, _ := b.Window(0)
	return len(cols) > 2000 // two seconds of baseline
}

// watchRun reads the socket until the run is complete: the kinds of marks that lasted, and the last
// figures.
func watchRun(t *testing.T, s *socket) (seen map[string]bool, figures map[string]any) {
	t.Helper()
	seen = map[string]bool{}
	frames := 0
	for {
		switch m := s.next(); m.kind() {
		case "frame":
			frames++
		case "mark":
			if m.text["withdrawn"] == false {
				seen[m.text["kind"].(string)] = true
			}
		case "figures":
			figures = m.text
		case "run":
			if m.text["state"] == "complete" {
				if figures == nil || frames < 10 {
					t.Fatalf("the run ended with %d trace messages and figures %v", frames, figures)
				}
				return seen, figures
			}
		}
	}
}

func checkCutOff(t *testing.T, where string, figures any) {
	t.Helper()
	f, ok := figures.(map[string]any)["time_to_cutoff_s"].(map[string]any)
	if !ok || f["bound"] != "exact" || f["text"] == "" {
		t.Errorf("%s: time_to_cutoff_s = %v, want an exact value in words too", where, f)
		return
	}
	if v, u := f["value"].(float64), f["u"].(float64); math.Abs(v-0.9) > max(u, 0.001) {
		t.Errorf("%s: cut off after %v ± %v s, want 0.9", where, v, u)
	}
}
