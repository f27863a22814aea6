package web

import (
	"fmt"
	"testing"
)

// A mark is moved, struck and put back on the page, with a reason; the page then says that a person did it.
func TestBrowserMarksByHand(t *testing.T) {
	ts := newTestServer(t)
	id := storedRun(t, ts.db, "Tin", 2000)
	tb := openTab(t, 1440, 900)
	tb.open(fmt.Sprintf("%s/runs/%d", ts.url, id))
	tb.until("the page", `document.readyState === "complete" && document.querySelector("#mark-open")`)
	fill := func(does, at, within, reason string) {
		t.Helper()
		tb.until("the page's script", `document.readyState === "complete" && document.querySelector("#mark-open")`)
		eval[bool](tb, `document.querySelector("#mark-open").focus(), true`)
		tb.press("\r")
		tb.until("the dialog", `document.querySelector("#mark-dialog")?.open`)
		eval[bool](tb, fmt.Sprintf(`(() => { const v = (id, x) => { document.querySelector(id).value = x; };
			v("#mark-does", %q); document.querySelector("#mark-does").dispatchEvent(new Event("change"));
			const w = [...document.querySelector("#mark-which").options].find((o) => o.value.startsWith("cut_off")); if (w) v("#mark-which", w.value);
			v("#mark-at", %q); v("#mark-within", %q); v("#mark-reason", %q); document.querySelector("#mark-reason").focus(); return true; })()`, does, at, within, reason))
	}
	fill("move", "soon", "", "video")
	tb.mustBeAccessible("Change a mark")
	tb.shots("mark")
	tb.press("\r")
	tb.until("the question for a time", `document.querySelector("#mark-says").textContent.includes("seconds from the onset")`)
	tb.press("\u001b")
	fill("move", "0,45", "", " ")
	tb.press("\r")
	tb.until("the question for a reason", `document.querySelector("#mark-says").textContent.includes("eason")`)
	tb.press("\u001b")
	fill("move", "0,45", "0.01", "frame 24")
	tb.press("\r")
	tb.until("the edit", `document.readyState === "complete" && document.querySelector("[data-take-back]") && document.body.innerText.includes("Cut off moved from 0.40 s to 0.45 s: “frame 24”")`)
	run, err := ts.db.Run(t.Context(), id)
	if err != nil || len(run.Edits) != 1 || run.Edits[0].U() != 0.01 {
		t.Fatalf("%+v, %v", run.Edits, err)
	}
	tb.mustBeAccessible("A run with a mark by hand")
	tb.shots("marks-by-hand")
	eval[bool](tb, `document.querySelector("[data-take-back]").focus(), true`)
	tb.press("\r")
	tb.until("taken back", `document.readyState === "complete" && !document.querySelector("[data-take-back]") && document.body.innerText.includes("taken back")`)
	fill("strike", "", "", "the clip slipped")
	tb.press("\r")
	tb.until("struck", `document.readyState === "complete" && document.body.innerText.includes("Cut off at 0.40 s struck: “the clip slipped”")`)
	fill("add", "−0,2", "", "a spark")
	tb.press("\r")
	tb.until("added", `document.readyState === "complete" && document.body.innerText.includes("Note added at −0.20 s: “a spark”")`)
	tb.size(390, 844)
	tb.mustReflow("A run with marks by hand")
	tb.mustBeClean()
}
