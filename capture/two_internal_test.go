package capture

import (
	"math"
	"testing"

	"letthrough/capture/trace"
	"letthrough/capture/wire"
)

// Current from one instrument and voltage from another, at rates and in deliveries of their own: one run with
// both, on one time base, with what the two time bases may be apart in its settings.
func TestCurrentAndVoltageFromTwoInstruments(t *testing.T) {
	s := newStand(t, Options{}, trace.Current)
	s.src.status.OffsetUS = 0.003
	meter := newScripted(trace.Voltage)
	for i := range meter.channels {
		meter.channels[i].Instrument = "meter"
	}
	meter.status.OffsetUS = 0.004
	averaging := 0.02
	s.b.mu.Lock()
	volts := s.b.attach(wire.Spec{Name: "meter", Format: "text", Port: "/dev/null", Channel: trace.Voltage, AveragingS: &averaging}, meter)
	s.b.mu.Unlock()
	s.in.box.tell(s.src.Status())
	volts.box.tell(meter.Status())

	// A latch: 5 A from 3 s to 3.2 s, 12 V that collapse to 0.5 V with it and are gone afterwards. The
	// voltmeter delivers ten readings at a time, 0.2 s late.
	amps := func(at float64) float64 { return 5 * within(at, 3, 3.2) }
	out := func(at float64) (mean float64) { // over the 20 ms before
		for k := range 20 {
			ms := at - float64(k)/1e3 - 0.0005
			mean += (12*within(ms, -1, 3) + 0.5*within(ms, 3, 3.2)) / 20
		}
		return mean
	}
	s.step(0)
	var late []trace.Sample
	next := int64(0)
	feed := func(from, to float64) {
		for at := from; at < to-1e-9; at += 0.01 {
			var batch []trace.Sample
			for k := range 10 {
				ns := trace.NS(at) + int64(k)*1e6
				batch = append(batch, trace.Sample{AtNS: ns, Value: amps(float64(ns)/1e9) + 0.002*math.Sin(float64(ns))})
			}
			s.in.box.put(0, batch)
			for ; next <= trace.NS(at-0.2); next += 20e6 {
				if late = append(late, trace.Sample{AtNS: next, Value: out(float64(next) / 1e9)}); len(late) == 10 {
					volts.box.put(0, late)
					late = nil
				}
			}
			s.step(at + 0.01)
		}
	}
	feed(0, 2)
	s.arm(2)
	feed(2, 17)
	run := s.rec.starts[len(s.rec.starts)-1]
	if got := run.Settings.SkewUS; math.Abs(got-0.005) > 1e-12 {
		t.Errorf("skew %g s, want that of both: 0.005", got)
	}
	if a := run.Settings.VoltageAveragingS; a == nil || *a != averaging {
		t.Errorf("averaging of the voltage %v, want the voltmeter's", a)
	}
	if len(s.rec.data) != 2 {
		t.Fatalf("%d channels were recorded, want 2", len(s.rec.data))
	}
	d := s.rec.again(t, s.ended(1).Settings)
	for key, want := range map[string]float64{"open_volts": 12, "source_ohm": 2.3, "energy_j": 0.5, "time_to_cutoff_s": 0.2} {
		if f := figure(t, d, key); f.Bound != trace.Exact || math.Abs(f.Value-want) > max(f.U, 0.01*want) {
			t.Errorf("%s: %+v, want %g", key, f, want)
		}
	}
	live, again := s.ended(1).Derivation, d
	for _, f := range live.Figures {
		if g := figure(t, again, f.Key); g.Value != f.Value || g.U != f.U || g.Bound != f.Bound {
			t.Errorf("%s: live %+v, from what was kept %+v", f.Key, f, g)
		}
	}
}

func within(at, from, to float64) float64 {
	if at >= from && at < to {
		return 1
	}
	return 0
}
