package main

import (
	"encoding/json"
	"errors"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"

	"letthrough/capture/file"
	"letthrough/capture/sim"
)

func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){"letthrough": main})
}

// TestScripts runs the commands as a person types them. Beside testscript's own commands there are
//
//	exits STATUS letthrough ARG...   the exit status, and one line on standard error where it is not 0
//	same-figures A.json B.json       what read --json printed of two files: the same marks and figures
//	record UNIT FILE                 a short test of a simulated unit, 1000 readings a second, as CSV
func TestScripts(t *testing.T) {
	testscript.Run(t, testscript.Params{
		Dir:                 "testdata/script",
		RequireExplicitExec: true,
		Cmds: map[string]func(*testscript.TestScript, bool, []string){
			"exits":        exits,
			"record":       record,
			"same-figures": sameFigures,
		},
	})
}

func exits(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: exits STATUS COMMAND...")
	}
	want, err := strconv.Atoi(args[0])
	ts.Check(err)
	got := 0
	err = ts.Exec(args[1], args[2:]...)
	var status *exec.ExitError
	switch {
	case errors.As(err, &status):
		got = status.ExitCode()
	default:
		ts.Check(err)
	}
	stderr := ts.ReadFile("stderr")
	if got != want {
		ts.Fatalf("exit status %d, want %d", got, want)
	}
	if want != 0 && (strings.Count(stderr, "\n") != 1 || !strings.HasSuffix(stderr, "\n")) {
		ts.Fatalf("want exactly one line on standard error, got %q", stderr)
	}
	if strings.Contains(stderr, "goroutine ") {
		ts.Fatalf("a stack trace is no message: %s", stderr)
	}
}

func record(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: record UNIT FILE")
	}
	u, err := sim.Find(args[0])
	ts.Check(err)
	u.Smooth = true
	r, err := sim.Record(u, sim.ShortTest(2, 30, 5), sim.DefaultMeter(1000), 1)
	ts.Check(err)
	f, err := os.Create(ts.MkAbs(args[1]))
	ts.Check(err)
	ts.Check(file.WriteCSV(f, file.Trace{Name: args[1], Current: r.Current}))
	ts.Check(f.Close())
}

func sameFigures(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: same-figures A.json B.json")
	}
	var read [2][]entry
	for i, name := range args {
		ts.Check(json.Unmarshal([]byte(ts.ReadFile(name)), &read[i]))
		if len(read[i]) != 1 || len(read[i][0].Figures) == 0 {
			ts.Fatalf("%s: want one entry with figures", name)
		}
	}
	a, b := read[0][0].Derivation, read[1][0].Derivation
	if v := compared(a, b); !v.Agrees || v.Figures < 10 || len(a.Marks) != len(b.Marks) {
		ts.Logf("%+v", v)
		ts.Fatalf("%s gives\n%+v\n%s gives\n%+v", args[0], a, args[1], b)
	}
}
