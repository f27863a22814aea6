package web

import (
	"net/url"
	"os"
	"strings"
	"testing"

	"letthrough/capture/trace"
)

// Every page that links lead to, found by following them from the first: with axe-core and down to 320 px, in both
// themes, with pictures where they are asked for.
func TestBrowserEveryPage(t *testing.T) {
	ts := newTestServer(t)
	storeTin(t, ts, trace.RunComplete, 40)
	storeTin(t, ts, trace.RunInterrupted, 11)
	tb := openTab(t, 1440, 900)
	waiting, seen := []string{"/"}, map[string]bool{"/": true}
	pages := 0
	for len(waiting) > 0 {
		path := waiting[0]
		waiting = waiting[1:]
		tb.open(ts.url + path)
		tb.settle()
		pages++
		name := strings.Trim(strings.NewReplacer("/", "-", "?", "-", "=", "-", "&", "-").Replace(path), "-")
		tb.checkAxe(path)
		for _, width := range []int64{320, 1024} {
			tb.size(width, 800)
			if over := eval[float64](tb, `document.documentElement.scrollWidth - innerWidth`); over > 1 {
				t.Errorf("%s at %d px is %.0f px too wide", path, width, over)
			}
		}
		tb.size(1440, 900)
		tb.dark(true)
		tb.checkAxe(path + ", dark")
		if os.Getenv("LETTHROUGH_SHOTS") != "" {
			tb.shot("every-" + name + "-dark")
		}
		tb.dark(false)
		tb.shot("every-" + name + "-light")
		for _, href := range eval[[]string](tb, `[...document.querySelectorAll("a[href]:not([download])")].map((a) => a.href)`) {
			u, err := url.Parse(href)
			if err != nil || !strings.HasPrefix(href, ts.url) || strings.HasPrefix(u.Path, "/api/") || strings.HasPrefix(u.Path, "/metrics") || strings.HasPrefix(u.Path, "/healthz") {
				continue
			}
			next := u.Path
			if u.RawQuery != "" && !strings.HasPrefix(u.Path, "/runs") {
				next += "?" + u.RawQuery
			}
			if !seen[next] {
				seen[next] = true
				waiting = append(waiting, next)
			}
		}
	}
	if pages < 15 {
		t.Errorf("only %d pages were found", pages)
	}
	t.Logf("%d pages", pages)
	tb.mustBeClean()
}
