package web

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"letthrough/capture"
	"letthrough/capture/trace"
)

func TestBrowserBenchInEveryState(t *testing.T) {
	ts := newTestServer(t)
	ts.bench.setState(func(s *capture.State) { s.Instruments = nil })
	tb := openTab(t, 1440, 900)

	tb.open(ts.url)
	tb.until("the first step", `document.querySelector("#step-unit.is-now")`)
	if got := eval[string](tb, `document.querySelector(".dock .cautions").innerText`); !strings.Contains(got, "never the mains side") || !strings.Contains(got, "A fuse in the loop") {
		t.Errorf("cautions say %q", got)
	}
	tb.shots("idle-first")
	tb.mustBeAccessible("Bench, first use")

	if _, err := ts.db.CreateUnit(context.Background(), trace.Unit{Name: "Tin", RatedVoltageV: 12, RatedCurrentA: 1.4, Waveform: trace.DC}); err != nil {
		t.Fatal(err)
	}
	ts.bench.setState(func(s *capture.State) { s.Instruments = newFakeBench().state.Instruments })
	tb.open(ts.url)
	tb.until("step three", `document.querySelector("#step-arm.is-now") && !document.querySelector("#b-arm").disabled`)
	tb.shots("idle-ready")
	tb.mustBeAccessible("Bench, ready")

	for _, bad := range []string{"-5", "soon", "", "1e9"} {
		eval[bool](tb, fmt.Sprintf(`document.querySelector("#hold").value = %q, document.querySelector("#b-arm").click(), true`, bad))
		tb.until("a hold of "+bad+" to be refused", `document.querySelector("#dock-say").textContent.includes("number of seconds")`)
	}
	if calls := ts.bench.called(); len(calls) != 0 {
		t.Errorf("bad holds led to %v", calls)
	}
	eval[bool](tb, `document.querySelector("#hold").value = "12,5", document.querySelector("#b-arm").click(), true`)
	waitCalls(t, ts.bench, "arm")
	if got := ts.bench.armedAs(); got.HoldS == nil || *got.HoldS != 12.5 || got.Unit.Name != "Tin" {
		t.Errorf("armed as %+v, want Tin for 12.5 s", got)
	}

	armTin(ts.bench)
	tb.until("armed", `document.body.dataset.mode === "armed" && !document.querySelector("#b-short").disabled`)
	tb.settle()
	tb.shots("armed")
	tb.mustBeAccessible("Bench, armed")

	playTin(ts.bench, 3, 15.5)
	tb.until("the cut-off", `document.querySelector("#events [data-kind=cut_off]")`)
	tb.settle()
	tb.shots("recording")
	tb.mustBeAccessible("Bench, recording")
	mustBeAligned(t, tb)

	playTin(ts.bench, 3, 33)
	tb.until("watching", `document.body.dataset.mode === "watching"`)
	tb.shots("watching")
	tb.mustBeAccessible("Bench, watching")

	// Every other page says what the Bench does, and can end the run; while current flows it asks once.
	ts.bench.setState(func(s *capture.State) { s.Watching, s.Phase = false, trace.Fault })
	tb.open(ts.url + "/runs")
	tb.until("the strip", `document.querySelector("#strip .btn") && document.querySelector("#strip").textContent.includes("recording Tin")`)
	tb.mustBeAccessible("Runs while a run is open")
	eval[bool](tb, `document.querySelector("#strip .btn").click(), true`)
	tb.until("the question", `document.querySelector("#strip .btn").textContent.includes("Current flows")`)
	tb.shots("runs-strip")
	waitCalls(t, ts.bench, "arm")
	eval[bool](tb, `document.querySelector("#strip .btn").click(), true`)
	waitCalls(t, ts.bench, "arm", "end")

	tb.open(ts.url + "/readout")
	tb.until("a phase", `document.querySelector("#cam-figs dd")`)
	tb.shots("readout")
	tb.mustBeAccessible("Read-out")
	tb.mustBeClean()
}

// mustBeAligned compares where the chart library puts an instant and a current with where the trace
// is painted: an overlay of the wrong size stands a few pixels beside the axes.
func mustBeAligned(t *testing.T, tb *tab) {
	t.Helper()
	for _, size := range [][2]int64{{1440, 900}, {1024, 768}, {390, 844}, {1440, 900}} {
		tb.size(size[0], size[1])
		// The cut-off at 0.9 s is a falling edge: above 2 A there is ink left of it and none right of it.
		got := eval[string](tb, `(() => {
			const c = letthrough.whole, canvas = c.canvas, dots = canvas.width / canvas.clientWidth;
			const at = (t, a) => c.frame.chart.convertToPixel({gridIndex: 0}, [t, a]);
			const [x, y] = at(0.9, 2), ctx = canvas.getContext("2d");
			const row = ctx.getImageData(0, Math.round(y * dots), canvas.width, 1).data;
			let best = 1e9;
			for (let px = 0; px < canvas.width; px++) if (row[4 * px + 3] > 120) best = Math.min(best, Math.abs(px / dots - x));
			const r1 = c.host.getBoundingClientRect(), r2 = canvas.getBoundingClientRect();
			return [best, Math.abs(r1.width - r2.width), Math.abs(r1.height - r2.height)].map((v) => v.toFixed(2)).join(" ");
		})()`)
		var ink, dw, dh float64
		if _, err := fmt.Sscan(got, &ink, &dw, &dh); err != nil || ink > 1.5 || dw > 0.5 || dh > 0.5 {
			t.Errorf("at %d px: ink is %.2f px from the instant, canvas differs by %.2f × %.2f px (%s)", size[0], ink, dw, dh, got)
		}
	}
}

func TestBrowserKeys(t *testing.T) {
	ts := newTestServer(t)
	tb := openTab(t, 1440, 900)
	armTin(ts.bench)
	tb.open(ts.url)
	tb.until("armed", `document.body.dataset.mode === "armed" && !document.querySelector("#b-short").disabled`)

	// Space marks wherever the focus is, a button included, and the button is not pressed by it.
	tb.do(focus("#b-arm"))
	tb.press(" ")
	tb.until("the mark", `true`)
	waitCalls(t, ts.bench, "mark applied")

	playTin(ts.bench, 3, 5)
	tb.until("recording", `document.body.dataset.mode === "recording" && document.querySelector("#b-short").disabled`)
	tb.press(" ") // inert after the onset
	tb.press("n")
	tb.until("the note", `document.querySelector("#note-dialog[open]")`)
	// The driver sends a key's text apart from its keydown, so what opened the dialog may end up in it.
	eval[bool](tb, `document.querySelector("#note-text").value = "", true`)
	tb.press("a lamp winks") // in a text field, keys are text
	if got := eval[string](tb, `document.querySelector("#note-text").value`); got != "a lamp winks" {
		t.Errorf("the note reads %q", got)
	}
	tb.press("\r")
	waitCalls(t, ts.bench, "mark applied", "mark note")
	tb.until("the dialog to close", `!document.querySelector("#note-dialog[open]")`)
	tb.press("x")
	waitCalls(t, ts.bench, "mark applied", "mark note", "mark removed")
	tb.press("h")
	waitCalls(t, ts.bench, "mark applied", "mark note", "mark removed", "extend")
	ts.bench.setState(func(s *capture.State) { s.Phase = trace.Retry })
	tb.until("current to flow", `letthrough.model.state.phase === "retry"`)
	tb.press("e") // asks, since current flows
	tb.until("the question", `document.querySelector("#end-dialog[open]")`)
	tb.mustBeAccessible("Bench, question")
	tb.do(focus("#end-yes"))
	tb.press("\r")
	waitCalls(t, ts.bench, "mark applied", "mark note", "mark removed", "extend", "end")
	tb.press("?")
	tb.until("the keys", `document.querySelector("#keys-dialog[open]")`)
	tb.shot("keys")
	tb.mustBeClean()
}

func TestBrowserViewerCanOnlyLook(t *testing.T) {
	ts := newTestServer(t, func(o *Options) { o.Tokens = Tokens{Operator: "operator-token-1", Viewer: "viewer-token-1"} })
	tb := openTab(t, 1440, 900)
	tb.open(ts.url)
	tb.until("the form", `document.querySelector("#token")`)
	tb.shots("login")
	tb.mustBeAccessible("Sign in")
	tb.do(focus("#token"))
	tb.press("viewer-token-1\r")
	playTin(ts.bench, 3, 12)
	tb.until("the run", `document.querySelector("#events [data-kind=cut_off]")`)
	if n := eval[int](tb, `document.querySelectorAll(".dock button.btn[id^=b-]").length`); n != 0 {
		t.Errorf("a viewer has %d buttons", n)
	}
	if got := eval[string](tb, `document.querySelector("#dock-say").textContent`); !strings.Contains(got, "You are watching") {
		t.Errorf("the dock says %q", got)
	}
	tb.press("x")
	tb.shots("viewer")
	tb.mustBeAccessible("Bench, viewer")
	if calls := ts.bench.called(); len(calls) != 0 {
		t.Errorf("a viewer did %v", calls)
	}
	tb.mustBeClean()
}

func TestBrowserScriptInANameIsText(t *testing.T) {
	ts := newTestServer(t)
	const name = `<img src=x onerror="document.title='run'"></script><script>document.title='run'</script>`
	if _, err := ts.db.CreateUnit(context.Background(), trace.Unit{Name: name[:80], RatedCurrentA: 1, Waveform: trace.DC}); err != nil {
		t.Fatal(err)
	}
	tb := openTab(t, 1440, 900)
	for _, path := range []string{"/", "/units", "/units/1", "/runs?q=" + "%3Cscript%3E"} {
		tb.open(ts.url + path)
		tb.settle()
		if title := eval[string](tb, "document.title"); strings.HasPrefix(title, "run") {
			t.Errorf("%s ran a script from a unit's name", path)
		}
		if n := eval[int](tb, `document.querySelectorAll("main img").length`); n != 0 {
			t.Errorf("%s made %d elements from a unit's name", path, n)
		}
	}
	tb.mustBeClean()
}

// called gives the commands so far.
func (b *fakeBench) called() []string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return slices.Clone(b.calls)
}

// armedAs gives the last request to arm.
func (b *fakeBench) armedAs() capture.ArmRequest {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.armed
}

// waitCalls waits until the bench was given exactly these commands.
func waitCalls(t *testing.T, b *fakeBench, want ...string) {
	t.Helper()
	deadline := time.NewTimer(browserLimit)
	defer deadline.Stop()
	tick := time.NewTicker(10 * time.Millisecond)
	defer tick.Stop()
	for !slices.Equal(b.called(), want) {
		select {
		case <-deadline.C:
			t.Fatalf("the bench was called %v, want %v", b.called(), want)
		case <-tick.C:
		}
	}
}

func TestBrowserStoredRunsAndUnits(t *testing.T) {
	ts := newTestServer(t)
	tb := openTab(t, 1440, 900)
	for _, path := range []string{"/runs", "/units"} {
		tb.open(ts.url + path)
		tb.settle()
		tb.shots("empty-" + strings.Trim(path, "/"))
		tb.mustBeAccessible(path + ", empty")
	}
	storeTin(t, ts, trace.RunInterrupted, 11)
	id := storeTin(t, ts, trace.RunComplete, 40)

	tb.open(ts.url + "/runs")
	if n := eval[int](tb, `document.querySelectorAll(".runs tbody tr .spark").length`); n != 2 {
		t.Errorf("%d small traces for 2 runs", n)
	}
	tb.shots("runs")
	tb.mustBeAccessible("Runs")

	tb.open(ts.url + fmt.Sprintf("/runs/%d", id))
	tb.until("the trace", `globalThis.letthrough?.whole.picture && letthrough.whole.picture.store.length > 100`)
	tb.settle()
	if got := eval[float64](tb, `letthrough.whole.picture.store.extremes(-10, 100).max`); math.Abs(got-4.5) > 0.05 {
		t.Errorf("the largest reading drawn is %.3f A, stored was 4.5 A", got)
	}
	tb.shots("run")
	tb.mustBeAccessible("One run")
	tb.do(focus("#note"))
	tb.press("Again ")
	eval[bool](tb, `document.querySelector("#note-form button").click(), true`)
	tb.until("the note to be kept", `document.querySelector("#note-says").textContent === "kept"`)
	if run, err := ts.db.Run(context.Background(), id); err != nil || !strings.Contains(run.Note, "Again ") {
		t.Errorf("the note in the store is %q, %v", run.Note, err)
	}

	tb.open(ts.url + "/units/new")
	tb.do(focus("#sheet-name"))
	tb.press("Moss\t12\t300\t")
	tb.until("what is wrong", `document.querySelector("#sheet-amps").getAttribute("aria-invalid") === "true"`)
	tb.shots("units-wrong")
	tb.mustBeAccessible("Units, wrong field")
	eval[bool](tb, `document.querySelector("#sheet-amps").value = "", true`)
	tb.do(focus("#sheet-amps"))
	tb.press("0,3\r")
	tb.until("the unit to be added", `location.pathname !== "/units/new" && document.querySelector("#sheet-name")?.value === "Moss"`)
	u, err := ts.db.UnitByName(context.Background(), "Moss")
	if err != nil || u.RatedCurrentA != 0.3 || u.RatedVoltageV != 12 {
		t.Errorf("the store has %+v, %v", u, err)
	}
	tb.shots("units")
	tb.open(ts.url + "/help/")
	tb.shots("help")
	tb.mustBeAccessible("Help")
	tb.open(ts.url + "/runs/999")
	tb.shots("problem")
	tb.mustBeAccessible("A run that is not there")
	tb.mustBeClean()
}

// After a run was ended by hand the page asks whose the last fall was; the answer is kept with the run.
func TestBrowserAsksWhoseTheLastFallWas(t *testing.T) {
	ts := newTestServer(t)
	tb := openTab(t, 1440, 900)
	id := storeTin(t, ts, trace.RunComplete, 11)
	ctx := context.Background()
	run, err := ts.db.Run(ctx, id)
	if err != nil {
		t.Fatal(err)
	}
	set, d := run.Settings, run.Derivation.Shifted(run.ZeroS, "")
	set.FinalFall = trace.FallAsked
	d.Behaviour = trace.BehaviourUnsure
	d.Warnings = []trace.Warning{{Code: "final_fall", Text: "the current fell and no mark says why: did you open the contact?"}}
	if _, err := ts.db.AddDerivation(ctx, id, set, d, "test"); err != nil {
		t.Fatal(err)
	}
	tb.open(ts.url + fmt.Sprintf("/runs/%d", id))
	tb.until("the question", `document.querySelector("#final-fall h2")?.textContent === "Did you open the contact?"`)
	tb.settle()
	tb.shots("run-asked")
	tb.mustBeAccessible("One run, asked")
	tb.do(focus(`[data-final-fall="opened"]`))
	tb.press("\r")
	tb.until("the answer to be kept", `!document.querySelector("#final-fall")`)
	if run, err = ts.db.Run(ctx, id); err != nil {
		t.Fatal(err)
	}
	for _, kept := range run.Derivations {
		if kept.Current && kept.Settings.FinalFall != trace.FallOpened {
			t.Errorf("kept as %q, want opened", kept.Settings.FinalFall)
		}
	}
}
