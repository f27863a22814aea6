package web

import (
	"context"
	"math"
	"slices"
	"testing"
	"time"

	"letthrough/capture"
	"letthrough/capture/trace"
	"letthrough/capture/words"
)

// The pages in every state, in a bench whose every move the test makes. The invented unit is Tin: it
// opens after 0.9 s, then tries again every 2.6 s for 0.25 s.

const (
	fakeZeroS = 105.0 // onset on the bench's time base
	fakeHoldS = 30.0
)

var fakeTin = trace.Unit{ID: 1, Name: "Tin", RatedVoltageV: 12, RatedCurrentA: 1.4, Waveform: trace.DC}

// tinCurrent is the current at a time from the onset.
func tinCurrent(t float64) float64 {
	noise := 0.004 * math.Sin(t*1234.5) * math.Cos(t*77.7)
	switch {
	case t < 0:
		return noise
	case t < 0.9:
		return 4.2 + 0.3*math.Exp(-t/0.25) + 4*noise
	}
	since := math.Mod(t-0.9, 2.6)
	if t > fakeHoldS || since < 2.35 {
		return noise
	}
	return 4.2 + 0.25*math.Exp(-(since-2.35)/0.1) + 4*noise
}

// tinMarks are the marks up to a time from the onset, on the run's own time base, which begins 5 s
// before the onset.
func tinMarks(reached float64) []trace.Mark {
	var marks []trace.Mark
	add := func(kind trace.MarkKind, t, level float64) {
		if t <= reached {
			marks = append(marks, trace.Mark{ID: len(marks) + 1, Kind: kind, T: t + 5, U: 0.001, By: trace.Detector, Level: level, Provisional: reached-t < 0.4})
		}
	}
	marks = append(marks, trace.Mark{ID: 1, Kind: trace.Applied, T: 4.88, U: trace.HandU, By: trace.Hand})
	add(trace.Onset, 0, 0)
	add(trace.CutOff, 0.9, 0)
	for t := 3.25; t < fakeHoldS; t += 2.6 {
		add(trace.RetryOn, t, 4.45)
		add(trace.RetryOff, t+0.25, 0)
	}
	add(trace.Removed, 30.2, 0)
	return marks
}

func tinDerivation(reached float64) (trace.Derivation, trace.Settings) {
	set := trace.Settings{Procedure: trace.Short, RatedCurrentA: 1.4, RatedVoltageV: 12, HoldS: fakeHoldS, Waveform: trace.DC}
	d := trace.Derivation{Procedure: trace.Short, Behaviour: trace.AutoRetry, ApparentBehaviour: trace.AutoRetry, Recovery: trace.NotTested, ZeroAt: "file", Marks: tinMarks(reached)}
	d.Figures = trace.Figures{
		{Key: "time_to_cutoff_s", Value: 0.9003, U: 0.0012, Bound: trace.Exact},
		{Key: "peak_current_a", Value: 4.512, U: 0.021, Bound: trace.Exact},
		{Key: "sustained_current_a", Value: 4.243, U: 0.019, Bound: trace.Exact},
		{Key: "let_through_a2s", Value: 16.61, U: 0.16, Bound: trace.Exact},
		{Key: "retry_count", Value: math.Floor((reached - 0.65) / 2.6), Bound: trace.Exact},
		{Key: "retry_period_s", Value: 2.6001, U: 0.0014, Bound: trace.Exact},
		{Key: "heating_current_a", Value: 1.42, U: 0.02, Bound: trace.Exact},
		{Key: "settled_within_s", Value: 0.004, Bound: trace.AtMost, Why: "only 2 readings saw it"},
		{Key: "time_to_limit_s", Bound: trace.NotApplicable},
	}
	words.Fill(&d, set)
	return d, set
}

// playTin brings the bench to a time from the onset.
func playTin(b *fakeBench, run int64, reached float64) {
	var cols []capture.Column
	for i := range int((reached + 5) * 1000) {
		t := float64(i)/1000 - 5
		a := float32(tinCurrent(t))
		cols = append(cols, capture.Column{AtNS: int64((fakeZeroS + t) * 1e9), Min: a, Max: a})
	}
	zero, opened := int64(fakeZeroS*1e9), int64((fakeZeroS-0.1)*1e9)
	at := capture.Event{Run: run, OriginNS: zero - 5e9, ZeroNS: &zero, OpenedNS: opened}
	started := time.Date(2026, 11, 21, 14, 36, 0, 0, time.UTC)
	events := []capture.Event{at}
	events[0].Kind, events[0].RunState, events[0].Unit, events[0].Procedure, events[0].Started = capture.EventRun, trace.RunOpen, fakeTin, trace.Short, started
	for _, m := range tinMarks(reached) {
		e := at
		e.Kind, e.Mark, e.AtNS = capture.EventMark, &m, zero+int64((m.T-5)*1e9)
		events = append(events, e)
	}
	d, set := tinDerivation(reached)
	e := at
	e.Kind, e.Figures, e.Settings = capture.EventFigures, &d, set
	events = append(events, e)
	b.setState(func(s *capture.State) {
		now, hold, ends, watch := fakeZeroS+reached, fakeHoldS, fakeZeroS+fakeHoldS, fakeZeroS+fakeHoldS+10
		zeroS, openedS := fakeZeroS, fakeZeroS-0.1
		s.Bench, s.Run, s.Unit, s.Procedure, s.Behaviour = capture.Recording, &run, &fakeTin, trace.Short, trace.AutoRetry
		s.NowAtS, s.ZeroAtS, s.OpenedAtS, s.HoldS, s.HoldEndsAtS, s.WatchEndsAtS = now, &zeroS, &openedS, &hold, &ends, &watch
		s.SinceOnsetS, s.Watching, s.Phase = &reached, reached > fakeHoldS, trace.Off
		s.Instruments = slices.Clone(s.Instruments) // the server may still be reading the old one
		s.Instruments[0].RateHz = 1000
	})
	b.publish(events...)
	b.addColumns(0, cols...)
}

// armTin arms the bench with five seconds of nothing on record.
func armTin(b *fakeBench) {
	var cols []capture.Column
	for i := range 8000 {
		t := float64(i)/1000 - 8
		a := float32(tinCurrent(t))
		cols = append(cols, capture.Column{AtNS: int64((fakeZeroS + t) * 1e9), Min: a, Max: a})
	}
	b.addColumns(0, cols...)
	b.setState(func(s *capture.State) {
		hold := fakeHoldS
		s.Bench, s.Unit, s.Procedure, s.HoldS, s.NowAtS = capture.Armed, &fakeTin, trace.Short, &hold, fakeZeroS
		s.Instruments = slices.Clone(s.Instruments) // the server may still be reading the old one
		s.Instruments[0].RateHz = 1000
	})
}

// storeTin puts a whole run of Tin into the store.
func storeTin(t *testing.T, ts *testServer, state trace.RunState, reached float64) int64 {
	t.Helper()
	channel := trace.Channel{Instrument: "shunt", Quantity: trace.Current}
	samples := func(yield func(trace.Batch, error) bool) {
		var batch []trace.Sample
		for i := range int((reached + 5) * 1000) {
			batch = append(batch, trace.Sample{AtNS: int64(i) * 1e6, Value: tinCurrent(float64(i)/1000 - 5)})
		}
		yield(trace.Batch{Channel: channel, Samples: batch}, nil)
	}
	d, set := tinDerivation(reached)
	d.Warnings = []trace.Warning{{Code: "bounce", Text: "The contact bounced twice before it settled."}}
	started := time.Date(2026, 11, 21, 14, 36, 0, 0, time.UTC)
	id, err := ts.db.ImportRun(context.Background(), trace.RunStart{
		Unit: trace.Unit{Name: "Tin", RatedVoltageV: 12, RatedCurrentA: 1.4, Waveform: trace.DC}, Settings: set, Started: started, OpenedNS: 4.9e9, Version: "test",
		Instruments: []trace.RunInstrument{{Name: "shunt", Format: "text", Port: "/dev/ttyACM0", Spec: "shunt=text:/dev/ttyACM0?baud=115200&time=us"}},
	}, samples, trace.RunEnd{State: state, Settings: set, Derivation: d, Ended: started.Add(45 * time.Second), EndNS: int64((reached + 5) * 1e9), Note: "Camera ran along."})
	if err != nil {
		t.Fatalf("store a run: %v", err)
	}
	return id
}
