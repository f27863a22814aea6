package capture

import (
	"context"
	"errors"
	"runtime"
	"strings"
	"sync"
	"testing"

	"letthrough/capture/contact"
	"letthrough/capture/trace"
)

// seriesShelf keeps series in memory, with the runs that a recorder was given.
type seriesShelf struct {
	mu   sync.Mutex
	all  []trace.Series
	done []trace.SeriesRun // of earlier programs
}

func (k *seriesShelf) BeginSeries(_ context.Context, s trace.Series) (trace.Series, error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	s.ID, s.State = int64(len(k.all)+1), trace.SeriesOpen
	k.all = append(k.all, s)
	return s, nil
}

func (k *seriesShelf) TurnSeries(_ context.Context, id int64, state, reason string) error {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.all[id-1].State, k.all[id-1].Reason = state, reason
	return nil
}

func (k *seriesShelf) Series(_ context.Context, id int64) (trace.Series, []trace.SeriesRun, error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	if id < 1 || int(id) > len(k.all) {
		return trace.Series{}, nil, errors.New("there is no such series")
	}
	return k.all[id-1], k.done, nil
}

func (k *seriesShelf) turned() trace.Series {
	k.mu.Lock()
	defer k.mu.Unlock()
	return k.all[len(k.all)-1]
}

// repeated is a stand with a contact that is ready, a rig, and a shelf of series.
type repeated struct {
	*stand
	r       *relay
	shelf   *seriesShelf
	at      float64
	closed  float64 // when the relay went on; below 0: it is off
	times   int     // it has gone on so often
	current func(times int, since float64) float64
}

func newRepeated(t *testing.T) *repeated {
	t.Helper()
	k := &seriesShelf{}
	r := &relay{}
	s := newStand(t, Options{OpenLines: r.open, Rig: shelfOf(bench1), Series: k, WatchS: 2})
	t.Cleanup(func() { _ = s.b.Close() })
	x := &repeated{stand: s, r: r, shelf: k, closed: -1, current: func(_ int, since float64) float64 { return retrying(0, 1e9)(since) }}
	s.play(0, 1, 1000, 20, never)
	if err := s.b.UseContact(contact.Spec{Port: "/dev/relay", Drive: true}, false); err != nil {
		t.Fatal(err)
	}
	x.at = 1
	x.run(3)
	return x
}

// run lets seconds go by.
func (x *repeated) run(seconds float64) {
	for end := x.at + seconds; x.at < end; x.at += 0.02 {
		switch on := x.r.on(); {
		case !on:
			x.closed = -1
		case x.closed < 0:
			x.closed = x.at
			x.times++
		}
		x.play(x.at, x.at+0.02, 500, 10, func(at float64) float64 {
			if x.closed < 0 {
				return 0
			}
			return x.current(x.times, at-x.closed)
		})
		runtime.Gosched() // the series has its own goroutine
	}
}

// until lets time go by until something is so.
func (x *repeated) until(what string, ok func(State) bool) State {
	x.t.Helper()
	for end := x.at + 2000; x.at < end; {
		if st := x.b.State(); ok(st) {
			return st
		}
		x.run(0.1)
	}
	x.t.Fatalf("it does not come to it that %s: %+v", what, x.b.State().Series)
	return State{}
}

func (x *repeated) start(n int, holdS, restS float64) {
	x.t.Helper()
	if _, err := x.b.StartSeries(SeriesRequest{Arm: ArmRequest{Unit: tin, Rig: "bench1", HoldS: &holdS}, N: n, RestS: &restS}); err != nil {
		x.t.Fatal(err)
	}
}

func over(st State) bool { return st.Series == nil }

func TestASeriesRepeatsByItself(t *testing.T) {
	x := newRepeated(t)
	x.start(3, 4, 20)
	if st := x.b.State().Series; st == nil || st.N != 3 || st.Done != 0 || !strings.Contains(st.Text, "0 of 3 done") {
		t.Errorf("at its beginning: %+v", st)
	}
	st := x.until("it rests after the first", func(st State) bool {
		return st.Series != nil && st.Series.Done == 1 && st.Series.Stage == stageRest && st.Series.NextInS != nil
	})
	if *st.Series.NextInS < 15 || !strings.Contains(st.Series.Text, "1 of 3 done, next in") || st.Contact != "open" {
		t.Errorf("at its first rest: %+v, contact %s", st.Series, st.Contact)
	}
	st = x.until("the series is over", over)
	if s := x.shelf.turned(); s.State != trace.SeriesComplete || st.LastSeries.Done != 3 || !strings.Contains(st.LastSeries.Text, "complete: 3 runs of Tin") {
		t.Errorf("kept as %s (%s); told %+v", s.State, s.Reason, st.LastSeries)
	}
	if len(x.rec.starts) != 3 || x.times != 3 {
		t.Fatalf("%d runs, closed %d times", len(x.rec.starts), x.times)
	}
	for i, r := range x.rec.starts {
		if r.Series != 1 || r.SeriesPlace != i+1 {
			t.Errorf("run %d is place %d of series %d", i+1, r.SeriesPlace, r.Series)
		}
		if i > 0 {
			if between := r.Started.Sub(x.rec.starts[i-1].Started).Seconds(); between < 4+2+20 {
				t.Errorf("run %d began %g s after the one before: hold, watch and rest are 26 s", i+1, between)
			}
		}
		if e := x.ended(int64(i + 1)); e.State != trace.RunComplete || e.Derivation.Behaviour != trace.AutoRetry {
			t.Errorf("run %d is %s, %s", i+1, e.State, e.Derivation.Behaviour)
		}
	}
}

// The unit would be ready at once; the shunt has to cool.
func TestASeriesWaitsForTheRigToCool(t *testing.T) {
	x := newRepeated(t)
	x.current = func(int, float64) float64 { return 7 }
	x.start(2, 3, 0)
	st := x.until("the shunt cools", func(st State) bool {
		return st.Series != nil && st.Series.Done == 1 && strings.Contains(st.Series.Text, "shunt cools")
	})
	if *st.Series.NextInS < 20 {
		t.Errorf("next in %g s after three seconds of 7 A", *st.Series.NextInS)
	}
	x.until("the series is over", over)
	if between := x.rec.starts[1].Started.Sub(x.rec.starts[0].Started).Seconds(); between < 30 || x.shelf.turned().State != trace.SeriesComplete {
		t.Errorf("the second began %g s after the first; %+v", between, x.shelf.turned())
	}
}

func TestASeriesStopsAtTheFirstAnomaly(t *testing.T) {
	latched := func(_ int, since float64) float64 {
		if since < 0.9 {
			return 4.5
		}
		return 0
	}
	for name, c := range map[string]struct {
		current func(times int, since float64) float64
		during  func(*repeated)
		why     string
		done    int
	}{
		"another behaviour": {func(times int, since float64) float64 {
			if times == 2 {
				return latched(times, since)
			}
			return retrying(0, 1e9)(since)
		}, nil, "stays off, the first run of the series: tries again", 2},
		"the guard": {func(times int, _ float64) float64 { return map[bool]float64{true: 12, false: 4}[times == 2] }, nil, "used up what it stands", 1},
		"nothing seen": {func(times int, since float64) float64 {
			if times == 2 {
				return 0
			}
			return retrying(0, 1e9)(since)
		}, nil, "no onset was seen", 1},
		"a unit that stays off": {func(times int, since float64) float64 {
			if times == 2 {
				return 0
			}
			return latched(times, since)
		}, nil, "has to be switched off and on", 1},
		"lost readings": {nil, func(x *repeated) {
			x.until("the second run", func(st State) bool { return st.Contact == "closed" && len(x.rec.starts) == 2 })
			x.step(x.at + 2.5)
			x.at += 2.5
		}, "no reading of the current", 1},
		"a person opens the contact": {nil, func(x *repeated) {
			x.until("the second run", func(st State) bool { return st.Contact == "closed" && len(x.rec.starts) == 2 })
			x.run(1)
			_ = x.b.DriveContact(false)
		}, "before the hold was over: on command", 1},
		"a person ends the run": {nil, func(x *repeated) {
			x.until("the second run", func(st State) bool { return st.Contact == "closed" && len(x.rec.starts) == 2 })
			x.run(1)
			_ = x.b.End()
		}, "the run was ended", 1},
		"a countdown is stopped": {nil, func(x *repeated) {
			x.until("the second countdown", func(st State) bool { return st.ContactIs.ClosesInS != nil && len(x.rec.starts) == 1 })
			_ = x.b.DriveContact(false)
		}, "countdown was stopped", 1},
		"it is stopped in a hold": {nil, func(x *repeated) {
			x.until("the second run", func(st State) bool { return st.Contact == "closed" && len(x.rec.starts) == 2 })
			if err := x.b.StopSeries(); err != nil {
				t.Error(err)
			}
		}, "stopped by a person", 1},
		"it is stopped in a rest": {nil, func(x *repeated) {
			x.until("the rest", func(st State) bool { return st.Series.Done == 1 })
			if err := x.b.StopSeries(); err != nil {
				t.Error(err)
			}
		}, "stopped by a person", 1},
		"its port is pulled": {nil, func(x *repeated) {
			x.until("the second run", func(st State) bool { return st.Contact == "closed" && len(x.rec.starts) == 2 })
			x.r.change(func(r *relay) { r.gone, r.rts, r.dtr = errUnplugged, false, false })
			x.look()
		}, "its port is gone", 1},
		"the bench is armed by somebody": {nil, func(x *repeated) {
			x.until("the rest", func(st State) bool { return st.Series.Done == 1 })
			x.arm(5)
		}, "the bench is armed", 1},
	} {
		t.Run(name, func(t *testing.T) {
			x := newRepeated(t)
			if c.current != nil {
				x.current = c.current
			}
			x.start(4, 4, 5)
			if c.during != nil {
				c.during(x)
			}
			st := x.until("the series is over", over)
			x.run(0.2)
			s := x.shelf.turned()
			if s.State != trace.SeriesStopped || !strings.Contains(s.Reason, c.why) || !strings.Contains(st.LastSeries.Text, s.Reason) {
				t.Errorf("kept as %s because %q, told %q; want %q", s.State, s.Reason, st.LastSeries.Text, c.why)
			}
			if st.LastSeries.Done != c.done {
				t.Errorf("%d runs count, want %d", st.LastSeries.Done, c.done)
			}
			if x.r.on() {
				t.Error("the contact is closed")
			}
		})
	}
}

// What was done is known from the store: a new program goes on where the old one was ended.
func TestASeriesGoesOnAfterARestart(t *testing.T) {
	x := newRepeated(t)
	x.start(3, 4, 5)
	x.until("one is done", func(st State) bool { return st.Series.Done == 1 })
	if err := x.b.Close(); err != nil {
		t.Fatal(err)
	}
	if s := x.shelf.turned(); s.State != trace.SeriesStopped || !strings.Contains(s.Reason, "program ends") {
		t.Fatalf("kept as %s because %q", s.State, s.Reason)
	}
	y := newRepeated(t)
	y.shelf.all = x.shelf.all
	y.shelf.done = []trace.SeriesRun{
		{Run: 1, Place: 1, State: trace.RunComplete, Behaviour: trace.AutoRetry, HoldS: 4.01},
		{Run: 2, Place: 2, State: trace.RunInterrupted, Behaviour: trace.AutoRetry, HoldS: 4},
		{Run: 3, Place: 3, State: trace.RunComplete, Behaviour: trace.AutoRetry, HoldS: 1},
		{Run: 4, Place: 4, State: trace.RunComplete, Behaviour: trace.BehaviourUnsure, HoldS: 4},
	}
	if err := y.b.ResumeSeries(1, tin); err != nil {
		t.Fatal(err)
	}
	if st := y.b.State().Series; st.Done != 1 {
		t.Errorf("resumed with %d done, want the one that was whole", st.Done)
	}
	y.until("the series is over", over)
	if s := y.shelf.turned(); s.State != trace.SeriesComplete || len(y.rec.starts) != 2 || y.rec.starts[0].SeriesPlace != 5 || y.rec.starts[0].Rig != "bench1" {
		t.Errorf("%+v after %d more runs, the first at place %d", s, len(y.rec.starts), y.rec.starts[0].SeriesPlace)
	}
	if err := y.b.ResumeSeries(1, tin); err == nil || !strings.Contains(err.Error(), "is complete") {
		t.Errorf("a complete series was resumed: %v", err)
	}
	if err := y.b.ResumeSeries(7, tin); err == nil {
		t.Error("a series was resumed that there is not")
	}
}

func TestASeriesIsRefused(t *testing.T) {
	hold := 4.0
	long := 1e6
	plain := SeriesRequest{Arm: ArmRequest{Unit: tin, HoldS: &hold}, N: 3}
	for name, c := range map[string]struct {
		before func(*repeated)
		change func(*SeriesRequest)
		code   Code
		says   string
	}{
		"without a contact":     {func(x *repeated) { _ = x.b.RemoveContact() }, nil, CodeState, "no contact"},
		"while armed":           {func(x *repeated) { x.arm(3) }, nil, CodeState, "bench is armed"},
		"while another goes on": {func(x *repeated) { x.start(3, 4, 5) }, nil, CodeState, "series 1 is going on"},
		"of one run":            {nil, func(q *SeriesRequest) { q.N = 1 }, CodeRange, "n: 1"},
		"of a thousand":         {nil, func(q *SeriesRequest) { q.N = 1000 }, CodeRange, "n: 1000"},
		"with a rest of days":   {nil, func(q *SeriesRequest) { q.RestS = &long }, CodeRange, "rest_s"},
		"with a hold of days":   {nil, func(q *SeriesRequest) { q.Arm.HoldS = &long }, CodeRange, "hold_s"},
		"of ramps":              {nil, func(q *SeriesRequest) { q.Arm.Procedure = trace.Ramp }, CodeRange, "by hand"},
		"of no unit":            {nil, func(q *SeriesRequest) { q.Arm.Unit = trace.Unit{} }, CodeRange, "name"},
		"with a refused contact": {func(x *repeated) {
			x.b.mu.Lock()
			x.b.wire.state, x.b.wire.reason = ContactRefused, "4 A flowed"
			x.b.mu.Unlock()
		}, nil, CodeState, "4 A flowed"},
	} {
		t.Run(name, func(t *testing.T) {
			x := newRepeated(t)
			if c.before != nil {
				c.before(x)
			}
			q := plain
			if c.change != nil {
				c.change(&q)
			}
			_, err := x.b.StartSeries(q)
			var e *Error
			if !errors.As(err, &e) || e.Code != c.code || !strings.Contains(err.Error(), c.says) {
				t.Errorf("err = %v, want %s saying %q", err, c.code, c.says)
			}
		})
	}
	if err := newRepeated(t).b.StopSeries(); err == nil {
		t.Error("stopped a series that there was not")
	}
}

// Whoever stops the countdown at its last instant must be obeyed.
func TestACountdownStoppedWhenItIsDueDoesNotClose(t *testing.T) {
	s, r := readyStand(t, "/dev/relay")
	s.arm(5)
	if err := s.b.CloseContactIn(1); err != nil {
		t.Fatal(err)
	}
	s.play(4, 4.9, 1000, 20, never)
	s.clock.set(trace.NS(5.001))
	s.b.mu.Lock()
	s.b.keepContact(s.clock.NowNS(), 0)
	due := s.b.drive.due
	s.b.mu.Unlock()
	if !due {
		t.Fatal("the countdown is not due")
	}
	if err := s.b.DriveContact(false); err != nil {
		t.Fatal(err)
	}
	s.b.actOnContact()
	if err := s.b.closeContact(true); err != nil || r.on() {
		t.Errorf("the contact was closed after it was stopped: %v", err)
	}
	s.mode(Armed)
}
