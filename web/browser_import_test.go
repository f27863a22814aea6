package web

import (
	"fmt"
	"strings"
	"testing"
)

// Files are taken in on the Runs page, by keyboard alone, with errors in words.
func TestBrowserImport(t *testing.T) {
	ts := newTestServer(t)
	storedRun(t, ts.db, "Tin", 2000)
	tb := openTab(t, 1440, 900)
	tb.open(ts.url + "/runs")
	tb.until("the page's script", `document.querySelector("#import") && document.readyState === "complete"`)
	tb.mustBeClean()
	if got := eval[string](tb, `document.querySelector('.head-acts a').getAttribute("href")`); got != "/api/backup" {
		t.Errorf("the backup is at %q", got)
	}
	choose := func(files ...[2]string) {
		t.Helper()
		var b strings.Builder
		for _, f := range files {
			fmt.Fprintf(&b, "d.items.add(new File([%q], %q)); ", f[1], f[0])
		}
		eval[bool](tb, `(() => { const d = new DataTransfer(); `+b.String()+`const i = document.querySelector("#import-files"); i.files = d.files; i.dispatchEvent(new Event("change")); return true; })()`)
	}
	eval[bool](tb, `document.querySelector("#import").focus(), true`)
	tb.press("\r")
	tb.until("the dialog", `document.querySelector("#import-dialog").open`)
	tb.mustBeAccessible("Import")
	tb.shots("import")

	eval[bool](tb, `document.querySelector("#import-go").focus(), true`)
	tb.press("\r")
	tb.until("the question for a file", `document.querySelector("#import-says").textContent.includes("Choose at least one file")`)

	choose([2]string{"tin.csv", "Zeit (ms);Strom (A);Strom 2 (A)\r\n0;0,1;0\r\n1;0,2;0\r\nx;0,3;0\r\n"})
	tb.until("its columns to choose from", `document.querySelector("#import-current").options.length === 4 && !document.querySelector("#import-trace").hidden`)
	eval[bool](tb, `document.querySelector("#import-current").value = "3", document.querySelector("#import-unit").value = "Slate", document.querySelector("#import-unit").focus(), true`)
	tb.press("\r")
	tb.until("the broken row", `document.querySelector("#import-says").textContent.includes("tin.csv, line 4")`)
	tb.mustBeAccessible("Import, refused")
	tb.shots("import-refused")

	choose([2]string{"tin.csv", "Zeit (ms);Strom (A);Strom 2 (A)\r\n0;0,1;0\r\n1;0,2;0\r\n2;0,3;0\r\n3;0,3;0\r\n"}, [2]string{"more.csv", "time_s,current_a,i2\n0,1,2\n1,1,2\n2,1,2\n"})
	tb.until("its columns", `document.querySelector("#import-current").options.length === 4`)
	eval[bool](tb, `document.querySelector("#import-current").value = "3", document.querySelector("#import-go").focus(), true`)
	tb.press("\r")
	tb.until("both imported", `document.querySelectorAll("#import-done li").length === 2 && document.querySelector("#import-done").textContent.includes("of Slate: imported")`)
	tb.mustBeAccessible("Import, done")
	tb.shots("import-done")
	tb.press("\r") // the focus is on Close
	tb.until("the list with them", `document.querySelector("#import-dialog")?.open === false && document.querySelectorAll(".runs tbody tr").length === 3`)
	tb.size(390, 844)
	tb.mustReflow("Runs with import")
	tb.mustBeClean()
}
