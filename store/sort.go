package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"

	"letthrough/capture/trace"
)

// The orders of a list that go by a figure. A bound never ranks as if it were exact: within one procedure
// the runs whose figure is exact come first, in its order; then those of which only a bound is known; then
// those without. Runs of different procedures are not ranked among each other at all.

// figureSorts maps the words of a list to the figures they stand for, of which the first that a run has
// counts. Any figure's own key is a word too.
var figureSorts = map[string][]string{
	"how_long":    {"time_to_cutoff_s", "time_to_limit_s", "time_to_trip_s", "carried_for_s"},
	"how_much":    {"trip_current_a", "carried_current_a", "load_current_a", "peak_current_a"},
	"let_through": {"let_through_a2s"},
}

// FigureSort gives the figures that a word sorts by; none where it does not sort by a figure.
func FigureSort(word string) []string {
	if keys, ok := figureSorts[word]; ok {
		return keys
	}
	if _, ok := trace.DefinitionOf(word); ok {
		return []string{word}
	}
	return nil
}

// figureOrder are the expressions that a list by a figure is ordered by, each ascending.
func figureOrder(keys []string, descending bool) (tables string, order []string) {
	quoted := make([]string, len(keys))
	for i, k := range keys {
		quoted[i] = "'" + k + "'"
	}
	tables = "LEFT JOIN figures f ON f.derivation = r.derivation_id AND f.key = " + quoted[0] + " "
	if len(keys) > 1 {
		tables = "LEFT JOIN figures f ON f.derivation = r.derivation_id AND f.key = (SELECT g.key FROM figures g WHERE g.derivation = r.derivation_id AND g.key IN (" +
			strings.Join(quoted, ", ") + ") AND g.value IS NOT NULL ORDER BY g.place LIMIT 1) "
	}
	value := "coalesce(f.value, 0)"
	if descending {
		value = "-" + value
	}
	return tables, []string{"r.procedure", "CASE coalesce(f.bound, '') WHEN 'exact' THEN 0 WHEN 'at_most' THEN 1 WHEN 'at_least' THEN 1 ELSE 2 END", value}
}

// figureKey is where a run stands in a list by a figure.
type figureKey struct {
	Procedure string
	Class     int64 // 0 exact, 1 a bound, 2 neither
	Value     float64
}

// MarshalJSON writes the three as a list.
func (k figureKey) MarshalJSON() ([]byte, error) {
	return json.Marshal([]any{k.Procedure, k.Class, k.Value})
}

// UnmarshalJSON reads what MarshalJSON wrote.
func (k *figureKey) UnmarshalJSON(b []byte) error {
	parts := []any{&k.Procedure, &k.Class, &k.Value}
	n := len(parts)
	if err := json.Unmarshal(b, &parts); err != nil {
		return err
	}
	if len(parts) != n || slices.Contains(parts, nil) {
		return errors.New("want three values")
	}
	return nil
}

func unknownSort(word string) error {
	return invalid(fmt.Errorf("sort: %q is none of started, unit, procedure, behaviour, state, id, how_long, how_much, let_through, nor a figure", word))
}

// byFigure compiles a list that is sorted by a figure.
func (l listing) byFigure(q RunQuery, keys []string, descending bool, where []string) (listing, error) {
	tables, order := figureOrder(keys, descending)
	by := strings.Join(order, ", ") + ", r.id"
	if q.After != "" {
		c, err := decodeCursor(q.After)
		if err != nil {
			return l, err
		}
		k, ok := c.Key.(figureKey)
		if !ok {
			return l, badCursor(q.After)
		}
		cond, args := "("+by+") > (?, ?, ?, ?)", []any{k.Procedure, k.Class, k.Value, c.ID}
		where, l.args = append(where, cond), append(l.args, args...)
	}
	l.byFigures = true
	l.sql = "SELECT " + summaryColumns + ", " + strings.Join(order, ", ") + runTables + tables
	if len(where) > 0 {
		l.sql += "WHERE " + strings.Join(where, " AND ")
	}
	l.sql += fmt.Sprintf(" ORDER BY %s LIMIT %d", by, l.limit+1)
	return l, nil
}

// RunCount says how many runs there are, and of how many units.
type RunCount struct{ Runs, Units int }

// CountRuns counts them all.
func (db *DB) CountRuns(ctx context.Context) (c RunCount, err error) {
	err = db.look(ctx, "count runs", func(tx *sql.Tx) error {
		return tx.QueryRowContext(ctx, "SELECT count(*), count(DISTINCT nullif(unit, '')) FROM runs").Scan(&c.Runs, &c.Units)
	})
	return c, err
}
