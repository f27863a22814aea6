package web

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"net/http"
	"strings"
	"testing"

	"letthrough/capture/file"
	"letthrough/store"
)

// A run leaves one server as a bundle or as JSON and is the same run on another.
func TestExportedRunIsImportedElsewhere(t *testing.T) {
	for _, format := range []string{"bundle", "json"} {
		t.Run(format, func(t *testing.T) {
			from, to := newTestServer(t), newTestServer(t)
			storedRun(t, to.db, "Moss", 10)
			id := storedRun(t, from.db, "Tin", 2000)
			status, body, _ := from.call(t, "GET", fmt.Sprintf("/api/runs/%d/export?format=%s", id, format), "")
			if status != 200 {
				t.Fatalf("export: %d %s", status, body)
			}
			for _, known := range []string{"false", "true"} {
				status, answer, _ := to.call(t, "POST", "/api/import", string(body), "Content-Type", "application/octet-stream")
				if status != 200 || !strings.Contains(string(answer), `"unit":"Tin","known":`+known) {
					t.Fatalf("import: %d %s, want known %s", status, answer, known)
				}
			}
			page, err := to.db.Runs(context.Background(), store.RunQuery{Unit: "Tin"})
			if err != nil || len(page.Runs) != 1 || page.Runs[0].Samples != 2000 {
				t.Errorf("runs of Tin: %+v, %v", page.Runs, err)
			}
		})
	}
}

func TestExportInEveryFormat(t *testing.T) {
	ts := newTestServer(t)
	id := storedRun(t, ts.db, "Tin", 2000)
	for query, want := range map[string]string{
		"csv": "time_s,current_a,flags\r\n", "json": `{"file":"run`, "comtrade": "PK\x03\x04", "comtrade&data=float32": "PK\x03\x04", "cff&data=binary": "--- file type: CFG ---\r\nletthrough,shunt,2013\r\n",
		"parquet": "PAR1", "vtt&rate=10&offset_s=1.5": "WEBVTT\n\n1\n00:00:01.500 --> ", "srt&words=no": "1\n00:00:00,000 --> ", "bundle": "PK\x03\x04",
	} {
		status, body, h := ts.call(t, "GET", fmt.Sprintf("/api/runs/%d/export?format=%s", id, query), "")
		if status != 200 || !bytes.HasPrefix(body, []byte(want)) {
			t.Errorf("%s: %d %.80q, want it to begin with %q", query, status, body, want)
		}
		if d := h.Get("Content-Disposition"); !strings.Contains(d, fmt.Sprintf("run-%d-Tin.", id)) {
			t.Errorf("%s: disposition %q", query, d)
		}
	}
	for query, want := range map[string]int{"": 400, "morse": 422, "cff&data=morse": 422, "vtt&rate=61": 422, "vtt&rate=0": 422, "vtt&rate=x": 400, "vtt&offset_s=NaN": 422, "vtt&words=perhaps": 422, "vtt&what=1": 400} {
		status, body, _ := ts.call(t, "GET", fmt.Sprintf("/api/runs/%d/export?format=%s", id, query), "")
		if status != want {
			t.Errorf("%q: %d %s, want %d", query, status, body, want)
		}
		faultIn(t, body)
	}
}

func TestExportedCombinedRecordReadsBack(t *testing.T) {
	ts := newTestServer(t)
	id := storedRun(t, ts.db, "Tin", 2000)
	_, body, _ := ts.call(t, "GET", fmt.Sprintf("/api/runs/%d/export?format=cff&data=binary32", id), "")
	got, err := file.ReadCFF(bytes.NewReader(body), "x.cff", file.ComtradeOptions{})
	if err != nil || len(got.Current) != 2000 || got.Current[700].Value != 9 {
		t.Errorf("%d samples, %v", len(got.Current), err)
	}
}

func TestImportRefusesWhatIsNoRun(t *testing.T) {
	ts := newTestServer(t)
	for name, body := range map[string]string{"a trace": "time_s,current_a\n0,1\n", "half a run": `{"run":{`, "no bundle": "PK\x03\x04", "settings out of range": `{"run":{"state":"complete","derived_with":{"hold_s":-1}},"trace":[]}`} {
		status, answer, _ := ts.call(t, "POST", "/api/import", body)
		if status != 400 && status != 422 {
			t.Errorf("%s: %d %s, want 400 or 422", name, status, answer)
		}
		if _, text, _ := faultIn(t, answer); strings.Contains(text, "/tmp") {
			t.Errorf("%s: %q gives away where files are kept", name, text)
		}
	}
	page, err := ts.db.Runs(context.Background(), store.RunQuery{})
	if err != nil || len(page.Runs) != 0 {
		t.Errorf("%d runs, %v", len(page.Runs), err)
	}
}

func TestImportTooLargeIsRefusedAtOnce(t *testing.T) {
	ts := newTestServer(t)
	req, err := http.NewRequest("POST", ts.url+"/api/import", http.NoBody)
	if err != nil {
		t.Fatal(err)
	}
	req.ContentLength, req.Body = maxImportBytes+1, io.NopCloser(strings.NewReader("{"))
	resp, err := http.DefaultTransport.RoundTrip(req)
	if err != nil {
		t.Skipf("the connection was closed before the answer was read: %v", err)
	}
	defer resp.Body.Close()
	if resp.StatusCode != http.StatusRequestEntityTooLarge {
		t.Errorf("status %d, want 413", resp.StatusCode)
	}
}
