package web

import (
	"strings"
	"testing"

	"letthrough/capture"
	"letthrough/capture/trace"
)

// The read-out: plain grounds that can be keyed out, no scroll bars, its address by one click, the clapper
// and the shelf's table.
func TestBrowserReadoutForTheCamera(t *testing.T) {
	ts := newTestServer(t)
	tb := openTab(t, 1440, 900)
	playTin(ts.bench, 3, 12)
	for ground, want := range map[string]string{"green": "rgb(0, 177, 64)", "blue": "rgb(0, 71, 187)", "black": "rgb(0, 0, 0)", "white": "rgb(255, 255, 255)"} {
		tb.open(ts.url + "/readout?foot=0&ground=" + ground)
		tb.until("the figures", `document.querySelector("#cam-figs dd")`)
		for _, dark := range []bool{false, true} {
			tb.dark(dark)
			if got := eval[string](tb, `getComputedStyle(document.body).backgroundColor`); got != want {
				t.Errorf("%s, dark %v: the ground is %s, want %s", ground, dark, got, want)
			}
		}
		tb.dark(false)
		tb.settle()
		tb.shot("readout-" + ground)
		tb.mustBeAccessible("Read-out on " + ground)
	}
	for _, size := range [][2]int64{{1920, 1080}, {1280, 720}, {1440, 900}} {
		tb.size(size[0], size[1])
		if over := eval[float64](tb, `Math.max(document.documentElement.scrollHeight - innerHeight, document.documentElement.scrollWidth - innerWidth)`); over > 0 {
			t.Errorf("at %d × %d the read-out is %.0f px too large", size[0], size[1], over)
		}
	}
	tb.size(1440, 900)

	// One click makes the address.
	tb.open(ts.url + "/readout")
	tb.until("the button", `document.querySelector("#cam-make") && document.querySelector("#cam-figs dd")`)
	eval[bool](tb, `document.querySelector("#cam-make").click(), true`)
	tb.until("the address", `document.querySelector("#cam-dialog[open]") && document.querySelector("#cam-says").textContent`)
	eval[bool](tb, `(() => { for (const [id, v] of [["cam-ground", "green"], ["cam-show", "shelf"]]) { const s = document.getElementById(id); s.value = v; s.dispatchEvent(new Event("input", {bubbles: true})); } return true; })()`)
	address := eval[string](tb, `document.querySelector("#cam-address").value`)
	if want := ts.url + "/readout?foot=0&show=shelf&ground=green"; address != want {
		t.Errorf("the address is %s, want %s", address, want)
	}
	tb.mustBeAccessible("Read-out, address")

	// The table fills as runs end.
	storeTin(t, ts, trace.RunComplete, 40)
	tb.open(address)
	tb.until("the table", `document.querySelector("#cam-shelf tbody tr")`)
	tb.shots("readout-shelf")
	tb.mustBeAccessible("Read-out, shelf")
	if got := eval[string](tb, `document.querySelector("#cam-shelf tbody").innerText`); !strings.Contains(got, "Tin") {
		t.Errorf("the table says %q", got)
	}
	tb.open(strings.Replace(address, "&show=shelf", "", 1) + "&show=nothing")
	if got := eval[string](tb, `document.body.innerText`); !strings.Contains(got, "there is no") {
		t.Errorf("a wrong address gives %q", got)
	}
	tb.mustBeClean()
}

func TestBrowserReadoutTableFillsAndClaps(t *testing.T) {
	b := openSimulated(t, "Slate", 4)
	tb := openTab(t, 1440, 900)
	tb.open(b.url + "/readout?foot=0&show=shelf")
	tb.until("the table", `document.querySelectorAll("#cam-shelf tbody tr").length === 7 && document.querySelector("#cam-phase").textContent === "nothing armed"`)
	eval[bool](tb, `(globalThis.flashes = [], new MutationObserver(() => { if (!document.querySelector("#cam-flash").hidden) flashes.push(document.querySelector("#cam-flash").textContent); }).observe(document.querySelector("#cam-flash"), {attributes: true}), true)`)
	hold := 3.0
	slate := b.stand.Plugged().Plate
	tb.until("readings", `Number(document.querySelector("#cam-amps").textContent) < 0.1`)
	for from := b.real.State().NowAtS; b.real.State().NowAtS < from+3; { // a quiet stretch for the baseline
		<-b.real.Changed()
	}
	tb.call(b.real.Arm(capture.ArmRequest{Unit: slate, HoldS: &hold}))
	tb.call(b.real.DriveContact(true))
	tb.until("the clapper", `flashes.length === 1`)
	if got := eval[string](tb, `flashes[0]`); !strings.Contains(got, "s ago") {
		t.Errorf("the clapper says %q", got)
	}
	tb.until("the table to fill", `[...document.querySelectorAll("#cam-shelf tbody tr")].some((r) => r.innerText.includes("Slate") && r.innerText.includes("Cuts off and stays off"))`)
	tb.settle()
	tb.shot("readout-filled")
	tb.mustBeClean()
}
