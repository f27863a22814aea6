package web

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"
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
	ts := newTrueServer(t)
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
	ts := newTrueServer(t)
	id := keepRun(t, ts.db, simulatedRun(t, "Tin", sim.ShortTest(2, 12, 3), sim.Meter{RateHz: 200, NoiseA: 0.004, ResolutionA: 0.001}))
	tb := openTab(t, 1440, 900)
	openRun(t, tb, ts, id, "")
	at := func() float64 { return eval[float64](tb, `letthrough.replay.atS ?? -99`) }
	first := mustRun(t, ts, id).Channels[0].FromS
	if from, least := eval[float64](tb, `letthrough.whole.picture.view.from`), eval[float64](tb, `Number(document.querySelector("#scrub").min)`); first > -1.5 || from != first || least != first {
		t.Errorf("the whole run is drawn from %g s and the slider begins at %g s; the first reading is at %g s", from, least, first)
	}

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

	// A mark is moved to the reading where the replay stands, and a note is pinned there.
	cut, _ := mustRun(t, ts, id).Derivation.FirstMark(trace.CutOff)
	tb.press(kb.ArrowRight)
	tb.press(kb.ArrowRight)
	tb.until("the second mark", fmt.Sprintf(`Math.abs(letthrough.replay.atS - %g) < 1e-6`, cut.T))
	tb.press(".")
	tb.until("the next reading", fmt.Sprintf(`letthrough.replay.atS > %g && letthrough.replay.atS < %g`, cut.T, cut.T+0.006))
	tb.do(focus(`[data-mark^="cut_off"]`))
	tb.press("\r")
	tb.until("the form with that instant", `document.querySelector("#mark-dialog").open && Math.abs(Number(document.querySelector("#mark-at").value) - letthrough.replay.atS) < 1e-5 && document.activeElement.id === "mark-reason"`)
	tb.press("\r")
	tb.until("the question for a reason", `document.querySelector("#mark-says").textContent.includes("eason")`)
	tb.do(chromedp.SendKeys(chromedp.CSS("#mark-reason"), "seen in the video\r"))
	tb.until("the moved mark", `document.readyState === "complete" && document.body.dataset.drawn === "yes" && document.body.innerText.includes("seen in the video")`)
	tb.do(focus("#note-pin"))
	tb.press("\r")
	tb.until("the form for a note", `document.querySelector("#mark-dialog").open && document.querySelector("#mark-title").textContent.includes("note")`)
	tb.do(chromedp.SendKeys(chromedp.CSS("#mark-reason"), "the lamp winks\r"))
	tb.until("the note", `document.readyState === "complete" && document.body.dataset.drawn === "yes" && document.querySelector(".events").textContent.includes("the lamp winks")`)
	tb.shots("run-noted")

	// A run is excluded for a reason only, and counted again.
	tb.do(focus("#exclude"))
	tb.press("\r")
	tb.until("the question why", `document.querySelector("#exclude-dialog").open`)
	tb.press("\r")
	tb.until("that it takes a reason", `document.querySelector("#exclude-says").textContent.includes("without one")`)
	tb.do(chromedp.SendKeys(chromedp.CSS("#exclude-reason"), "the plug sat loose\r"))
	tb.until("excluded", `document.readyState === "complete" && document.querySelector("#include") && document.body.innerText.includes("the plug sat loose")`)
	tb.do(focus("#include"))
	tb.press("\r")
	tb.until("counted again", `document.readyState === "complete" && document.querySelector("#exclude")`)
	tb.mustBeClean()
}

// What a person does on the page of a run with the mouse.
func TestBrowserARunByMouse(t *testing.T) {
	ts := newTrueServer(t)
	id := keepRun(t, ts.db, simulatedRun(t, "Tin", sim.ShortTest(2, 12, 3), sim.Meter{RateHz: 1000, NoiseA: 0.004, ResolutionA: 0.001}))
	cut, _ := mustRun(t, ts, id).Derivation.FirstMark(trace.CutOff)
	tb := openTab(t, 1440, 1200)
	openRun(t, tb, ts, id, "")

	// The wheel leads down to single readings at the cut-off, which stand as dots.
	x, y := placeOf(tb, "close", cut.T)
	for range 14 {
		tb.mouse(input.DispatchMouseEventTypeMouseMoved, x, y)
		tb.mouse(input.DispatchMouseEventTypeMouseWheel, x, y, func(p *input.DispatchMouseEventParams) {
			p.DeltaX, p.DeltaY, p.Button = 0.01, -200, input.MouseButtonNone
		})
	}
	tb.until("single readings", `(() => { const w = letthrough.look.acts.shown(); return w.to - w.from < 0.3 && letthrough.store.of(w, 0).length > 100 && letthrough.store.parts.some((p) => p.single); })()`)
	if w := lookOf(tb); w.From > cut.T || w.To < cut.T {
		t.Errorf("zoomed at %g s it shows %g to %g s", cut.T, w.From, w.To)
	}

	// A figure opens to the readings it rests on.
	tb.do(chromedp.Click(chromedp.CSS(`details.why[data-figure="time_to_cutoff_s"] summary`)))
	tb.until("what it rests on", `document.querySelector('[data-figure="time_to_cutoff_s"] .how-used').textContent.includes("an instant between two readings")`)
	tb.until("the look at it", `(() => { const w = letthrough.look.acts.shown(); return w.from < 0 && w.to > 0.89; })()`)
	tb.shots("run-how")
	tb.mustBeAccessible("A figure that is open")
	tb.do(chromedp.Click(chromedp.CSS(`details.why[data-figure="let_through_a2s"] summary`)))
	tb.until("the sum", `document.querySelector('[data-figure="let_through_a2s"] .how-used').textContent.includes("summed up")`)

	// A mark is dragged; a reason is asked for and never skipped.
	openRun(t, tb, ts, id, fmt.Sprintf("?from=%g&to=%g", cut.T-0.05, cut.T+0.05))
	tb.until("fine readings", `letthrough.store.parts.length > 0`)
	tb.settle()
	foot := eval[[]float64](tb, fmt.Sprintf(`(() => { const c = letthrough.look.close, r = c.host.getBoundingClientRect(); return [r.left + c.pixelOf(%g), r.top + c.plot.bottom]; })()`, cut.T))
	tb.mouse(input.DispatchMouseEventTypeMouseMoved, foot[0], foot[1])
	tb.mouse(input.DispatchMouseEventTypeMousePressed, foot[0], foot[1])
	for k := 1; k <= 8; k++ {
		tb.mouse(input.DispatchMouseEventTypeMouseMoved, foot[0]+10*float64(k), foot[1])
	}
	tb.shot("run-drag")
	tb.mouse(input.DispatchMouseEventTypeMouseReleased, foot[0]+80, foot[1])
	tb.until("the question for a reason", `document.querySelector("#mark-dialog").open && document.activeElement.id === "mark-reason"`)
	at := eval[float64](tb, `Number(document.querySelector("#mark-at").value)`)
	if at <= cut.T+0.005 || at > cut.T+0.02 {
		t.Errorf("dragged from %g s by 80 px the mark is at %g s", cut.T, at)
	}
	tb.press("\r")
	tb.until("a word about the reason", `document.querySelector("#mark-says").textContent.includes("eason") && document.querySelector("#mark-at").value !== ""`)
	tb.do(chromedp.SendKeys(chromedp.CSS("#mark-reason"), "the clip was jogged\r"))
	tb.until("the moved mark", `document.readyState === "complete" && document.body.innerText.includes("moved by hand from") && document.body.innerText.includes("the clip was jogged")`)
	tb.until("the trace", `document.body.dataset.drawn === "yes"`)
	tb.until("figures that say so", `document.querySelector('[data-figure="time_to_cutoff_s"] .more').textContent.includes("by hand")`)
	tb.until("single readings there", `letthrough.close.picture.store.widthS === 0`)
	tb.settle()
	tb.shots("run-moved")
	tb.mustBeClean()
}

func TestBrowserTriesSettings(t *testing.T) {
	ts := newTrueServer(t)
	id := keepRun(t, ts.db, simulatedRun(t, "Tin", sim.ShortTest(2, 12, 3), sim.Meter{RateHz: 500, NoiseA: 0.004, ResolutionA: 0.001}))
	tb := openTab(t, 1440, 1600)
	openRun(t, tb, ts, id, "?open=hold_a2s")
	set := func(key, value string) {
		t.Helper()
		eval[bool](tb, fmt.Sprintf(`(() => { const f = document.querySelector("#set-%s"); f.focus(); f.value = %q; f.dispatchEvent(new Event("input", {bubbles: true})); return true; })()`, key, value))
	}
	set("hold_s", "6")
	tb.until("what it changes", `!document.querySelector("#change").hidden && document.querySelector("#change-rows").textContent.includes("Held for")`)
	if got := eval[string](tb, `[...document.querySelectorAll("#change-rows tr")].find((r) => r.textContent.includes("Held for")).innerText`); !strings.Contains(got, "shorter") {
		t.Errorf("the hold's row says %q", got)
	}
	tb.until("the field to say so", `document.querySelector("#set-hold_s").closest(".field").classList.contains("is-new") && document.querySelector("#set-hold_s-hint").textContent.includes("was 12")`)
	tb.shots("run-settings")
	tb.mustBeAccessible("A run with other settings")
	set("hold_s", "soon")
	tb.until("a refusal", `document.querySelector("#settings-says").textContent !== "" && document.querySelector("#set-hold_s").value === "soon"`)
	set("hold_s", "999999999")
	tb.until("the range", `document.querySelector("#settings-says").textContent.includes("out of range")`)
	set("hold_s", "12")
	tb.until("nothing changed", `document.querySelector("#change").hidden && document.querySelector("#settings-says").textContent === ""`)
	set("waveform", "full-wave")
	tb.until("another change", `document.querySelector("#settings-count").textContent === "1 changed" && !document.querySelector("#change").hidden`)
	tb.do(chromedp.Click(chromedp.CSS("#settings-back")))
	tb.until("back", `document.querySelector("#change").hidden && document.querySelector("#set-waveform").value === "dc"`)
	set("hold_s", "6")
	tb.until("the change again", `!document.querySelector("#change").hidden`)
	tb.do(chromedp.Click(chromedp.CSS("#settings-keep")))
	tb.until("the new derivation", `document.readyState === "complete" && document.body.dataset.drawn === "yes" && document.querySelector("#set-hold_s").value === "6" && document.querySelectorAll("[data-choose]").length === 1`)
	if got := eval[string](tb, `location.search`); !strings.HasPrefix(got, "?open=hold_a2s") {
		t.Errorf("the address says %q, want what was open to stay so", got)
	}
	tb.shots("run-derivations")
	tb.mustBeAccessible("A run with several derivations")
	tb.do(chromedp.Click(chromedp.CSS(`.list a[href*="derivation="]`)))
	tb.until("the older one", `document.readyState === "complete" && document.body.dataset.drawn === "yes" && document.body.innerText.includes("those of an older derivation") && !document.querySelector("#settings")`)
	tb.do(chromedp.Click(chromedp.CSS("[data-choose]")))
	tb.until("it is current", `document.readyState === "complete" && document.body.dataset.drawn === "yes" && document.querySelector("#set-hold_s")?.value === "12"`)
	tb.mustBeClean()
}

// A link shows what one saw; what is gone is said plainly.
func TestBrowserALinkToWhatOneSaw(t *testing.T) {
	ts := newTrueServer(t)
	id := keepRun(t, ts.db, simulatedRun(t, "Tin", sim.ShortTest(2, 12, 3), sim.Meter{RateHz: 500, NoiseA: 0.004, ResolutionA: 0.001}))
	tb := openTab(t, 1440, 900)
	link := "?from=3&to=3.5&time=log&open=retry_period_s&at=3.1"
	for range 2 {
		openRun(t, tb, ts, id, link)
		tb.until("the same look", `(() => { const w = letthrough.look.acts.shown(); return Math.abs(w.from - 3) < 1e-6 && Math.abs(w.to - 3.5) < 1e-6 || letthrough.look.lens.log; })()`)
		tb.until("the figure", `document.querySelector('details[data-figure="retry_period_s"]').open`)
		tb.until("the replay", `Math.abs((letthrough.replay.standing?.at_s ?? 0) - 3.1) < 1e-6 && letthrough.look.lens.log`)
	}
	tb.press("t")
	tb.press("+")
	tb.until("another address", `!location.search.includes("time=log") && location.search.includes("from=")`)
	for _, bad := range []string{"?from=soon&to=x&at=&open=nonsense%22%5D", "?from=5&to=1&derivation="} {
		openRun(t, tb, ts, id, bad)
	}
	for _, gone := range []string{"/runs/99", fmt.Sprintf("/runs/%d?derivation=99", id), "/?replay=99", "/readout?replay=99"} {
		tb.open(ts.url + gone)
		tb.until("a plain word about "+gone, `document.body.innerText.includes("There is no") || document.body.innerText.includes("has no derivation")`)
	}

	// The run is deleted under the open page: what was typed stays, and it is said.
	openRun(t, tb, ts, id, "")
	eval[bool](tb, `document.querySelector("#note").value = "a long thought", true`)
	ts.must(t, "DELETE", fmt.Sprintf("/api/runs/%d", id), "", nil)
	eval[bool](tb, `document.querySelector("#note-form").requestSubmit(), true`)
	tb.until("that it is gone", `document.querySelector("#note-says").textContent.includes("no run") && document.querySelector("#note").value === "a long thought"`)
	tb.press("p")
	tb.until("that it cannot be replayed", `document.querySelector("#replay-says").textContent.includes("gone")`)
	eval[bool](tb, `letthrough.look.lens.select(1, 1.1, letthrough.look.acts.limits()), letthrough.look.again(), true`)
	tb.until("that it cannot be looked at nearer", `document.querySelector("#chart-says").textContent.includes("no run")`)
	tb.shot("run-gone")
}

// The replay on the Bench's own page and on the read-out: as it was live, and the bench itself is left alone.
func TestBrowserReplaysOnTheLivePages(t *testing.T) {
	ts := newTrueServer(t)
	id := keepRun(t, ts.db, simulatedRun(t, "Tin", sim.ShortTest(2, 8, 3), sim.Meter{RateHz: 500, NoiseA: 0.004, ResolutionA: 0.001}))
	tb := openTab(t, 1440, 900)
	armTin(ts.bench)
	tb.open(fmt.Sprintf("%s/?replay=%d", ts.url, id))
	tb.until("the fault", `document.querySelector("#events [data-kind=cut_off]")`)
	tb.until("the strip to tell what the bench does", `document.querySelector("#strip")?.textContent.includes("armed")`)
	tb.press("p")
	tb.until("a pause", `document.querySelector("#replayer-word").textContent === "Play"`)
	tb.shots("bench-replay")
	tb.mustBeAccessible("A replay on the Bench")
	for _, key := range []string{" ", "x", "a", "e"} {
		tb.press(key)
	}
	tb.settle()
	if calls := ts.bench.called(); len(calls) != 0 {
		t.Errorf("keys on a replay led to %v", calls)
	}
	eval[bool](tb, `(() => { const s = document.querySelector("#replayer select"); s.value = "50"; s.dispatchEvent(new Event("change")); document.querySelector("#replayer button").click(); return true; })()`)
	tb.until("the end", `document.body.dataset.mode === "after"`)
	tb.open(fmt.Sprintf("%s/readout?replay=%d", ts.url, id))
	tb.until("figures for the camera", `document.querySelector("#cam-figs dd")`)
	tb.shots("readout-replay")
	tb.mustBeAccessible("A replay on the read-out")
	tb.mustBeClean()
}

// A ramp, stairs and a carried load have their own words and levels.
func TestBrowserLoadRuns(t *testing.T) {
	ts := newTrueServer(t)
	tb := openTab(t, 1440, 900)
	meter := sim.Meter{RateHz: 200, NoiseA: 0.004, ResolutionA: 0.001, Voltage: true}
	for _, c := range []struct {
		name string
		sc   sim.Scenario
		says string
	}{
		{"ramp", sim.RampTest(2, 0, 6, 0.3), "Tripped at"},
		{"steps", sim.StepsTest(2, 4, 0.5, 1, 1.5, 2, 2.5, 3, 4, 5), "Tripped on the stair of"},
	} {
		id := keepRun(t, ts.db, simulatedRun(t, "Slate", c.sc, meter))
		openRun(t, tb, ts, id, "")
		tb.until(c.says, fmt.Sprintf(`document.querySelector("#figures-kept").textContent.includes(%q)`, c.says))
		tb.shots("run-" + c.name)
		tb.press("t")
		tb.settle()
		tb.shot("run-" + c.name + "-log")
	}
	tb.mustBeClean()
}
