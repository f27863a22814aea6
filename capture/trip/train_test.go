package trip_test

import (
	"fmt"
	"math"
	"testing"

	"letthrough/capture/trace"
)

// A regular train from the very onset is ripple from 8 Hz on, and a hiccup below; one whose first pulse is longer
// than the others is retries, and so is any train of an output that is stated to be smooth.
func TestTrainsAreRippleOrRetries(t *testing.T) {
	train := func(hz, duty, first float64) func(float64) float64 {
		return func(t float64) float64 {
			t -= 2.0003
			switch {
			case t < 0 || t >= 6:
				return 0
			case t < first:
				return 5
			}
			return between(math.Mod((t-first)*hz+boolTo(first > 0)*duty, 1), 0, duty, 5)
		}
	}
	half := func(hz float64) func(float64) float64 {
		return func(t float64) float64 { return between(t, 2.0003, 8, 1) * 4 * max(math.Sin(2*math.Pi*hz*t), 0) }
	}
	for _, c := range []struct {
		name      string
		waveform  trace.Waveform
		rate      float64
		i         func(float64) float64
		behaviour trace.Behaviour
	}{
		{"10 Hz train, waveform not stated", "", 1000, train(10, 0.5, 0), trace.Latching},
		{"15 Hz train, waveform not stated", "", 1000, train(15, 0.5, 0), trace.Latching},
		{"25 Hz train, waveform not stated", "", 1000, train(25, 0.4, 0), trace.Latching},
		{"20 Hz train of a smooth output", trace.DC, 1000, train(20, 0.3, 0), trace.Hiccup},
		{"12 Hz train of a smooth output", trace.DC, 1000, train(12, 0.3, 0), trace.Hiccup},
		{"5 Hz train, waveform not stated", "", 1000, train(5, 0.3, 0), trace.Hiccup},
		{"12 Hz train after a long first pulse", "", 1000, train(12, 0.3, 0.5), trace.Hiccup},
		{"half-wave 50 Hz read 60 times a second", trace.HalfWave, 60, half(50), trace.Latching},
		{"half-wave 60 Hz read 50 times a second", trace.HalfWave, 50, half(60), trace.Latching},
		{"half-wave 50 Hz read 1000 times a second", trace.HalfWave, 1000, half(50), trace.Latching},
	} {
		t.Run(c.name, func(t *testing.T) {
			d := finish(t, trace.Settings{RatedCurrentA: 1, Waveform: c.waveform}, wave(c.rate, 0, 12, c.i))
			if d.Behaviour != c.behaviour {
				n, _ := d.Figures.Get("retry_count")
				t.Errorf("behaviour %s with %v retries, want %s: %s", d.Behaviour, n.Value, c.behaviour, fmt.Sprint(d.Figures.Get("ripple_hz")))
			}
		})
	}
}

func boolTo(b bool) float64 {
	if b {
		return 1
	}
	return 0
}
