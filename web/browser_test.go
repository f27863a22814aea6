package web

import (
	"context"
	"encoding/json"
	"fmt"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
)

// The browser tests drive a real Chromium. Without one they are skipped and say so, unless CI=true or
// LETTHROUGH_NEED_BROWSER=1 demands them. LETTHROUGH_SHOTS names a folder for pictures of every page.

// browserLimit bounds one step in the browser: a page that does not get there in time has failed.
const browserLimit = 60 * time.Second

// findChromium gives the browser's path, or skips.
func findChromium(t testing.TB) string {
	t.Helper()
	if testing.Short() {
		t.Skip("browser tests are left out by -short")
	}
	for _, name := range []string{"chromium", "chromium-browser"} {
		if path, err := exec.LookPath(name); err == nil {
			return path
		}
	}
	const how = "NOT RUN: no Chromium was found, so nobody looked at the pages. Type: apt-get install chromium"
	if os.Getenv("CI") == "true" || os.Getenv("LETTHROUGH_NEED_BROWSER") == "1" {
		t.Fatal(how)
	}
	t.Skip(how)
	return ""
}

// tab is one tab of a browser of its own, with everything it asked for and complained of.
type tab struct {
	t   testing.TB
	ctx context.Context

	mu       sync.Mutex
	asked    []string // addresses
	problems []string // script errors, what the content security policy refused
}

// openTab starts a browser with a fresh profile and opens a tab of this size.
func openTab(t testing.TB, width, height int64) *tab {
	t.Helper()
	path := findChromium(t)
	opts := append(chromedp.DefaultExecAllocatorOptions[:],
		chromedp.ExecPath(path), chromedp.NoSandbox, chromedp.DisableGPU, chromedp.UserDataDir(t.TempDir()),
		chromedp.Flag("disable-quic", true), chromedp.Flag("disable-component-update", true), chromedp.Flag("hide-scrollbars", true),
	)
	limit, stopLimit := context.WithTimeout(context.Background(), 5*browserLimit)
	alloc, stopAlloc := chromedp.NewExecAllocator(limit, opts...)
	ctx, stop := chromedp.NewContext(alloc)
	tb := &tab{t: t, ctx: ctx}
	t.Cleanup(func() {
		if err := chromedp.Cancel(ctx); err != nil {
			t.Logf("close browser: %v", err)
		}
		stop()
		stopAlloc()
		stopLimit()
	})
	if err := chromedp.Listen(ctx, tb.heard); err != nil {
		t.Fatalf("start %s: %v", path, err)
	}
	if _, err := chromedp.Call(ctx, network.Enable, network.EnableParams{}); err != nil {
		t.Fatalf("watch requests: %v", err)
	}
	// What the content security policy refuses is told to the page only; so the page says it aloud.
	_, err := chromedp.Call(ctx, page.AddScriptToEvaluateOnNewDocument, page.AddScriptToEvaluateOnNewDocumentParams{
		Source: `addEventListener("securitypolicyviolation", (e) => console.error("refused by the policy: " + e.violatedDirective + " " + e.blockedURI + " " + e.sourceFile + ":" + e.lineNumber))`,
	})
	if err != nil {
		t.Fatalf("watch the policy: %v", err)
	}
	tb.do(chromedp.EmulateViewport(width, height))
	return tb
}

// heard keeps what the tab asks for and complains of.
func (tb *tab) heard(ev any) {
	tb.mu.Lock()
	defer tb.mu.Unlock()
	switch e := ev.(type) {
	case *network.EventRequestWillBeSent:
		tb.asked = append(tb.asked, e.Request.URL)
	case *network.EventWebSocketCreated:
		tb.asked = append(tb.asked, e.URL)
	case *runtime.EventExceptionThrown:
		tb.problems = append(tb.problems, e.ExceptionDetails.Text+" "+describe(e.ExceptionDetails.Exception))
	case *runtime.EventConsoleAPICalled:
		if e.Type == "error" {
			b, _ := json.Marshal(e.Args)
			tb.problems = append(tb.problems, string(b))
		}
	}
}

func describe(o *runtime.RemoteObject) string {
	if o == nil {
		return ""
	}
	return o.Description
}

// do runs actions, or fails.
func (tb *tab) do(actions ...chromedp.Action[chromedp.Void]) {
	tb.t.Helper()
	ctx, cancel := context.WithTimeout(tb.ctx, browserLimit)
	defer cancel()
	if err := chromedp.Do(ctx, actions...); err != nil {
		tb.t.Fatalf("browser: %v", err)
	}
}

// open goes to an address and waits for the page to be there.
func (tb *tab) open(address string) {
	tb.t.Helper()
	tb.do(chromedp.Navigate(address))
}

// eval gives the value of an expression.
func eval[T any](tb *tab, expression string) T {
	tb.t.Helper()
	ctx, cancel := context.WithTimeout(tb.ctx, browserLimit)
	defer cancel()
	v, err := chromedp.Run(ctx, chromedp.Evaluate[T](expression, chromedp.EvalAwaitPromise))
	if err != nil {
		tb.t.Fatalf("evaluate %s: %v", expression, err)
	}
	return v
}

// until waits for an expression to become true.
func (tb *tab) until(what, expression string) {
	tb.t.Helper()
	deadline := time.NewTimer(browserLimit)
	defer deadline.Stop()
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	// While one page gives way to the next, what is asked for may not be there yet.
	for !eval[bool](tb, "(() => { try { return !!("+expression+"); } catch { return false; } })()") {
		select {
		case <-deadline.C:
			tb.shot("failed")
			tb.t.Fatalf("waited %v in vain for %s: %s; page says %q", browserLimit, what, expression, eval[string](tb, "document.body.innerText.slice(0, 600)"))
		case <-tick.C:
		}
	}
}

// become waits for something that the page cannot see.
func (tb *tab) become(what string, is func() bool) {
	tb.t.Helper()
	deadline := time.NewTimer(browserLimit)
	defer deadline.Stop()
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	for !is() {
		select {
		case <-deadline.C:
			tb.t.Fatalf("waited %v in vain for %s", browserLimit, what)
		case <-tick.C:
		}
	}
}

// press sends a key to whatever has the focus.
func (tb *tab) press(keys string) {
	tb.t.Helper()
	tb.do(chromedp.KeyEvent(keys))
}

// size changes the window.
func (tb *tab) size(width, height int64) {
	tb.t.Helper()
	tb.do(chromedp.EmulateViewport(width, height))
	tb.settle()
}

// dark turns the colour scheme.
func (tb *tab) dark(on bool) {
	tb.t.Helper()
	scheme := "light"
	if on {
		scheme = "dark"
	}
	_, err := chromedp.Call(tb.ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
		Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}},
	})
	if err != nil {
		tb.t.Fatalf("turn %s: %v", scheme, err)
	}
	tb.settle()
}

// settle lets the page draw what it has: three frames and a throttled redraw of the chart's frame.
func (tb *tab) settle() {
	tb.t.Helper()
	eval[bool](tb, `new Promise((done) => { const end = performance.now() + 150; const f = () => performance.now() > end ? done(true) : requestAnimationFrame(f); f(); })`)
}

// shot writes a picture of the window where LETTHROUGH_SHOTS says.
func (tb *tab) shot(name string) {
	tb.t.Helper()
	if dir := os.Getenv("LETTHROUGH_SHOTS"); dir != "" {
		tb.picture(filepath.Join(dir, name+".png"))
	}
}

func (tb *tab) picture(path string) {
	tb.t.Helper()
	ctx, cancel := context.WithTimeout(tb.ctx, browserLimit)
	defer cancel()
	png, err := chromedp.Run(ctx, chromedp.CaptureScreenshot())
	if err == nil {
		err = os.MkdirAll(filepath.Dir(path), 0o755)
	}
	if err == nil {
		err = os.WriteFile(path, png, 0o644)
	}
	if err != nil {
		tb.t.Errorf("picture %s: %v", path, err)
	}
}

// shots takes the page in both schemes and at the three widths it is made for.
func (tb *tab) shots(name string) {
	tb.t.Helper()
	if os.Getenv("LETTHROUGH_SHOTS") == "" {
		return
	}
	for _, size := range [][2]int64{{1440, 900}, {1024, 768}, {390, 844}} {
		tb.size(size[0], size[1])
		for _, scheme := range []string{"light", "dark"} {
			tb.dark(scheme == "dark")
			tb.shot(fmt.Sprintf("%s-%s-%d", name, scheme, size[0]))
		}
	}
	tb.dark(false)
	tb.size(1440, 900)
}

// mustBeClean fails where the page asked another machine for anything or a script complained.
func (tb *tab) mustBeClean() {
	tb.t.Helper()
	tb.mu.Lock()
	defer tb.mu.Unlock()
	for _, a := range tb.asked {
		u, err := url.Parse(a)
		if err != nil || u.Scheme != "data" && u.Hostname() != "127.0.0.1" {
			tb.t.Errorf("the page asked for %s: nothing may leave this machine", a)
		}
	}
	if len(tb.asked) == 0 {
		tb.t.Error("no request was seen at all, so nothing was watched")
	}
	for _, p := range tb.problems {
		tb.t.Errorf("the page complained: %s", p)
	}
}

// mustReflow fails where a page has to be scrolled sideways, down to the 320 px that WCAG 2.2 (1.4.10)
// asks for; tables may scroll within themselves. System faces differ in width, so each width is tried
// again with letters a twentieth of their size further apart: about a tenth more than the face here.
func (tb *tab) mustReflow(where string) {
	tb.t.Helper()
	for _, spacing := range []string{"", "0.05em"} {
		eval[string](tb, fmt.Sprintf(`document.body.style.letterSpacing = %q`, spacing))
		for _, width := range []int64{320, 390, 800, 1024, 1440} {
			tb.size(width, 800)
			if over := eval[float64](tb, `document.documentElement.scrollWidth - innerWidth`); over > 1 {
				wide := eval[string](tb, `[...document.querySelectorAll("body *")].filter((e) => e.getBoundingClientRect().right > innerWidth + 1).slice(0, 5).map((e) => e.tagName + "#" + e.id + "." + e.className + " " + e.textContent.slice(0, 40)).join(" ")`)
				tb.t.Errorf("%s at %d px with letters %q apart is %.0f px too wide: %s", where, width, spacing, over, wide)
			}
		}
	}
	eval[string](tb, `document.body.style.letterSpacing = ""`)
	tb.size(1440, 900)
}

// mustBeAccessible runs axe-core over the page, where its package was installed.
func (tb *tab) mustBeAccessible(where string) {
	tb.t.Helper()
	tb.mustReflow(where)
	tb.checkAxe(where)
}

// checkAxe is the part of it that asks axe-core.
func (tb *tab) checkAxe(where string) {
	tb.t.Helper()
	script, err := os.ReadFile("../static/node_modules/axe-core/axe.min.js")
	if err != nil {
		if os.Getenv("CI") == "true" {
			tb.t.Fatalf("axe-core is missing: type make assets: %v", err)
		}
		tb.t.Logf("NOT RUN: the accessibility check of %s, since axe-core is not installed. Type: make assets", where)
		return
	}
	eval[bool](tb, string(script)+"; true")
	found := eval[string](tb, `axe.run(document, {runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]})
		.then((r) => r.violations.map((v) => v.id + ": " + v.help + ": " + v.nodes.slice(0, 3).map((n) => n.target.join(" ") + " " + (n.any[0] ? n.any[0].message : "")).join("; ")).join("\n"))`)
	if found != "" {
		tb.t.Errorf("%s: not accessible:\n%s", where, found)
	}
}

// focus gives an element the keyboard.
func focus(selector string) chromedp.Action[chromedp.Void] {
	return chromedp.Focus(chromedp.CSS(selector))
}
