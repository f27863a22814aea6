package trace_test

import (
	"strings"
	"testing"

	"letthrough/capture/trace"
	"pgregory.net/rapid"
)

func TestAccuracyNotation(t *testing.T) {
	plain := trace.Accuracy{Percent: 0.8, Counts: 3}
	two := trace.Accuracy{}
	two.Ranges[0] = trace.AccuracyRange{FullScale: 2, Percent: 0.8, Counts: 3, Resolution: 0.001}
	two.Ranges[1] = trace.AccuracyRange{FullScale: 10, Percent: 1.2, Counts: 5, Resolution: 0.01}
	for text, want := range map[string]trace.Accuracy{
		"": {}, "0.8%+3": plain, "±(0.8 % + 3)": plain, "± (0.8 % + 3)": plain, "(0.8%+3)": plain, " 0.8 %+ 3 ": plain, "±0.8%+3": plain,
		"0.8%": {Percent: 0.8}, "0.8%+3@0.001": {Percent: 0.8, Counts: 3, Resolution: 0.001}, "±(0.8 % + 3) @ 1 mA": {Percent: 0.8, Counts: 3, Resolution: 0.001},
		"2A:0.8%+3@0.001;10A:1.2%+5@0.01": two, "10 A: ±(1.2 % + 5) @ 10mA; 2000mA: (0.8 % + 3) @ 1mA;": two,
	} {
		if got, err := trace.ParseAccuracy(text); err != nil || got != want {
			t.Errorf("%q: %+v, %v, want %+v", text, got, err, want)
		}
	}
	for _, text := range []string{"good", "0.8", "0.8%3", "0.8%+", "-1%+3", "101%+1", "0.8%+3@", "0.8%+3@0", "0.8%+3@x", "2A:", "2A;10A", "0A:1%+1", "2A:1%+1;2A:2%+2",
		"NaN%+1", "1%+NaN", "1%+1@NaN", "NaN:1%+1", strings.Repeat("1%+1;", 3), "1:1%;2:1%;3:1%;4:1%;5:1%;6:1%;7:1%;8:1%;9:1%"} {
		if got, err := trace.ParseAccuracy(text); err == nil || got != (trace.Accuracy{}) {
			t.Errorf("%q was read as %+v", text, got)
		}
	}
}

func TestTheSmallestRangeThatFitsCounts(t *testing.T) {
	a, err := trace.ParseAccuracy("2A:0.8%+3@0.001;10A:1.2%+5@0.01")
	if err != nil {
		t.Fatal(err)
	}
	for reading, percent := range map[float64]float64{0: 0.8, -1.9: 0.8, 2: 0.8, 2.01: 1.2, -9: 1.2, 12: 1.2} {
		if got := a.At(reading).Percent; got != percent {
			t.Errorf("at %g A the percentage is %g, want %g", reading, got, percent)
		}
	}
	one := trace.Accuracy{Percent: 0.5, Counts: 2, Resolution: 0.1}
	if got := one.At(1e6); got.Percent != 0.5 || got.Counts != 2 || got.Resolution != 0.1 {
		t.Errorf("without ranges: %+v", got)
	}
}

// What is read and written again is the same, and no text makes anything that a derivation refuses.
func FuzzParseAccuracy(f *testing.F) {
	f.Add("±(0.8 % + 3)")
	f.Add("2A:0.8%+3@0.001;10A:1.2%+5@0.01")
	f.Fuzz(func(t *testing.T, text string) {
		a, err := trace.ParseAccuracy(text)
		if err != nil {
			return
		}
		if err := (trace.Settings{Accuracy: a}).Validate(); err != nil {
			t.Errorf("%q: %v", text, err)
		}
		if again, err := trace.ParseAccuracy(a.String()); a != (trace.Accuracy{}) && (err != nil || again != a) {
			t.Errorf("%q is written as %q and read as %+v, %v", text, a.String(), again, err)
		}
	})
}

func TestCalibrationOfWhatItGivesIsTheLine(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := trace.Calibration{Offset: rapid.Float64Range(-1, 1).Draw(t, "offset"), Gain: rapid.Float64Range(0.1, 3).Draw(t, "gain"), UOffset: 0.01, UGain: 0.02, Pairs: 5, From: 0, To: 4}
		if err := c.Validate(); err != nil {
			t.Fatal(err)
		}
		shown := rapid.Float64Range(-10, 10).Draw(t, "shown")
		got := c.CorrectAll(nil, []trace.Sample{{AtNS: 5, Value: shown, Flags: trace.Gap}})
		if len(got) != 1 || got[0] != (trace.Sample{AtNS: 5, Value: c.Offset + c.Gain*shown, Flags: trace.Gap}) {
			t.Errorf("%+v", got)
		}
		if (trace.Calibration{}).Correct(shown) != shown {
			t.Error("no calibration changes a reading")
		}
	})
	for name, c := range map[string]trace.Calibration{
		"NoGain": {Offset: 1}, "TinyGain": {Gain: 1e-9}, "Crossed": {Gain: 1, From: 2, To: 1}, "Covariance": {Gain: 1, UOffset: 0.1, UGain: 0.1, Covariance: 1},
	} {
		if c.Validate() == nil {
			t.Errorf("%s: %+v is taken", name, c)
		}
	}
}
