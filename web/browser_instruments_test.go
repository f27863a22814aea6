package web

import (
	"context"
	"strings"
	"testing"

	"letthrough/capture"
	"letthrough/capture/trace"
)

// An instrument is added, looked at, calibrated, changed and removed on the page, by keyboard where a person
// would type.
func TestBrowserInstruments(t *testing.T) {
	ts := newBenchServer(t)
	tb := openTab(t, 1440, 900)
	tb.open(ts.url)
	tb.until("the way to the page", `document.querySelector("#connect-how a[href='/instruments/new']") && document.querySelector(".nav a[href='/instruments']")`)

	tb.open(ts.url + "/instruments")
	tb.until("the form for the first one", `document.querySelector("#argument")?.textContent.includes("usb-board")`)
	if got := eval[string](tb, `document.querySelector("#sheet-port").innerText`); !strings.Contains(got, "/dev/ttyACM0, serial board (USB 1a86:7523)") || !strings.Contains(got, "not allowed to open it") {
		t.Errorf("the ports are offered as %q", got)
	}
	tb.mustBeAccessible("Instruments, first one")
	tb.do(focus("#sheet-name"))
	tb.press("grey box")
	eval[bool](tb, `[...document.querySelectorAll("details.options:not([hidden])")].forEach((d) => d.open = true), true`)
	tb.do(focus("#text-time"))
	tb.press("us")
	tb.do(focus("#common-accuracy"))
	tb.press("good")
	tb.until("the line as it would be typed", `document.querySelector("#argument").textContent === "grey box=text:/dev/serial/by-id/usb-board?time=us&accuracy=good"`)
	tb.press("\r")
	tb.until("what is wrong", `document.querySelector("#sheet-says").textContent.includes("0.8%+3")`)
	tb.until("it is in sight", `(() => { const r = document.querySelector("#sheet-says").getBoundingClientRect(); return r.height > 0 && r.top >= 0 && r.bottom <= innerHeight; })()`)
	tb.shots("instruments-wrong")
	tb.mustBeAccessible("Instruments, a wrong option")
	eval[bool](tb, `document.querySelector("#common-accuracy").value = "", true`)
	tb.do(focus("#common-accuracy"))
	tb.press("±(0.8 % + 3)\r")
	tb.until("the list", `location.pathname === "/instruments" && document.querySelector("[data-instrument='grey box']")`)
	kept, err := ts.db.InstrumentByName(context.Background(), "grey box")
	if err != nil || !kept.Kept || kept.Port != "/dev/serial/by-id/usb-board" {
		t.Fatalf("in the store: %+v, %v", kept, err)
	}
	tb.until("what it shows", `document.querySelector("[data-f=reading]").textContent === "2 A" && document.querySelector("[data-f=state]").textContent.includes("receiving 10 readings a second")`)
	tb.shots("instruments")
	tb.mustBeAccessible("Instruments")

	// Calibrated: the trusted meter's readings are typed, this one's taken.
	eval[bool](tb, `document.querySelector("[data-instrument] a").click(), true`)
	tb.until("the reading to take", `document.querySelector("#now")?.textContent.includes("uncorrected: 2 A") && !document.querySelector("[data-take]").disabled`)
	tb.do(focus("#pair-1-trusted"))
	tb.press("0\t0,01\t\t4,1")
	eval[bool](tb, `document.querySelectorAll("[data-take]")[1].click(), true`)
	if got := eval[string](tb, `document.querySelector("#pair-2-shown").value`); got != "2" {
		t.Errorf("taken is %q, want the 2 A that are shown", got)
	}
	tb.do(focus("#pair-3-trusted"))
	tb.press("x\t1\r")
	tb.until("what is wrong with the pair", `document.querySelector("#calibrate-says").textContent.includes("no number") && document.activeElement.id === "pair-3-trusted"`)
	eval[bool](tb, `document.querySelector("#pair-3-trusted").value = "", true`)
	tb.press("2,03\r")
	tb.until("the line in words", `document.querySelector("#outcome").textContent.includes("gain 2.0") && !document.querySelector("#keep").disabled`)
	tb.settle()
	tb.shots("instruments-calibrate")
	eval[bool](tb, `document.querySelector("#outcome").scrollIntoView(), true`)
	tb.shots("instruments-outcome")
	eval[bool](tb, `scrollTo(0, 0), true`)
	tb.mustBeAccessible("Instruments, calibrating")
	eval[bool](tb, `document.querySelector("#keep").click(), true`)
	tb.until("the history", `document.querySelector(".past li")?.textContent.includes("in force")`)
	if kept, err = ts.db.InstrumentByName(context.Background(), "grey box"); err != nil || len(kept.InForce()) != 1 || len(kept.Calibrations[0].Readings) != 3 {
		t.Errorf("in the store: %+v, %v", kept, err)
	}
	tb.until("the corrected reading", `Math.abs(parseFloat(document.querySelector("[data-f=reading]").textContent) - 4.1) < 0.05 && document.querySelector("#now").textContent.includes("uncorrected: 2 A")`)
	tb.shots("instruments-calibrated")
	tb.mustBeAccessible("Instruments, calibrated")
	tb.until("it to be taken back", `document.querySelector(".past li")?.textContent.includes("until") || (document.querySelector("[data-end]")?.click(), false)`)

	// Removed, with a way back; leaving the page removes it for good.
	tb.until("the way back", `document.querySelector(".undo") || (document.querySelector("#remove").click(), false)`)
	if got := eval[string](tb, `document.querySelector(".undo").innerText`); !strings.Contains(got, "is removed, with how it is set up and calibrated") || !eval[bool](tb, `document.querySelector("[data-instrument]").hidden`) {
		t.Errorf("the way back says %q", got)
	}
	tb.mustBeAccessible("Instruments, removed")
	tb.open(ts.url + "/instruments")
	tb.become("it to be gone", func() bool {
		status, _, _ := ts.call(t, "GET", "/api/instruments/shunt", "")
		return status == 404
	})
	tb.mustBeClean()
}

func TestBrowserInstrumentsOfAViewer(t *testing.T) {
	ts := newTestServer(t, func(o *Options) { o.Tokens = Tokens{Operator: "operator-token-1", Viewer: "viewer-token-1"} })
	ts.bench.setState(func(s *capture.State) {
		s.Instruments = []capture.InstrumentState{
			{Name: "shunt", Format: "text", Port: "/dev/ttyACM0", Spec: "shunt=text:/dev/ttyACM0", State: capture.Garbled, Say: `receiving what cannot be read: \xff\xfe`, Garbled: 12, LastGarbled: `\xff\xfe`,
				Problem: "a byte that no text has", Do: "Look at the baud rate first, then at the format and its options.", Latest: []capture.LatestJSON{}},
			{Name: "meter", Format: "scpi", Port: "/dev/ttyUSB0", Spec: "meter=scpi:/dev/ttyUSB0", State: capture.Unplugged, Say: "unplugged", Do: "Plug it in: it is opened by itself.", Identity: "A,B,C",
				Latest: []capture.LatestJSON{{Quantity: trace.Current, Value: 1.25}}},
		}
	})
	tb := openTab(t, 1440, 900)
	tb.open(ts.url + "/instruments")
	tb.until("the form", `document.querySelector("#token")`)
	tb.do(focus("#token"))
	tb.press("viewer-token-1\r")
	tb.until("the list", `document.querySelectorAll("[data-instrument]").length === 2`)
	tb.shots("instruments-trouble")
	tb.mustBeAccessible("Instruments, in trouble")
	tb.open(ts.url + "/instruments/shunt")
	tb.until("what is open", `document.querySelector(".is-open")`)
	if n := eval[int](tb, `document.querySelectorAll("main form, main button, main input, main a[href='/instruments/new']").length`); n != 0 {
		t.Errorf("a viewer has %d things to change", n)
	}
	tb.mustBeAccessible("An instrument, of a viewer")
	tb.mustBeClean()
}
