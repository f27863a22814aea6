package store_test

import (
	"bytes"
	"database/sql"
	"errors"
	"os"
	"path/filepath"
	"testing"

	"letthrough/capture/trace"
	"letthrough/store"
)

// One page of the file after the other is overwritten. Whatever is asked then is answered, or refused
// in words that say which file is damaged; nothing is made up and nothing panics.
func TestDamagedPagesAreRefusedInWords(t *testing.T) {
	content, err := os.ReadFile("testdata/schema-0001.sqlite")
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "bench.db")
	if err := os.WriteFile(path, content, 0o644); err != nil {
		t.Fatal(err)
	}
	if err := mustOpenAt(t, path, store.Options{}).Close(); err != nil { // as it is after an update
		t.Fatal(err)
	}
	if content, err = os.ReadFile(path); err != nil {
		t.Fatal(err)
	}
	want := wave(20_000, 0, 1e6, 1)
	const page = 4096
	refused := 0
	for at := 0; at < len(content); at += page {
		for _, fill := range []byte{0, 0xa5} {
			bad := append([]byte(nil), content...)
			for i := at; i < at+page; i++ {
				bad[i] = fill
			}
			path := filepath.Join(t.TempDir(), "damaged.db")
			if err := os.WriteFile(path, bad, 0o644); err != nil {
				t.Fatal(err)
			}
			if err := lookAtAll(t, path, want); err != nil {
				refused++
				var e *store.Error
				if !errors.As(err, &e) || e.Code == "" || e.Text == "" {
					t.Errorf("page %d filled with %#x: %v is no *store.Error", at/page+1, fill, err)
				}
			}
		}
	}
	if refused < 10 {
		t.Errorf("%d of the damages were noticed: the test looks in the wrong place", refused)
	}
}

// lookAtAll opens a file and reads all of run 1.
func lookAtAll(t *testing.T, path string, want []trace.Sample) error {
	t.Helper()
	db, err := store.Open(ctx, path, store.Options{MustExist: true})
	if err != nil {
		return err
	}
	defer db.Close()
	var errs []error
	_, err = db.Runs(ctx, store.RunQuery{})
	errs = append(errs, err)
	_, err = db.Run(ctx, 1)
	errs = append(errs, err)
	_, err = db.Columns(ctx, 1, 0, 10, 100)
	errs = append(errs, err)
	n := 0
	for samples, err := range db.Samples(ctx, 1, shuntCurrent) {
		if err != nil {
			errs = append(errs, err)
			break
		}
		for _, s := range samples {
			if n >= len(want) || s != want[n] {
				t.Errorf("%s: sample %d is %+v, want %+v", path, n, s, want[n])
				return nil
			}
			n++
		}
	}
	for _, err := range errs {
		if err != nil {
			return err
		}
	}
	return nil
}

// One bit of what holds the samples is turned over, as a worn disk does it: that the samples are damaged is
// said, and none comes out that was not recorded.
func TestABitTurnedOverInTheSamplesIsNoticed(t *testing.T) {
	path := filepath.Join(t.TempDir(), "bench.db")
	db := mustOpenAt(t, path, store.Options{Record: true})
	want := wave(20_000, 0, 1e6, 1)
	record(t, db, startOf(tin), endOf(trace.Latching), trace.Batch{Channel: shuntCurrent, Samples: want})
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	content, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	places := 0
	for _, part := range blobParts(t, path) {
		if !bytes.Contains(content, part) {
			continue // it lies across two pages
		}
		places++
		turned := bytes.Clone(part)
		turned[places%len(part)] ^= 1 << (places % 8)
		bad := bytes.ReplaceAll(content, part, turned) // pages that are free now hold older copies
		path := filepath.Join(t.TempDir(), "damaged.db")
		if err := os.WriteFile(path, bad, 0o644); err != nil {
			t.Fatal(err)
		}
		var e *store.Error
		if err := lookAtAll(t, path, want); !errors.As(err, &e) || e.Text == "" {
			t.Errorf("a bit behind %x turned over: %v", part[:4], err)
		}
	}
	if places < 5 {
		t.Errorf("%d places were found in the file: the test looks for the wrong thing", places)
	}
}

// blobParts gives some stretches of the packed samples.
func blobParts(t *testing.T, path string) (parts [][]byte) {
	t.Helper()
	db, err := sql.Open("sqlite3", path)
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	rows, err := db.Query("SELECT data FROM chunks")
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	for rows.Next() {
		var blob []byte
		if err := rows.Scan(&blob); err != nil {
			t.Fatal(err)
		}
		for at := 0; at+32 <= len(blob); at += 1500 {
			parts = append(parts, blob[at:at+32])
		}
	}
	if err := rows.Err(); err != nil {
		t.Fatal(err)
	}
	return parts
}
