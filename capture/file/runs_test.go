package file_test

import (
	"archive/zip"
	"bytes"
	"errors"
	"fmt"
	"io"
	"iter"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"letthrough/capture/file"
	"letthrough/capture/trace"
)

const tinID = "c60a7bfd-a1cc-410f-aed0-f75a9d47287e"

// wholeRun is a run with something in every part.
func wholeRun() trace.Recording {
	averaging := 0.0
	settings := trace.Settings{Procedure: trace.Short, RatedCurrentA: 1.4, HoldS: 30, AveragingS: &averaging, Accuracy: trace.Accuracy{Percent: 0.8, Counts: 3}}
	spare := trace.Channel{Instrument: "spare, \"old\"", Quantity: trace.Current}
	current := []trace.Sample{{AtNS: 0, Value: 0.1}, {AtNS: 333_333_333, Value: math.Inf(1), Flags: trace.Over}, {AtNS: 666_666_667, Value: -7e-9, Flags: trace.Gap},
		{AtNS: 700_000_000, Value: math.Inf(-1), Flags: trace.Over | trace.Gap}, {AtNS: 700_000_000, Value: 10, Flags: trace.Over}, {AtNS: 900_000_000, Value: 1.0 / 3}}
	voltage := []trace.Sample{{AtNS: 1, Value: 12.5}, {AtNS: 700_000_000, Value: 0.31}}
	one := func(c trace.Channel, s []trace.Sample) iter.Seq2[trace.Batch, error] {
		return func(yield func(trace.Batch, error) bool) { yield(trace.Batch{Channel: c, Samples: s}, nil) }
	}
	rec := trace.Recording{
		UUID: tinID, Exclusion: "clip slipped",
		Start: trace.RunStart{Unit: trace.Unit{Name: "Tin <&>", RatedVoltageV: 12, RatedCurrentA: 1.4, Waveform: trace.DC}, Output: "1", Setting: "80 %", Rig: "bench A",
			Note: "first\nsecond", Settings: settings, Started: time.Date(2026, 4, 1, 19, 30, 0, 123e6, time.FixedZone("", 7200)), OpenedNS: 5,
			Instruments: []trace.RunInstrument{{Name: "shunt", Format: "text", Port: "/dev/pts/3", Spec: "baud=115200", Calibrations: map[trace.Quantity]trace.Calibration{trace.Voltage: {Gain: 1.5}}}}, Version: "1.2"},
		End: trace.RunEnd{State: trace.RunInterrupted, Reason: "lost power", Settings: settings, EndNS: 900_000_001, Ended: time.Date(2026, 4, 1, 19, 31, 0, 0, time.FixedZone("", 7200)),
			Counts: trace.Counts{Lost: 1, Garbled: 2, Duplicate: 3},
			Derivation: trace.Derivation{Procedure: trace.Short, Behaviour: trace.Latching, ApparentBehaviour: trace.Latching, Recovery: trace.NotTested, ZeroAt: "file",
				Marks:    []trace.Mark{{ID: 1, Kind: trace.Onset, T: 0.1 + 0.2, U: 0.001, By: trace.Detector, Level: 4.5}, {ID: 2, Kind: trace.Note, T: 0.7, By: trace.Hand, Text: "?"}},
				Figures:  trace.Figures{{Key: "time_to_cutoff_s", Value: 1.0 / 3, U: 0.1, Bound: trace.AtMost, Text: "x", Why: "y"}, {Key: "time_to_limit_s", Bound: trace.NotApplicable}},
				Warnings: []trace.Warning{{Code: "gap", Text: "z"}}}},
		Marks:    []trace.Mark{{ID: 1 << 20, Kind: trace.Removed, T: 0.9, U: 0.02, By: trace.Contact}},
		Channels: []trace.Channel{{Instrument: "shunt", Quantity: trace.Current}, spare, {Instrument: "shunt", Quantity: trace.Voltage}},
	}
	was, now := 0.3, 0.25
	rec.Edits = []trace.MarkEdit{{Made: time.Date(2026, 4, 2, 0, 0, 0, 0, time.UTC), Kind: trace.Onset, WasTS: &was, TS: &now, Reason: "bounce"}, {Kind: trace.Note, WasTS: &was, Reason: "x"}}
	rec.Earlier = []trace.PastDerivation{{Made: time.Date(2026, 4, 1, 19, 32, 0, 0, time.UTC), Origin: "live", Version: "1.1", Settings: settings, Derivation: rec.End.Derivation}}
	rec.Batches = trace.Merge(one(rec.Channels[0], current), one(spare, samples(2, 5, 1, 2, 3)), one(rec.Channels[2], voltage))
	return rec
}

// gather gives the samples of a recording by channel, and the order they came in.
func gather(t testing.TB, rec trace.Recording) (out map[trace.Channel][]trace.Sample, order []int64) {
	t.Helper()
	out = map[trace.Channel][]trace.Sample{}
	for b, err := range rec.Batches {
		if err != nil {
			t.Fatal(err)
		}
		out[b.Channel] = append(out[b.Channel], b.Samples...)
		for _, s := range b.Samples {
			order = append(order, s.AtNS)
		}
	}
	return out, order
}

func checkSameRun(t testing.TB, got, want trace.Recording) {
	t.Helper()
	if got.Shown == nil || len(got.Shown.Figures) != len(want.End.Derivation.Figures) {
		t.Errorf("shown %+v, want the figures of the record", got.Shown)
	}
	got.Shown = nil
	a, orderA := gather(t, got)
	b, orderB := gather(t, want)
	if !reflect.DeepEqual(a, b) || !reflect.DeepEqual(orderA, orderB) {
		t.Errorf("samples\n%v\nwant\n%v", a, b)
	}
	again, _ := gather(t, got)
	if !reflect.DeepEqual(a, again) {
		t.Error("a second walk over the samples gives others")
	}
	for _, p := range [][2]*time.Time{{&got.Start.Started, &want.Start.Started}, {&got.End.Ended, &want.End.Ended}} {
		if !p[0].Equal(*p[1]) {
			t.Errorf("time of day %v, want %v", *p[0], *p[1])
		}
		*p[0] = *p[1]
	}
	got.Batches, want.Batches = nil, nil
	if !reflect.DeepEqual(got, want) {
		t.Errorf("run\n%+v\nwant\n%+v", got, want)
	}
}

func runJSON(t testing.TB, rec trace.Recording) string {
	t.Helper()
	var out bytes.Buffer
	if err := file.WriteJSON(&out, rec, 7); err != nil {
		t.Fatal(err)
	}
	return out.String()
}

func readRuns(content string) ([]trace.Recording, error) {
	runs, err := file.ReadRuns(strings.NewReader(content), int64(len(content)), "x")
	if err != nil {
		return nil, err
	}
	var out []trace.Recording
	for rec, err := range runs.All() {
		if err != nil {
			return nil, err
		}
		out = append(out, rec)
	}
	return out, runs.Close()
}

func TestRunAsJSONComesBackWhole(t *testing.T) {
	content := runJSON(t, wholeRun())
	got, err := readRuns(content)
	if err != nil || len(got) != 1 {
		t.Fatalf("%d runs, %v", len(got), err)
	}
	checkSameRun(t, got[0], wholeRun())
	// For people and scripts: marks as `read --json` has them, from the onset.
	for _, want := range []string{`{"file":"run 7","id":7,"unit":"Tin \u003c\u0026\u003e","procedure":"short","behaviour":"latching"`, `"zero_at":"onset"`, `"kind":"onset","t_s":0,`, "\n[-0.3,0.1,0]", "[0.4,null,7]"} {
		if !strings.Contains(content, want) {
			t.Errorf("%s\ndoes not say %s", content, want)
		}
	}
}

func bundleOf(t testing.TB, recs ...trace.Recording) string {
	t.Helper()
	var out bytes.Buffer
	err := file.WriteBundle(&out, "letthrough test", func(yield func(trace.Recording, error) bool) {
		for _, r := range recs {
			if !yield(r, nil) {
				return
			}
		}
	})
	if err != nil {
		t.Fatal(err)
	}
	return out.String()
}

func TestBundleComesBackWhole(t *testing.T) {
	a, b := wholeRun(), wholeRun()
	b.Edits = []trace.MarkEdit{}
	b.UUID, b.Start.Unit.Name, b.Channels, b.Earlier, b.Marks = "00000000-a1cc-410f-aed0-f75a9d47287e", "Slate", nil, []trace.PastDerivation{}, []trace.Mark{}
	b.Batches = trace.Merge()
	content := bundleOf(t, a, b, a)
	path := filepath.Join(t.TempDir(), "pool.bundle")
	if err := os.WriteFile(path, []byte(content), 0o644); err != nil {
		t.Fatal(err)
	}
	runs, err := file.OpenRuns(path)
	if err != nil {
		t.Fatal(err)
	}
	if !runs.Bundle || runs.Len() != 2 {
		t.Errorf("bundle %v of %d runs, want 2", runs.Bundle, runs.Len())
	}
	want := []trace.Recording{a, b}
	i := 0
	for rec, err := range runs.All() {
		if err != nil {
			t.Fatal(err)
		}
		checkSameRun(t, rec, want[i])
		i++
	}
	if err := errors.Join(runs.Close(), runs.Close()); err != nil || i != 2 {
		t.Errorf("%d runs, close: %v", i, err)
	}
}

// Whatever is cut off a file, it is refused, and never read as a shorter run.
func TestTruncatedRunsAreRefused(t *testing.T) {
	for name, content := range map[string]string{"JSON": runJSON(t, wholeRun()), "bundle": bundleOf(t, wholeRun())} {
		end := len(strings.TrimRight(content, "\n"))
		for n := range end {
			got, err := readRuns(content[:n])
			var e *file.Error
			if err == nil || !errors.As(err, &e) {
				t.Fatalf("%s cut at byte %d of %d: %d runs, %v; want a *file.Error", name, n, end, len(got), err)
			}
		}
	}
}

// archive packs files as they are named.
func archive(t testing.TB, files ...string) string {
	t.Helper()
	var out bytes.Buffer
	z := zip.NewWriter(&out)
	for i := 0; i < len(files); i += 2 {
		f, err := z.Create(files[i])
		if err == nil {
			_, err = io.WriteString(f, files[i+1])
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	return out.String()
}

func TestRunsSayWhatIsWrong(t *testing.T) {
	good := runJSON(t, wholeRun())
	swap := func(old, by string) string {
		if !strings.Contains(good, old) {
			t.Fatalf("%s\nhas no %s", good, old)
		}
		return strings.Replace(good, old, by, 1)
	}
	list := func(files ...string) string {
		var runs []string
		for _, f := range files {
			runs = append(runs, fmt.Sprintf(`{"uuid":"u","unit":"Tin","file":%q}`, f))
		}
		return `{"letthrough_bundle":1,"runs":[` + strings.Join(runs, ",") + "]}"
	}
	for name, c := range map[string]struct {
		content string
		want    []string
	}{
		"empty":                    {"", []string{"want a bundle, or the JSON"}},
		"a trace":                  {"time_s,current_a\n0,1\n", []string{"want a bundle", "letthrough read"}},
		"other JSON":               {`{"a":1}`, []string{`under "trace"`}},
		"more behind it":           {good + "{", []string{"byte", "end of the file"}},
		"row of two":               {swap("[-0.3,0.1,0]", "[-0.3,0.1]"), []string{"byte", "want a row", `[0.001,4.497,0]`}},
		"value is no number":       {swap("[-0.3,0.1,0]", `[-0.3,"x",0]`), []string{"byte", "want a number"}},
		"null that is not beyond":  {swap("[-0.3,0.1,0]", `[-0.3,null,2]`), []string{"null with the flag 1"}},
		"flag of another program":  {swap("[-0.3,0.1,0]", `[-0.3,0.1,9]`), []string{"flags from 0 to 7"}},
		"time beyond all times":    {swap("[-0.3,0.1,0]", `[1e30,0.1,0]`), []string{"time in seconds"}},
		"unit of another quantity": {swap(`"unit":"V"`, `"unit":"A"`), []string{"voltage in V"}},
		"members sorted otherwise": {`{"run":{},"trace":[{"instrument":"i","quantity":"current","rows":[],"unit":"A"}]}`, []string{`"unit" before its "rows"`}},
		"unknown quantity":         {swap(`"quantity":"voltage"`, `"quantity":"heat"`), []string{"channel", "heat"}},
		"channel twice":            {swap(`"instrument":"spare, \"old\""`, `"instrument":"shunt"`), []string{"every channel once"}},
		"zero beyond all times":    {swap(`"zero_ns":300000000`, `"zero_ns":9000000000000000000`), []string{"zero_ns"}},
		"figure is no object":      {swap(`"time_to_cutoff_s":{`, `"time_to_cutoff_s":5,"x":{`), []string{"description of a run"}},
		"a million channels":       {`{"run":{},"trace":[` + strings.Repeat(`{"instrument":"i","quantity":"current","unit":"A","rows":[]},`, 2), []string{"every channel once"}},
		"head without end":         {`{"run":` + strings.Repeat("[", 100_000), []string{"cut short"}},
		"not JSON":                 {"{run:1}", []string{"byte"}},
		"no list":                  {archive(t, "runs/a.json", good), []string{"list of its runs"}},
		"path that climbs":         {archive(t, "bundle.json", list("../a.json"), "../a.json", good), []string{"nothing else", `"../a.json"`}},
		"path that climbs inside":  {archive(t, "bundle.json", list("runs/../../a.json"), "runs/../../a.json", good), []string{"nothing else"}},
		"absolute path":            {archive(t, "bundle.json", list("/runs/a.json"), "/runs/a.json", good), []string{"nothing else"}},
		"backslashes":              {archive(t, "bundle.json", list(`runs/..\a.json`), `runs/..\a.json`, good), []string{"nothing else"}},
		"another folder":           {archive(t, "bundle.json", list(), "other/", ""), []string{"nothing else", `"other/"`}},
		"a folder in the folder":   {archive(t, "bundle.json", list(), "runs/x/", ""), []string{"nothing else"}},
		"a folder that climbs":     {archive(t, "bundle.json", list(), "runs/../", ""), []string{"nothing else"}},
		"a folder that climbs out": {archive(t, "bundle.json", list(), "../runs/", ""), []string{"nothing else"}},
		"something else":           {archive(t, "bundle.json", list(), "runs/a.sh", "rm"), []string{"nothing else"}},
		"name twice":               {archive(t, "bundle.json", list("runs/a.json"), "runs/a.json", good, "runs/a.json", good), []string{"every name once"}},
		"run that is not listed":   {archive(t, "bundle.json", list(), "runs/a.json", good), []string{"want 0 runs", "got 1"}},
		"run that is not there":    {archive(t, "bundle.json", list("runs/b.json")), []string{"every run of the list"}},
		"run that is listed twice": {archive(t, "bundle.json", list("runs/a.json", "runs/a.json"), "runs/a.json", good), []string{"every run of the list"}},
		"bundle of the future":     {archive(t, "bundle.json", `{"letthrough_bundle":2}`), []string{"letthrough_bundle 1", "got 2"}},
		"run in it is no run":      {archive(t, "bundle.json", list("runs/a.json"), "runs/a.json", "[]"), []string{"x, runs/a.json", "byte 1"}},
		"bomb":                     {archive(t, "bundle.json", list("runs/a.json"), "runs/a.json", strings.Repeat(" ", 64<<20)), []string{"would fill the disk"}},
	} {
		t.Run(name, func(t *testing.T) {
			got, err := readRuns(c.content)
			var e *file.Error
			if !errors.As(err, &e) {
				t.Fatalf("%d runs, %v; want a *file.Error", len(got), err)
			}
			for _, want := range c.want {
				if !strings.Contains(err.Error(), want) {
					t.Errorf("%q does not say %q", err, want)
				}
			}
		})
	}
}

func FuzzReadRuns(f *testing.F) {
	f.Fuzz(func(t *testing.T, content []byte) {
		recs, err := readRuns(string(content))
		var e *file.Error
		if err != nil {
			if !errors.As(err, &e) {
				t.Fatalf("%v is no *file.Error", err)
			}
			return
		}
		for _, rec := range recs {
			for b, err := range rec.Batches {
				if err != nil {
					t.Fatalf("what was looked at before fails now: %v", err)
				}
				for _, s := range b.Samples {
					if math.IsNaN(s.Value) || math.IsInf(s.Value, 0) != (s.Flags&trace.Over != 0 && math.IsInf(s.Value, 0)) {
						t.Fatalf("%+v is no reading", s)
					}
				}
			}
		}
	})
}

// Whoever unpacks a bundle, looks into it and packs it again gets an entry for the folder too.
func TestABundleThatWasPackedAgainIsRead(t *testing.T) {
	in, err := zip.NewReader(strings.NewReader(bundleOf(t, wholeRun())), int64(len(bundleOf(t, wholeRun()))))
	if err != nil {
		t.Fatal(err)
	}
	parts := []string{"runs/", ""}
	for _, f := range in.File {
		r, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		b, err := io.ReadAll(r)
		if err != nil {
			t.Fatal(err)
		}
		parts = append(parts, f.Name, string(b))
	}
	path := filepath.Join(t.TempDir(), "again.zip")
	if err := os.WriteFile(path, []byte(archive(t, parts...)), 0o600); err != nil {
		t.Fatal(err)
	}
	runs, err := file.OpenRuns(path)
	if err != nil {
		t.Fatal(err)
	}
	defer runs.Close()
	if runs.Len() != 1 {
		t.Errorf("%d runs, want 1", runs.Len())
	}
}
