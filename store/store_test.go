package store_test

import (
	"context"
	"database/sql"
	"errors"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"letthrough/capture/trace"
	"letthrough/store"

	"go.uber.org/goleak"
)

func TestMain(m *testing.M) {
	if path := os.Getenv(recordUntilKilled); path != "" {
		recordAsChild(path)
		return
	}
	goleak.VerifyTestMain(m)
}

var ctx = context.Background()

// mustOpen opens a fresh database that records and closes it with the test.
func mustOpen(t testing.TB) *store.DB {
	t.Helper()
	return mustOpenAt(t, filepath.Join(t.TempDir(), "bench.db"), store.Options{Record: true})
}

func mustOpenAt(t testing.TB, path string, opt store.Options) *store.DB {
	t.Helper()
	db, err := store.Open(ctx, path, opt)
	if err != nil {
		t.Fatalf("open %s: %v", path, err)
	}
	t.Cleanup(func() {
		if err := db.Close(); err != nil {
			t.Errorf("close %s: %v", path, err)
		}
	})
	return db
}

var (
	shuntCurrent = trace.Channel{Instrument: "shunt", Quantity: trace.Current}
	shuntVoltage = trace.Channel{Instrument: "shunt", Quantity: trace.Voltage}
	tin          = trace.Unit{Name: "Tin", RatedVoltageV: 12, RatedCurrentA: 1.4, Waveform: trace.DC}
)

// wave makes n samples from time from on, stepNS apart: decimals with noise of three counts.
func wave(n int, from, stepNS int64, seed uint64) []trace.Sample {
	rng := rand.New(rand.NewPCG(seed, 2))
	out := make([]trace.Sample, n)
	for i := range out {
		out[i] = trace.Sample{AtNS: from + int64(i)*stepNS, Value: math.Round(1000*math.Sin(float64(i)/700)+3*rng.NormFloat64()) / 1e3}
	}
	return out
}

func startOf(u trace.Unit) trace.RunStart {
	return trace.RunStart{Unit: u, Settings: trace.Settings{Procedure: trace.Short, RatedCurrentA: u.RatedCurrentA, HoldS: 30},
		Started:     time.Date(2026, 4, 1, 19, 30, 0, 123e6, time.FixedZone("", 7200)),
		Instruments: []trace.RunInstrument{{Name: "shunt", Format: "text", Port: "/dev/pts/3", Spec: "baud=115200"}}, Version: "1.2"}
}

func endOf(b trace.Behaviour) trace.RunEnd {
	return trace.RunEnd{State: trace.RunComplete, Settings: trace.Settings{Procedure: trace.Short, RatedCurrentA: 1.4, HoldS: 31},
		Derivation: trace.Derivation{Procedure: trace.Short, Behaviour: b, ApparentBehaviour: b, Recovery: trace.NotTested, ZeroAt: "file",
			Marks: []trace.Mark{{ID: 1, Kind: trace.Onset, T: 1.5, U: 0.001, By: trace.Detector}, {ID: 2, Kind: trace.CutOff, T: 2.4, By: trace.Detector}},
			Figures: trace.Figures{{Key: "time_to_cutoff_s", Value: 0.9, U: 0.002, Bound: trace.Exact, Text: "cut off after 0.9000 ± 0.0020 s"},
				{Key: "time_to_limit_s", Bound: trace.NotApplicable}}},
		Ended: time.Date(2026, 4, 1, 19, 31, 0, 0, time.UTC), Counts: trace.Counts{Lost: 1, Garbled: 2, Duplicate: 3}}
}

// record stores a whole run through the recorder and gives its number.
func record(t testing.TB, db *store.DB, s trace.RunStart, e trace.RunEnd, batches ...trace.Batch) int64 {
	t.Helper()
	id, err := db.Begin(s)
	if err != nil {
		t.Fatalf("begin: %v", err)
	}
	for _, b := range batches {
		db.Append(id, b)
	}
	db.End(id, e)
	mustFlush(t, db)
	return id
}

func mustFlush(t testing.TB, db *store.DB) {
	t.Helper()
	ctx, cancel := context.WithTimeout(ctx, 20*time.Second)
	defer cancel()
	if err := db.Flush(ctx); err != nil {
		t.Fatalf("flush: %v (health %+v)", err, db.Health())
	}
}

func mustRun(t testing.TB, db *store.DB, id int64) store.Run {
	t.Helper()
	r, err := db.Run(ctx, id)
	if err != nil {
		t.Fatalf("read run %d: %v", id, err)
	}
	return r
}

// samplesOf reads a channel as a whole.
func samplesOf(t testing.TB, db *store.DB, id int64, c trace.Channel) (out []trace.Sample) {
	t.Helper()
	for s, err := range db.Samples(ctx, id, c) {
		if err != nil {
			t.Fatalf("samples of run %d: %v", id, err)
		}
		out = append(out, s...)
	}
	return out
}

func checkSamples(t testing.TB, got, want []trace.Sample) {
	t.Helper()
	if len(got) != len(want) {
		t.Fatalf("got %d samples, want %d", len(got), len(want))
	}
	for i := range want {
		if got[i].AtNS != want[i].AtNS || got[i].Flags != want[i].Flags || math.Float64bits(got[i].Value) != math.Float64bits(want[i].Value) {
			t.Fatalf("sample %d is %+v, want %+v", i, got[i], want[i])
		}
	}
}

func TestRecordedRunComesBackWhole(t *testing.T) {
	db := mustOpen(t)
	current, voltage := wave(40_000, 0, 100_000, 1), wave(5000, 50_000, 800_000, 2)
	current[777].Flags, current[777].Value = trace.Over, math.Inf(1)
	start := startOf(tin)
	start.OpenedNS = 500e6
	id := record(t, db, start, endOf(trace.AutoRetry),
		trace.Batch{Channel: shuntCurrent, Samples: current}, trace.Batch{Channel: shuntVoltage, Samples: voltage})

	checkSamples(t, samplesOf(t, db, id, shuntCurrent), current)
	checkSamples(t, samplesOf(t, db, id, shuntVoltage), voltage)
	r := mustRun(t, db, id)
	if r.State != trace.RunComplete || r.Unit != "Tin" || r.Plate.RatedCurrentA != 1.4 || r.Behaviour != trace.AutoRetry || r.Samples != 45_000 {
		t.Errorf("got %s, unit %s %v A, %s, %d samples; want complete, Tin 1.4 A, auto_retry, 45000",
			r.State, r.Unit, r.Plate.RatedCurrentA, r.Behaviour, r.Samples)
	}
	if !r.Started.Equal(start.Started) || r.Started.Format(time.RFC3339) != "2026-04-01T19:30:00+02:00" {
		t.Errorf("started %v, want %v with its offset", r.Started, start.Started)
	}
	if r.ZeroS != 1.5 || r.OpenedS != -1 || r.Settings.HoldS != 31 || r.HoldS != 31 {
		t.Errorf("zero at %v, opened %v, hold %v and %v; want 1.5, -1, 31", r.ZeroS, r.OpenedS, r.Settings.HoldS, r.HoldS)
	}
	if want := (trace.Counts{Lost: 1, Garbled: 2, Duplicate: 3}); r.Counts != want {
		t.Errorf("counts %+v, want %+v", r.Counts, want)
	}
	if m, ok := r.Derivation.FirstMark(trace.CutOff); !ok || math.Abs(m.T-0.9) > 1e-12 || r.Derivation.ZeroAt != "onset" {
		t.Errorf("cut-off at %v from the %s, want 0.9 from the onset", m.T, r.Derivation.ZeroAt)
	}
	if f, ok := r.Figures.Get("time_to_cutoff_s"); !ok || f.Value != 0.9 || f.Bound != trace.Exact || f.Text == "" {
		t.Errorf("time to cut-off is %+v, want 0.9 exact with its text", f)
	}
	if len(r.Derivations) != 1 || !r.Derivations[0].Current || r.Derivations[0].Origin != "live" {
		t.Errorf("derivations %+v, want one, live and current", r.Derivations)
	}
	if len(r.Instruments) != 1 || !reflect.DeepEqual(r.Instruments, start.Instruments) || r.Version != "1.2" {
		t.Errorf("instruments %+v of version %q, want %+v of 1.2", r.Instruments, r.Version, start.Instruments)
	}
	if len(r.Channels) != 2 || r.Channels[0].Samples != 40_000 || r.Channels[0].FromS != -1.5 {
		t.Errorf("channels %+v, want current first, 40000 samples from -1.5 s", r.Channels)
	}
}

func TestRunThatIsOpenCanBeRead(t *testing.T) {
	db := mustOpen(t)
	id, err := db.Begin(startOf(tin))
	if err != nil {
		t.Fatal(err)
	}
	in := wave(20_000, 0, 100_000, 3)
	for at := 0; at < len(in); at += 1000 {
		db.Append(id, trace.Batch{Channel: shuntCurrent, Samples: in[at : at+1000]})
		if at%4000 == 0 {
			mustFlush(t, db)
		}
	}
	db.Marks(id, []trace.Mark{{ID: 1, Kind: trace.Applied, T: 0.5, By: trace.Hand}, {ID: 2, Kind: trace.Onset, T: 0.6, By: trace.Detector, Provisional: true}})
	mustFlush(t, db)
	db.Marks(id, []trace.Mark{{ID: 2, Kind: trace.Onset, T: 0.75, By: trace.Detector}})
	db.Amend(id, trace.Settings{Procedure: trace.Short, HoldS: 45})
	mustFlush(t, db)
	r := mustRun(t, db, id)
	if r.State != trace.RunOpen || r.ZeroS != 0.75 || r.HoldS != 45 || len(r.Derivation.Marks) != 2 || r.Derivation.Marks[0].T != -0.25 {
		t.Errorf("got %s, zero %v, hold %v, marks %+v; want open, 0.75, 45, applied at -0.25", r.State, r.ZeroS, r.HoldS, r.Derivation.Marks)
	}
	checkSamples(t, samplesOf(t, db, id, shuntCurrent), in)
	if err := db.DeleteRun(ctx, id); !errors.Is(err, store.ErrState) {
		t.Errorf("deleting it gives %v, want wrong state", err)
	}
	db.End(id, endOf(trace.Latching))
	mustFlush(t, db)
	checkSamples(t, samplesOf(t, db, id, shuntCurrent), in)
	outside, err := db.OutsideMarks(ctx, id)
	if err != nil || len(outside) != 1 || outside[0].Kind != trace.Applied || outside[0].T != 0.5 {
		t.Errorf("marks from outside %+v, %v; want applied at 0.5 on the run's time base", outside, err)
	}
	if n := count(t, db.Path(), "SELECT count(*) FROM chunks"); n != 2 {
		t.Errorf("the ended run has %d chunks, want 2", n)
	}
}

// count asks the file with a connection of its own, as a person would.
func count(t testing.TB, path, query string) (n int64) {
	t.Helper()
	pool, err := sql.Open("sqlite3", path)
	if err != nil {
		t.Fatal(err)
	}
	defer pool.Close()
	if err := pool.QueryRow(query).Scan(&n); err != nil {
		t.Fatalf("%s: %v", query, err)
	}
	return n
}

func TestRunKeepsNumberAcrossPrograms(t *testing.T) {
	path := filepath.Join(t.TempDir(), "bench.db")
	var ids []int64
	for range 3 {
		db := mustOpenAt(t, path, store.Options{Record: true})
		ids = append(ids, record(t, db, startOf(tin), endOf(trace.Latching)), record(t, db, startOf(tin), endOf(trace.Latching)))
		if err := db.Close(); err != nil {
			t.Fatal(err)
		}
	}
	for i, id := range ids {
		if id != int64(i+1) {
			t.Fatalf("runs are numbered %v, want 1 to 6", ids)
		}
	}
}

func TestDerivationsAreKept(t *testing.T) {
	db := mustOpen(t)
	id := record(t, db, startOf(tin), endOf(trace.Latching), trace.Batch{Channel: shuntCurrent, Samples: wave(100, 0, 1e6, 1)})
	again := endOf(trace.AutoRetry).Derivation
	again.Marks[0].T = 1.6
	again.Figures[0].Value = math.NaN()
	other := trace.Settings{Procedure: trace.Short, RatedCurrentA: 9}
	second, err := db.AddDerivation(ctx, id, other, again, "1.3")
	if err != nil {
		t.Fatal(err)
	}
	r := mustRun(t, db, id)
	if r.Behaviour != trace.AutoRetry || r.ZeroS != 1.6 || len(r.Derivations) != 2 || r.Derivations[0].ID != second || !r.Derivations[0].Current || r.Derivations[1].Current {
		t.Errorf("got %s, zero %v, %+v; want the second one current", r.Behaviour, r.ZeroS, r.Derivations)
	}
	if f, _ := r.Figures.Get("time_to_cutoff_s"); f.Bound != trace.NotResolved || f.Why == "" {
		t.Errorf("a figure that is no number is kept as %+v, want not resolved and why", f)
	}
	d, s, err := db.DerivationByID(ctx, id, r.Derivations[1].ID)
	if err != nil || d.Behaviour != trace.Latching || s.RatedCurrentA != 1.4 {
		t.Errorf("the first one is %s with %v A, %v; want latching with 1.4 A", d.Behaviour, s.RatedCurrentA, err)
	}
	if _, _, err := db.DerivationByID(ctx, id, 99); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("one that is not there gives %v, want not found", err)
	}
}

func TestExcludedRunCanBeTakenBack(t *testing.T) {
	db := mustOpen(t)
	id := record(t, db, startOf(tin), endOf(trace.Latching))
	if err := db.Exclude(ctx, id, "  "); !errors.Is(err, store.ErrInvalid) {
		t.Errorf("without a reason: %v, want out of range", err)
	}
	if err := db.Exclude(ctx, id, "contact was dirty"); err != nil {
		t.Fatal(err)
	}
	if r := mustRun(t, db, id); r.State != trace.RunExcluded || r.Reason != "contact was dirty" {
		t.Errorf("got %s because %q, want excluded with its reason", r.State, r.Reason)
	}
	if err := db.Include(ctx, id); err != nil {
		t.Fatal(err)
	}
	if r := mustRun(t, db, id); r.State != trace.RunComplete || r.Reason != "" {
		t.Errorf("got %s because %q, want complete", r.State, r.Reason)
	}
	if err := db.Include(ctx, id); !errors.Is(err, store.ErrState) {
		t.Errorf("including it again: %v, want wrong state", err)
	}
}

func TestDeletedRunGivesSpaceBack(t *testing.T) {
	db := mustOpen(t)
	size := func() int64 {
		var busy, log, done int
		if err := mustSQL(t, db.Path()).QueryRow("PRAGMA wal_checkpoint(TRUNCATE)").Scan(&busy, &log, &done); err != nil || busy != 0 {
			t.Fatalf("checkpoint: busy %d, %v", busy, err)
		}
		info, err := os.Stat(db.Path())
		if err != nil {
			t.Fatal(err)
		}
		return info.Size()
	}
	empty := size()
	id := record(t, db, startOf(tin), endOf(trace.Latching), trace.Batch{Channel: shuntCurrent, Samples: wave(300_000, 0, 1e5, 1)})
	full := size()
	if err := db.DeleteRun(ctx, id); err != nil {
		t.Fatal(err)
	}
	if full < empty+150_000 {
		t.Errorf("the file grew from %d to %d bytes only", empty, full)
	}
	eventually(t, "the file is small again", func() bool { return size() < empty+50_000 })
	if _, err := db.Run(ctx, id); !errors.Is(err, store.ErrNotFound) || !strings.Contains(err.Error(), "no run") {
		t.Errorf("reading it gives %v, want not found", err)
	}
	for _, table := range []string{"chunks", "channels", "overview", "marks", "figures", "derivations"} {
		if n := count(t, db.Path(), "SELECT count(*) FROM "+table); n != 0 {
			t.Errorf("%d rows are left in %s", n, table)
		}
	}
}

func TestBatchesComeInOrderOfTime(t *testing.T) {
	db := mustOpen(t)
	current, voltage := wave(40_000, 0, 100_000, 1), wave(7000, 0, 600_000, 2)
	id := record(t, db, startOf(tin), endOf(trace.Latching),
		trace.Batch{Channel: shuntVoltage, Samples: voltage}, trace.Batch{Channel: shuntCurrent, Samples: current})
	var gotCurrent, gotVoltage []trace.Sample
	last := int64(-1)
	for b, err := range db.Batches(ctx, id) {
		if err != nil {
			t.Fatal(err)
		}
		for i, s := range b.Samples {
			if s.AtNS < last || s.AtNS == last && b.Channel.Quantity == trace.Current && i == 0 {
				t.Fatalf("%s at %d ns comes after %d ns", b.Channel.Quantity, s.AtNS, last)
			}
			last = s.AtNS
		}
		if b.Channel.Quantity == trace.Current {
			gotCurrent = append(gotCurrent, b.Samples...)
		} else {
			gotVoltage = append(gotVoltage, b.Samples...)
		}
	}
	checkSamples(t, gotCurrent, current)
	checkSamples(t, gotVoltage, voltage)
	for range db.Batches(ctx, id) {
		break // leaving early lets go of the database
	}
}

func TestImportedRunIsTheRecordedOne(t *testing.T) {
	db := mustOpen(t)
	current := wave(50_001, 0, 100_000, 1)
	batches := func(yield func(trace.Batch, error) bool) {
		for at := 0; at < len(current); at += 7777 {
			if !yield(trace.Batch{Channel: shuntCurrent, Samples: current[at:min(at+7777, len(current))]}, nil) {
				return
			}
		}
	}
	id, err := db.ImportRun(ctx, startOf(tin), batches, endOf(trace.Latching))
	if err != nil {
		t.Fatal(err)
	}
	checkSamples(t, samplesOf(t, db, id, shuntCurrent), current)
	recorded := record(t, db, startOf(tin), endOf(trace.Latching), trace.Batch{Channel: shuntCurrent, Samples: current})
	for _, table := range []string{"chunks", "overview"} {
		q := "SELECT count(*) FROM " + table + " t JOIN channels c ON c.id = t.channel WHERE c.run = "
		a, b := count(t, db.Path(), q+itoa(id)), count(t, db.Path(), q+itoa(recorded))
		if a != b || a == 0 {
			t.Errorf("%s: the imported run has %d rows, the recorded one %d", table, a, b)
		}
	}
	broken := errors.New("line 7")
	before := count(t, db.Path(), "SELECT count(*) FROM runs")
	_, err = db.ImportRun(ctx, startOf(tin), func(yield func(trace.Batch, error) bool) { yield(trace.Batch{}, broken) }, endOf(trace.Latching))
	if !errors.Is(err, broken) {
		t.Errorf("a broken source gives %v, want its own error", err)
	}
	if after := count(t, db.Path(), "SELECT count(*) FROM runs"); after != before {
		t.Errorf("a broken source left %d runs, want %d", after, before)
	}
}

func mustSQL(t testing.TB, path string) *sql.DB {
	t.Helper()
	pool, err := sql.Open("sqlite3", path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { pool.Close() })
	return pool
}
