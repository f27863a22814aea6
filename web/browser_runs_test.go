package web

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"time"

	"letthrough/capture/sim"
)

// TestBrowserRunsAreFoundAndChosen: filters, orders, the tray, by keyboard alone.
func TestBrowserRunsAreFoundAndChosen(t *testing.T) {
	ts := newTestServer(t)
	ids := cupboard(t, ts)
	rising := simulatedRun(t, "Tin", sim.RampTest(2, 0.2, 4, 0.2), sim.DefaultMeter(200))
	rising.Start.Started = rising.Start.Started.Add(10 * time.Hour)
	ramp := keepRun(t, ts.db, rising)
	if err := ts.db.Exclude(context.Background(), ids[3], "clip slipped off at 12 s"); err != nil {
		t.Fatal(err)
	}
	if err := ts.db.SetNote(context.Background(), ids[2], "The one to show: quick and quiet."); err != nil {
		t.Fatal(err)
	}
	tb := openTab(t, 1440, 900)
	tb.open(ts.url + "/runs")
	tb.until("the tray's script", `document.querySelector("#tray").hidden && document.querySelectorAll(".pick input").length === 8`)
	tb.mustBeAccessible("Runs")

	// By keyboard: down, choose, down, choose, and put side by side.
	tb.press("j")
	tb.press("j") // the ramp is the newest: step over it
	tb.press(" ")
	tb.press("j")
	tb.press(" ")
	tb.until("two to be chosen", `document.querySelector("#tray-says").textContent.startsWith("2 chosen") && !document.querySelector("#tray-go").disabled`)
	tb.wholeShots("runs")
	tb.mustBeAccessible("Runs, two chosen")
	tb.press("k")
	tb.press("k")
	tb.press(" ")
	tb.until("unlike kinds to be refused", `document.querySelector("#tray-says").textContent.includes("different kinds of tests") && document.querySelector("#tray-go").disabled`)
	tb.shot("runs-unlike")
	tb.press(" ")
	// The choice stays while one looks for others.
	tb.open(ts.url + "/runs?procedure=ramp")
	tb.until("the choice to be kept", `document.querySelector("#tray-says").textContent.startsWith("2 chosen")`)
	if n := eval[int](tb, `document.querySelectorAll(".runs tbody tr").length`); n != 1 {
		t.Errorf("%d ramps", n)
	}
	tb.press("s")
	tb.until("Side by side", `location.pathname === "/compare" && `+sidesDrawn)
	if got, want := eval[string](tb, `new URL(location.href).searchParams.get("runs")`), idList([]int64{ids[6], ids[5]}); got != want {
		t.Errorf("runs %s side by side, want %s in the order chosen", got, want)
	}
	eval[bool](tb, `[...document.querySelectorAll(".head-acts a")].find((a) => a.textContent === "Change runs").click(), true`)
	tb.until("the same runs to be chosen again", `location.pathname === "/runs" && document.body?.dataset.ready === "yes" && document.querySelectorAll(".is-chosen").length === 2`)
	eval[bool](tb, `document.querySelector("#tray-none").click(), true`)
	tb.until("none to be chosen", `document.querySelector("#tray").hidden`)

	// What is asked for stands in the address.
	eval[bool](tb, `(() => { const s = document.querySelector("#ask [name=unit]"); s.value = "Tin"; s.dispatchEvent(new Event("change")); return true; })()`)
	tb.until("Tin's runs", `location.search === "?unit=Tin" && document.querySelectorAll(".runs tbody tr").length === 3`)
	for query, want := range map[string]string{
		"q=quick": fmt.Sprint(ids[2]), "state=excluded": fmt.Sprint(ids[3]), "behaviour=fold_back": fmt.Sprint(ids[2]), "q=" + fmt.Sprint(ramp) + "&procedure=ramp": fmt.Sprint(ramp),
		"unit=Moss": fmt.Sprint(ids[3]), "from=2030-01-01": "", "verdict=pass": fmt.Sprint(ramp),
	} {
		tb.open(ts.url + "/runs?" + query)
		if got := eval[string](tb, `[...document.querySelectorAll(".runs tbody tr")].map((r) => r.dataset.run).join(" ")`); got != want {
			t.Errorf("%s shows %q, want %q", query, got, want)
		}
	}
	tb.open(ts.url + "/runs?from=2030-01-01")
	if got := eval[string](tb, `document.querySelector("main").textContent`); !strings.Contains(got, "No run fits") {
		t.Errorf("nothing found says %q", got)
	}
	tb.open(ts.url + "/runs?sort=-how_much&procedure=short")
	if got := eval[string](tb, `document.querySelector(".sorted-how").textContent`); !strings.Contains(got, "a bound has no place among them") {
		t.Errorf("says %q", got)
	}
	if got := eval[string](tb, `[...document.querySelectorAll(".runs tbody tr")].map((r) => r.children[6].textContent.trim().startsWith("at ") ? "bound" : "exact").join(" ")`); got != "exact exact exact exact exact exact bound" {
		t.Errorf("sorted by how much: %s", got)
	}
	tb.wholeShots("runs-sorted")
	tb.mustBeClean()
}

// BenchmarkRunsPageOfThousands: the list of five thousand runs, newest first, with its small traces; and by a
// figure.
func BenchmarkRunsPageOfThousands(b *testing.B) {
	ts := newTestServer(b)
	rec := simulatedRun(b, "Tin", sim.ShortTest(2, 12, 2), sim.DefaultMeter(200))
	for i := range 5000 {
		rec.UUID = ""
		rec.Start.Unit.Name = fmt.Sprintf("Tin %d", i%40)
		rec.Start.Started = rec.Start.Started.Add(1e9)
		keepRun(b, ts.db, rec)
	}
	for name, path := range map[string]string{"newest": "/runs", "by how much": "/runs?sort=-how_much", "words": "/runs?q=tin+39", "one verdict": "/runs?verdict=pass"} {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				if status, body, _ := ts.call(b, "GET", path, "", "Accept", "text/html"); status != 200 {
					b.Fatalf("%d %.300s", status, body)
				}
			}
			b.ReportMetric(b.Elapsed().Seconds()/float64(b.N)*1e3, "ms/page")
		})
	}
}
