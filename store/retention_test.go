package store_test

import (
	"errors"
	"reflect"
	"testing"
	"time"

	"letthrough/capture/trace"
	"letthrough/store"
)

func TestOldestRunsGoOnlyWhenAsked(t *testing.T) {
	day := func(d int) time.Time { return time.Date(2026, 4, d, 12, 0, 0, 0, time.UTC) }
	fill := func(t *testing.T) (*store.DB, []int64) {
		db := mustOpenAt(t, t.TempDir()+"/bench.db", store.Options{})
		var ids []int64
		for d := 1; d <= 5; d++ {
			s := startOf(tin)
			s.Started = day(d)
			id, err := db.ImportRun(ctx, s, trace.Merge(func(yield func(trace.Batch, error) bool) {
				yield(trace.Batch{Channel: shuntCurrent, Samples: wave(100_000, 0, 1e6, uint64(d))}, nil)
			}), endOf(trace.Latching))
			if err != nil {
				t.Fatal(err)
			}
			ids = append(ids, id)
		}
		return db, ids
	}
	retain := func(t *testing.T, db *store.DB, r store.Retention, try bool) (gone []int64) {
		if err := db.Retain(ctx, r, try, func(run store.RunSummary) { gone = append(gone, run.ID) }); err != nil {
			t.Fatal(err)
		}
		return gone
	}
	t.Run("by age", func(t *testing.T) {
		db, ids := fill(t)
		for _, try := range []bool{true, false} {
			if gone := retain(t, db, store.Retention{Before: day(3)}, try); !reflect.DeepEqual(gone, ids[:2]) {
				t.Errorf("gone %v, want %v", gone, ids[:2])
			}
		}
		if page, err := db.Runs(ctx, store.RunQuery{}); err != nil || len(page.Runs) != 3 {
			t.Errorf("%d runs stay, %v; want 3", len(page.Runs), err)
		}
	})
	t.Run("by size", func(t *testing.T) {
		db, ids := fill(t)
		before, err := db.Bytes(ctx)
		if err != nil {
			t.Fatal(err)
		}
		most := before * 3 / 5
		// Tried, it is reckoned from the samples alone, so it may say one more.
		tried := retain(t, db, store.Retention{MaxBytes: most}, true)
		gone := retain(t, db, store.Retention{MaxBytes: most}, false)
		if len(gone) == 0 || len(gone) == len(ids) || !reflect.DeepEqual(gone, ids[:len(gone)]) || len(tried)-len(gone) > 1 || len(gone) > len(tried) {
			t.Errorf("gone %v, tried %v, want the oldest of %v", gone, tried, ids)
		}
		if now, err := db.Bytes(ctx); err != nil || now > most {
			t.Errorf("%d bytes, %v; want at most %d", now, err, most)
		}
	})
	t.Run("not asked", func(t *testing.T) {
		db, _ := fill(t)
		if err := db.Retain(ctx, store.Retention{}, false, nil); !errors.Is(err, store.ErrInvalid) {
			t.Errorf("got %v, want %v", err, store.ErrInvalid)
		}
		if gone := retain(t, db, store.Retention{MaxBytes: 1 << 40, Before: day(1)}, false); len(gone) != 0 {
			t.Errorf("gone %v, want none", gone)
		}
	})
}
