package store_test

import (
	"bufio"
	"fmt"
	"iter"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"letthrough/capture/trace"
	"letthrough/store"
)

const recordUntilKilled = "LETTHROUGH_TEST_RECORD_INTO"

func itoa(n int64) string { return strconv.FormatInt(n, 10) }

// recordAsChild records at 10 kS/s into the file until the process is killed, and says every
// millisecond how many samples it has handed over.
func recordAsChild(path string) {
	db, err := store.Open(ctx, path, store.Options{Record: true})
	if err != nil {
		fmt.Println("error:", err)
		os.Exit(1)
	}
	id, err := db.Begin(startOf(tin))
	if err != nil {
		fmt.Println("error:", err)
		os.Exit(1)
	}
	db.Marks(id, []trace.Mark{{ID: 1, Kind: trace.Applied, T: 0.01, By: trace.Hand}})
	out := bufio.NewWriter(os.Stdout)
	begun := time.Now()
	handed := int64(0)
	for range time.NewTicker(time.Millisecond).C {
		due := time.Since(begun).Nanoseconds() / 100_000
		samples := wave(int(due-handed), handed*100_000, 100_000, uint64(handed))
		db.Append(id, trace.Batch{Channel: shuntCurrent, Samples: samples})
		handed = due
		fmt.Fprintf(out, "%d\n", handed)
		out.Flush()
	}
}

// killed is what became of one trial.
type killed struct {
	path   string
	handed int64 // samples that the child had handed over when it died
	err    error
}

// Twenty processes, four at a time, each killed at a random moment of its recording.
func TestKilledProcessLosesAtMostAQuarterSecond(t *testing.T) {
	const perSecond, trials, together = 10_000, 20, 4
	rng := rand.New(rand.NewPCG(uint64(time.Now().UnixNano()), 1))
	done := 0
	for done < trials {
		results := make(chan killed)
		for range together {
			path := filepath.Join(t.TempDir(), "bench.db")
			after := int64(1000 + rng.IntN(24_000)) // samples; beyond one full chunk in some trials
			go func() { results <- recordAndKill(path, after) }()
		}
		var round []killed
		for range together {
			round = append(round, <-results)
		}
		for _, k := range round {
			if k.err != nil {
				t.Fatal(k.err)
			}
			checkKilled(t, k.path, k.handed, perSecond)
			done++
			t.Logf("trial %d: killed after %d samples", done, k.handed)
		}
	}
}

// recordAndKill lets a child record until it has handed over so many samples, and kills it.
func recordAndKill(path string, after int64) killed {
	child := exec.Command(os.Args[0])
	child.Env = append(os.Environ(), recordUntilKilled+"="+path)
	child.Stderr = os.Stderr
	out := killed{path: path}
	pipe, err := child.StdoutPipe()
	if err != nil {
		return killed{err: err}
	}
	if err := child.Start(); err != nil {
		return killed{err: err}
	}
	lines, dead := bufio.NewScanner(pipe), false
	for lines.Scan() { // after its end, what it still said before
		n, err := strconv.ParseInt(lines.Text(), 10, 64)
		if err != nil {
			if !dead {
				out.err = fmt.Errorf("the child says %q", lines.Text())
				child.Process.Kill()
			}
			break
		}
		out.handed = n
		if n >= after && !dead {
			dead = true
			child.Process.Kill() // SIGKILL
		}
	}
	child.Wait()
	return out
}

func checkKilled(t *testing.T, path string, handed, perSecond int64) {
	t.Helper()
	derived := 0
	db := mustOpenAt(t, path, store.Options{Record: true, Derive: func(s trace.Settings, marks []trace.Mark, samples iter.Seq2[trace.Batch, error]) (trace.Derivation, error) {
		for b, err := range samples {
			if err != nil {
				return trace.Derivation{}, err
			}
			derived += len(b.Samples)
		}
		if len(marks) != 1 || s.HoldS != 30 {
			t.Errorf("derived with marks %+v and hold %v, want the mark by hand and 30", marks, s.HoldS)
		}
		return trace.Derivation{Procedure: s.Procedure, Behaviour: trace.Sustained,
			Marks: []trace.Mark{{ID: 2, Kind: trace.Onset, T: 0.25, By: trace.Detector}}}, nil
	}})
	if got := db.Interrupted(); len(got) != 1 {
		t.Fatalf("runs found interrupted: %v, want one", got)
	}
	r := mustRun(t, db, db.Interrupted()[0])
	if r.State != trace.RunInterrupted || r.Reason == "" || r.Behaviour != trace.Sustained || r.ZeroS != 0.25 || r.Ended == nil {
		t.Errorf("got %s because %q, %s, zero %v, ended %v; want interrupted with figures", r.State, r.Reason, r.Behaviour, r.ZeroS, r.Ended)
	}
	if lost := handed - r.Samples; lost > perSecond/4 {
		t.Errorf("%d of %d samples are gone, that is %.3f s; want at most 0.25 s", lost, handed, float64(lost)/float64(perSecond))
	}
	got := samplesOf(t, db, r.ID, shuntCurrent)
	if int64(len(got)) != r.Samples || derived != len(got) {
		t.Errorf("%d samples come back, %d were derived from, the run says %d", len(got), derived, r.Samples)
	}
	for i, s := range got {
		if s.AtNS != int64(i)*100_000 {
			t.Fatalf("sample %d is at %d ns, want %d: samples are missing in between", i, s.AtNS, i*100_000)
		}
	}
	if n := count(t, path, "SELECT count(*) FROM chunks"); n != (r.Samples+16383)/16384 {
		t.Errorf("%d chunks are left for %d samples: not compacted", n, r.Samples)
	}
	if n := count(t, path, "SELECT sum(n) FROM overview WHERE level = 1"); r.Samples-n > 64 {
		t.Errorf("the overview stands for %d of %d samples", n, r.Samples)
	}
	cols, err := db.Columns(ctx, r.ID, math.NaN(), math.NaN(), 50)
	if err != nil || len(cols) != 1 {
		t.Fatalf("%d channels in columns, %v", len(cols), err)
	}
	checkColumns(t, cols[0], got, 250e6, math.NaN(), math.NaN(), 50)
	if s := integrity(t, path); s != "ok" {
		t.Errorf("integrity check: %s", s)
	}
	if err := db.Close(); err != nil {
		t.Error(err)
	}
}

func integrity(t *testing.T, path string) string {
	t.Helper()
	db := mustSQL(t, path)
	rows, err := db.Query("PRAGMA integrity_check")
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	var all []string
	for rows.Next() {
		var s string
		if err := rows.Scan(&s); err != nil {
			t.Fatal(err)
		}
		all = append(all, s)
	}
	return strings.Join(all, "; ")
}
