package web

import (
	"math"
	"testing"

	"letthrough/capture/trace"
)

// BenchmarkBrowserOpensTenMillionReadings opens the page of a run of ten million readings and prints how long that
// takes in the browser to the drawn page, over loopback, and then how many frames a second it draws while one moves
// along it.
func BenchmarkBrowserOpensTenMillionReadings(b *testing.B) {
	const n, rate = 10_000_000, 100_000
	ts := newTestServer(b, truly)
	current := make([]trace.Sample, n)
	for i := range current {
		t := float64(i) / rate
		v := 0.002 * math.Sin(float64(i)*1.7)
		if t >= 5 && t < 20 {
			v += 4 + 0.5*math.Exp(-(t-5)/2)
		}
		if i == 7_654_321 {
			v = 9 // one reading
		}
		current[i] = trace.Sample{AtNS: int64(i) * 10_000, Value: math.Round(v*1e4) / 1e4}
	}
	set := trace.Settings{Procedure: trace.Short, RatedCurrentA: 1.4, HoldS: 30, ResolutionA: 1e-4}
	id := keepRun(b, ts.db, kept(b, trace.Unit{Name: "Tin", RatedCurrentA: 1.4, RatedVoltageV: 12}, set, current, nil))
	current = nil
	tb := openTab(b, 1440, 900)
	openRun(b, tb, ts, id, "") // the browser keeps the library from here on, as that of whoever looks at runs does
	var opened float64
	for b.Loop() {
		openRun(b, tb, ts, id, "")
		opened += eval[float64](tb, `performance.getEntriesByName("drawn")[0].startTime`)
	}
	b.ReportMetric(opened/float64(b.N), "ms/open")
	if most := eval[float64](tb, `letthrough.whole.picture.store.extremes(-Infinity, Infinity).max`); most != 9 {
		b.Errorf("the one reading of 9 A is drawn as %g A", most)
	}
	type moving struct{ Frames, Median, Worst float64 }
	m := eval[moving](tb, `new Promise((done) => {
		const l = letthrough.look, times = [], begin = performance.now();
		l.lens.select(2, 8, l.acts.limits());
		const frame = () => {
			const at = performance.now();
			if (at - begin > 3000) {
				times.sort((a, b) => a - b);
				done({Frames: times.length / 3, Median: times[times.length >> 1], Worst: times[Math.floor(times.length * 0.99)]});
				return;
			}
			l.lens.pan(l.acts.shown(), 0.01 * Math.sin((at - begin) / 300), l.acts.limits());
			l.lens.zoom(l.acts.shown(), 1 + 0.01 * Math.cos((at - begin) / 500), 6, l.acts.limits());
			l.again();
			times.push(performance.now() - at);
			requestAnimationFrame(frame);
		};
		requestAnimationFrame(frame);
	})`)
	b.ReportMetric(m.Frames, "frames/s")
	b.ReportMetric(m.Median, "ms/frame-median")
	b.ReportMetric(m.Worst, "ms/frame-p99")
}
