package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"

	"letthrough/capture/trace"
)

// Verdict is a verdict on one output of a unit as it was reached once.
type Verdict struct {
	ID       int64           `json:"id"`
	UnitID   int64           `json:"unit_id"`
	Output   string          `json:"output"`
	Criteria string          `json:"criteria"`
	Version  int             `json:"version"`
	Made     time.Time       `json:"made"`
	Verdict  string          `json:"verdict"`
	Say      string          `json:"say"`
	Basis    json.RawMessage `json:"basis"`
	Result   json.RawMessage `json:"-"`
	Changes  []string        `json:"changes"`
}

// Remark is what a person says beside a verdict.
type Remark struct {
	ID        int64     `json:"id"`
	UnitID    int64     `json:"unit_id"`
	Output    string    `json:"output"`
	Criterion string    `json:"criterion"` // empty: on the whole
	Made      time.Time `json:"made"`
	Text      string    `json:"text"`
}

// ChosenCriteria finds the set that verdicts go by where no other is asked for: the chosen one, else the
// oldest there is.
func (db *DB) ChosenCriteria(ctx context.Context) (trace.CriteriaSet, error) {
	none := &Error{Code: ErrNotFound.Code, Text: "there is no set of criteria", Hint: "add one: letthrough criteria add"}
	return db.Criteria().findOne(ctx, none, "id = (SELECT id FROM criteria ORDER BY chosen DESC, id LIMIT ?)", 1)
}

const verdictColumns = "id, unit_id, output, criteria, version, made, verdict, say, basis, result, changes"

// Verdicts lists how a unit's verdicts came about, the newest first; of one set of criteria where it is named.
func (db *DB) Verdicts(ctx context.Context, unit int64, criteria string) (all []Verdict, err error) {
	err = db.look(ctx, "list verdicts", func(tx *sql.Tx) error {
		all, err = rowsOf(ctx, tx, scanVerdict, "SELECT "+verdictColumns+" FROM verdicts WHERE unit_id = ? AND (? = '' OR criteria = ?) ORDER BY id DESC", unit, criteria, criteria)
		return err
	})
	return all, err
}

func scanVerdict(scan func(...any) error) (v Verdict, err error) {
	var made, basis, result, changes string
	if err = scan(&v.ID, &v.UnitID, &v.Output, &v.Criteria, &v.Version, &made, &v.Verdict, &v.Say, &basis, &result, &changes); err != nil {
		return v, err
	}
	v.Basis, v.Result = json.RawMessage(basis), json.RawMessage(result)
	if v.Made, err = time.Parse(time.RFC3339, made); err != nil {
		return v, err
	}
	return v, json.Unmarshal([]byte(changes), &v.Changes)
}

// KeepVerdict keeps a verdict after the one numbered after (0: the first). Where somebody else has kept
// another one meanwhile it keeps nothing and says so with ErrState.
func (db *DB) KeepVerdict(ctx context.Context, v Verdict, after int64) (Verdict, error) {
	v.Made = db.now().Truncate(time.Second)
	if v.Changes == nil {
		v.Changes = []string{}
	}
	err := db.change(ctx, "keep verdict", func(tx *sql.Tx) error {
		var newest int64
		err := tx.QueryRowContext(ctx, "SELECT coalesce(max(id), 0) FROM verdicts WHERE unit_id = ? AND output = ? AND criteria = ?", v.UnitID, v.Output, v.Criteria).Scan(&newest)
		if err != nil {
			return err
		}
		if newest != after {
			return &Error{Code: ErrState.Code, Text: "the verdict was brought up to date by somebody else meanwhile"}
		}
		res, err := tx.ExecContext(ctx, "INSERT INTO verdicts (unit_id, output, criteria, version, made, verdict, say, basis, result, changes) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
			v.UnitID, v.Output, v.Criteria, v.Version, v.Made.Format(time.RFC3339), v.Verdict, v.Say, string(v.Basis), string(v.Result), asJSON(v.Changes))
		if err != nil {
			return err
		}
		v.ID, err = res.LastInsertId()
		return err
	})
	return v, err
}

// maxRemark is the longest remark, in bytes; maxRemarks the most of one unit.
const (
	maxRemark  = 4000
	maxRemarks = 1000
)

// Remarks lists what was said of a unit, the oldest first.
func (db *DB) Remarks(ctx context.Context, unit int64) (all []Remark, err error) {
	err = db.look(ctx, "list remarks", func(tx *sql.Tx) error {
		all, err = rowsOf(ctx, tx, func(scan func(...any) error) (r Remark, err error) {
			var made string
			if err = scan(&r.ID, &r.UnitID, &r.Output, &r.Criterion, &made, &r.Text); err == nil {
				r.Made, err = time.Parse(time.RFC3339, made)
			}
			return r, err
		}, "SELECT id, unit_id, output, criterion, made, text FROM remarks WHERE unit_id = ? ORDER BY id", unit)
		return err
	})
	return all, err
}

// AddRemark keeps what a person says of a unit.
func (db *DB) AddRemark(ctx context.Context, r Remark) (Remark, error) {
	switch r.Text = strings.TrimSpace(r.Text); {
	case r.Text == "":
		return r, invalid(errors.New("text: a remark says something"))
	case len(r.Text) > maxRemark:
		return r, invalid(fmt.Errorf("text: %d bytes are too long, at most %d", len(r.Text), maxRemark))
	case len(r.Output) > 80 || len(r.Criterion) > 80:
		return r, invalid(errors.New("output and criterion are at most 80 bytes long"))
	}
	r.Made = db.now().Truncate(time.Second)
	err := db.change(ctx, "add remark", func(tx *sql.Tx) error {
		var units, have int
		if err := tx.QueryRowContext(ctx, "SELECT (SELECT count(*) FROM units WHERE id = ?), (SELECT count(*) FROM remarks WHERE unit_id = ?)", r.UnitID, r.UnitID).Scan(&units, &have); err != nil {
			return err
		}
		switch {
		case units == 0:
			return noUnit(r.UnitID)
		case have >= maxRemarks:
			return invalid(fmt.Errorf("unit %d has %d remarks, no more than that", r.UnitID, have))
		}
		res, err := tx.ExecContext(ctx, "INSERT INTO remarks (unit_id, output, criterion, made, text) VALUES (?, ?, ?, ?, ?)", r.UnitID, r.Output, r.Criterion, r.Made.Format(time.RFC3339), r.Text)
		if err != nil {
			return err
		}
		r.ID, err = res.LastInsertId()
		return err
	})
	return r, err
}

// RemoveRemark takes a remark of a unit away.
func (db *DB) RemoveRemark(ctx context.Context, unit, remark int64) error {
	return db.change(ctx, "remove remark", func(tx *sql.Tx) error {
		res, err := tx.ExecContext(ctx, "DELETE FROM remarks WHERE unit_id = ? AND id = ?", unit, remark)
		return oneRow(res, err, notFound("unit %d has no remark %d", unit, remark))
	})
}
