package main

import (
	"context"
	"io"
	"testing"

	"letthrough/capture"
	"letthrough/capture/trace"
	"letthrough/capture/wire"
)

func TestASecondSignalCutsTheWait(t *testing.T) {
	hurry, now := context.WithCancel(context.Background())
	now()
	d := &daemon{}
	// What hangs is stood in for by a bench whose recorder never comes back.
	stuck := &stuckRecorder{release: make(chan struct{})}
	defer close(stuck.release)
	d.bench = capture.New(capture.Options{
		Recorder:   stuck,
		OpenSource: func(wire.Spec) (capture.Source, error) { return idleSource{}, nil },
	})
	if err := d.bench.Open(); err != nil {
		t.Fatal(err)
	}
	if err := d.bench.AddInstrument(wire.Spec{Name: "a"}); err != nil {
		t.Fatal(err)
	}
	if err := d.bench.Arm(capture.ArmRequest{Unit: trace.Unit{Name: "Tin"}}); err != nil {
		t.Fatal(err)
	}
	if _, _, err := d.bench.Mark(trace.Applied, ""); err != nil {
		t.Fatal(err)
	}
	if err := d.close(&surroundings{hurry: hurry}); err == nil {
		t.Error("an end that was cut short was told as an orderly one")
	}
}

// stuckRecorder does not come back from ending a run.
type stuckRecorder struct{ release chan struct{} }

func (*stuckRecorder) Begin(trace.RunStart) (int64, error) { return 1, nil }
func (*stuckRecorder) Append(int64, trace.Batch)           {}
func (*stuckRecorder) Marks(int64, []trace.Mark)           {}
func (*stuckRecorder) Amend(int64, trace.Settings)         {}
func (s *stuckRecorder) End(int64, trace.RunEnd)           { <-s.release }
func (*stuckRecorder) Trouble() (string, uint64)           { return "", 0 }

// idleSource measures current and never says anything.
type idleSource struct{}

func (idleSource) Channels() []trace.Channel                       { return []trace.Channel{{Instrument: "a"}} }
func (idleSource) Next(ctx context.Context) ([]trace.Batch, error) { return nil, io.EOF }
func (idleSource) Status() capture.SourceStatus                    { return capture.SourceStatus{} }
func (idleSource) Close() error                                    { return nil }
