package web

import (
	"context"
	"encoding/json"
	"errors"
	"io"
	"log/slog"
	"strings"
	"sync"
	"testing"
	"time"

	"letthrough/capture"
	"letthrough/capture/trace"
	"letthrough/capture/wire"
	"letthrough/store"
)

// steady is an instrument that shows one current.
type steady struct {
	name  string
	shows float64
	end   chan struct{}
	once  sync.Once
}

func (s *steady) Channels() []trace.Channel {
	return []trace.Channel{{Instrument: s.name, Quantity: trace.Current}}
}

func (s *steady) Next(ctx context.Context) ([]trace.Batch, error) {
	tick := time.NewTimer(10 * time.Millisecond)
	defer tick.Stop()
	select {
	case <-ctx.Done():
		return nil, ctx.Err()
	case <-s.end:
		return nil, io.EOF
	case <-tick.C:
		return nil, nil
	}
}

func (s *steady) Status() capture.SourceStatus {
	return capture.SourceStatus{State: capture.Receiving, RateHz: 10, Latest: []capture.Latest{{Quantity: trace.Current, Value: s.shows, Known: true}}}
}

func (s *steady) Close() error { s.once.Do(func() { close(s.end) }); return nil }

// newBenchServer is a server with a real bench and a real store; ports called missing are not there unless
// they are waited for.
func newBenchServer(t testing.TB, change ...func(*Options)) *testServer {
	t.Helper()
	var bench *capture.Bench
	ts := newTestServer(t, append([]func(*Options){func(o *Options) {
		bench = capture.New(capture.Options{Recorder: o.Store.(*store.DB), Version: "test", Log: slog.New(slog.DiscardHandler),
			OpenSource: func(s wire.Spec) (capture.Source, error) {
				if s.Port == "/dev/missing" && !s.Wait {
					return nil, errors.New("/dev/missing: no such file")
				}
				return &steady{name: s.Name, shows: 2, end: make(chan struct{})}, nil
			}})
		o.Bench = bench
		o.Ports = func() ([]Port, error) {
			return []Port{{Path: "/dev/serial/by-id/usb-board", Device: "/dev/ttyACM0", USB: "1a86:7523", Says: "serial board"}, {Path: "/dev/ttyS0", Device: "/dev/ttyS0", Problem: "not allowed to open it"}}, nil
		}
	}}, change...)...)
	if err := bench.Open(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := bench.Close(); err != nil {
			t.Errorf("close bench: %v", err)
		}
	})
	return ts
}

// answered is of an instrument what a program reads of the answer.
type answered struct {
	ID                            *int64
	Name, Port, Note, Spec, State string
	Kept                          bool
	History                       []json.RawMessage
}

func TestAnInstrumentIsKept(t *testing.T) {
	ts := newBenchServer(t)
	var in answered
	ts.must(t, "POST", "/api/instruments", `{"spec":"grey box=text:/dev/ttyACM0?time=us","note":"by the window"}`, &in)
	if in.ID == nil || !in.Kept || in.Note != "by the window" || in.Spec != "grey box=text:/dev/ttyACM0?time=us" || len(in.History) != 0 {
		t.Fatalf("%+v", in)
	}
	kept, err := ts.db.Instruments(context.Background())
	if err != nil || len(kept) != 1 || !kept[0].Kept || kept[0].Spec != in.Spec {
		t.Errorf("in the store: %+v, %v", kept, err)
	}
	for _, name := range []string{"grey%20box", "GREY%20box", "1"} {
		var one answered
		if ts.must(t, "GET", "/api/instruments/"+name, "", &one); one.Name != "grey box" {
			t.Errorf("%s is %+v", name, one)
		}
	}
	for _, taken := range []string{"grey box", "Grey Box"} {
		if status, _, _ := ts.call(t, "POST", "/api/instruments", `{"spec":"`+taken+`=text:/dev/ttyACM1"}`); status != 409 {
			t.Errorf("%s a second time: %d", taken, status)
		}
	}
	ts.must(t, "PUT", "/api/instruments/1", `{"spec":"box=text:/dev/ttyACM1?time=us"}`, &in)
	if in.Name != "box" || in.Port != "/dev/ttyACM1" || *in.ID != 1 || in.Note != "" {
		t.Errorf("changed: %+v", in)
	}
	if status, _, _ := ts.call(t, "DELETE", "/api/instruments/box", ""); status != 204 {
		t.Errorf("deleted: %d", status)
	}
	if kept, err = ts.db.Instruments(context.Background()); err != nil || len(kept) != 0 {
		t.Errorf("still in the store: %+v, %v", kept, err)
	}
	if status, _, _ := ts.call(t, "DELETE", "/api/instruments/box", ""); status != 404 {
		t.Errorf("deleted again: %d", status)
	}
}

func TestAMissingPortIsSaidOrWaitedFor(t *testing.T) {
	ts := newBenchServer(t)
	status, body, _ := ts.call(t, "POST", "/api/instruments", `{"spec":"a=text:/dev/missing"}`)
	if _, text, _ := faultIn(t, body); status != 422 || !strings.Contains(text, "/dev/missing") {
		t.Errorf("%d %s", status, text)
	}
	if kept, _ := ts.db.Instruments(context.Background()); len(kept) != 0 {
		t.Errorf("refused, and kept all the same: %+v", kept)
	}
	ts.must(t, "POST", "/api/instruments", `{"spec":"a=text:/dev/missing","wait":true}`, nil)
	ts.must(t, "POST", "/api/instruments", `{"spec":"b=text:/dev/ttyACM0"}`, nil)
	// A change that cannot be opened leaves it as it was.
	if status, _, _ := ts.call(t, "PUT", "/api/instruments/b", `{"spec":"b=text:/dev/missing"}`); status != 422 {
		t.Errorf("changed to a port that is not there: %d", status)
	}
	var b answered
	if ts.must(t, "GET", "/api/instruments/b", "", &b); b.Port != "/dev/ttyACM0" || b.State != "receiving" && b.State != "silent" {
		t.Errorf("after a change that failed: %+v", b)
	}
	if status, _, _ := ts.call(t, "PUT", "/api/instruments/b", `{"spec":"A=text:/dev/ttyACM0"}`); status != 409 {
		t.Errorf("renamed to one that is there: %d", status)
	}
}

func TestACalibrationIsFittedKeptAndTakenBack(t *testing.T) {
	ts := newBenchServer(t)
	ts.must(t, "POST", "/api/instruments", `{"spec":"a=text:/dev/ttyACM0?unit=A"}`, nil)
	const path, pairs = "/api/instruments/a/calibrations", `"quantity":"current","pairs":[{"trusted":0.1,"shown":0},{"trusted":2.1,"shown":1},{"trusted":4.1,"shown":2}]`
	var c calibrationJSON
	ts.must(t, "POST", path, `{`+pairs+`}`, &c)
	if c.Kept || c.Gain < 1.999 || c.Gain > 2.001 || !strings.Contains(c.Say, "gain") || c.ID != 0 {
		t.Errorf("%+v", c)
	}
	ts.must(t, "POST", path, `{`+pairs+`,"keep":true,"note":"before the fair","trusted_accuracy":"±(0.5 % + 2)"}`, &c)
	if !c.Kept || c.ID == 0 || c.Made == "" || c.Trusted.Percent != 0.5 {
		t.Errorf("%+v", c)
	}
	eventually(t, "the corrected reading is shown", func() bool {
		st := ts.opts.Bench.State().Instruments[0]
		return len(st.Latest) == 1 && st.Latest[0].Value > 4.09 && st.Latest[0].Shown == 2
	})
	status, body, _ := ts.call(t, "GET", "/api/instruments/a", "")
	if !strings.Contains(string(body), `"shown":2`) || !strings.Contains(string(body), `"history":[{`) || !strings.Contains(string(body), "before the fair") {
		t.Errorf("%d %s", status, body)
	}
	// Another port makes no other readings; another unit does.
	ts.must(t, "PUT", "/api/instruments/a", `{"spec":"a=text:/dev/ttyACM1?unit=A"}`, nil)
	if !ts.opts.Bench.State().Instruments[0].Calibrations[trace.Current].Known() {
		t.Error("another port took the calibration away")
	}
	ts.must(t, "PUT", "/api/instruments/a", `{"spec":"a=text:/dev/ttyACM1?unit=mA"}`, nil)
	if ts.opts.Bench.State().Instruments[0].Calibrations[trace.Current].Known() {
		t.Error("another unit left the calibration in force")
	}
	if stored, _ := ts.db.Instrument(context.Background(), 1); len(stored.InForce()) != 0 || len(stored.Calibrations) != 1 {
		t.Errorf("in the store: %+v", stored.Calibrations)
	}
	ts.must(t, "POST", path, `{`+pairs+`,"keep":true}`, nil)
	if status, _, _ := ts.call(t, "DELETE", path+"/current", ""); status != 204 {
		t.Errorf("taken back: %d", status)
	}
	for want, call := range map[int][3]string{
		409: {"DELETE", path + "/current", ""}, 404: {"DELETE", path + "/charge", ""},
		422: {"POST", path, `{"quantity":"current","pairs":[{"trusted":1,"shown":1}]}`}, 400: {"POST", path, `{"quantity":"charge"}`},
	} {
		if status, body, _ := ts.call(t, call[0], call[1], call[2]); status != want {
			t.Errorf("%v: %d %s, want %d", call, status, body, want)
		}
	}
	// While the bench is armed nothing changes under it.
	ts.must(t, "POST", "/api/units", `{"name":"Tin","rated_current_a":1.4}`, nil)
	ts.must(t, "POST", "/api/arm", `{"unit":"Tin"}`, nil)
	for _, call := range [][3]string{{"POST", path, `{` + pairs + `,"keep":true}`}, {"PUT", "/api/instruments/a", `{"spec":"a=text:/dev/x"}`}} {
		if status, _, _ := ts.call(t, call[0], call[1], call[2]); status != 409 {
			t.Errorf("%v while armed: %d", call, status)
		}
	}
}

func TestPortsAreListed(t *testing.T) {
	ts := newBenchServer(t)
	var out struct{ Ports []Port }
	if ts.must(t, "GET", "/api/ports", "", &out); len(out.Ports) != 2 || out.Ports[0].USB != "1a86:7523" || out.Ports[1].Problem == "" {
		t.Errorf("%+v", out)
	}
	plain := newTestServer(t)
	if plain.must(t, "GET", "/api/ports", "", &out); out.Ports == nil || len(out.Ports) != 0 {
		t.Errorf("where nobody knows: %+v", out)
	}
}
