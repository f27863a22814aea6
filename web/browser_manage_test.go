package web

import (
	"context"
	"fmt"
	"testing"

	"letthrough/capture/trace"
)

// Units and loads managed on the page: added, changed, removed and had back; what is wrong is said where one
// types; a plate that is corrected asks about the unit's runs.
func TestBrowserManagesUnitsAndLoads(t *testing.T) {
	ts := newTestServer(t)
	ctx := context.Background()
	tb := openTab(t, 1440, 900)

	tb.open(ts.url + "/units/loads/new")
	tb.until("the form", `document.querySelector("#load-name")`)
	tb.do(focus("#load-name"))
	tb.press("Bo motor\t\t0.2\tmany\t")
	tb.until("what is wrong", `document.querySelector("#load-stall_a").getAttribute("aria-invalid") === "true" && document.querySelector("#load-stall_a-wrong").textContent.includes("is a number")`)
	if got := eval[string](tb, `document.querySelector("#load-stall_a").value`); got != "many" {
		t.Errorf("what was typed became %q", got)
	}
	tb.shots("load-wrong")
	tb.mustBeAccessible("Loads, wrong field")
	tb.do(focus("#load-stall_a"))
	eval[bool](tb, `document.querySelector("#load-stall_a").value = "", true`)
	tb.press("1,6\t0,4\r")
	tb.until("the load to be added", `location.pathname === "/units" && document.querySelector('[data-row="load-8"]')`)
	if l, err := ts.db.Loads().Find(ctx, 8); err != nil || l.Name != "Bo motor" || l.RunningA != 0.2 || l.StallA != 1.6 || l.ContinuousA != 0.4 {
		t.Errorf("the store has %+v, %v", l, err)
	}

	// A unit says which load it feeds; its plate is corrected, and its run with it if one says so.
	id := storeTin(t, ts, trace.RunComplete, 40)
	run, err := ts.db.Run(ctx, id)
	tb.call(err)
	tin := *run.UnitID
	tb.open(fmt.Sprintf("%s/units/%d", ts.url, tin))
	tb.until("the plate", `document.querySelector("#sheet-amps")`)
	eval[bool](tb, `(() => { document.querySelector("#sheet-amps").value = "1.5"; document.querySelector("#sheet-load").value = "Bo motor"; return true; })()`)
	tb.shots("unit-open")
	tb.mustBeAccessible("Units, open")
	tb.until("the question", `document.querySelector("#runs-dialog[open]") || (document.querySelector("#sheet .is-first").click(), false)`)
	if got := eval[string](tb, `document.querySelector("#runs-many").textContent`); got != "1 run" {
		t.Errorf("asked about %q", got)
	}
	tb.mustBeAccessible("Units, question about runs")
	tb.do(focus("#runs-again"))
	tb.press("\r")
	tb.until("all to be derived", `location.pathname === "/units"`)
	run, err = ts.db.Run(ctx, id)
	tb.call(err)
	if u, err := ts.db.Unit(ctx, tin); err != nil || u.RatedCurrentA != 1.5 || u.Load != "Bo motor" || run.DerivedWith.RatedCurrentA != 1.5 || len(run.Derivations) != 2 {
		t.Errorf("unit %+v, %v; derived %d times, now with %g A", u, err, len(run.Derivations), run.DerivedWith.RatedCurrentA)
	}

	// Removed and had back; removed and left.
	tb.open(ts.url + "/units/loads/8")
	tb.until("the way back", `document.querySelector(".undo") || (document.querySelector("#delete")?.click(), false)`)
	if !eval[bool](tb, `document.querySelector('[data-row="load-8"]').hidden && document.activeElement.textContent === "Undo"`) {
		t.Error("the removed load is still shown, or Undo has not the focus")
	}
	tb.shots("undo")
	tb.mustBeAccessible("Units, removed")
	tb.do(focus(".undo .btn"))
	tb.press("\r")
	tb.until("it to be back", `!document.querySelector(".undo") && !document.querySelector('[data-row="load-8"]').hidden`)
	if _, err := ts.db.Loads().Find(ctx, 8); err != nil {
		t.Errorf("after Undo: %v", err)
	}
	tb.open(fmt.Sprintf("%s/units/%d", ts.url, tin))
	tb.until("the reason why it stays", `document.querySelector("#sheet-says").textContent.includes("Tin has 1 run") || (document.querySelector("#delete")?.click(), false)`)
	moss, err := ts.db.CreateUnit(ctx, trace.Unit{Name: "Moss", Waveform: trace.DC})
	tb.call(err)
	tb.open(fmt.Sprintf("%s/units/%d", ts.url, moss.ID))
	tb.until("the way back", `document.querySelector(".undo") || (document.querySelector("#delete")?.click(), false)`)
	tb.open(ts.url + "/units")
	tb.become("the unit to be gone", func() bool { _, err := ts.db.Unit(ctx, moss.ID); return err != nil })
	tb.mustBeClean()
}
