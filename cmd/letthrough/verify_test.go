package main

import (
	"archive/zip"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"letthrough/capture/file"
	"letthrough/capture/sim"
	"letthrough/capture/trace"
)

// bundled writes a bundle of short tests of some units.
func bundled(t *testing.T, units ...string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "pool.zip")
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	err = file.WriteBundle(f, "test", func(yield func(trace.Recording, error) bool) {
		for i, name := range units {
			u, err := sim.Find(name)
			if err != nil {
				t.Fatal(err)
			}
			r, err := sim.Record(u, sim.ShortTest(2, 6, 1), sim.DefaultMeter(500), 1)
			if err != nil {
				t.Fatal(err)
			}
			start := trace.RunStart{Unit: u.Plate, Settings: trace.Settings{Procedure: trace.Short, RatedCurrentA: u.Plate.RatedCurrentA, HoldS: 6}}
			rec, err := file.Trace{Name: name, Current: r.Current}.Recording(start, derive)
			rec.UUID = fmt.Sprintf("00000000-0000-4000-8000-%012d", i+1)
			if !yield(rec, err) {
				return
			}
		}
	})
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
	if err != nil {
		t.Fatal(err)
	}
	return path
}

// tampered writes a bundle whose run of that number was changed.
func tampered(t *testing.T, path string, run int, change func(doc map[string]any)) string {
	t.Helper()
	z, err := zip.OpenReader(path)
	if err != nil {
		t.Fatal(err)
	}
	defer z.Close()
	to := filepath.Join(t.TempDir(), "tampered.zip")
	f, err := os.Create(to)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	w := zip.NewWriter(f)
	for i, e := range z.File {
		r, err := e.Open()
		if err != nil {
			t.Fatal(err)
		}
		b, err := io.ReadAll(r)
		if err != nil {
			t.Fatal(err)
		}
		if i == run {
			head, samples, found := strings.Cut(string(b), `,"trace":[`)
			var doc map[string]any
			if err := json.Unmarshal([]byte(head+"}"), &doc); err != nil || !found {
				t.Fatal(found, err)
			}
			change(doc)
			if b, err = json.Marshal(doc); err != nil {
				t.Fatal(err)
			}
			b = append(b[:len(b)-1], `,"trace":[`+samples...)
		}
		o, err := w.Create(e.Name)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := o.Write(b); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return to
}

// verify runs the command as a person does.
func verify(t *testing.T, path string) (stdout, stderr string, status int) {
	t.Helper()
	cmd := exec.Command("letthrough", "verify", path) // testscript put itself into the path under this name
	var out, errs strings.Builder
	cmd.Stdout, cmd.Stderr = &out, &errs
	_ = cmd.Run()
	return out.String(), errs.String(), cmd.ProcessState.ExitCode()
}

func figureIn(doc map[string]any, key string) map[string]any {
	return doc["figures"].(map[string]any)[key].(map[string]any)
}

func recordIn(doc map[string]any) map[string]any {
	return doc["run"].(map[string]any)["derivation"].(map[string]any)
}

func TestVerifySaysWhichFigureDoesNotComeOut(t *testing.T) {
	path := bundled(t, "Slate", "Tin", "Fern")
	if out, errs, status := verify(t, path); status != 0 || !strings.Contains(out, "3 runs: every figure agrees") {
		t.Fatalf("as it was written: status %d, %s%s", status, out, errs)
	}
	for name, c := range map[string]struct {
		change func(doc map[string]any)
		want   []string
	}{
		"the record": {func(doc map[string]any) { figureIn(recordIn(doc), "peak_current_a")["value"] = 3.0 },
			[]string{"peak_current_a: says exact 3 ±", "the samples give exact 4.4"}},
		"where a reader looks": {func(doc map[string]any) { figureIn(doc, "time_to_cutoff_s")["value"] = 0.02 },
			[]string{"time_to_cutoff_s: says exact 0.02 ±", "the samples give exact 0.89"}},
		"the uncertainty": {func(doc map[string]any) { figureIn(recordIn(doc), "let_through_a2s")["u"] = 1e-6 },
			[]string{"let_through_a2s: says exact 16.", "± 1e-06"}},
		"a bound made exact": {func(doc map[string]any) { figureIn(recordIn(doc), "bounce_count")["bound"] = "exact" },
			[]string{"bounce_count: says exact", "the samples give at_least"}},
		"the sentence": {func(doc map[string]any) {
			figureIn(doc, "time_to_cutoff_s")["text"] = "cut off after 0.0020 ± 0.0014 s"
		},
			[]string{`time_to_cutoff_s: says "cut off after 0.0020`, `the samples give "cut off after 0.89`}},
		"the behaviour": {func(doc map[string]any) { recordIn(doc)["behaviour"] = "latching" },
			[]string{"behaviour: says latching, the samples give auto_retry"}},
		"a mark": {func(doc map[string]any) {
			for _, m := range recordIn(doc)["marks"].([]any) {
				if m := m.(map[string]any); m["kind"] == "cut_off" {
					m["t_s"] = 2.1
				}
			}
		}, []string{"mark 2: says cut_off at 2.100000 s, the samples give cut_off at 2.89"}},
		"a figure left out": {func(doc map[string]any) { delete(recordIn(doc)["figures"].(map[string]any), "retry_count") },
			[]string{"retry_count: says nothing, the samples give exact"}},
	} {
		t.Run(name, func(t *testing.T) {
			out, errs, status := verify(t, tampered(t, path, 1, c.change))
			if status != 1 || !strings.Contains(errs, "1 of 3 runs do not give the figures they say") || strings.Count(errs, "\n") != 1 {
				t.Errorf("status %d, %q", status, errs)
			}
			for _, want := range append(c.want, "Slate 00000000-0000-4000-8000-000000000001: all ", "Fern 00000000-0000-4000-8000-000000000003: all ", "Tin 00000000-0000-4000-8000-000000000002: 1 of its figures and marks do not come out") {
				if !strings.Contains(out, want) {
					t.Errorf("want %q in\n%s", want, out)
				}
			}
		})
	}
}
