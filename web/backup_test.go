package web

import (
	"context"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"letthrough/capture/trace"
	"letthrough/store"
)

// The copy is whole and opens, though a run is recorded into the database meanwhile; nothing is left lying.
func TestBackupWhileARunIsRecorded(t *testing.T) {
	ts := newTestServer(t)
	storedRun(t, ts.db, "Tin", 50_000)
	ch := trace.Channel{Instrument: "shunt", Quantity: trace.Current}
	open, err := ts.db.Begin(trace.RunStart{Unit: trace.Unit{Name: "Slate"}, Started: time.Now(), Settings: trace.Settings{Procedure: trace.Short}})
	if err != nil {
		t.Fatal(err)
	}
	ts.db.Append(open, trace.Batch{Channel: ch, Samples: []trace.Sample{{AtNS: 0, Value: 1}, {AtNS: 1e6, Value: 2}}})
	if err := ts.db.Flush(context.Background()); err != nil {
		t.Fatal(err)
	}
	status, body, h := ts.call(t, "GET", "/api/backup", "")
	if status != 200 || !strings.HasPrefix(string(body), "SQLite format 3\x00") || h.Get("Content-Length") != strconv.Itoa(len(body)) || !strings.Contains(h.Get("Content-Disposition"), ".db\"") {
		t.Fatalf("%d, %d bytes, %v", status, len(body), h)
	}
	path := filepath.Join(t.TempDir(), "copy.db")
	if err := os.WriteFile(path, body, 0o600); err != nil {
		t.Fatal(err)
	}
	copied, err := store.Open(context.Background(), path, store.Options{MustExist: true})
	if err != nil {
		t.Fatal(err)
	}
	defer copied.Close()
	page, err := copied.Runs(context.Background(), store.RunQuery{Sort: "id"})
	if err != nil || len(page.Runs) != 2 || page.Runs[0].Samples+page.Runs[1].Samples != 50_002 {
		t.Errorf("in the copy: %+v, %v", page.Runs, err)
	}
	left, err := filepath.Glob(filepath.Join(filepath.Dir(ts.db.Path()), ".letthrough-backup-*"))
	if err != nil || len(left) > 0 {
		t.Errorf("left behind: %v, %v", left, err)
	}
	ts.db.End(open, trace.RunEnd{State: trace.RunComplete})
}

func TestBackupIsTheOperatorsAndOneAtATime(t *testing.T) {
	ts := newTestServer(t, withTokens)
	for auth, want := range map[string]int{"": 401, "Bearer " + viewerToken: 403, "Bearer " + operatorToken: 200} {
		if status, body, _ := ts.call(t, "GET", "/api/backup", "", "Authorization", auth); status != want {
			t.Errorf("%q: %d %.200s, want %d", auth, status, body, want)
		}
	}
	ts.copying <- struct{}{}
	if status, body, _ := ts.call(t, "GET", "/api/backup", "", "Authorization", "Bearer "+operatorToken); status != 429 {
		t.Errorf("a second one: %d %.200s", status, body)
	}
	<-ts.copying
	_, page, _ := ts.call(t, "GET", "/runs", "", "Authorization", "Bearer "+viewerToken)
	if strings.Contains(string(page), "/api/backup") || strings.Contains(string(page), "import-dialog") {
		t.Error("a viewer's page offers what a viewer may not do")
	}
}
