package web

import (
	"bufio"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"

	"letthrough/capture"
)

// The ways people come to a test's figures: by keyboard alone, with a mouse, on a phone; through a reload, a
// daemon that was killed, and beside a browser that stalls.

// tabTo presses Tab until an element has the keyboard, as somebody without a mouse would.
func (tb *tab) tabTo(selector string) {
	tb.t.Helper()
	for range 60 {
		if eval[bool](tb, fmt.Sprintf(`document.activeElement === document.querySelector(%q)`, selector)) {
			if !eval[bool](tb, `document.activeElement.matches(":focus-visible") && getComputedStyle(document.activeElement).outlineStyle !== "none"`) {
				tb.t.Errorf("%s has the keyboard and nobody sees it", selector)
			}
			return
		}
		tb.press("\t")
	}
	tb.t.Fatalf("Tab does not lead to %s", selector)
}

// mustShowSlate waits for a whole run of Slate and looks at what the page says.
func mustShowSlate(t *testing.T, tb *tab, b *simulated) {
	t.Helper()
	tb.until("the run to be complete", `document.body.dataset.mode === "after" && letthrough.model.runState === "complete"`)
	tb.settle()
	comparePageWithTruth(t, tb, b.stand.Truth())
	tb.mustBeClean()
}

func TestBrowserFromArmToFiguresByKeyboardAlone(t *testing.T) {
	b := openSimulated(t, "Slate", 4)
	tb := openTab(t, 1440, 900)
	tb.open(b.url)
	tb.until("the instrument", `globalThis.letthrough?.model.current?.length > 4000`)
	tb.tabTo("#unit-choice")
	tb.press("Sl") // a list is chosen from by typing its first letters
	tb.until("Slate to be chosen", `document.querySelector("#unit-choice").selectedOptions[0].text.startsWith("Slate")`)
	tb.tabTo("#hold")
	eval[bool](tb, `document.querySelector("#hold").select(), true`)
	tb.press("4\r") // Enter in the form arms
	tb.until("armed for 4 s", `document.body.dataset.mode === "armed" && letthrough.model.holdS === 4`)
	tb.until("the contact to be free to close", `document.querySelector("#b-contact")?.disabled === false`)
	tb.press("c")
	tb.until("the cut-off", `document.querySelector("#events [data-kind=cut_off]")`)
	tb.press("n")
	tb.until("the note", `document.querySelector("#note-dialog[open]")`)
	eval[bool](tb, `document.querySelector("#note-text").value = "", true`) // the driver sends a key's text apart from its keydown
	tb.press("warm to the touch\r")
	tb.until("the note to stand there", `document.querySelector("#events").textContent.includes("warm to the touch")`)
	mustShowSlate(t, tb, b)
	tb.tabTo("#kept-link")
	tb.press("\r")
	tb.until("the run's page", `location.pathname.startsWith("/runs/")`)
}

// clickAt presses the mouse where an element is seen; something over it takes the click, as it would of a person.
func (tb *tab) clickAt(selector string) {
	tb.t.Helper()
	tb.until(selector+" to be pressed", fmt.Sprintf(`(() => { const el = document.querySelector(%q); return el && !el.disabled && el.getBoundingClientRect().width > 0; })()`, selector))
	p := eval[[]float64](tb, fmt.Sprintf(`(() => { const el = document.querySelector(%q); el.scrollIntoView({block: "center"}); const r = el.getBoundingClientRect(); return [r.left + r.width / 2, r.top + r.height / 2, r.height]; })()`, selector))
	if p[2] < 24 {
		tb.t.Errorf("%s is only %.0f px high", selector, p[2])
	}
	tb.mouse(input.DispatchMouseEventTypeMousePressed, p[0], p[1])
	tb.mouse(input.DispatchMouseEventTypeMouseReleased, p[0], p[1])
}

func TestBrowserFromArmToFiguresWithAMouse(t *testing.T) {
	b := openSimulated(t, "Slate", 4)
	tb := openTab(t, 1440, 900)
	tb.open(b.url)
	tb.until("the instrument", `globalThis.letthrough?.model.current?.length > 4000`)
	eval[bool](tb, `(() => { const s = document.querySelector("#unit-choice"); s.value = [...s.options].find((o) => o.text.startsWith("Slate")).value; s.dispatchEvent(new Event("change")); document.querySelector("#hold").value = "4"; return true; })()`)
	tb.clickAt("#b-arm")
	tb.until("armed", `document.body.dataset.mode === "armed"`)
	tb.clickAt("#b-contact")
	tb.until("the cut-off", `document.querySelector("#events [data-kind=cut_off]")`)
	mustShowSlate(t, tb, b)
}

func TestBrowserFromArmToFiguresOnAPhone(t *testing.T) {
	b := openSimulated(t, "Slate", 4)
	tb := openTab(t, 390, 844)
	tb.do(chromedp.EmulateViewport(390, 844, chromedp.EmulateMobile, chromedp.EmulateTouch))
	tb.open(b.url)
	tb.until("the instrument", `globalThis.letthrough?.model.current?.length > 4000`)
	eval[bool](tb, `(() => { const s = document.querySelector("#unit-choice"); s.value = [...s.options].find((o) => o.text.startsWith("Slate")).value; s.dispatchEvent(new Event("change")); document.querySelector("#hold").value = "4"; return true; })()`)
	tap := func(selector string) {
		t.Helper()
		tb.until(selector, fmt.Sprintf(`(() => { const el = document.querySelector(%q); return el && !el.disabled && el.getBoundingClientRect().width > 0; })()`, selector))
		p := eval[[]float64](tb, fmt.Sprintf(`(() => { const r = document.querySelector(%q).getBoundingClientRect(); return [r.left + r.width / 2, r.top + r.height / 2, r.height, innerHeight - r.bottom]; })()`, selector))
		if p[2] < 44 || p[3] < 0 {
			t.Errorf("%s is %.0f px high and ends %.0f px above the foot of the window", selector, p[2], p[3])
		}
		for kind, points := range map[input.DispatchTouchEventType][]*input.TouchPoint{input.DispatchTouchEventTypeTouchStart: {{X: p[0], Y: p[1]}}} {
			_, err := chromedp.Call(tb.ctx, input.DispatchTouchEvent, input.DispatchTouchEventParams{Type: kind, TouchPoints: points})
			tb.call(err)
		}
		_, err := chromedp.Call(tb.ctx, input.DispatchTouchEvent, input.DispatchTouchEventParams{Type: input.DispatchTouchEventTypeTouchEnd, TouchPoints: []*input.TouchPoint{}})
		tb.call(err)
	}
	tap("#b-arm")
	tb.until("armed", `document.body.dataset.mode === "armed"`)
	tap("#b-contact")
	tb.until("the cut-off", `document.querySelector("#events [data-kind=cut_off]")`)
	tb.settle()
	tb.shot("phone-recording")
	if y := eval[float64](tb, `document.querySelector("#behaviour").getBoundingClientRect().bottom - document.querySelector(".dock").getBoundingClientRect().top`); y > 0 {
		t.Errorf("what the unit does stands %.0f px under the dock", y)
	}
	mustShowSlate(t, tb, b)
}

func TestBrowserReloadInTheMiddleOfARun(t *testing.T) {
	b := openSimulated(t, "Tin", 2)
	tb := openTab(t, 1440, 900)
	tb.open(b.url)
	tb.until("the instrument", `globalThis.letthrough?.model.current?.length > 4000`)
	hold := 14.0
	tb.call(b.real.Arm(capture.ArmRequest{Unit: b.stand.Plugged().Plate, HoldS: &hold}))
	tb.call(b.real.DriveContact(true))
	tb.until("a retry", `document.querySelectorAll("#events [data-kind=retry_off]").length >= 1`)
	run := eval[int64](tb, `letthrough.model.run`)
	tb.do(chromedp.Reload())
	tb.until("the run again", fmt.Sprintf(`globalThis.letthrough?.model.run === %d && document.querySelector("#events [data-kind=onset]") && document.querySelector('[data-figure="time_to_cutoff_s"]')`, run))
	tb.until("its whole trace", `letthrough.model.current.extremes(letthrough.model.zeroS, letthrough.model.zeroS + 0.8)?.max > 4`)
	tb.until("the run to be complete", `document.body.dataset.mode === "after" && letthrough.model.runState === "complete"`)
	comparePageWithTruth(t, tb, b.stand.Truth())
	compareMarksWithTruth(t, tb, b.stand.Truth())
	tb.mustBeClean()
}

// One browser stalls: the other stays at now, and the stalled one comes to now by itself and says what it skipped.
func TestBrowserThatStallsSkipsToNow(t *testing.T) {
	ts := newTestServer(t)
	armTin(ts.bench)
	playTin(ts.bench, 3, 1)
	quick, stalled := openTab(t, 1440, 900), openTab(t, 1024, 768)
	for _, tb := range []*tab{quick, stalled} {
		tb.open(ts.url)
		tb.until("the run", `document.querySelector("#events [data-kind=cut_off]") && document.querySelector("#line-broken").hidden`)
	}
	end := make(chan struct{})
	released := make(chan struct{})
	go func() {
		defer close(released)
		_, _ = chromedp.Run(stalled.ctx, chromedp.Evaluate[bool](`(() => { const end = performance.now() + 9000; while (performance.now() < end); return true; })()`))
	}()
	fed := make(chan struct{})
	go func() { // far more than a bench sends, so that buffers on the way are soon full
		defer close(fed)
		at := int64((fakeZeroS + 1) * 1e9)
		tick := time.NewTicker(10 * time.Millisecond)
		defer tick.Stop()
		for {
			select {
			case <-end:
				return
			case <-tick.C:
			}
			cols := make([]capture.Column, 1500)
			for i := range cols {
				at += 1000
				cols[i] = capture.Column{AtNS: at}
			}
			ts.bench.addColumns(0, cols...)
			ts.bench.forget(0, 20_000)
		}
	}()
	quick.become("the stalled browser to lag", ts.someoneLags)
	before := eval[float64](quick, `letthrough.model.current.newestS`)
	quick.until("the other one to go on", fmt.Sprintf(`letthrough.model.current.newestS > %g`, before))
	<-released
	stalled.until("it to say what it skipped", `letthrough.model.skippedS > 0 && document.querySelector("#dock-say").textContent.includes("lagged and skipped")`)
	close(end)
	<-fed
	stalled.until("it to be at now", `letthrough.model.current.newestS > `+fmt.Sprint(before))
	// On a busy machine the other one may lag for a moment too, but not as long.
	if got, most := eval[float64](quick, `letthrough.model.skippedS`), eval[float64](stalled, `letthrough.model.skippedS`); got >= most {
		t.Errorf("the quick one skipped %.1f s, the stalled one %.1f s", got, most)
	}
	stalled.mustBeClean()
}

// daemon is the program itself, built and run as a process of its own.
type daemon struct {
	cmd *exec.Cmd
	url string
}

func buildProgram(t *testing.T) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "letthrough")
	if out, err := exec.Command("go", "build", "-o", path, "../cmd/letthrough").CombinedOutput(); err != nil {
		t.Fatalf("build: %v\n%s", err, out)
	}
	return path
}

func startDaemon(t *testing.T, path string, args ...string) *daemon {
	t.Helper()
	cmd := exec.Command(path, args...)
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	cmd.Stderr = os.Stderr
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = cmd.Process.Kill()
		_ = cmd.Wait()
	})
	line, err := bufio.NewReader(out).ReadString('\n')
	if err != nil {
		t.Fatalf("first line: %v", err)
	}
	go func() { _, _ = io.Copy(io.Discard, out) }()
	_, url, ok := strings.Cut(strings.TrimSpace(line), "listening on ")
	if !ok {
		t.Fatalf("the first line is %q", line)
	}
	return &daemon{cmd, url}
}

// The daemon is killed in the middle of a run and started again: the open page says that the line is broken,
// comes back without being loaded again, shows the run as interrupted with what had been seen of it, and goes on.
func TestBrowserDaemonKilledAndRestartedUnderAnOpenPage(t *testing.T) {
	path := buildProgram(t)
	db := filepath.Join(t.TempDir(), "bench.db")
	first := startDaemon(t, path, "demo", "--addr", "127.0.0.1:0", "--db", db, "--speed", "2")
	tb := openTab(t, 1440, 900)
	tb.open(first.url)
	tb.until("a run with a cut-off", `document.body.dataset.mode === "recording" && document.querySelector("#events [data-kind=cut_off], #events [data-kind=limited]") && letthrough.model.nowS - letthrough.model.zeroS > 2`)
	eval[bool](tb, `globalThis.sameDocument = true`)
	run := eval[int64](tb, `letthrough.model.run`)
	if err := first.cmd.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	tb.until("the break to be said", `!document.querySelector("#line-broken").hidden`)
	second := startDaemon(t, path, "serve", "--addr", strings.TrimPrefix(first.url, "http://"), "--db", db)
	if second.url != first.url {
		t.Fatalf("the second one is at %s, the first was at %s", second.url, first.url)
	}
	tb.until("the page to be back", `document.querySelector("#line-broken").hidden && document.body.dataset.mode === "after"`)
	tb.settle()
	tb.shots("daemon-restarted")
	if !eval[bool](tb, `globalThis.sameDocument === true`) {
		t.Error("the page was loaded again")
	}
	if got := eval[string](tb, `document.querySelector("#live").textContent`); got != "Run interrupted" {
		t.Errorf("run %d is said to be %q", run, got)
	}
	if n := eval[int](tb, `letthrough.look.picture.store?.length ?? 0`); n < 100 {
		t.Errorf("%d columns are left of what had been seen", n)
	}
	tb.mustBeAccessible("Bench, daemon restarted")
	tb.open(fmt.Sprintf("%s/runs/%d", first.url, run))
	tb.until("the stored run", `document.body.innerText.includes("interrupted")`)
}
