package capture

import (
	"testing"

	"letthrough/capture/trace"
)

// BenchmarkSampleThroughTheBench is what one sample costs from the inbox on: columns, detector and
// hand-over to a recorder that keeps nothing, while a run is open.
func BenchmarkSampleThroughTheBench(b *testing.B) {
	s := newStand(b, Options{})
	s.b.rec = &forgetful{}
	s.arm(80000)
	unit := retrying(1, 1e9)
	s.play(0, 2, 10_000, 100, unit)
	s.mode(Recording)
	const n = 100 // 10 ms at 10 kS/s
	batch := make([]trace.Sample, n)
	k := int64(20_000)
	b.ReportAllocs()
	for b.Loop() {
		for i := range batch {
			at := float64(k) / 10_000
			batch[i] = trace.Sample{AtNS: trace.NS(at), Value: unit(at)}
			k++
		}
		s.in.box.put(0, batch)
		s.clock.set(batch[n-1].AtNS)
		s.b.mu.Lock()
		s.b.step(s.clock.NowNS())
		s.b.mu.Unlock()
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N*n), "ns/sample")
}
