package capture

import (
	"math"
	"strings"
	"testing"

	"letthrough/capture/trace"
)

// A calibrated instrument: pages see the corrected current, the store gets what was shown and the calibration
// beside it, and the figures are those of the corrected current, live as derived again.
func TestACalibrationCorrectsWhatIsSeenAndKeepsWhatWasShown(t *testing.T) {
	s := newStand(t, Options{})
	right := trace.Calibration{Offset: 0.5, Gain: 2, UOffset: 0.01, UGain: 0.01, Pairs: 4, From: 0, To: 12}
	if err := s.b.Calibrate("board", trace.Current, right); err != nil {
		t.Fatal(err)
	}
	s.src.status.Latest = []Latest{{Quantity: trace.Current, Value: 1, Known: true}}
	s.in.box.tell(s.src.Status())
	shown := func(t float64) float64 { return (retrying(6.3, 11)(t) - 0.5) / 2 }
	s.play(0, 6, 1000, 10, shown)
	latest := s.b.State().Instruments[0].Latest[0]
	if latest.Value != 2.5 || latest.Shown != 1 || !latest.Right {
		t.Errorf("latest %+v, want 2.5 corrected from 1", latest)
	}
	cols, _, _ := s.b.Columns(0, 0, nil)
	if n := len(cols); n == 0 || math.Abs(float64(cols[n-1].Max)) > 0.1 {
		t.Errorf("the newest column is %+v, want the corrected current of 0", cols[n-1])
	}
	s.arm(4)
	if err := s.b.Calibrate("board", trace.Current, trace.Calibration{}); err == nil || !strings.Contains(err.Error(), "armed") {
		t.Errorf("changed while the bench is armed: %v", err)
	}
	s.play(6, 25, 1000, 10, shown)
	e := s.ended(1)
	if e.Settings.Calibration != right {
		t.Errorf("the run's calibration is %+v", e.Settings.Calibration)
	}
	peak := figure(t, e.Derivation, "peak_current_a")
	if math.Abs(peak.Value-4.5) > 0.1 {
		t.Errorf("peak %v, want the corrected 4.5 A", peak.Value)
	}
	for _, sample := range s.rec.data[trace.Channel{Instrument: "board", Quantity: trace.Current}] {
		if sample.Value > 2.1 {
			t.Fatalf("%v A was kept, which is no reading as shown", sample.Value)
		}
	}
	again := s.rec.again(t, e.Settings)
	if got := figure(t, again, "peak_current_a"); got != peak {
		t.Errorf("derived again the peak is %+v, live it was %+v", got, peak)
	}
	if in := s.rec.starts[0].Instruments; len(in) != 1 || in[0].Calibrations[trace.Current] != right {
		t.Errorf("the run's instruments %+v do not tell the calibration", in)
	}
}

func TestCalibratingWhatIsNotThereIsRefused(t *testing.T) {
	s := newStand(t, Options{})
	for _, err := range []error{
		s.b.Calibrate("other", trace.Current, trace.Calibration{Gain: 1}),
		s.b.Calibrate("board", trace.Voltage, trace.Calibration{Gain: 1}),
		s.b.Calibrate("board", trace.Current, trace.Calibration{Offset: 1}),
	} {
		if err == nil {
			t.Error("it was taken")
		}
	}
	if err := s.b.Calibrate("board", trace.Current, trace.Calibration{Gain: 3}); err != nil {
		t.Fatal(err)
	}
	if err := s.b.Calibrate("board", trace.Current, trace.Calibration{}); err != nil || s.b.State().Instruments[0].Calibrations[trace.Current].Known() {
		t.Errorf("taken back: %v", err)
	}
}
