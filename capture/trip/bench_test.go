package trip_test

import (
	"testing"

	"letthrough/capture/sim"
	"letthrough/capture/trace"
	"letthrough/capture/trip"
)

// BenchmarkDetector reports the time per sample on smooth, rippled and noisy traces; it must not
// allocate per sample.
func BenchmarkDetector(b *testing.B) {
	for _, c := range []struct {
		name, unit string
		noise      float64
	}{
		{"smooth", "Tin", 0.002}, {"rippled", "Moss", 0.002}, {"noisy", "Tin", 0.3}, {"pulsed", "Clay", 0.01},
	} {
		b.Run(c.name, func(b *testing.B) {
			rec := record(b, c.unit, sim.ShortTest(2, 20, 2), sim.Meter{RateHz: 20000, NoiseA: c.noise, ResolutionA: 0.001}, 1)
			b.ReportAllocs()
			var n int
			for b.Loop() {
				d, err := trip.New(rec.Settings)
				if err != nil {
					b.Fatal(err)
				}
				for s := rec.Current; len(s) > 0; {
					k := min(len(s), 512)
					d.Current(s[:k])
					s = s[k:]
				}
				if d.Finish().Behaviour == trace.None {
					b.Fatal("nothing found")
				}
				n += len(rec.Current)
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(n), "ns/sample")
		})
	}
}
