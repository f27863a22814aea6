package web

import (
	"context"
	"fmt"
	"io/fs"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"letthrough/capture"
	"letthrough/capture/trace"
	"letthrough/capture/words"
)

// The pages in every state, in a bench whose every move the test makes. The invented unit is Tin: it
// opens after 0.9 s, then tries again every 2.6 s for 0.25 s.

const (
	fakeZeroS = 105.0 // onset on the bench's time base
	fakeHoldS = 30.0
)

var fakeTin = trace.Unit{ID: 1, Name: "Tin", RatedVoltageV: 12, RatedCurrentA: 1.4, Waveform: trace.DC}

// tinCurrent is the current at a time from the onset.
func tinCurrent(t float64) float64 {
	noise := 0.004 * math.Sin(t*1234.5) * math.Cos(t*77.7)
	switch {
	case t < 0:
		return noise
	case t < 0.9:
		return 4.2 + 0.3*math.Exp(-t/0.25) + 4*noise
	}
	since := math.Mod(t-0.9, 2.6)
	if t > fakeHoldS || since < 2.35 {
		return noise
	}
	return 4.2 + 0.25*math.Exp(-(since-2.35)/0.1) + 4*noise
}

// tinMarks are the marks up to a time from the onset, on the run's own time base, which begins 5 s
// before the onset.
func tinMarks(reached float64) []trace.Mark {
	var marks []trace.Mark
	add := func(kind trace.MarkKind, t, level float64) {
		if t <= reached {
			marks = append(marks, trace.Mark{ID: len(marks) + 1, Kind: kind, T: t + 5, U: 0.001, By: trace.Detector, Level: level, Provisional: reached-t < 0.4})
		}
	}
	marks = append(marks, trace.Mark{ID: 1, Kind: trace.Applied, T: 4.88, U: trace.HandU, By: trace.Hand})
	add(trace.Onset, 0, 0)
	add(trace.CutOff, 0.9, 0)
	for t := 3.25; t < fakeHoldS; t += 2.6 {
		add(trace.RetryOn, t, 4.45)
		add(trace.RetryOff, t+0.25, 0)
	}
	add(trace.Removed, 30.2, 0)
	return marks
}

func tinDerivation(reached float64) (trace.Derivation, trace.Settings) {
	set := trace.Settings{Procedure: trace.Short, RatedCurrentA: 1.4, RatedVoltageV: 12, HoldS: fakeHoldS, Waveform: trace.DC}
	d := trace.Derivation{Procedure: trace.Short, Behaviour: trace.AutoRetry, ApparentBehaviour: trace.AutoRetry, Recovery: trace.NotTested, ZeroAt: "file", Marks: tinMarks(reached)}
	d.Figures = trace.Figures{
		{Key: "time_to_cutoff_s", Value: 0.9003, U: 0.0012, Bound: trace.Exact},
		{Key: "peak_current_a", Value: 4.512, U: 0.021, Bound: trace.Exact},
		{Key: "sustained_current_a", Value: 4.243, U: 0.019, Bound: trace.Exact},
		{Key: "let_through_a2s", Value: 16.61, U: 0.16, Bound: trace.Exact},
		{Key: "retry_count", Value: math.Floor((reached - 0.65) / 2.6), Bound: trace.Exact},
		{Key: "retry_period_s", Value: 2.6001, U: 0.0014, Bound: trace.Exact},
		{Key: "heating_current_a", Value: 1.42, U: 0.02, Bound: trace.Exact},
		{Key: "settled_within_s", Value: 0.004, Bound: trace.AtMost, Why: "only 2 readings saw it"},
		{Key: "time_to_limit_s", Bound: trace.NotApplicable},
	}
	words.Fill(&d, set)
	return d, set
}

// playTin brings the bench to a time from the onset.
func playTin(b *fakeBench, run int64, reached float64) {
	var cols []capture.Column
	for i := range int((reached + 5) * 1000) {
		t := float64(i)/1000 - 5
		a := float32(tinCurrent(t))
		cols = append(cols, capture.Column{AtNS: int64((fakeZeroS + t) * 1e9), Min: a, Max: a})
	}
	zero, opened := int64(fakeZeroS*1e9), int64((fakeZeroS-0.1)*1e9)
	at := capture.Event{Run: run, OriginNS: zero - 5e9, ZeroNS: &zero, OpenedNS: opened}
	started := time.Date(2026, 11, 21, 14, 36, 0, 0, time.UTC)
	events := []capture.Event{at}
	events[0].Kind, events[0].RunState, events[0].Unit, events[0].Procedure, events[0].Started = capture.EventRun, trace.RunOpen, fakeTin, trace.Short, started
	for _, m := range tinMarks(reached) {
		e := at
		e.Kind, e.Mark, e.AtNS = capture.EventMark, &m, zero+int64((m.T-5)*1e9)
		events = append(events, e)
	}
	d, set := tinDerivation(reached)
	e := at
	e.Kind, e.Figures, e.Settings = capture.EventFigures, &d, set
	events = append(events, e)
	b.setState(func(s *capture.State) {
		now, hold, ends, watch := fakeZeroS+reached, fakeHoldS, fakeZeroS+fakeHoldS, fakeZeroS+fakeHoldS+10
		zeroS, openedS := fakeZeroS, fakeZeroS-0.1
		s.Bench, s.Run, s.Unit, s.Procedure, s.Behaviour = capture.Recording, &run, &fakeTin, trace.Short, trace.AutoRetry
		s.NowAtS, s.ZeroAtS, s.OpenedAtS, s.HoldS, s.HoldEndsAtS, s.WatchEndsAtS = now, &zeroS, &openedS, &hold, &ends, &watch
		s.SinceOnsetS, s.Watching, s.Phase = &reached, reached > fakeHoldS, trace.Off
		s.Instruments[0].RateHz = 1000
	})
	b.publish(events...)
	b.addColumns(0, cols...)
}

// armTin arms the bench with five seconds of nothing on record.
func armTin(b *fakeBench) {
	var cols []capture.Column
	for i := range 8000 {
		t := float64(i)/1000 - 8
		a := float32(tinCurrent(t))
		cols = append(cols, capture.Column{AtNS: int64((fakeZeroS + t) * 1e9), Min: a, Max: a})
	}
	b.addColumns(0, cols...)
	b.setState(func(s *capture.State) {
		hold := fakeHoldS
		s.Bench, s.Unit, s.Procedure, s.HoldS, s.NowAtS = capture.Armed, &fakeTin, trace.Short, &hold, fakeZeroS
		s.Instruments[0].RateHz = 1000
	})
}

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

// storeTin puts a whole run of Tin into the store.
func storeTin(t *testing.T, ts *testServer, state trace.RunState, reached float64) int64 {
	t.Helper()
	channel := trace.Channel{Instrument: "shunt", Quantity: trace.Current}
	samples := func(yield func(trace.Batch, error) bool) {
		var batch []trace.Sample
		for i := range int((reached + 5) * 1000) {
			batch = append(batch, trace.Sample{AtNS: int64(i) * 1e6, Value: tinCurrent(float64(i)/1000 - 5)})
		}
		yield(trace.Batch{Channel: channel, Samples: batch}, nil)
	}
	d, set := tinDerivation(reached)
	d.Warnings = []trace.Warning{{Code: "bounce", Text: "The contact bounced twice before it settled."}}
	started := time.Date(2026, 11, 21, 14, 36, 0, 0, time.UTC)
	id, err := ts.db.ImportRun(context.Background(), trace.RunStart{
		Unit: trace.Unit{Name: "Tin", RatedVoltageV: 12, RatedCurrentA: 1.4, Waveform: trace.DC}, Settings: set, Started: started, OpenedNS: 4.9e9, Version: "test",
		Instruments: []trace.RunInstrument{{Name: "shunt", Format: "text", Port: "/dev/ttyACM0", Spec: "shunt=text:/dev/ttyACM0?baud=115200&time=us"}},
	}, samples, trace.RunEnd{State: state, Settings: set, Derivation: d, Ended: started.Add(45 * time.Second), EndNS: int64((reached + 5) * 1e9), Note: "Camera ran along."})
	if err != nil {
		t.Fatalf("store a run: %v", err)
	}
	return id
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
	eval[bool](tb, `document.querySelector("#delete").click(), true`)
	tb.until("the question", `document.querySelector("#delete-dialog[open]")`)
	tb.mustBeAccessible("Units, question")
	eval[bool](tb, `document.querySelector("#delete-yes").click(), true`)
	tb.until("the unit to be gone", `location.pathname === "/units"`)
	if _, err := ts.db.UnitByName(context.Background(), "Moss"); err == nil {
		t.Error("Moss is still in the store")
	}
	tb.open(ts.url + "/help/")
	tb.shots("help")
	tb.mustBeAccessible("Help")
	tb.open(ts.url + "/runs/999")
	tb.shots("problem")
	tb.mustBeAccessible("A run that is not there")
	tb.mustBeClean()
}

// withoutLibrary hides the bundled chart library, as in a build that was made without it.
type withoutLibrary struct{ fs.FS }

func (w withoutLibrary) Open(name string) (fs.File, error) {
	if name == chartLibrary {
		return nil, &fs.PathError{Op: "open", Path: name, Err: fs.ErrNotExist}
	}
	return w.FS.Open(name)
}

func (w withoutLibrary) ReadDir(name string) ([]fs.DirEntry, error) {
	entries, err := fs.ReadDir(w.FS, name)
	return slices.DeleteFunc(entries, func(e fs.DirEntry) bool { return name+"/"+e.Name() == chartLibrary }), err
}

func TestBrowserWithoutTheChartLibrary(t *testing.T) {
	ts := newTestServer(t, func(o *Options) { o.Files = withoutLibrary{testFiles} })
	playTin(ts.bench, 3, 15.5)
	tb := openTab(t, 1440, 900)
	tb.open(ts.url)
	tb.until("the run", `document.querySelector("#events [data-kind=cut_off]")`)
	tb.settle()
	if got := eval[string](tb, `document.querySelector(".notice:not([hidden])").innerText`); !strings.Contains(got, "make assets") {
		t.Errorf("the page says %q, not what to type", got)
	}
	if eval[bool](tb, `!!globalThis.echarts`) {
		t.Error("the library is there all the same, so this tests nothing")
	}
	ink := eval[int](tb, `(() => { const c = letthrough.whole.canvas; const d = c.getContext("2d").getImageData(0, 0, c.width, c.height).data; let n = 0; for (let i = 3; i < d.length; i += 4) if (d[i] > 200) n++; return n; })()`)
	if ink < 1000 {
		t.Errorf("the trace has %d dots of ink", ink)
	}
	tb.shots("without-library")
	tb.mustBeAccessible("Bench without the chart library")
	tb.mustBeClean()
}

func TestBrowserConnectsAgain(t *testing.T) {
	first := newTestServer(t)
	playTin(first.bench, 3, 6)
	tb := openTab(t, 1440, 900)
	tb.open(first.url)
	tb.until("the run", `document.querySelector("#events [data-kind=cut_off]")`)
	eval[bool](tb, `globalThis.sameDocument = true`)
	addr := first.Addr().String()
	if err := first.Close(); err != nil {
		t.Fatal(err)
	}
	tb.until("the break to be said", `!document.querySelector("#line-broken").hidden && document.querySelector("#b-end").disabled`)
	tb.shot("broken-line")
	tb.mustBeAccessible("Bench, line broken")
	second := newTestServer(t, func(o *Options) { o.Addr = addr })
	playTin(second.bench, 3, 15.5)
	tb.until("the newer marks", `document.querySelector("#line-broken").hidden && document.querySelectorAll("#events [data-kind=retry_on]").length === 5`)
	if !eval[bool](tb, `globalThis.sameDocument === true`) {
		t.Error("the page was loaded again")
	}
	tb.mustBeClean()
}
