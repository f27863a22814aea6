package web

import (
	"bytes"
	"context"
	"fmt"
	"mime/multipart"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"letthrough/capture/file"
	"letthrough/capture/trace"
	"letthrough/store"
)

// formOf writes a form of fields and files; a file's name begins with @.
func formOf(t *testing.T, parts ...[2]string) (body, kind string) {
	t.Helper()
	var b bytes.Buffer
	w := multipart.NewWriter(&b)
	for _, p := range parts {
		var err error
		if name, isFile := strings.CutPrefix(p[0], "@"); isFile {
			f, ferr := w.CreateFormFile("file", name)
			if err = ferr; err == nil {
				_, err = f.Write([]byte(p[1]))
			}
		} else {
			err = w.WriteField(p[0], p[1])
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return b.String(), w.FormDataContentType()
}

// tableOf writes a short trace with a foreign header.
func tableOf(head string, rows int) string {
	var b strings.Builder
	b.WriteString(head + "\r\n")
	for i := range rows {
		fmt.Fprintf(&b, "%d;0,%d;12,0\r\n", i, i%10)
	}
	return b.String()
}

// comtradeOf writes a trace as a pair of files.
func comtradeOf(t *testing.T) (cfg, dat string) {
	t.Helper()
	samples := make([]trace.Sample, 300)
	for i := range samples {
		samples[i] = trace.Sample{AtNS: int64(i) * 1e6, Value: float64(i%7) / 10}
	}
	rec, err := file.Trace{Name: "x", Current: samples}.Recording(trace.RunStart{}, deriveNothing)
	if err != nil {
		t.Fatal(err)
	}
	rec.UUID = "00000000-0000-4000-8000-000000000001"
	var a, b bytes.Buffer
	if err := file.WriteComtrade(&a, &b, file.ComtradeOf(rec, "ascii"), rec.Channels, rec.Batches); err != nil {
		t.Fatal(err)
	}
	return a.String(), b.String()
}

func TestImportByForm(t *testing.T) {
	ts := newTestServer(t)
	if _, err := ts.db.CreateUnit(context.Background(), trace.Unit{Name: "Tin", RatedCurrentA: 1.4, RatedVoltageV: 12, Waveform: trace.DC}); err != nil {
		t.Fatal(err)
	}
	from := newTestServer(t)
	_, bundle, _ := from.call(t, "GET", fmt.Sprintf("/api/runs/%d/export?format=bundle", storedRun(t, from.db, "Moss", 100)), "")
	cfg, dat := comtradeOf(t)
	body, kind := formOf(t, [2]string{"unit", "Tin"}, [2]string{"procedure", "overload"}, [2]string{"hold_s", "2,5"}, [2]string{"note", "an evening"},
		[2]string{"time_column", "1"}, [2]string{"current_column", "2"}, [2]string{"rated_current_a", ""},
		[2]string{"@C:\\traces\\tin.csv", tableOf("Zeit (ms);Strom (A);U (V)", 500)}, [2]string{"@x.cfg", cfg}, [2]string{"@x.dat", dat}, [2]string{"@club.zip", string(bundle)}, [2]string{"@", ""})
	status, answer, _ := ts.call(t, "POST", "/api/import", body, "Content-Type", kind)
	if status != 200 || strings.Count(string(answer), `"known":false`) != 3 {
		t.Fatalf("%d %s", status, answer)
	}
	page, err := ts.db.Runs(context.Background(), store.RunQuery{Sort: "id"})
	if err != nil || len(page.Runs) != 3 {
		t.Fatalf("%+v, %v", page.Runs, err)
	}
	run, err := ts.db.Run(context.Background(), page.Runs[0].ID)
	if err != nil || run.Unit != "Tin" || run.Procedure != trace.Overload || run.HoldS != 2.5 || run.Note != "an evening" || run.Settings.RatedCurrentA != 1.4 || run.Instruments[0].Port != "tin.csv" || run.Samples != 1000 {
		t.Errorf("the table: %+v, %v", run, err)
	}
	if page.Runs[2].Unit != "Moss" || page.Runs[1].Samples != 300 {
		t.Errorf("the others: %+v", page.Runs[1:])
	}
}

func TestImportByFormRefusesInWordsAndStoresNothing(t *testing.T) {
	ts := newTestServer(t)
	good := tableOf("time_s;current_a;voltage_v", 10)
	cfg, _ := comtradeOf(t)
	for name, c := range map[string]struct {
		parts  [][2]string
		status int
		says   string
	}{
		"no file":                   {[][2]string{{"unit", "Tin"}}, 400, "no file in the form"},
		"a file left empty":         {[][2]string{{"@", ""}}, 400, "no file in the form"},
		"a broken row":              {[][2]string{{"@a.csv", good + "x;1;2\r\n"}}, 400, "a.csv, line 12"},
		"no such column":            {[][2]string{{"current_column", "amps"}, {"@a.csv", good}}, 400, `want a column "amps"`},
		"one good one broken":       {[][2]string{{"@a.csv", good}, {"@b.csv", "time_s;current_a\r\n1;hot\r\n"}}, 400, "b.csv, line 2"},
		"cfg without its dat":       {[][2]string{{"@x.cfg", cfg}}, 400, "x.dat: want the other half"},
		"two of one name":           {[][2]string{{"@a.csv", good}, {"@../a.csv", good}}, 400, "two files are called a.csv"},
		"a name that climbs":        {[][2]string{{"@../../../../etc/passwd", "root:x\n"}}, 400, "passwd"},
		"no such field":             {[][2]string{{"colour", "red"}, {"@a.csv", good}}, 400, "no field"},
		"no number":                 {[][2]string{{"hold_s", "soon"}, {"@a.csv", good}}, 400, "hold_s"},
		"out of range":              {[][2]string{{"rated_current_a", "-1"}, {"@a.csv", good}}, 422, "rated_current_a"},
		"no such procedure":         {[][2]string{{"procedure", "bang"}, {"@a.csv", good}}, 422, "procedure"},
		"bad accuracy":              {[][2]string{{"accuracy", "good"}, {"@a.csv", good}}, 422, "accuracy"},
		"a bundle that is cut":      {[][2]string{{"@a.zip", "PK\x03\x04"}}, 400, "a.zip: want a whole bundle"},
		"a field as long as a book": {[][2]string{{"note", strings.Repeat("x", 9000)}, {"@a.csv", good}}, 422, "too long"},
	} {
		body, kind := formOf(t, c.parts...)
		status, answer, _ := ts.call(t, "POST", "/api/import", body, "Content-Type", kind)
		_, text, _ := faultIn(t, answer)
		if status != c.status || !strings.Contains(text, c.says) || strings.Contains(string(answer), os.TempDir()) {
			t.Errorf("%s: %d %s, want %d and %q", name, status, answer, c.status, c.says)
		}
	}
	for name, kind := range map[string]string{"no boundary": "multipart/form-data", "no such boundary": "multipart/form-data; boundary=y"} {
		if status, answer, _ := ts.call(t, "POST", "/api/import", "--x\r\n\r\n", "Content-Type", kind); status != 400 {
			t.Errorf("%s: %d %s", name, status, answer)
		}
	}
	page, err := ts.db.Runs(context.Background(), store.RunQuery{})
	units, uerr := ts.db.Units(context.Background())
	if err != nil || uerr != nil || len(page.Runs)+len(units) != 0 {
		t.Errorf("stored %+v, %+v", page.Runs, units)
	}
	left, err := filepath.Glob(filepath.Join(os.TempDir(), "letthrough-import-*"))
	if err != nil || len(left) > 0 {
		t.Errorf("left behind: %v, %v", left, err)
	}
}
