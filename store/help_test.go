package store_test

import (
	"os"
	"regexp"
	"strings"
	"testing"

	"letthrough/capture/trace"
)

// The help page's own words are held to: its queries run, and its tables are those there are.
func TestHelpPageTellsTheTruth(t *testing.T) {
	text, err := os.ReadFile("../static/help/store.md")
	if err != nil {
		t.Fatal(err)
	}
	sql, err := os.ReadFile("../static/help/sql.md")
	if err != nil {
		t.Fatal(err)
	}
	db := mustOpen(t)
	spike := wave(20_000, 0, 1e5, 1)
	spike[12_345].Value = 77.5
	retry := endOf(trace.AutoRetry)
	retry.Derivation.Marks = append(retry.Derivation.Marks, trace.Mark{ID: 3, Kind: trace.RetryOn, T: 4, Level: 4.2, By: trace.Detector})
	record(t, db, startOf(tin), retry, trace.Batch{Channel: shuntCurrent, Samples: spike})
	record(t, db, startOf(trace.Unit{Name: "Slate"}), endOf(trace.Latching))
	file := mustSQL(t, db.Path())

	queries := regexp.MustCompile("(?s)```sql\n(.*?)```").FindAllStringSubmatch(string(sql), -1)
	if len(queries) != 5 {
		t.Fatalf("the page has %d queries, want five", len(queries))
	}
	want := []string{"Slate latching", "2 Slate exact 0.9", "1 Tin 77.5 20000", "Slate 1 0.9 0.9 0", "1 Tin 2.5 4.2"}
	for i, q := range queries {
		rows, err := file.Query(q[1])
		if err != nil {
			t.Errorf("query %d: %v", i+1, err)
			continue
		}
		columns, _ := rows.Columns()
		if !rows.Next() {
			t.Errorf("query %d finds nothing", i+1)
			rows.Close()
			continue
		}
		cells := make([]string, len(columns))
		into := make([]any, len(columns))
		for j := range cells {
			into[j] = &cells[j]
		}
		if err := rows.Scan(into...); err != nil {
			t.Errorf("query %d: %v", i+1, err)
		}
		rows.Close()
		if got := strings.Join(cells, " "); !strings.HasPrefix(got, want[i]) {
			t.Errorf("query %d finds %q first, want %q", i+1, got, want[i])
		}
	}
	for _, m := range regexp.MustCompile("(?m)^\\| (`[a-z_`, ]+) \\| [^|]+ \\| ([^|]*)").FindAllStringSubmatch(string(text), -1) {
		for _, table := range regexp.MustCompile("[a-z_]+").FindAllString(m[1], -1) {
			if n := count(t, db.Path(), "SELECT count(*) FROM sqlite_schema WHERE name = '"+table+"'"); n != 1 {
				t.Errorf("the page speaks of a table %s that is not there", table)
			}
		}
	}
	tables, err := file.Query("SELECT name FROM sqlite_schema WHERE type IN ('table', 'view') AND name NOT LIKE 'sqlite_%' AND name NOT IN ('migrations', 'reserved_runs')")
	if err != nil {
		t.Fatal(err)
	}
	defer tables.Close()
	for tables.Next() {
		var name string
		if err := tables.Scan(&name); err != nil {
			t.Fatal(err)
		}
		if !strings.Contains(string(text), "`"+name+"`") {
			t.Errorf("the page does not speak of %s", name)
		}
	}
}
