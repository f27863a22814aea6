package web

import (
	"context"
	"fmt"
	"log/slog"
	"math"
	"testing"

	"letthrough/capture"
	"letthrough/capture/trace"
)

// openByHand is a whole bench whose only instrument is a person at the page.
func openByHand(t *testing.T, arg string) (ts *testServer, bench *capture.Bench) {
	t.Helper()
	db := openTestStore(t)
	if _, err := db.CreateUnit(context.Background(), fakeTin); err != nil {
		t.Fatal(err)
	}
	log := slog.New(slog.DiscardHandler)
	bench = capture.New(capture.Options{Recorder: db, Version: "test", Log: log})
	return serveBench(t, bench, db, arg), bench
}

// A short test with nothing but the keyboard, both hands busy: zeros, Space as the contact closes, readings,
// a mistake taken back, X. The field never has to be left.
func TestBrowserATestTypedByHand(t *testing.T) {
	ts, bench := openByHand(t, "meter=hand:page?averaging=0.4&resolution=0.01&accuracy=0.8%+3")
	tb := openTab(t, 1440, 900)
	tb.open(ts.url)
	tb.until("the field to have the keyboard", `document.activeElement?.id === "hand-text" && letthrough.model.state?.instruments?.length === 1`)
	typed := func(n int, newest string) {
		t.Helper()
		tb.until(fmt.Sprintf("%d readings, the newest %s", n, newest), fmt.Sprintf(`document.querySelectorAll("#hand-typed li").length === %d && document.querySelector("#hand-typed li b").textContent === %q && document.querySelector("#hand-text").value === ""`, n, newest))
	}
	tb.press("0,01\r")
	typed(1, "0.01 A")
	tb.press("\r")
	typed(2, "0.01 A")
	tb.shots("hand-idle")

	tb.press("a") // is no part of a number, so it arms
	tb.until("armed", `document.body.dataset.mode === "armed" && !document.querySelector("#b-short").disabled`)
	tb.press(" ")
	tb.until("the run", `document.body.dataset.mode === "recording" && document.querySelector("#events [data-kind=applied]")`)
	if on := eval[string](tb, `document.activeElement?.id ?? ""`); on != "hand-text" {
		t.Errorf("the keyboard went to %q", on)
	}
	if v := eval[string](tb, `document.querySelector("#hand-text").value`); v != "" {
		t.Errorf("the keys of the controls ended up in the field: %q", v)
	}
	tb.press("4,51\r")
	typed(3, "4.51 A")
	tb.press("45\r")
	typed(4, "45 A")
	tb.press("/")
	typed(3, "4.51 A")
	tb.until("what was taken back", `document.querySelector("#hand-says").textContent.includes("Taken back: 45")`)
	tb.press("4..5\r")
	tb.until("the refusal", `document.querySelector("#hand-says.is-wrong") && document.querySelector("#hand-says").textContent.includes("is no reading")`)
	tb.press("*\r")
	typed(4, "over range")
	tb.press("/")
	typed(3, "4.51 A")

	// With the focus elsewhere a digit is a reading all the same, and not a page.
	eval[bool](tb, `document.activeElement.blur(), true`)
	tb.press("4")
	tb.until("the field to take it", `document.activeElement?.id === "hand-text"`)
	// The moment of the first key counts, however long the rest takes.
	eval[bool](tb, `new Promise((done) => { const end = performance.now() + 600; const f = () => performance.now() > end ? done(true) : requestAnimationFrame(f); f(); })`)
	tb.press(",4\r")
	typed(4, "4.4 A")
	in := bench.State()
	if behind := in.NowAtS - in.Instruments[0].Typed[3].AtS; behind < 0.6 || behind > 10 {
		t.Errorf("the reading is stamped %g s ago, its first key was pressed at least 0.6 s ago", behind)
	}
	tb.until("a line through the typed readings", `document.querySelectorAll("#events li").length >= 1`)
	tb.settle()
	tb.shots("hand-recording")
	tb.mustBeAccessible("Bench, typed by hand")

	tb.press("x")
	tb.until("the short to be off", `letthrough.model.state.removed`)
	tb.press("e")
	tb.until("the run to be kept", `document.body.dataset.mode === "after"`)
	tb.mustBeClean()

	run, err := ts.db.Run(context.Background(), *bench.State().LastRun)
	if err != nil {
		t.Fatal(err)
	}
	if run.Settings.StampUS != trace.HandU {
		t.Errorf("the run's stamps are known to %g s", run.Settings.StampUS)
	}
	for _, f := range run.Derivation.Figures {
		if def, _ := trace.DefinitionOf(f.Key); def.Unit == "s" && f.Bound == trace.Exact && f.U < math.Sqrt2*trace.HandU {
			t.Errorf("%s is exact to %g s", f.Key, f.U)
		}
	}
}

// Space is no part of a reading: without a hand instrument nothing of this is on the page.
func TestBrowserWithoutAHandShowsNoField(t *testing.T) {
	ts := newTestServer(t)
	tb := openTab(t, 1440, 900)
	tb.open(ts.url)
	tb.until("the state", `letthrough.model.state`)
	tb.settle()
	if !eval[bool](tb, `document.querySelector("#hand").hidden`) {
		t.Error("a field for readings is shown")
	}
}
