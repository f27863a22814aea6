package web

import (
	"context"
	"fmt"
	"iter"
	"log/slog"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"

	"letthrough/capture"
	"letthrough/capture/sim"
	"letthrough/capture/trace"
	"letthrough/capture/trip"
	"letthrough/capture/wire"
	"letthrough/capture/words"
	"letthrough/static"
	"letthrough/store"
)

// simulated is a whole bench: a simulated unit behind a simulated instrument on a pseudo-terminal,
// read through the serial library, recorded into a real database and shown in a real browser.
type simulated struct {
	*testServer
	stand *sim.Stand
	real  *capture.Bench
}

// openSimulated puts a unit of the shelf on the stand and listens to its instrument. speed scales
// the clock of both.
func openSimulated(t *testing.T, unit string, speed float64) *simulated {
	t.Helper()
	return openSimulatedAt(t, unit, speed, 1000)
}

func openSimulatedAt(t testing.TB, unit string, speed, rateHz float64) *simulated {
	t.Helper()
	clock := capture.NewClock(speed)
	meter := sim.DefaultMeter(rateHz)
	stand, err := sim.NewStand(clock, sim.StandOptions{Meter: meter, Seed: 1, Smooth: true})
	if err != nil {
		t.Fatalf("simulated stand: %v", err)
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
	for _, u := range stand.Units() {
		if _, err := db.CreateUnit(context.Background(), u.Plate); err != nil {
			t.Fatal(err)
		}
	}
	log := slog.New(slog.DiscardHandler)
	bench := capture.New(capture.Options{Clock: clock, Recorder: db, Contact: stand.Contact(), Version: "test", Log: log})
	return &simulated{testServer: serveBench(t, bench, db, boardOf(stand)), stand: stand, real: bench}
}

// boardOf is a stand's instrument as one would write it on the command line.
func boardOf(stand *sim.Stand) string {
	return "board=text:" + stand.Path() + "?time=us&wrap=32&accuracy=0.3%+3&resolution=0.0005&fullscale=16.384&averaging=0"
}

// serveBench opens a bench with one instrument and serves it until the test ends.
func serveBench(t testing.TB, bench *capture.Bench, db *store.DB, instrument string) *testServer {
	t.Helper()
	if err := bench.Open(); err != nil {
		t.Fatalf("open bench: %v", err)
	}
	t.Cleanup(func() {
		if err := bench.Close(); err != nil {
			t.Errorf("close bench: %v", err)
		}
	})
	spec, err := wire.ParseSpec(instrument)
	if err != nil {
		t.Fatal(err)
	}
	if err := bench.AddInstrument(spec); err != nil {
		t.Fatalf("add instrument: %v", err)
	}
	s, err := New(Options{Addr: "127.0.0.1:0", Bench: bench, Store: db, Derive: deriveAgain, Files: static.Files, Version: "test", Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Open(); err != nil {
		t.Fatal(err)
	}
	served := make(chan error, 1)
	go func() { served <- s.Serve() }()
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Errorf("close server: %v", err)
		}
		if err := <-served; err != nil {
			t.Errorf("serve: %v", err)
		}
	})
	return &testServer{Server: s, db: db, url: s.URL()}
}

// deriveAgain reads a recording as the bench did.
func deriveAgain(s trace.Settings, marks []trace.Mark, samples iter.Seq2[trace.Batch, error]) (trace.Derivation, error) {
	d, err := trip.New(s)
	if err != nil {
		return trace.Derivation{}, err
	}
	for _, m := range marks {
		d.Mark(m)
	}
	for b, err := range samples {
		if err != nil {
			return trace.Derivation{}, err
		}
		if b.Channel.Quantity == trace.Current {
			d.Current(b.Samples)
		}
	}
	out := d.Finish()
	words.Fill(&out, s)
	return out, nil
}

// shownFigure is a figure as it stands on the page.
type shownFigure struct {
	Key, Say, Value, More string
}

// TestBrowserWatchesASimulatedShortTest is the main job from end to end: serial bytes through a
// pseudo-terminal, marks while the test runs, a page that shows them, figures that settle, and a
// stored run, all held against what the simulation did.
func TestBrowserWatchesASimulatedShortTest(t *testing.T) {
	b := openSimulated(t, "Tin", 4)
	tb := openTab(t, 1440, 900)
	tb.open(b.url)
	tb.until("the instrument to be heard", `document.querySelector("#step-connect.is-done") && letthrough.model.current && letthrough.model.current.length > 4000`)
	eval[bool](tb, `(() => { const s = document.querySelector("#unit-choice"); s.value = [...s.options].find((o) => o.text.startsWith("Tin")).value; s.dispatchEvent(new Event("change")); document.querySelector("#hold").value = "12"; return true; })()`)
	tb.until("Arm to be possible", `!document.querySelector("#b-arm").disabled`)
	tb.shot("sim-idle")
	tb.press("a")
	tb.until("armed", `document.body.dataset.mode === "armed"`)
	tb.until("the contact to be free to close", `document.querySelector("#b-contact")?.disabled === false`)
	tb.press("c") // the driven contact closes

	tb.until("the onset", `document.querySelector("#events [data-kind=onset]")`)
	tb.until("the cut-off", `document.querySelector("#events [data-kind=cut_off]")`)
	tb.until("a retry", `document.querySelectorAll("#events [data-kind=retry_off]").length >= 2`)
	tb.settle()
	tb.shot("sim-recording")
	if os.Getenv("LETTHROUGH_SHOTS") != "" {
		tb.picture(filepath.Join("..", "static", "help", "bench.png"))
	}
	tb.until("the hold to be over", `document.body.dataset.mode === "watching"`)
	tb.until("the contact to be opened by the program", `document.querySelector("#events [data-kind=removed]")`)
	tb.until("the run to be complete", `document.body.dataset.mode === "after" && letthrough.model.runState === "complete"`)
	tb.settle()
	tb.shots("sim-after")
	tb.mustBeAccessible("Bench, after")

	truth := b.stand.Truth()
	run := eval[int64](tb, `letthrough.model.run`)
	comparePageWithTruth(t, tb, truth)
	compareMarksWithTruth(t, tb, truth)
	compareStoreWithPage(t, tb, b.db, run)

	// A page that comes later shows the same run from the store.
	eval[bool](tb, `document.querySelector("#kept-link").click(), true`)
	tb.until("the stored run", `location.pathname.startsWith("/runs/") && globalThis.letthrough?.whole.picture && letthrough.whole.picture.store.length > 100`)
	comparePageWithTruth(t, tb, truth)
	tb.settle()
	tb.shots("sim-run")
	tb.mustBeClean()
}

// comparePageWithTruth reads the figures as they stand on the page, words and all, and holds each
// that the simulation knows against it.
func comparePageWithTruth(t *testing.T, tb *tab, truth sim.Truth) {
	t.Helper()
	comparePageFigures(t, tb, truth, 5)
	if got, want := eval[string](tb, `[...document.querySelectorAll(".behaviour")].find((el) => el.offsetParent).textContent`), words.Behaviour(truth.Behaviour); got != want {
		t.Errorf("the page says %q, the simulation did %q", got, want)
	}
}

// comparePageFigures compares at least so many figures.
func comparePageFigures(t *testing.T, tb *tab, truth sim.Truth, least int) {
	t.Helper()
	shown := eval[[]shownFigure](tb, `[...document.querySelectorAll("[data-figure]")].map((el) => ({Key: el.dataset.figure, Say: el.querySelector("dt").textContent,
		Value: el.querySelector(".value").textContent.trim(), More: el.querySelector(".more").textContent}))`)
	compared := 0
	for _, f := range shown {
		want, known := truth.Figures[f.Key]
		lead, value, u, ok := readSaid(f.Value)
		if !known || !ok {
			continue
		}
		compared++
		// Half as much again as u, since with k = 2 one figure in twenty may lie outside it, and two
		// readings' interval: how good the detector is has its own tests, here the way to the page is tested.
		slack := 1.5*u + 0.002
		right := math.Abs(value-want) <= slack
		switch lead {
		case "at most":
			right = want <= value+slack
		case "at least":
			right = want >= value-slack
		}
		if !right {
			t.Errorf("the page says %q %q, the simulation did %g (%s)", f.Say, f.Value, want, f.Key)
		}
	}
	if compared < least {
		t.Errorf("only %d of the %d figures shown could be compared: %v", compared, len(shown), shown)
	}
}

// readSaid reads a figure back from its words: "at most 0.02 A", "4.512 ± 0.021 A".
func readSaid(s string) (lead string, value, u float64, ok bool) {
	for _, l := range []string{"at most", "at least"} {
		if rest, found := strings.CutPrefix(s, l); found {
			lead, s = l, rest
		}
	}
	var numbers []float64
	for _, f := range strings.Fields(strings.ReplaceAll(s, "−", "-")) {
		if v, err := strconv.ParseFloat(f, 64); err == nil {
			numbers = append(numbers, v)
		}
	}
	if len(numbers) == 0 {
		return "", 0, 0, false
	}
	if len(numbers) > 1 {
		u = numbers[1]
	}
	scale := 1.0
	switch {
	case strings.HasSuffix(s, " ms"), strings.HasSuffix(s, " mA"):
		scale = 1e-3
	case strings.HasSuffix(s, " %"):
		scale = 1e-2
	}
	return lead, numbers[0] * scale, u * scale, true
}

// compareMarksWithTruth holds the instants on the page against the simulation's, as distances from
// the onset.
func compareMarksWithTruth(t *testing.T, tb *tab, truth sim.Truth) {
	t.Helper()
	type row struct {
		Kind string
		T    float64
	}
	shown := eval[[]row](tb, `[...document.querySelectorAll("#events [data-kind]")].reverse().map((el) => ({Kind: el.dataset.kind, T: Number(el.dataset.t)}))`)
	var zero float64
	for _, m := range truth.Marks {
		if m.Kind == trace.Onset {
			zero = m.T
		}
	}
	compared := 0
	for _, kind := range []trace.MarkKind{trace.Onset, trace.CutOff, trace.RetryOn, trace.RetryOff} {
		var got, want []float64
		for _, r := range shown {
			if r.Kind == string(kind) {
				got = append(got, r.T)
			}
		}
		for _, m := range truth.Marks {
			if m.Kind == kind {
				want = append(want, m.T-zero)
			}
		}
		if len(got) != len(want) {
			t.Errorf("%d marks %s on the page, the simulation made %d", len(got), kind, len(want))
			continue
		}
		for i := range got {
			compared++
			if math.Abs(got[i]-want[i]) > 0.004 { // two readings' interval at each end
				t.Errorf("%s %d stands at %.4f s, the simulation did it at %.4f s", kind, i+1, got[i], want[i])
			}
		}
	}
	if compared < 6 {
		t.Errorf("only %d marks could be compared", compared)
	}
}

// compareStoreWithPage holds what is stored against what was shown.
func compareStoreWithPage(t *testing.T, tb *tab, db *store.DB, id int64) {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
	defer cancel()
	if err := db.Flush(ctx); err != nil {
		t.Fatal(err)
	}
	run, err := db.Run(ctx, id)
	if err != nil {
		t.Fatal(err)
	}
	if run.State != trace.RunComplete || run.Samples < 20000 {
		t.Errorf("run %d is %s with %d samples, want complete with more than 20000", id, run.State, run.Samples)
	}
	lines := words.Lines(run.Derivation, run.Settings)
	if len(lines) < 10 {
		t.Errorf("only %d figures are shown", len(lines))
	}
	for _, line := range lines {
		if line.Value == "" {
			continue
		}
		got := eval[string](tb, `(document.querySelector('[data-figure="`+line.Key+`"] .value b') || {}).textContent || ""`)
		if got != line.Value {
			t.Errorf("%s: the page says %q, stored is %q", line.Key, got, line.Value)
		}
	}
}

// TestBrowserShowsEveryUnitOfTheShelf holds the pages of all simulated units against the simulation,
// two views where the fault is short, one where it is long.
func TestBrowserShowsEveryUnitOfTheShelf(t *testing.T) {
	b := openSimulated(t, "Tin", 5)
	tb := openTab(t, 1440, 900)
	tb.open(b.url)
	hold := 8.0
	for _, u := range b.stand.Units() {
		t.Run(u.Plate.Name, func(t *testing.T) {
			tb.t = t
			if err := b.stand.Plug(u.Plate.Name); err != nil {
				t.Fatal(err)
			}
			plate, err := b.db.UnitByName(context.Background(), u.Plate.Name)
			if err != nil {
				t.Fatal(err)
			}
			plate.Waveform = trace.DC // as this stand delivers it
			from := eval[float64](tb, `letthrough.model.nowS || 0`)
			tb.until("a quiet stretch for the baseline", fmt.Sprintf(`letthrough.model.state?.now_at_s > %g`, from+3))
			if err := b.real.Arm(capture.ArmRequest{Unit: plate, HoldS: &hold}); err != nil {
				t.Fatal(err)
			}
			tb.until("armed", `document.body.dataset.mode === "armed"`)
			if err := b.real.DriveContact(true); err != nil {
				t.Fatal(err)
			}
			tb.until("the run to be complete", `document.body.dataset.mode === "after" && letthrough.model.runState === "complete"`)
			tb.settle()
			tb.shot("shelf-" + strings.ToLower(u.Plate.Name))
			truth := b.stand.Truth()
			comparePageWithTruth(t, tb, truth)
			if n := eval[int](tb, `document.querySelectorAll("#events [data-kind=onset]").length`); n != 1 {
				t.Errorf("%d onsets on the page", n)
			}
		})
	}
	tb.t = t
	tb.mustBeClean()
}

// BenchmarkBrowserLivePage watches a run at 10,000 readings a second for some seconds, close look and
// whole hold, and says how many frames a second the page drew and what its script took of each.
func BenchmarkBrowserLivePage(b *testing.B) {
	bench := openSimulatedAt(b, "Slate", 1, 10000)
	tb := openTab(b, 1440, 900)
	_, err := chromedp.Call(tb.ctx, page.AddScriptToEvaluateOnNewDocument, page.AddScriptToEvaluateOnNewDocumentParams{
		Source: `globalThis.took = new Map(); const next = requestAnimationFrame;
			globalThis.requestAnimationFrame = (f) => next((t) => { const from = performance.now(); f(t); took.set(t, (took.get(t) ?? 0) + performance.now() - from); })`,
	})
	if err != nil {
		b.Fatal(err)
	}
	tb.open(bench.url)
	tb.until("the instrument to be heard", `globalThis.letthrough?.model.current?.length > 4000`)
	tb.press("a")
	tb.until("armed", `document.body.dataset.mode === "armed"`)
	tb.until("the contact to be free to close", `document.querySelector("#b-contact")?.disabled === false`)
	tb.press("c")
	tb.until("the close look", `document.querySelector(".views.has-close")`)
	for b.Loop() {
		eval[bool](tb, `took.clear(), true`)
		got := eval[[]float64](tb, `new Promise((done) => setTimeout(() => { const t = [...took.values()].sort((a, b) => a - b); done([t.length / 4, t[t.length >> 1], t[Math.floor(t.length * 0.99)]]); }, 4000))`)
		b.ReportMetric(got[0], "frames/s")
		b.ReportMetric(got[1], "script-ms/frame")
		b.ReportMetric(got[2], "p99-ms/frame")
	}
	tb.mustBeClean()
}
