package store_test

import (
	"bytes"
	"database/sql"
	"errors"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"letthrough/capture/trace"
	"letthrough/store"
)

func TestOpenSaysWhatIsWrong(t *testing.T) {
	dir := t.TempDir()
	write := func(name, content string) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(content), 0o644); err != nil {
			t.Fatal(err)
		}
		return path
	}
	foreign := filepath.Join(dir, "foreign.db")
	if _, err := mustSQL(t, foreign).Exec("CREATE TABLE recipes (name TEXT)"); err != nil {
		t.Fatal(err)
	}
	newer := filepath.Join(dir, "newer.db")
	mustOpenAt(t, newer, store.Options{}).Close()
	if _, err := mustSQL(t, newer).Exec("INSERT INTO migrations VALUES (999, '0999_later', '2030-01-01')"); err != nil {
		t.Fatal(err)
	}
	tests := map[string]struct {
		path string
		opt  store.Options
		want *store.Error
		says string
	}{
		"a folder":                 {dir, store.Options{}, store.ErrNotOurs, "is a folder"},
		"a text file":              {write("notes.txt", "time_s,current_a\n0,1\n"), store.Options{}, store.ErrNotOurs, "is not a database"},
		"a short file":             {write("short", "SQLite"), store.Options{}, store.ErrNotOurs, "is not a database"},
		"damaged from the start":   {write("damaged.db", "SQLite format 3\x00"+strings.Repeat("junk", 2000)), store.Options{}, store.ErrNotOurs, "is not a letthrough database"},
		"another program's":        {foreign, store.Options{}, store.ErrNotOurs, "some other program's"},
		"from a newer version":     {newer, store.Options{}, store.ErrNewer, "newer letthrough"},
		"no such folder":           {filepath.Join(dir, "none", "bench.db"), store.Options{}, store.ErrNotFound, "no folder"},
		"no file where one should": {filepath.Join(dir, "none.db"), store.Options{MustExist: true}, store.ErrNotFound, "there is no database"},
		"a device":                 {"/dev/null", store.Options{}, store.ErrNotOurs, "no ordinary file"},
	}
	for name, test := range tests {
		t.Run(name, func(t *testing.T) {
			db, err := store.Open(ctx, test.path, test.opt)
			if err == nil {
				db.Close()
			}
			if !errors.Is(err, test.want) || !strings.Contains(err.Error(), test.says) || !strings.Contains(err.Error(), test.path) {
				t.Errorf("got %v, want %s that says %q and names the file", err, test.want.Code, test.says)
			}
			if err != nil && strings.Contains(err.Error(), "\n") {
				t.Errorf("%q is more than one line", err)
			}
		})
	}
	if n := count(t, foreign, "SELECT count(*) FROM sqlite_schema"); n != 1 {
		t.Errorf("the other program's database has %d tables now, want its own one", n)
	}
}

func TestOpenTakesAnyFileName(t *testing.T) {
	dir := t.TempDir()
	for _, name := range []string{"with space.db", "quest?ion.db", "per%63ent.db", "ha#sh&amp=1.db", "ünïcode.db", "a:b.db"} {
		path := filepath.Join(dir, name)
		db := mustOpenAt(t, path, store.Options{Record: true})
		record(t, db, startOf(tin), endOf(trace.Latching))
		if err := db.Close(); err != nil {
			t.Error(err)
		}
		if _, err := os.Stat(path); err != nil {
			t.Errorf("%q: %v", name, err)
		}
	}
}

func TestEmptyFileBecomesADatabase(t *testing.T) {
	path := filepath.Join(t.TempDir(), "empty.db")
	if err := os.WriteFile(path, nil, 0o644); err != nil {
		t.Fatal(err)
	}
	db := mustOpenAt(t, path, store.Options{})
	if _, err := db.CreateUnit(ctx, tin); err != nil {
		t.Error(err)
	}
}

func TestOneProcessRecords(t *testing.T) {
	db := mustOpen(t)
	id, err := db.Begin(startOf(tin))
	if err != nil {
		t.Fatal(err)
	}
	mustFlush(t, db)
	if _, err := store.Open(ctx, db.Path(), store.Options{Record: true}); !errors.Is(err, store.ErrInUse) {
		t.Errorf("a second one gives %v, want in use", err)
	}
	looking := mustOpenAt(t, db.Path(), store.Options{})
	if r := mustRun(t, looking, id); r.State != trace.RunOpen {
		t.Errorf("to one that looks the run is %s, want still open", r.State)
	}
	if _, err := looking.Begin(startOf(tin)); !errors.Is(err, store.ErrState) {
		t.Errorf("beginning a run there gives %v, want wrong state", err)
	}
	db.End(id, endOf(trace.Latching))
}

func TestClosedTwiceIsClosedOnce(t *testing.T) {
	db := mustOpen(t)
	id, err := db.Begin(startOf(tin))
	if err != nil {
		t.Fatal(err)
	}
	in := wave(5000, 0, 1e5, 1)
	db.Append(id, trace.Batch{Channel: shuntCurrent, Samples: in})
	db.End(id, endOf(trace.Latching))
	for range 2 { // closing writes what waits, too
		if err := db.Close(); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := db.Begin(startOf(tin)); !errors.Is(err, store.ErrClosed) {
		t.Errorf("begin gives %v, want closed", err)
	}
	if _, err := db.Run(ctx, id); !errors.Is(err, store.ErrClosed) {
		t.Errorf("reading gives %v, want closed", err)
	}
	left, err := filepath.Glob(db.Path() + "?*")
	if err != nil || len(left) != 0 {
		t.Errorf("left beside the database: %v, %v", left, err)
	}
	again := mustOpenAt(t, db.Path(), store.Options{MustExist: true})
	checkSamples(t, samplesOf(t, again, id, shuntCurrent), in)
}

func TestLockedDatabaseLosesNothing(t *testing.T) {
	db := mustOpen(t)
	id, err := db.Begin(startOf(tin))
	if err != nil {
		t.Fatal(err)
	}
	mustFlush(t, db)
	other, err := mustSQL(t, db.Path()).Conn(ctx)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := other.ExecContext(ctx, "BEGIN IMMEDIATE"); err != nil {
		t.Fatal(err)
	}
	in := wave(2000, 0, 1e5, 1)
	db.Append(id, trace.Batch{Channel: shuntCurrent, Samples: in}) // does not wait
	eventually(t, "the trouble is said", func() bool { text, _ := db.Trouble(); return strings.Contains(text, "locked") })
	if h := db.Health(); h.OK || h.QueuedSamples != 2000 || h.Since.IsZero() {
		t.Errorf("health is %+v, want not OK, 2000 waiting", h)
	}
	if _, err := other.ExecContext(ctx, "COMMIT"); err != nil {
		t.Fatal(err)
	}
	other.Close()
	mustFlush(t, db)
	checkSamples(t, samplesOf(t, db, id, shuntCurrent), in)
	if text, lost := db.Trouble(); text != "" || lost != 0 {
		t.Errorf("afterwards: %q, %d lost; want none", text, lost)
	}
	db.End(id, endOf(trace.Latching))
}

func TestDatabaseMovedAwayIsSaid(t *testing.T) {
	db := mustOpen(t)
	id, err := db.Begin(startOf(tin))
	if err != nil {
		t.Fatal(err)
	}
	mustFlush(t, db)
	if err := os.Rename(db.Path(), db.Path()+".away"); err != nil {
		t.Fatal(err)
	}
	in := wave(2000, 0, 1e5, 1)
	db.Append(id, trace.Batch{Channel: shuntCurrent, Samples: in})
	eventually(t, "the trouble is said", func() bool { text, _ := db.Trouble(); return strings.Contains(text, "moved, removed") })
	if err := os.Rename(db.Path()+".away", db.Path()); err != nil {
		t.Fatal(err)
	}
	mustFlush(t, db)
	checkSamples(t, samplesOf(t, db, id, shuntCurrent), in)
	db.End(id, endOf(trace.Latching))
}

func TestFullQueueCountsWhatItLoses(t *testing.T) {
	db := mustOpenAt(t, filepath.Join(t.TempDir(), "bench.db"), store.Options{Record: true, QueueSamples: 1000})
	id, err := db.Begin(startOf(tin))
	if err != nil {
		t.Fatal(err)
	}
	in := wave(1500, 0, 1e5, 1)
	db.Append(id, trace.Batch{Channel: shuntCurrent, Samples: in[:400]})
	db.Append(id, trace.Batch{Channel: shuntCurrent, Samples: in}) // 1500 at once never fit
	mustFlush(t, db)
	db.Append(id, trace.Batch{Channel: shuntCurrent, Samples: in[1200:]})
	mustFlush(t, db)
	later := wave(1500, in[1499].AtNS+1e5, 1e5, 2)
	db.Append(id, trace.Batch{Channel: shuntCurrent, Samples: later}) // and at once again
	db.Append(id, trace.Batch{Channel: shuntCurrent, Samples: later[1490:]})
	db.End(id, endOf(trace.Latching))
	mustFlush(t, db)
	want := append(append(append([]trace.Sample{}, in[:400]...), in[1200:]...), later[1490:]...)
	want[400].Flags, want[700].Flags = trace.Gap, trace.Gap
	checkSamples(t, samplesOf(t, db, id, shuntCurrent), want)
	if _, lost := db.Trouble(); lost != 3000 {
		t.Errorf("%d samples are said to be lost, want 3000", lost)
	}
	if r := mustRun(t, db, id); r.Counts.Lost != 3001 {
		t.Errorf("the run says %d lost, want 3000 and the one that the bench counted", r.Counts.Lost)
	}
}

func TestRunDeletedWhileOpenDoesNotStopTheOthers(t *testing.T) {
	var log bytes.Buffer
	db := mustOpenAt(t, filepath.Join(t.TempDir(), "bench.db"), store.Options{Record: true, Log: slog.New(slog.NewTextHandler(&log, nil))})
	gone, err := db.Begin(startOf(tin))
	if err != nil {
		t.Fatal(err)
	}
	mustFlush(t, db)
	other := mustSQL(t, db.Path())
	if _, err := other.Exec("PRAGMA busy_timeout = 5000; DELETE FROM runs"); err != nil {
		t.Fatal(err)
	}
	db.Append(gone, trace.Batch{Channel: shuntCurrent, Samples: wave(10, 0, 1e5, 1)})
	id := record(t, db, startOf(tin), endOf(trace.Latching), trace.Batch{Channel: shuntCurrent, Samples: wave(20, 0, 1e5, 1)})
	if r := mustRun(t, db, id); r.Samples != 20 {
		t.Errorf("the other run has %d samples, want 20", r.Samples)
	}
	if _, lost := db.Trouble(); lost != 10 {
		t.Errorf("%d samples are said to be lost, want the 10 of the run that is gone", lost)
	}
	if !strings.Contains(log.String(), "can no longer be stored") {
		t.Errorf("the log does not say so: %s", log.String())
	}
}

// smallDisk gives a folder on a disk of its own, or skips the test where that is not allowed.
func smallDisk(t *testing.T, bytes string) string {
	t.Helper()
	dir := t.TempDir()
	if err := syscall.Mount("tmpfs", dir, "tmpfs", 0, "size="+bytes); err != nil {
		t.Skipf("no small disk can be made here: mount: %v", err)
	}
	t.Cleanup(func() {
		if err := syscall.Unmount(dir, 0); err != nil {
			t.Errorf("unmount: %v", err)
		}
	})
	return dir
}

func TestFullDiskHarmsNothingStored(t *testing.T) {
	dir := smallDisk(t, "1m")
	db := mustOpenAt(t, filepath.Join(dir, "bench.db"), store.Options{Record: true})
	first := wave(20_000, 0, 1e5, 1)
	before := record(t, db, startOf(tin), endOf(trace.Latching), trace.Batch{Channel: shuntCurrent, Samples: first})
	ballast := filepath.Join(dir, "ballast")
	fillDisk(t, ballast)
	id, err := db.Begin(startOf(tin))
	if err != nil {
		t.Fatal(err)
	}
	var in []trace.Sample
	eventually(t, "the disk is full", func() bool {
		more := wave(5000, int64(len(in))*1e5, 1e5, 2)
		if len(in) < 200_000 {
			in = append(in, more...)
			db.Append(id, trace.Batch{Channel: shuntCurrent, Samples: more})
		}
		text, _ := db.Trouble()
		return strings.Contains(text, "full")
	})
	checkSamples(t, samplesOf(t, db, before, shuntCurrent), first)
	if err := os.Remove(ballast); err != nil {
		t.Fatal(err)
	}
	mustFlush(t, db)
	db.End(id, endOf(trace.Latching))
	mustFlush(t, db)
	checkSamples(t, samplesOf(t, db, id, shuntCurrent), in)
	if s := integrity(t, db.Path()); s != "ok" {
		t.Errorf("integrity check: %s", s)
	}
}

func fillDisk(t *testing.T, path string) {
	t.Helper()
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	lot := make([]byte, 4096)
	for {
		if _, err := f.Write(lot); errors.Is(err, syscall.ENOSPC) {
			return
		} else if err != nil {
			t.Fatal(err)
		}
	}
}

func TestReadOnlyDiskIsSaid(t *testing.T) {
	dir := smallDisk(t, "4m")
	path := filepath.Join(dir, "bench.db")
	db := mustOpenAt(t, path, store.Options{Record: true})
	in := wave(1000, 0, 1e5, 1)
	id := record(t, db, startOf(tin), endOf(trace.Latching), trace.Batch{Channel: shuntCurrent, Samples: in})
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	if err := syscall.Mount("", dir, "", syscall.MS_REMOUNT|syscall.MS_RDONLY, ""); err != nil {
		t.Skipf("no read-only disk can be made here: %v", err)
	}
	want := func(what string, err error) {
		t.Helper()
		if !errors.Is(err, store.ErrReadOnly) || !strings.Contains(err.Error(), path) {
			t.Errorf("%s: got %v, want read-only with the name of the file", what, err)
		}
	}
	want("to record", second(store.Open(ctx, path, store.Options{Record: true})))
	looking := mustOpenAt(t, path, store.Options{MustExist: true})
	checkSamples(t, samplesOf(t, looking, id, shuntCurrent), in)
	want("to change", looking.SetNote(ctx, id, "x"))
	want("to add", second(looking.CreateUnit(ctx, trace.Unit{Name: "Fern"})))
	want("a new one", second(store.Open(ctx, filepath.Join(dir, "bench.db2"), store.Options{})))
}

func TestDamagedSamplesAreNamed(t *testing.T) {
	db := mustOpen(t)
	id := record(t, db, startOf(tin), endOf(trace.Latching), trace.Batch{Channel: shuntCurrent, Samples: wave(40_000, 0, 1e5, 1)})
	if _, err := mustSQL(t, db.Path()).Exec("PRAGMA busy_timeout = 5000; UPDATE chunks SET data = substr(data, 1, 100) WHERE first = 16384"); err != nil {
		t.Fatal(err)
	}
	n := 0
	var err error
	for s, e := range db.Samples(ctx, id, shuntCurrent) {
		n += len(s)
		err = e
	}
	if n != 16384 || !errors.Is(err, store.ErrCorrupt) || !strings.Contains(err.Error(), "16384") {
		t.Errorf("%d samples and %v, want the 16384 before the damage and where it is", n, err)
	}
}

func TestBackupWhileRecording(t *testing.T) {
	db := mustOpen(t)
	in := wave(300_000, 0, 1e5, 1)
	id := record(t, db, startOf(tin), endOf(trace.Latching), trace.Batch{Channel: shuntCurrent, Samples: in})
	open, err := db.Begin(startOf(tin))
	if err != nil {
		t.Fatal(err)
	}
	db.Append(open, trace.Batch{Channel: shuntCurrent, Samples: in[:1000]})
	mustFlush(t, db)
	to := filepath.Join(t.TempDir(), "copy.db")
	if err := db.Backup(ctx, to); err != nil {
		t.Fatal(err)
	}
	if err := db.Backup(ctx, to); !errors.Is(err, store.ErrConflict) {
		t.Errorf("a second one over it gives %v, want conflict", err)
	}
	if err := db.Backup(ctx, filepath.Join(t.TempDir(), "no", "copy.db")); err == nil {
		t.Error("a backup into a folder that is not there succeeds")
	}
	db.End(open, endOf(trace.Latching))
	mustFlush(t, db)
	copied := mustOpenAt(t, to, store.Options{Record: true})
	checkSamples(t, samplesOf(t, copied, id, shuntCurrent), in)
	checkSamples(t, samplesOf(t, copied, open, shuntCurrent), in[:1000])
	left, err := filepath.Glob(to + ".part-*")
	if err != nil || len(left) != 0 {
		t.Errorf("left behind: %v, %v", left, err)
	}
}

func TestPragmasHoldOnEveryConnection(t *testing.T) {
	db := mustOpen(t)
	if _, err := db.CreateUnit(ctx, tin); err != nil {
		t.Fatal(err)
	}
	file := mustSQL(t, db.Path())
	for pragma, want := range map[string]string{"journal_mode": "wal", "auto_vacuum": "2", "application_id": "1819571304"} {
		var got string
		if err := file.QueryRow("PRAGMA " + pragma).Scan(&got); err != nil || got != want {
			t.Errorf("%s is %q, %v; want %s", pragma, got, err, want)
		}
	}
	var names sql.NullString
	if err := file.QueryRow("SELECT group_concat(name) FROM migrations").Scan(&names); err != nil || names.String != "0001_runs,0002_mark_edits,0003_instruments,0004_mark_edits_taken_back,0005_loads_rigs_criteria,0006_verdicts,0007_parts,0008_series_contact_cautions,0009_loads_warm,0010_forecasts" {
		t.Errorf("migrations recorded: %q, %v", names.String, err)
	}
}
