package capture

import (
	"errors"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"

	"letthrough/capture/trace"
	"letthrough/capture/wire"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// await waits for the bench to get into a state, not longer than a test may take.
func await(t testing.TB, b *Bench, what string, ok func(State) bool) State {
	t.Helper()
	late := time.After(20 * time.Second)
	for {
		changed := b.Changed()
		if st := b.State(); ok(st) {
			return st
		}
		select {
		case <-changed:
		case <-late:
			t.Fatalf("waited in vain for %s; the state is %+v", what, b.State())
		}
	}
}

// live is a bench with its goroutines and a scripted instrument.
func live(t testing.TB, quantities ...trace.Quantity) (*Bench, *scripted, *memory, *handClock) {
	t.Helper()
	src, rec, clock := newScripted(quantities...), &memory{}, &handClock{}
	b := New(Options{Clock: clock, Recorder: rec, OpenSource: func(wire.Spec) (Source, error) { return src, nil }})
	if err := b.Open(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		for range 2 { // Close may be called twice
			if err := b.Close(); err != nil {
				t.Error(err)
			}
		}
	})
	if err := b.AddInstrument(wire.Spec{Name: "board", Format: "text", Port: "/dev/null"}); err != nil {
		t.Fatal(err)
	}
	return b, src, rec, clock
}

// follow pulls events and columns of channel 0 until stop is closed and gives what it saw.
func follow(b *Bench, stop <-chan struct{}) (events []Event, columns []Column, missed uint64) {
	var ev, col uint64
	for {
		changed := b.Changed()
		evs, last, m := b.Events(ev)
		events, ev, missed = append(events, evs...), last, missed+m
		columns, col, m = b.Columns(0, col, columns)
		missed += m
		select {
		case <-changed:
		case <-stop:
			return events, columns, missed
		}
	}
}

func TestViewersSeeEverythingAndTheRunIsKept(t *testing.T) {
	b, src, rec, clock := live(t, trace.Current)
	hold := 3.0
	if err := b.Arm(ArmRequest{Unit: tin, HoldS: &hold}); err != nil {
		t.Fatal(err)
	}
	stop := make(chan struct{})
	var viewers sync.WaitGroup
	for range 4 {
		viewers.Go(func() {
			events, columns, missed := follow(b, stop)
			if missed != 0 {
				t.Errorf("a viewer missed %d", missed)
			}
			for i, e := range events {
				if e.Seq != uint64(i)+1 {
					t.Errorf("event %d has number %d", i+1, e.Seq)
				}
			}
			if n := len(columns); n != 20_000 {
				t.Errorf("a viewer saw %d columns, want one a sample, 20000", n)
			}
		})
	}
	unit := retrying(5, 9)
	for k := int64(0); k < 20_000; k += 50 {
		batch := make([]trace.Sample, 50)
		for i := range batch {
			at := float64(k+int64(i)) / 1000
			batch[i] = trace.Sample{AtNS: trace.NS(at), Value: unit(at) + hiss(k+int64(i))}
		}
		clock.set(batch[49].AtNS)
		src.give <- []trace.Batch{{Channel: src.channels[0], Samples: batch}}
	}
	await(t, b, "the last reading", func(State) bool {
		_, last, _ := b.Columns(0, 0, nil)
		return last == 20_000
	})
	clock.set(30e9)
	await(t, b, "the end of the run", func(s State) bool { return s.Bench == Idle && s.LastRun != nil })
	close(stop)
	viewers.Wait()
	rec.mu.Lock()
	defer rec.mu.Unlock()
	if e := rec.ends[1]; e.State != trace.RunComplete || e.Derivation.Behaviour != trace.AutoRetry && e.Derivation.Behaviour != trace.Latching {
		t.Errorf("run ended %s, %s", e.State, e.Derivation.Behaviour)
	}
}

func TestClosingInTheMiddleOfARunKeepsIt(t *testing.T) {
	b, src, rec, _ := live(t, trace.Current)
	if err := b.Arm(ArmRequest{Unit: tin}); err != nil {
		t.Fatal(err)
	}
	if _, _, err := b.Mark(trace.Applied, ""); err != nil {
		t.Fatal(err)
	}
	src.give <- []trace.Batch{{Channel: src.channels[0], Samples: []trace.Sample{{AtNS: 1e6, Value: 1}, {AtNS: 2e6, Value: 1}}}}
	if err := b.Close(); err != nil {
		t.Fatal(err)
	}
	e := rec.ends[1]
	if e.State != trace.RunInterrupted || e.Reason == "" {
		t.Errorf("run ended %q (%q), want interrupted with the reason", e.State, e.Reason)
	}
	if got := len(rec.data[src.channels[0]]); got != 2 {
		t.Errorf("%d samples kept, want both that had arrived", got)
	}
	if err := b.Arm(ArmRequest{Unit: tin}); err == nil {
		t.Error("a closed bench could be armed")
	}
}

func TestAnInstrumentThatCannotBeOpenedIsAnErrorAndNothingElse(t *testing.T) {
	broken := errors.New("no such port")
	b := New(Options{Clock: &handClock{}, OpenSource: func(wire.Spec) (Source, error) { return nil, broken }})
	if err := b.Open(); err != nil {
		t.Fatal(err)
	}
	defer b.Close()
	if err := b.AddInstrument(wire.Spec{Name: "a"}); !errors.Is(err, broken) {
		t.Errorf("got %v, want %v", err, broken)
	}
	if got := b.State().Instruments; len(got) != 0 {
		t.Errorf("instruments %v, want none", got)
	}
}

func TestInstrumentsCanBeTakenAwayAndPutBack(t *testing.T) {
	b, _, _, _ := live(t, trace.Current)
	var e *Error
	if err := b.AddInstrument(wire.Spec{Name: "board"}); !errors.As(err, &e) || e.Code != CodeState {
		t.Errorf("a second instrument of the same name: %v, want a refusal", err)
	}
	if err := b.RemoveInstrument("board"); err != nil {
		t.Fatal(err)
	}
	if got := b.State().Instruments; len(got) != 0 {
		t.Errorf("instruments %v after the only one was removed", got)
	}
	if got := len(b.Channels()); got != 1 {
		t.Errorf("%d channels, want the number of the removed one to stay taken", got)
	}
}
