package web

import (
	"fmt"
	"math"
	"testing"

	"github.com/chromedp/chromedp/kb"

	"letthrough/capture/sim"
	"letthrough/capture/trace"
)

// tinWithTroubles is a test of Tin in which readings are missing for a while and the first ones are beyond the range.
func tinWithTroubles(t testing.TB) trace.Recording {
	return simulatedRun(t, "Tin", sim.ShortTest(2, 24, 4), sim.Meter{RateHz: 200, NoiseA: 0.004, ResolutionA: 0.001, Voltage: true}, func(r *sim.Recording) {
		out := r.Current[:0]
		gap := false
		for _, s := range r.Current {
			t := s.At()
			if t > 14.1 && t < 15.5 {
				gap = true
				continue
			}
			if s.Value > 4.4 {
				s.Value, s.Flags = math.Inf(1), s.Flags|trace.Over
			}
			if gap {
				s.Flags, gap = s.Flags|trace.Gap, false
			}
			out = append(out, s)
		}
		r.Current = out
		r.Settings.FullScaleA = 4.4
	})
}

func openRun(t testing.TB, tb *tab, ts *testServer, id int64, query string) {
	t.Helper()
	tb.open(fmt.Sprintf("%s/runs/%d%s", ts.url, id, query))
	tb.until("the trace", `document.body.dataset.drawn === "yes"`)
	tb.settle()
}

func TestBrowserOneRun(t *testing.T) {
	ts := newTestServer(t, truly)
	id := keepRun(t, ts.db, tinWithTroubles(t))
	tb := openTab(t, 1440, 900)
	openRun(t, tb, ts, id, "")
	tb.size(1440, 1700)
	tb.shot("run-whole")
	tb.size(1440, 900)
	tb.shots("run")
	tb.mustBeAccessible("One run")
	tb.mustBeClean()
}

// What a person does on the page of a run, by keyboard alone.
func TestBrowserARunByKeyboard(t *testing.T) {
	ts := newTestServer(t, truly)
	id := keepRun(t, ts.db, simulatedRun(t, "Tin", sim.ShortTest(2, 12, 3), sim.Meter{RateHz: 200, NoiseA: 0.004, ResolutionA: 0.001}))
	tb := openTab(t, 1440, 900)
	openRun(t, tb, ts, id, "")
	at := func() float64 { return eval[float64](tb, `letthrough.replay.atS ?? -99`) }

	// Replay: play, pause, step by reading and by mark, loop, and back to all of it.
	eval[bool](tb, `document.querySelector("#speed").value = "10", true`)
	tb.press("p")
	tb.until("the replay to play", `letthrough.replay.playing && letthrough.replay.atS > -1`)
	tb.until("figures so far", `!document.querySelector("#replay-so-far").hidden && document.querySelector("#figures-kept").hidden`)
	tb.until("the fault", `document.querySelector("#replay-figures").textContent.includes("Cut off after")`)
	tb.press("p")
	tb.until("a pause", `!letthrough.replay.playing && document.querySelector("#replay-play-word").textContent === "Play"`)
	tb.shots("run-replaying")
	tb.mustBeAccessible("A run while it is replayed")
	from := at()
	tb.press(".")
	tb.press(".")
	tb.until("two readings on", fmt.Sprintf(`Math.abs(letthrough.replay.atS - %g) > 0.004 && Math.abs(letthrough.replay.atS - %g) < 0.0151`, from, from))
	tb.press(",")
	tb.press(kb.ArrowLeft)
	tb.press("l")
	tb.until("a loop", `letthrough.replay.standing?.loop_s && document.querySelector("#replay-loop").getAttribute("aria-pressed") === "true"`)
	tb.press("l")
	tb.until("no loop", `!letthrough.replay.standing?.loop_s`)
	tb.press("\u001b")
	tb.until("all of it", `!letthrough.replay.standing && !document.querySelector("#figures-kept").hidden`)
	tb.mustBeClean()
}
