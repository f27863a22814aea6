package words_test

import (
	"testing"

	"letthrough/capture/trace"
	"letthrough/capture/words"
)

func TestCalibrationInWords(t *testing.T) {
	for want, c := range map[string]trace.Calibration{
		"not calibrated: readings count as they are shown": {},
		"offset -0.0123 ± 0.0034 A, gain 1.0412 ± 0.0021, from 5 pairs between 0 and 4.5 A": {
			Offset: -0.01234, Gain: 1.04123, UOffset: 0.0034, UGain: 0.0021, Pairs: 5, To: 4.5},
		"offset 0.01 A, gain 2": {Offset: 0.01, Gain: 2},
	} {
		if got := words.Calibration(c, trace.Current); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
}

func TestAccuracyInWords(t *testing.T) {
	for text, want := range map[string]string{
		"": "not known", "0.8%+3": "± (0.8 % + 3 counts)",
		"2A:0.8%+3@0.001;10A:1.2%+5": "± (0.8 % + 3 counts) of 0.001 up to 2; ± (1.2 % + 5 counts) up to 10",
	} {
		a, err := trace.ParseAccuracy(text)
		if got := words.Accuracy(a); err != nil || got != want {
			t.Errorf("%q: %q, %v, want %q", text, got, err, want)
		}
	}
}
