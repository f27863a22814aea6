package store_test

import (
	"fmt"
	"strings"
	"testing"

	"letthrough/capture/trace"
	"letthrough/store"
)

// keepWith keeps a run of a procedure with one figure; without a bound it has none.
func keepWith(t testing.TB, db *store.DB, p trace.Procedure, key string, value float64, bound trace.Bound) int64 {
	t.Helper()
	start, end := startOf(tin), endOf(trace.Latching)
	start.Settings.Procedure, end.Settings.Procedure, end.Derivation.Procedure = p, p, p
	end.Derivation.Figures = nil
	if bound != "" {
		end.Derivation.Figures = trace.Figures{{Key: key, Value: value, U: 0.01, Bound: bound}}
	}
	id, err := db.ImportRun(ctx, start, func(func(trace.Batch, error) bool) {}, end)
	if err != nil {
		t.Fatal(err)
	}
	return id
}

// TestABoundNeverRanksAsIfItWereExact: within a procedure exact figures come first in their order, bounds
// behind them, runs without the figure last; and a list read in pieces is the same list.
func TestABoundNeverRanksAsIfItWereExact(t *testing.T) {
	db := mustOpen(t)
	const key = "peak_current_a"
	ids := map[string]int64{
		"least 9":  keepWith(t, db, trace.Short, key, 9, trace.AtLeast),
		"exact 4":  keepWith(t, db, trace.Short, key, 4, trace.Exact),
		"none":     keepWith(t, db, trace.Short, key, 0, ""),
		"exact 2":  keepWith(t, db, trace.Short, key, 2.0000000000000004, trace.Exact),
		"most 1":   keepWith(t, db, trace.Short, key, 1, trace.AtMost),
		"open":     keepWith(t, db, trace.Short, key, 0, trace.NotResolved),
		"overload": keepWith(t, db, trace.Overload, key, 3, trace.Exact),
		"exact 3":  keepWith(t, db, trace.Short, key, 1.0/3+3, trace.Exact),
	}
	for sort, want := range map[string]string{
		"peak_current_a":  "overload, exact 2, exact 3, exact 4, most 1, least 9, none, open",
		"-peak_current_a": "overload, exact 4, exact 3, exact 2, least 9, most 1, none, open",
		"-how_much":       "overload, exact 4, exact 3, exact 2, least 9, most 1, none, open",
	} {
		for _, limit := range []int{50, 3, 1} {
			var got []string
			q := store.RunQuery{Sort: sort, Limit: limit}
			for {
				page, err := db.Runs(ctx, q)
				if err != nil {
					t.Fatal(err)
				}
				for _, r := range page.Runs {
					for name, id := range ids {
						if id == r.ID {
							got = append(got, name)
						}
					}
				}
				if page.Next == nil || len(got) > len(ids) {
					break
				}
				q.After = *page.Next
			}
			// What orders bounds and what is missing among themselves is only that it stays the same.
			if s := strings.Join(got, ", "); s != want {
				t.Errorf("%s by %d: %s, want %s", sort, limit, s, want)
			}
		}
	}
}

func TestACursorOfAnotherOrderIsRefused(t *testing.T) {
	db := mustOpen(t)
	for range 3 {
		keepWith(t, db, trace.Short, "peak_current_a", 1, trace.Exact)
	}
	byFigure, err := db.Runs(ctx, store.RunQuery{Sort: "how_much", Limit: 1})
	if err != nil || byFigure.Next == nil {
		t.Fatal(err)
	}
	byTime, err := db.Runs(ctx, store.RunQuery{Limit: 1})
	if err != nil || byTime.Next == nil {
		t.Fatal(err)
	}
	for _, q := range []store.RunQuery{{Sort: "how_much", After: *byTime.Next}, {After: *byFigure.Next}, {Sort: "how_much", After: "x"}} {
		if _, err := db.Runs(ctx, q); err == nil || !strings.Contains(err.Error(), "after") {
			t.Errorf("%+v: %v", q, err)
		}
	}
}

func TestRunsAreCounted(t *testing.T) {
	db := mustOpen(t)
	for i := range 3 {
		start := startOf(tin)
		start.Unit = trace.Unit{Name: fmt.Sprintf("Unit %d", i/2)}
		if _, err := db.ImportRun(ctx, start, func(func(trace.Batch, error) bool) {}, endOf(trace.Latching)); err != nil {
			t.Fatal(err)
		}
	}
	if c, err := db.CountRuns(ctx); err != nil || c != (store.RunCount{Runs: 3, Units: 2}) {
		t.Errorf("%+v, %v", c, err)
	}
}
