package web

import (
	"io/fs"
	"slices"
	"strings"
	"testing"

	"letthrough/capture"
)

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

// Armed, the current's instrument goes silent: the page takes its leave back to close the contact, shows
// nothing stale as now, and another instrument that still sends changes nothing.
func TestBrowserArmedAndBlind(t *testing.T) {
	ts := newTestServer(t)
	tb := openTab(t, 1440, 900)
	armTin(ts.bench)
	tb.open(ts.url)
	tb.until("armed and seeing", `document.body.dataset.mode === "armed" && letthrough.model.receives && document.querySelector("#behaviour-under").textContent.startsWith("Close the contact")`)
	ts.bench.setState(func(s *capture.State) {
		ins := append([]capture.InstrumentState(nil), s.Instruments...)
		ins[0].State = "unplugged"
		s.Instruments = append(ins, capture.InstrumentState{Name: "volts", State: "receiving"})
	})
	tb.until("the leave to be taken back", `document.querySelector("#behaviour-under").textContent.startsWith("Do not close the contact") && document.querySelector("#dock-say").textContent.includes("do not close the contact")`)
	if first := eval[string](tb, `document.querySelector(".dock .is-first")?.id ?? ""`); first != "" {
		t.Errorf("%s is offered first", first)
	}
	if eval[bool](tb, `letthrough.whole.picture.now !== null`) {
		t.Error("a stale reading is shown as now")
	}
	tb.settle()
	tb.shots("armed-blind")
	tb.mustBeAccessible("Bench, armed and blind")
}
