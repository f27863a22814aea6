package web

import (
	"context"
	"iter"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"letthrough/capture/sim"
	"letthrough/capture/trace"
	"letthrough/capture/trip"
	"letthrough/capture/words"
	"letthrough/store"
)

// deriveTruly is what the program gives a server: the detector itself.
func deriveTruly(s trace.Settings, marks []trace.Mark, in iter.Seq2[trace.Batch, error]) (trace.Derivation, error) {
	d, _, err := explainTruly(s, marks, in)
	return d, err
}

func explainTruly(s trace.Settings, marks []trace.Mark, in iter.Seq2[trace.Batch, error]) (trace.Derivation, trace.Uses, error) {
	d, err := trip.Read(s, marks, in)
	if err != nil {
		return trace.Derivation{}, nil, err
	}
	out := d.Finish()
	words.Fill(&out, s)
	return out, d.Used(), nil
}

// truly lets a test server derive as the program does.
func truly(o *Options) { o.Derive, o.Explain = deriveTruly, explainTruly }

// newTrueServer is a test server whose store derives as the program does, too: marks by hand are heeded.
func newTrueServer(t testing.TB) *testServer {
	t.Helper()
	db, err := store.Open(context.Background(), filepath.Join(t.TempDir(), "true.db"), store.Options{Record: true, Derive: deriveTruly})
	if err != nil {
		t.Fatalf("open store: %v", err)
	}
	t.Cleanup(func() {
		if err := db.Close(); err != nil {
			t.Errorf("close store: %v", err)
		}
	})
	ts := newTestServer(t, truly, func(o *Options) { o.Store = db })
	ts.db = db
	return ts
}

var shuntChannel = trace.Channel{Instrument: "shunt", Quantity: trace.Current}

// simulatedRun is a test of a unit of the simulated shelf, as a run to be kept; change edits the trace first.
func simulatedRun(t testing.TB, unit string, sc sim.Scenario, m sim.Meter, change ...func(*sim.Recording)) trace.Recording {
	t.Helper()
	u, err := sim.Find(unit)
	if err != nil {
		t.Fatal(err)
	}
	rec, err := sim.Record(u, sc, m, 11)
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range change {
		f(&rec)
	}
	return kept(t, u.Plate, rec.Settings, rec.Current, rec.Voltage)
}

// kept puts samples into a run and derives it as the program does.
func kept(t testing.TB, plate trace.Unit, set trace.Settings, current, voltage []trace.Sample) trace.Recording {
	t.Helper()
	batches := func(yield func(trace.Batch, error) bool) {
		for b, err := range trace.Merge(channelBatches(shuntChannel, current), channelBatches(trace.Channel{Instrument: "shunt", Quantity: trace.Voltage}, voltage)) {
			if !yield(b, err) {
				return
			}
		}
	}
	d, err := deriveTruly(set, nil, batches)
	if err != nil {
		t.Fatal(err)
	}
	end := current[len(current)-1].AtNS
	started := time.Date(2026, 3, 1, 18, 30, 0, 0, time.FixedZone("", 3600))
	channels := []trace.Channel{shuntChannel}
	if len(voltage) > 0 {
		channels = append(channels, trace.Channel{Instrument: "shunt", Quantity: trace.Voltage})
	}
	return trace.Recording{
		Start: trace.RunStart{Unit: plate, Setting: "full", Settings: set, Started: started, Version: "test",
			Instruments: []trace.RunInstrument{{Name: "shunt", Format: "text", Port: "/dev/null", Spec: "shunt=text:/dev/null"}}},
		End:      trace.RunEnd{State: trace.RunComplete, Settings: set, Derivation: d, Ended: started.Add(time.Duration(end)), EndNS: end},
		Channels: channels, Batches: batches,
	}
}

func channelBatches(c trace.Channel, samples []trace.Sample) iter.Seq2[trace.Batch, error] {
	return func(yield func(trace.Batch, error) bool) {
		for part := range slices.Chunk(samples, 4096) {
			if !yield(trace.Batch{Channel: c, Samples: part}, nil) {
				return
			}
		}
	}
}

// keepRun imports a recording and gives its number.
func keepRun(t testing.TB, db *store.DB, rec trace.Recording) int64 {
	t.Helper()
	id, err := db.ImportRun(context.Background(), rec.Start, rec.Batches, rec.End)
	if err != nil {
		t.Fatalf("keep run: %v", err)
	}
	return id
}
