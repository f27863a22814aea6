package web

import (
	"context"
	"log/slog"
	"strings"
	"testing"

	"github.com/creack/pty"

	"letthrough/capture"
	"letthrough/capture/contact"
	"letthrough/capture/sim"
	"letthrough/capture/trace"
	"letthrough/store"
)

// openWired is a whole bench as openSimulated makes one, whose contact hangs on the lines of a port: the stand's
// relay, with its second pole. The rig weak stands a short of Moss for some seconds.
func openWired(t *testing.T, unit string, speed float64, line string) *simulated {
	t.Helper()
	clock := capture.NewSimulationClock(speed)
	meter := sim.DefaultMeter(1000)
	stand, err := sim.NewStand(clock.Driver(), sim.StandOptions{Meter: meter, Seed: 1, Smooth: true})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := stand.Close(); err != nil {
			t.Errorf("close stand: %v", err)
		}
	})
	if err := stand.Plug(unit); err != nil {
		t.Fatal(err)
	}
	db := openTestStore(t)
	ctx := context.Background()
	for _, u := range stand.Units() {
		if _, err := db.CreateUnit(ctx, u.Plate); err != nil {
			t.Fatal(err)
		}
	}
	weak := trace.Rig{Name: "weak", Parts: []trace.RigPart{
		{Kind: "shunt", Name: "small shunt", Ohm: 0.1, RatedW: 0.2, OverloadFactor: 5, OverloadS: 5}, {Kind: "fuse", Name: "fuse", RatedA: 10},
	}}
	if _, err := db.Rigs().Add(ctx, weak); err != nil {
		t.Fatal(err)
	}
	log := slog.New(slog.DiscardHandler)
	bench := capture.New(capture.Options{
		Clock: clock, Recorder: db, Series: db, Version: "test", Log: log,
		OpenLines: func(string) (contact.Lines, error) { return stand.OpenLines() },
		Rig: func(name string) (trace.Rig, bool) {
			r, err := db.Rigs().ByName(ctx, name)
			return r, err == nil
		},
		CautionsRead: func(rig string) bool {
			read, err := db.CautionsReadFor(ctx)
			return err == nil && strings.Contains(strings.Join(read, "\n"), rig)
		},
	})
	w := &simulated{testServer: serveBench(t, bench, db, boardOf(stand)), stand: stand, real: bench}
	on, err := contact.ParseSpec(line)
	if err != nil {
		t.Fatal(err)
	}
	if err := bench.UseContact(on, false); err != nil {
		t.Fatal(err)
	}
	eventually(t, "the contact is ready", func() bool { return bench.State().ContactIs.State == capture.ContactReady })
	return w
}

// outsideMarks are the marks of the newest run that did not come from the detector.
func (s *simulated) outsideMarks(t *testing.T, run int64) []trace.Mark {
	t.Helper()
	if err := s.db.Flush(context.Background()); err != nil {
		t.Fatal(err)
	}
	marks, err := s.db.OutsideMarks(context.Background(), run)
	if err != nil {
		t.Fatal(err)
	}
	return marks
}

// A person arms, closes the contact by its button after the countdown, and opens it by the emergency key, once
// on the Bench and once from another page, in the middle of typing.
func TestBrowserContact(t *testing.T) {
	s := openWired(t, "Tin", 2, "simulated?sense=cts")
	tb := openTab(t, 1440, 900)
	tb.open(s.url)
	tb.until("the contact's button", `document.querySelector("#b-contact") && !document.querySelector("#b-contact").hidden && !document.querySelector("#b-arm").disabled`)
	tb.press("a")
	tb.until("armed, and the contact ready", `document.body.dataset.mode === "armed" && !document.querySelector("#b-contact").disabled && document.querySelector("#wait").innerText.includes("Contact: ready")`)
	tb.until("the contact to be free to close", `document.querySelector("#b-contact")?.disabled === false`)
	tb.press("c")
	tb.until("the countdown", `document.querySelector("#b-contact").innerText.includes("Stop, closes in") && document.querySelector("#dock-say").innerText.includes("hands off")`)
	tb.shot("contact-countdown")
	tb.press("\x1b")
	tb.until("it to be stopped", `document.querySelector("#b-contact").innerText.includes("Close the contact") && document.body.dataset.mode === "armed"`)
	if s.stand.Contact().Closed() {
		t.Fatal("the contact closed although the countdown was stopped")
	}

	eval[bool](tb, `document.querySelector("#b-contact").click(), true`)
	tb.until("the contact to close", `document.querySelector("#b-contact").innerText.includes("Open the contact") && document.body.dataset.mode === "recording"`)
	if !s.stand.Contact().Closed() {
		t.Fatal("the page says closed, the relay is off")
	}
	tb.until("the fault", `letthrough.model.hasOnset`)
	tb.shots("contact-closed")
	tb.mustBeAccessible("Bench, contact closed")
	tb.press("\x1b")
	tb.until("the contact to open", `letthrough.model.state.contact === "open" && letthrough.model.state.removed`)
	if s.stand.Contact().Closed() {
		t.Fatal("the page says open, the relay is on")
	}
	tb.until("the run to end", `document.body.dataset.mode === "after"`)
	marks := s.outsideMarks(t, 1)
	if len(marks) != 2 || marks[0].Kind != trace.Applied || marks[1].Kind != trace.Removed || marks[1].Text != "on command" || marks[1].By != trace.Contact {
		t.Errorf("marks %+v, want applied and removed by the contact, once", marks)
	}

	// From another page, with the focus in a field.
	s.must(t, "POST", "/api/arm", `{"unit":"Tin"}`, nil)
	s.must(t, "POST", "/api/contact", `{"do":"close"}`, nil)
	tb.open(s.url + "/units")
	tb.until("the strip", `document.querySelector("#strip")?.innerText.includes("Open the contact")`)
	tb.shots("contact-strip")
	tb.mustBeAccessible("Units, contact closed")
	eval[bool](tb, `(document.querySelector("input:not([type=hidden])") ?? document.body).focus(), true`)
	tb.press("\x1b")
	eventually(t, "the contact is open", func() bool { return !s.stand.Contact().Closed() && s.real.State().Contact == "open" })

	tb.open(s.url + "/instruments")
	tb.until("the contact's panel", `document.querySelector("#contact-state")?.innerText.includes("second pole says open")`)
	tb.shots("contact-panel")
	tb.mustBeAccessible("Instruments, with a contact")
	tb.mustBeClean()
}

// The guard opens the driven contact; on a bench whose contact a hand opens, the fall is asked about.
func TestBrowserGuard(t *testing.T) {
	s := openWired(t, "Moss", 2, "simulated")
	tb := openTab(t, 1440, 900)
	tb.open(s.url)
	tb.until("the rigs", `document.querySelector("#rig-choice option:nth-child(2)")?.innerText === "weak" && !document.querySelector("#b-arm").disabled`)
	eval[bool](tb, `(() => { const u = document.querySelector("#unit-choice"); u.value = [...u.options].find((o) => o.innerText.startsWith("Moss")).value; u.dispatchEvent(new Event("change", { bubbles: true })); document.querySelector("#rig-choice").value = "weak"; const h = document.querySelector("#hold"); h.value = "20"; h.dispatchEvent(new Event("input", { bubbles: true })); return true; })()`)
	tb.press("a")
	tb.until("the cautions, asked once for this rig", `document.querySelector("#cautions-dialog[open]")?.innerText.includes("Local electrical codes") && document.querySelector("#cautions-rig").innerText.includes("weak")`)
	tb.shots("cautions-dialog")
	tb.mustBeAccessible("Bench, cautions")
	eval[bool](tb, `document.querySelector("#cautions-yes").click(), true`)
	tb.until("armed", `document.body.dataset.mode === "armed" && letthrough.model.state.cautions_read && !document.querySelector("#guard").hidden`)
	tb.shots("guard-armed")
	eval[bool](tb, `document.querySelector("#b-contact").click(), true`)
	tb.until("the seconds to open the contact", `document.querySelector("#guard-left").innerText === "Open the contact in" && parseFloat(document.querySelector("#guard-seconds").innerText) > 0.5 && document.querySelector("#guard-part").innerText === "small shunt"`)
	tb.until("that it will not last the hold", `document.querySelector(".controls--near")`)
	tb.shot("guard-near")
	tb.until("the guard to open the contact", `letthrough.model.state.contact_state.why.startsWith("guard: small shunt") && letthrough.model.state.contact === "open"`)
	tb.until("its tones", `["guard half", "guard near"].every((n) => letthrough.sounds.played.some((p) => p.name === n)) || letthrough.sounds.context?.state !== "running"`)
	tb.until("the rest", `document.querySelector("#guard-says").innerText.startsWith("Rest: small shunt")`)
	tb.shots("guard-rest")
	tb.mustBeAccessible("Bench, guard rests")
	marks := s.outsideMarks(t, 1)
	if len(marks) != 2 || !strings.HasPrefix(marks[1].Text, "guard: small shunt") {
		t.Errorf("marks %+v", marks)
	}
	tb.until("the run to end", `document.body.dataset.mode === "after"`)

	// By hand now: the rig is still warm, the alarm comes sooner.
	if err := s.real.RemoveContact(); err != nil {
		t.Fatal(err)
	}
	s.must(t, "POST", "/api/arm", `{"unit":"Moss","rig":"weak","hold_s":24}`, nil)
	if err := s.stand.Contact().Close(); err != nil {
		t.Fatal(err)
	}
	tb.until("what has to be done", `document.querySelector(".controls--open") && document.querySelector("#guard-left").innerText === "Open the contact now"`)
	tb.shots("guard-open")
	tb.mustBeAccessible("Bench, open the contact now")
	if err := s.stand.Contact().Open(); err != nil {
		t.Fatal(err)
	}
	tb.until("the question", `document.body.dataset.mode === "after" && document.querySelector(".bench-side").innerText.includes("Did you open the contact")`)
	run, err := s.db.Run(context.Background(), 2)
	if err != nil || run.Behaviour != trace.BehaviourUnsure || run.Settings.FinalFall != trace.FallAsked {
		t.Errorf("run 2 is %s, its fall %q, %v; want not resolved and asked about", run.Behaviour, run.Settings.FinalFall, err)
	}
	tb.mustBeClean()
}

// A series of three, started on the page, with its progress; the second one is stopped by its key and resumed.
func TestBrowserSeries(t *testing.T) {
	s := openWired(t, "Tin", 10, "simulated")
	tb := openTab(t, 1440, 900)
	tb.open(s.url)
	tb.until("the bench", `!document.querySelector("#b-arm").disabled && document.querySelector("#repeats")`)
	set := func(values string) {
		eval[bool](tb, `(() => { for (const [id, v] of Object.entries(`+values+`)) { const f = document.getElementById(id); f.value = v; f.dispatchEvent(new Event("input", { bubbles: true })); } return true; })()`)
	}
	set(`{ repeats: "3", rest: "20", hold: "4" }`)
	tb.shots("series-form")
	tb.mustBeAccessible("Bench, a series to come")
	eval[bool](tb, `document.querySelector("#b-arm").click(), true`)
	tb.until("its first run", `document.querySelector("#series-says").innerText === "Series 1: run 1 of 3"`)
	tb.until("its rest", `/Series 1: 1 of 3 done, next in \d+ s: the unit rests/.test(document.querySelector("#series-says").innerText)`)
	tb.shots("series-rest")
	tb.mustBeAccessible("Bench, a series rests")
	tb.until("its end", `document.querySelector("#series-says").innerText === "Series 1 is complete: 3 runs of Amber."`)
	if err := s.db.Flush(context.Background()); err != nil {
		t.Fatal(err)
	}
	page, err := s.db.Runs(context.Background(), store.RunQuery{Series: 1})
	if err != nil || len(page.Runs) != 3 {
		t.Fatalf("%d runs of the series, %v", len(page.Runs), err)
	}
	for _, r := range page.Runs {
		if r.Behaviour != trace.AutoRetry || r.State != trace.RunComplete {
			t.Errorf("run %d is %s, %s", r.ID, r.State, r.Behaviour)
		}
	}

	tb.open(s.url + "/runs?series=1")
	tb.until("its runs", `document.querySelectorAll("tbody tr").length === 3 && document.querySelector(".under").innerText.startsWith("Series 1 of Amber: all 3 runs are done.") && document.querySelector("tbody").innerText.includes("series 1, run 3")`)
	tb.shots("series-runs")
	tb.mustBeAccessible("Runs of a series")
	tb.open(s.url)
	tb.until("the bench again", `document.querySelector("#series-says")`)

	// Stopped by its key in a hold, told as such to a page that comes later, and resumed there.
	s.must(t, "POST", "/api/series", `{"unit":"Tin","n":2,"hold_s":8,"rest_s":5}`, nil)
	tb.until("its first run", `document.querySelector("#series-says").innerText === "Series 2: run 1 of 2" && letthrough.model.state.contact === "closed"`)
	tb.press("q")
	tb.until("that it was stopped", `document.querySelector("#series-says").innerText.includes("Series 2 was stopped after 0 of 2: stopped by a person")`)
	if s.stand.Contact().Closed() {
		t.Error("the contact is closed")
	}
	eventually(t, "the bench is idle", func() bool { return s.real.State().Bench == capture.Idle })
	tb.open(s.url)
	tb.until("the offer to go on", `document.querySelector("#b-series .label")?.innerText === "Go on with it" && !document.querySelector("#b-series").disabled`)
	tb.shots("series-stopped")
	eval[bool](tb, `document.querySelector("#b-series").click(), true`)
	tb.until("its end", `document.querySelector("#series-says").innerText === "Series 2 is complete: 2 runs of Tin."`)
	tb.mustBeClean()
}

// A contact is hung on a port on the page, and refused with the reason: a pseudo-terminal has no such lines.
func TestBrowserContactPanel(t *testing.T) {
	master, slave, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	defer master.Close()
	defer slave.Close()
	ts := newBenchServer(t)
	ts.must(t, "POST", "/api/instruments", `{"spec":"board=text:/dev/ttyACM0"}`, nil)
	tb := openTab(t, 1440, 900)
	tb.open(ts.url + "/instruments")
	tb.until("the panel", `document.querySelector("#contact-state")?.innerText.includes("closed and opened by hand")`)
	eval[bool](tb, `(() => { document.querySelector("#contact details").open = true; const p = document.querySelector("#contact-port"); p.value = ""; p.dispatchEvent(new Event("change", { bubbles: true })); return true; })()`)
	tb.do(focus("#contact-other"))
	tb.press(slave.Name())
	eval[bool](tb, `(() => { const s = document.querySelector("#contact-sense"); s.value = "cts"; s.dispatchEvent(new Event("change", { bubbles: true })); return true; })()`)
	tb.until("the line as it would be typed", `document.querySelector("#contact-line").textContent === "--contact '`+slave.Name()+`?sense=cts'" && !document.querySelector("#contact-closed-field").hidden`)
	eval[bool](tb, `document.querySelector("#contact-form button").click(), true`)
	tb.until("why it is refused", `document.querySelector("#contact-wrong").innerText.includes("has no modem lines, so no contact can hang on it")`)
	tb.shots("contact-refused")
	tb.mustBeAccessible("Instruments, a contact refused")
	if kept, err := ts.db.Contact(context.Background()); err != nil || kept != "" {
		t.Errorf("kept %q, %v: a refused contact would be tried at every start", kept, err)
	}
	tb.mustBeClean()
}
