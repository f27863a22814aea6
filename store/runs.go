package store

import (
	"context"
	"database/sql"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"letthrough/capture/trace"
)

// RunQuery says which runs are wanted. The zero value is the fifty newest.
type RunQuery struct {
	Unit      string // name or number
	Procedure trace.Procedure
	Behaviour trace.Behaviour
	State     trace.RunState
	From, To  time.Time // started at or after From and before To
	Series    int64     // 0: any
	Q         string    // words in number, unit, output, setting, procedure, behaviour or note
	Sort      string    // a key of sorts or a word of FigureSort, "-" before it for descending; empty: newest first
	Limit     int       // 0: 50; at most 1000
	After     string    // Next of the page before
}

// RunPage is one page of a list. Next is nil on the last one.
type RunPage struct {
	Runs []RunSummary `json:"runs"`
	Next *string      `json:"next"`
	keys []any        // what each run was sorted by
}

// After is what goes into RunQuery.After for the runs behind the i-th.
func (p RunPage) After(i int) *string { return cursor{p.keys[i], p.Runs[i].ID}.encode() }

// RunSummary is a run as a list shows it.
type RunSummary struct {
	ID        int64           `json:"id"`
	UUID      string          `json:"uuid"`
	UnitID    *int64          `json:"unit_id"`
	Unit      string          `json:"unit"`
	Output    string          `json:"output"`
	Setting   string          `json:"setting"`
	Procedure trace.Procedure `json:"procedure"`
	Behaviour trace.Behaviour `json:"behaviour"`
	Recovery  trace.Recovery  `json:"recovery"`
	State     trace.RunState  `json:"state"`
	Reason    string          `json:"reason"` // of an exclusion or interruption
	Started   time.Time       `json:"started"`
	DurationS float64         `json:"duration_s"` // of all that was recorded
	Note      string          `json:"note"`
	Series    *int64          `json:"series"`       // null: of none
	Place     int             `json:"series_place"` // from 1
	Samples   int64           `json:"samples"`
	Figures   trace.Figures   `json:"figures"`
	// DerivationID tells one derivation of the run from another; 0: it has none.
	DerivationID int64 `json:"-"`
}

// sorts maps what a list can be sorted by to its expression.
var sorts = map[string]string{
	"started":   "r.started_ms",
	"unit":      "lower(r.unit)",
	"procedure": "r.procedure",
	"behaviour": "coalesce(d.behaviour, '')",
	"state":     "r.state",
	"id":        "r.id",
}

const summaryColumns = `r.id, r.uuid, r.unit_id, r.unit, r.output, r.setting, r.procedure, coalesce(d.behaviour, ''), coalesce(d.recovery, ''),
	r.state, coalesce(r.exclusion, r.interruption), r.started,
	(coalesce((SELECT max(t1_ns) - min(t0_ns) FROM channels c WHERE c.run = r.id AND c.n > 0), 0)) / 1e9,
	r.note, coalesce((SELECT sum(n) FROM channels c WHERE c.run = r.id), 0), coalesce(r.derivation_id, 0), r.series, r.series_place`

const runTables = " FROM runs r LEFT JOIN derivations d ON d.id = r.derivation_id "

func scanSummary(scan func(...any) error, more ...any) (s RunSummary, derivation int64, err error) {
	var started string
	err = scan(append([]any{&s.ID, &s.UUID, &s.UnitID, &s.Unit, &s.Output, &s.Setting, &s.Procedure, &s.Behaviour, &s.Recovery,
		&s.State, &s.Reason, &started, &s.DurationS, &s.Note, &s.Samples, &derivation, &s.Series, &s.Place}, more...)...)
	if err == nil {
		s.Started, err = time.Parse(time.RFC3339Nano, started)
	}
	return s, derivation, err
}

// Runs lists runs.
func (db *DB) Runs(ctx context.Context, q RunQuery) (RunPage, error) {
	page := RunPage{Runs: []RunSummary{}}
	list, err := q.compile()
	if err != nil {
		return page, err
	}
	err = db.look(ctx, "list runs", func(tx *sql.Tx) error {
		rows, err := tx.QueryContext(ctx, list.sql, list.args...)
		if err != nil {
			return err
		}
		defer rows.Close()
		var key any
		derivations := map[int64]int{}
		for rows.Next() {
			if len(page.Runs) == list.limit {
				page.Next = cursor{key, page.Runs[list.limit-1].ID}.encode()
				break
			}
			var next any
			var byFigure figureKey
			dest := []any{&next}
			if list.byFigures {
				dest = []any{&byFigure.Procedure, &byFigure.Class, &byFigure.Value}
			}
			s, derivation, err := scanSummary(rows.Scan, dest...)
			if err != nil {
				return err
			}
			if list.byFigures {
				next = byFigure
			}
			key, s.DerivationID = next, derivation
			page.keys = append(page.keys, next)
			if derivation != 0 {
				derivations[derivation] = len(page.Runs)
			}
			page.Runs = append(page.Runs, s)
		}
		if err := rows.Err(); err != nil {
			return err
		}
		return figuresOf(ctx, tx, derivations, func(at int, f trace.Figure) {
			page.Runs[at].Figures = append(page.Runs[at].Figures, f)
		})
	})
	return page, err
}

// figuresOf reads the figures of several derivations in their order.
func figuresOf(ctx context.Context, tx *sql.Tx, derivations map[int64]int, put func(at int, f trace.Figure)) error {
	if len(derivations) == 0 {
		return nil
	}
	ids := make([]string, 0, len(derivations))
	for id := range derivations {
		ids = append(ids, strconv.FormatInt(id, 10))
	}
	slices.Sort(ids)
	rows, err := tx.QueryContext(ctx, "SELECT derivation, key, coalesce(value, 0), coalesce(u, 0), bound, text, why FROM figures WHERE derivation IN ("+
		strings.Join(ids, ",")+") ORDER BY derivation, place")
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		var id int64
		var f trace.Figure
		if err := rows.Scan(&id, &f.Key, &f.Value, &f.U, &f.Bound, &f.Text, &f.Why); err != nil {
			return err
		}
		put(derivations[id], f)
	}
	return rows.Err()
}

// listing is a compiled query.
type listing struct {
	sql       string
	args      []any
	limit     int
	byFigures bool // sorted by a figure
}

func (q RunQuery) compile() (listing, error) {
	l := listing{limit: q.Limit}
	switch {
	case l.limit == 0:
		l.limit = 50
	case l.limit < 0 || l.limit > 1000:
		return l, invalid(fmt.Errorf("limit: %d is out of range, allowed is 1 to 1000", q.Limit))
	}
	sort := q.Sort
	if sort == "" {
		sort = "-started"
	}
	word, descending := strings.CutPrefix(sort, "-")
	key, ok := sorts[word]
	keys := FigureSort(word)
	if !ok && keys == nil {
		return l, unknownSort(q.Sort)
	}
	var where []string
	add := func(cond string, args ...any) {
		where = append(where, cond)
		l.args = append(l.args, args...)
	}
	q.filter(add)
	if !ok {
		return l.byFigure(q, keys, descending, where)
	}
	order, beyond := "ASC", ">"
	if descending {
		order, beyond = "DESC", "<"
	}
	if q.After != "" {
		c, err := decodeCursor(q.After)
		if err != nil {
			return l, err
		}
		if _, other := c.Key.(figureKey); other {
			return l, badCursor(q.After)
		}
		add(fmt.Sprintf("(%s, r.id) %s (?, ?)", key, beyond), c.Key, c.ID)
	}
	l.sql = "SELECT " + summaryColumns + ", " + key + runTables
	if len(where) > 0 {
		l.sql += "WHERE " + strings.Join(where, " AND ")
	}
	l.sql += fmt.Sprintf(" ORDER BY %s %s, r.id %s LIMIT %d", key, order, order, l.limit+1)
	return l, nil
}

func (q RunQuery) filter(add func(cond string, args ...any)) {
	if q.Unit != "" {
		if id, err := strconv.ParseInt(q.Unit, 10, 64); err == nil {
			add("(r.unit_id = ? OR r.unit = ?)", id, q.Unit)
		} else {
			add("r.unit = ? COLLATE NOCASE", q.Unit)
		}
	}
	if q.Procedure != "" {
		add("r.procedure = ?", string(q.Procedure))
	}
	if q.Behaviour != "" {
		add("d.behaviour = ?", string(q.Behaviour))
	}
	if q.State != "" {
		add("r.state = ?", string(q.State))
	}
	if q.Series != 0 {
		add("r.series = ?", q.Series)
	}
	if !q.From.IsZero() {
		add("r.started_ms >= ?", q.From.UnixMilli())
	}
	if !q.To.IsZero() {
		add("r.started_ms < ?", q.To.UnixMilli())
	}
	for word := range strings.FieldsSeq(q.Q) {
		like := "%" + strings.NewReplacer(`\`, `\\`, `%`, `\%`, `_`, `\_`).Replace(word) + "%"
		add(`(r.id || ' ' || r.unit || ' ' || r.output || ' ' || r.setting || ' ' || r.procedure || ' ' || coalesce(d.behaviour, '') || ' ' || r.note) LIKE ? ESCAPE '\'`, like)
	}
}

// cursor is where a page ended: the value it was sorted by and the run.
type cursor struct {
	Key any   `json:"k"`
	ID  int64 `json:"id"`
}

func (c cursor) encode() *string {
	if b, ok := c.Key.([]byte); ok {
		c.Key = string(b)
	}
	b, _ := json.Marshal(c) // a number or a string, and a number
	s := base64.RawURLEncoding.EncodeToString(b)
	return &s
}

func decodeCursor(s string) (cursor, error) {
	var c struct {
		Key json.RawMessage `json:"k"`
		ID  int64           `json:"id"`
	}
	b, err := base64.RawURLEncoding.DecodeString(s)
	if err == nil {
		err = json.Unmarshal(b, &c)
	}
	out := cursor{ID: c.ID}
	if err == nil {
		var n int64
		var text string
		var byFigure figureKey
		if json.Unmarshal(c.Key, &n) == nil {
			out.Key = n
		} else if json.Unmarshal(c.Key, &byFigure) == nil {
			out.Key = byFigure
		} else if err = json.Unmarshal(c.Key, &text); err == nil {
			out.Key = text
		}
	}
	if err != nil {
		return out, badCursor(s)
	}
	return out, nil
}

func badCursor(s string) error {
	return invalid(fmt.Errorf("after: %q is not what an earlier page of the same list gave as next", s))
}
