package web

import (
	"context"
	"encoding/base64"
	"encoding/xml"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/chromedp"

	"letthrough/capture/sim"
)

// cupboard keeps tests that differ in everything the page has to say: a fast and a slow meter, a unit that
// tries again, one that folds back, one without protection, and a repeat.
func cupboard(t testing.TB, ts *testServer) []int64 {
	t.Helper()
	ids := shelf(t, ts, 1000, "Tin")
	slow := simulatedRun(t, "Flint", sim.ShortTest(2, 30, 2), sim.DefaultMeter(7))
	slow.Start.Instruments[0].Format = "hand-held"
	ids = append(ids, keepRun(t, ts.db, slow))
	return append(ids, shelf(t, ts, 1000, "Amber", "Moss", "Tin", "Clay", "Slate")...)
}

const sidesDrawn = `document.body?.dataset.drawn === "yes" && globalThis.letthrough?.sides?.layout`

func TestBrowserSideBySideInEveryView(t *testing.T) {
	ts := newTestServer(t)
	ids := cupboard(t, ts)
	tb := openTab(t, 1440, 900)
	for _, view := range []struct {
		name, address string
		panels        int
	}{
		{"two", idList([]int64{ids[0], ids[6]}), 4}, {"two-slow", idList(ids[:2]), 4}, {"four", idList(ids[:4]), 12}, {"six", idList(ids[:6]), 18},
		{"stack", idList(ids[:3]) + "&view=stack", 9}, {"over-six", idList(ids[1:]) + "&view=over", 8}, {"rated", idList(ids[:2]) + "&unit=rated", 4},
		{"log", idList(ids[:4]) + "&time=log&view=over", 6}, {"cut-off", idList(ids[:3]) + "&align=cut_off&view=stack", 9},
		{"band", idList([]int64{ids[0], ids[4]}), 4}, {"clock", idList(ids[:2]) + "&align=clock", 4},
	} {
		if only := os.Getenv("LETTHROUGH_ONLY"); only != "" && only != view.name {
			continue
		}
		tb.open(ts.url + "/compare?runs=" + view.address)
		tb.until(view.name+" to be drawn", sidesDrawn)
		tb.settle()
		if says := eval[string](tb, `document.querySelector("#sides-says").textContent`); says != "" {
			t.Errorf("%s: the page says %q", view.name, says)
		}
		if n := eval[int](tb, `letthrough.sides.layout.boxes.length`); n != view.panels {
			t.Errorf("%s: %d panels, want %d", view.name, n, view.panels)
		}
		if over := eval[int](tb, `letthrough.sides.layout.boxes.filter((b) => b.left < 0 || b.left + b.width > letthrough.sides.width || b.width < 60).length`); over != 0 {
			t.Errorf("%s: %d panels stand beyond the edge or are too narrow", view.name, over)
		}
		tb.wholeShots("sides-" + view.name)
	}
	tb.mustBeClean()
}

// The address holds what is seen; keys and the pointer act on all traces at once.
func TestBrowserSideBySideIsLookedAt(t *testing.T) {
	ts := newTestServer(t)
	ids := cupboard(t, ts)
	tb := openTab(t, 1440, 900)
	tb.open(ts.url + "/compare?runs=" + idList(ids[:4]))
	tb.until("the page to be drawn", sidesDrawn)
	tb.mustBeAccessible("Side by side")
	tb.settle()
	before := eval[string](tb, `JSON.stringify(letthrough.sides.shown)`)
	tb.press("+")
	tb.press("+")
	tb.until("the window to be in the address", `new URL(location.href).searchParams.get("from") !== null`)
	now := eval[string](tb, `JSON.stringify(letthrough.sides.shown)`)
	if now == before {
		t.Error("the key changed nothing")
	}
	axes := eval[string](tb, `JSON.stringify([...new Set(letthrough.sides.chart.getOption().xAxis.filter((_, i) => letthrough.sides.data.panels[i].kind === "close").map((a) => a.min + " " + a.max))])`)
	if strings.Count(axes, `"`) != 2 {
		t.Errorf("the close looks show %s, want one and the same window", axes)
	}
	if save := eval[string](tb, `document.querySelector("#save").search`); !strings.Contains(save, "from=") {
		t.Errorf("the page would be saved as %s, without the window", save)
	}
	from := eval[float64](tb, `letthrough.sides.shown.from`)
	tb.open(eval[string](tb, `location.href`))
	tb.until("the page to be drawn again", sidesDrawn)
	if again := eval[float64](tb, `letthrough.sides.shown.from`); again-from > 0.01 || from-again > 0.01 {
		t.Errorf("the address shows from %g s, seen was from %g s", again, from)
	}
	// The pointer over one trace says all of them.
	eval[bool](tb, `letthrough.sides.pointTo(0, (letthrough.sides.shown.from + letthrough.sides.shown.to) / 2), true`)
	said := eval[string](tb, `letthrough.sides.said({axisValue: 0.5})`)
	for _, name := range []string{"Tin: 4.", "Flint: ", "Amber: ", "Moss: "} {
		if !strings.Contains(said, name) {
			t.Errorf("the pointer says %q, want %q in it", said, name)
		}
	}
	if n := eval[int](tb, `letthrough.sides.chart.getOption().axisPointer.length`); n == 0 {
		t.Error("no pointer is linked")
	}
	tb.shot("sides-pointer")
	tb.mustBeClean()

	// Another choice keeps the window; another alignment has its own.
	if kept := eval[bool](tb, `[...document.querySelectorAll(".choices a")].filter((a) => a.search.includes("view=stack")).every((a) => a.search.includes("from="))`); !kept {
		t.Error("one above another would forget the window")
	}

	// A run that is deleted while the page is open: what is drawn stays, and it is said.
	if err := ts.db.DeleteRun(context.Background(), ids[1]); err != nil {
		t.Fatal(err)
	}
	tb.press("+")
	tb.until("the loss to be said", `document.querySelector("#sides-says").textContent.includes("no run")`)
	if n := eval[int](tb, `letthrough.sides.whole.filter((s) => s.length > 10).length`); n != 4 {
		t.Errorf("%d traces are still there, want 4", n)
	}
	tb.open(ts.url + "/compare?runs=" + idList(ids[:4]))
	if text := eval[string](tb, `document.body.innerText`); !strings.Contains(text, "There is no run") || !strings.Contains(text, "Choose other runs") {
		t.Errorf("the page says %q", text)
	}
	tb.shot("sides-gone")
	tb.open(ts.url + "/compare")
	tb.mustBeAccessible("Side by side, nothing chosen")
	tb.shots("sides-to-choose")
}

// Runs of one unit over each other: the close look draws the band of its own window, and the key names what is drawn.
func TestBrowserABandIsAsFineAsItsCloseLook(t *testing.T) {
	ts := newTestServer(t)
	ids := shelf(t, ts, 1000, "Tin", "Tin", "Slate")
	tb := openTab(t, 1440, 900)
	tb.open(ts.url + "/compare?runs=" + idList(ids) + "&view=over&from=0.86&to=0.93")
	tb.until("the page to be drawn", sidesDrawn)
	tb.settle()
	points := eval[[][2]float64](tb, `letthrough.sides.axesAndTraces(() => true).series.find((s) => s.id === "band0-0").renderItem({}, {coord: (p) => p}).children[0]?.children[1].shape.points ?? []`)
	if len(points) < 50 {
		t.Errorf("the mean is drawn through %d points", len(points))
	}
	for i := 1; i < len(points); i++ {
		if dt := points[i][0] - points[i-1][0]; dt > 0.0021 {
			t.Errorf("nothing is drawn between %g and %g s", points[i-1][0], points[i][0])
		}
	}
	keys := eval[[]string](tb, `letthrough.sides.layout.keys.map((k) => k.text)`)
	if want := []string{"Tin, 2 runs: min–max", "Tin, 2 runs: mean", "Slate"}; !slices.Equal(keys, want) {
		t.Errorf("the key names %q, want %q", keys, want)
	}
	tb.wholeShots("sides-band-close")
	tb.mustBeClean()
}

// evil is a unit whose name tries to leave every context it stands in.
const evil = `</script><script>document.title='run'</script><img src=x onerror="document.title='run'">{n|`

// TestBrowserSavedPageOpensFromDisk: the file asks nobody for anything, draws, moves and gives pictures, and a
// script in a unit's name stays text.
func TestBrowserSavedPageOpensFromDisk(t *testing.T) {
	ts := newTestServer(t)
	ids := shelf(t, ts, 1000, "Tin", "Moss")
	bad := simulatedRun(t, "Slate", sim.ShortTest(2, 12, 2), sim.DefaultMeter(1000))
	bad.Start.Unit.Name = evil[:80]
	ids = append(ids, keepRun(t, ts.db, bad))
	for _, view := range []string{"", "&view=over&time=log"} {
		status, page, h := ts.call(t, "GET", "/api/compare/page?runs="+idList(ids)+view, "")
		if status != http.StatusOK || !strings.HasPrefix(h.Get("Content-Disposition"), `attachment; filename="`) {
			t.Fatalf("status %d, %v", status, h)
		}
		path := filepath.Join(t.TempDir(), "saved page.html")
		if err := os.WriteFile(path, page, 0o644); err != nil {
			t.Fatal(err)
		}
		tb := openTab(t, 1440, 900)
		if _, err := chromedp.Call(tb.ctx, network.EmulateNetworkConditionsByRule, network.EmulateNetworkConditionsByRuleParams{
			MatchedNetworkConditions: []*network.Conditions{{URLPattern: "", Offline: true}}}); err != nil {
			t.Fatalf("take the network away: %v", err)
		}
		tb.open("file://" + path)
		tb.until("the saved page to be drawn", sidesDrawn)
		tb.settle()
		if title := eval[string](tb, `document.title`); strings.HasPrefix(title, "run") {
			t.Error("a script in a unit's name ran")
		}
		if n := eval[int](tb, `document.querySelectorAll("main img").length + document.scripts.length`); n != 3 {
			t.Errorf("the name made elements: %d scripts and pictures, want the page's 3 scripts", n)
		}
		if dark := eval[float64](tb, `(() => { const c = document.querySelector("#sides-chart canvas"), d = c.getContext("2d").getImageData(0, 0, c.width, c.height).data;
			let n = 0; for (let i = 0; i < d.length; i += 4) if (d[i + 3] > 200 && d[i] < 60) n++; return n; })()`); dark < 2000 {
			t.Errorf("%g dark pixels: the traces are not drawn", dark)
		}
		before := eval[float64](tb, `letthrough.sides.shown.to - letthrough.sides.shown.from`)
		tb.press("+")
		tb.until("the look to be nearer", fmt.Sprintf(`letthrough.sides.shown.to - letthrough.sides.shown.from < %g`, before))
		svg := eval[string](tb, `letthrough.sides.picture("svg")`)
		if err := xml.Unmarshal([]byte(svg), new(any)); err != nil {
			t.Errorf("the picture is no SVG: %v", err)
		}
		if !strings.HasPrefix(svg, "<svg") || !strings.Contains(svg, ">Tin<") || strings.Contains(svg, "<script") || strings.Contains(svg, "<img") || strings.Count(svg, "<path") < 10 {
			t.Errorf("the picture is %d bytes: %.200s", len(svg), svg)
		}
		png, err := base64.StdEncoding.DecodeString(strings.TrimPrefix(eval[string](tb, `letthrough.sides.picture("png")`), "data:image/png;base64,"))
		if err != nil || !strings.HasPrefix(string(png), "\x89PNG") || len(png) < 20_000 {
			t.Errorf("the picture is %d bytes, %v", len(png), err)
		}
		if dir := os.Getenv("LETTHROUGH_SHOTS"); dir != "" {
			if err := os.MkdirAll(dir, 0o755); err != nil {
				t.Fatal(err)
			}
			name := filepath.Join(dir, "sides-picture"+map[bool]string{true: "-over"}[view != ""])
			if err := os.WriteFile(name+".svg", []byte(svg), 0o644); err != nil {
				t.Error(err)
			}
			if err := os.WriteFile(name+".png", png, 0o644); err != nil {
				t.Error(err)
			}
		}
		tb.wholeShots("sides-saved" + map[bool]string{true: "-over"}[view != ""])
		tb.mu.Lock()
		for _, a := range tb.asked {
			if !strings.HasPrefix(a, "file://"+filepath.Dir(path)) && !strings.HasPrefix(a, "data:") && !strings.HasPrefix(a, "file:///") {
				t.Errorf("the file asked for %s", a)
			}
		}
		for _, p := range tb.problems {
			t.Errorf("the file complained: %s", p)
		}
		tb.mu.Unlock()
	}
}

// wholeShots takes the whole page, not only the window, in both schemes and at three widths.
func (tb *tab) wholeShots(name string) {
	tb.t.Helper()
	dir := os.Getenv("LETTHROUGH_SHOTS")
	if dir == "" {
		return
	}
	for _, width := range []int64{1440, 1024, 390} {
		tb.size(width, 900)
		for _, scheme := range []string{"light", "dark"} {
			tb.dark(scheme == "dark")
			ctx, cancel := context.WithTimeout(tb.ctx, browserLimit)
			const lossless = 100
			png, err := chromedp.Run(ctx, chromedp.FullScreenshot(lossless))
			cancel()
			if err == nil {
				err = os.MkdirAll(dir, 0o755)
			}
			if err == nil {
				err = os.WriteFile(filepath.Join(dir, fmt.Sprintf("%s-%s-%d.png", name, scheme, width)), png, 0o644)
			}
			if err != nil {
				tb.t.Errorf("picture %s: %v", name, err)
			}
		}
	}
	tb.dark(false)
	tb.size(1440, 900)
}
