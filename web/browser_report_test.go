package web

import (
	"bytes"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
)

// The report on its page, and as a file: opened without a network, and printed on A4 and on letter.
func TestBrowserReport(t *testing.T) {
	ts := reportShelf(t)
	tb := openTab(t, 1440, 900)
	tb.open(ts.url + "/report")
	tb.until("the table", `document.querySelectorAll(".shelf tbody tr").length === 3 && document.querySelector(".rep-chart .dim-head")`)
	tb.mustBeClean()
	tb.mustBeAccessible("Report")
	tb.shots("report")

	path := filepath.Join(t.TempDir(), "shelf.html")
	if err := os.WriteFile(path, []byte(fetch(t, ts, "/api/report?format=html")), 0o644); err != nil {
		t.Fatal(err)
	}
	if _, err := chromedp.Call(tb.ctx, network.EmulateNetworkConditionsByRule, network.EmulateNetworkConditionsByRuleParams{MatchedNetworkConditions: []*network.Conditions{{Offline: true, DownloadThroughput: -1, UploadThroughput: -1}}}); err != nil {
		t.Fatal(err)
	}
	tb.mu.Lock()
	tb.asked, tb.problems = nil, nil
	tb.mu.Unlock()
	tb.open("file://" + path)
	tb.until("the table of the file", `document.querySelectorAll(".shelf tbody tr").length === 3`)
	tb.mu.Lock()
	for _, a := range tb.asked {
		if !strings.HasPrefix(a, "file://"+path) && !strings.HasPrefix(a, "data:") {
			t.Errorf("the file asked for %s", a)
		}
	}
	for _, p := range tb.problems {
		t.Errorf("the file complained: %s", p)
	}
	tb.mu.Unlock()
	tb.mustReflow("the report's file")
	tb.shots("report-file")
	for name, size := range map[string][2]float64{"a4": {8.27, 11.69}, "letter": {8.5, 11}} {
		out, err := chromedp.Call(tb.ctx, page.PrintToPDF, page.PrintToPDFParams{PaperWidth: size[0], PaperHeight: size[1]})
		if err != nil {
			t.Fatal(err)
		}
		pdf := out.Data
		if !bytes.HasPrefix(pdf, []byte("%PDF-")) {
			t.Errorf("%s: no PDF: %.20q", name, pdf)
		}
		if n := len(regexp.MustCompile(`/Type\s*/Page\b[^s]`).FindAll(pdf, -1)); n < 1 || n > 8 {
			t.Errorf("%s: %d pages for three units", name, n)
		}
		if dir := os.Getenv("LETTHROUGH_SHOTS"); dir != "" {
			if err := os.WriteFile(filepath.Join(dir, "report-"+name+".pdf"), pdf, 0o644); err != nil {
				t.Error(err)
			}
		}
	}
}
