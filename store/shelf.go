package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"strings"

	"letthrough/capture/trace"
)

// Shelf keeps named things of one kind: loads, rigs, sets of criteria. Capital letters of a name do not
// matter.
type Shelf[T any] struct {
	db    *DB
	kind  kind
	id    func(*T) *int64
	name  func(*T) *string
	valid func(T) error
	more  func(T) error // what else is asked of one that a person adds or changes; nil: nothing
	// read gives those that where picks, by name.
	read func(ctx context.Context, q queryer, where string, args ...any) ([]T, error)
	// write inserts one whose number is 0, and gives it its number; else it changes the one of that number.
	write func(ctx context.Context, tx *sql.Tx, v *T) error
	// inUse says why one may not be removed.
	inUse func(ctx context.Context, tx *sql.Tx, id int64) error
	// same tells whether two say the same beside their numbers and names.
	same func(a, b T) bool
}

// kind is what a thing is called.
type kind struct{ table, one, command string }

func (k kind) missing(id int64) *Error {
	return &Error{Code: ErrNotFound.Code, Text: fmt.Sprintf("there is no %s %d", k.one, id), Hint: k.hint()}
}

func (k kind) hint() string {
	if k.command == "" {
		return ""
	}
	return k.command + " list shows those there are"
}

// All lists them by name.
func (s *Shelf[T]) All(ctx context.Context) (all []T, err error) {
	err = s.db.look(ctx, "list "+s.kind.table, func(tx *sql.Tx) error {
		all, err = s.read(ctx, tx, "1")
		return err
	})
	return all, err
}

// Find finds one by number.
func (s *Shelf[T]) Find(ctx context.Context, id int64) (T, error) {
	return s.findOne(ctx, s.kind.missing(id), "id = ?", id)
}

// ByName finds one by name.
func (s *Shelf[T]) ByName(ctx context.Context, name string) (T, error) {
	name = strings.TrimSpace(name)
	return s.findOne(ctx, &Error{Code: ErrNotFound.Code, Text: fmt.Sprintf("there is no %s %q", s.kind.one, name), Hint: s.kind.hint()}, "name = ?", name)
}

func (s *Shelf[T]) findOne(ctx context.Context, missing *Error, where string, arg any) (v T, err error) {
	err = s.db.look(ctx, "find "+s.kind.one, func(tx *sql.Tx) error {
		all, err := s.read(ctx, tx, where, arg)
		if err == nil && len(all) == 0 {
			return missing
		}
		if err == nil {
			v = all[0]
		}
		return err
	})
	return v, err
}

// Add keeps another one and gives it back with its number.
func (s *Shelf[T]) Add(ctx context.Context, v T) (T, error) {
	*s.id(&v) = 0
	return s.put(ctx, "add "+s.kind.one, v)
}

// Change replaces the one of that number.
func (s *Shelf[T]) Change(ctx context.Context, v T) (T, error) {
	if *s.id(&v) == 0 {
		return v, s.kind.missing(0)
	}
	return s.put(ctx, "change "+s.kind.one, v)
}

func (s *Shelf[T]) put(ctx context.Context, step string, v T) (T, error) {
	if err := s.check(&v); err != nil {
		return v, err
	}
	if s.more != nil {
		if err := s.more(v); err != nil {
			return v, invalid(err)
		}
	}
	err := s.db.change(ctx, step, func(tx *sql.Tx) error {
		err := s.write(ctx, tx, &v)
		if isConflict(err) {
			return &Error{Code: ErrConflict.Code, Text: fmt.Sprintf("there is a %s %q already", s.kind.one, *s.name(&v)), Hint: "choose another name", Err: err}
		}
		return err
	})
	return v, err
}

func (s *Shelf[T]) check(v *T) error {
	*s.name(v) = strings.TrimSpace(*s.name(v))
	return invalidOrNil(s.valid(*v))
}

// Remove removes the one of that number.
func (s *Shelf[T]) Remove(ctx context.Context, id int64) error {
	return s.db.change(ctx, "remove "+s.kind.one, func(tx *sql.Tx) error {
		if s.inUse != nil {
			if err := s.inUse(ctx, tx, id); err != nil {
				return err
			}
		}
		res, err := tx.ExecContext(ctx, "DELETE FROM "+s.kind.table+" WHERE id = ?", id)
		return oneRow(res, err, s.kind.missing(id))
	})
}

// maxNamesakes bounds how many of one name are kept beside each other.
const maxNamesakes = 1000

// keepBeside takes in one from elsewhere. One that says the same is here already; where its name means
// something else here, it is kept beside that under a name of its own, and said says so.
func (s *Shelf[T]) keepBeside(ctx context.Context, tx *sql.Tx, v T) (name, said string, err error) {
	if err := s.check(&v); err != nil {
		return "", "", err
	}
	*s.id(&v) = 0
	first := *s.name(&v)
	for n := 1; n <= maxNamesakes; n++ {
		if n > 1 {
			*s.name(&v) = fmt.Sprintf("%s (%d)", shortened(first, 72), n)
		}
		here, err := s.read(ctx, tx, "name = ?", *s.name(&v))
		if err != nil {
			return "", "", err
		}
		if len(here) == 0 {
			err = s.write(ctx, tx, &v)
		} else if !s.same(here[0], v) {
			continue
		}
		if n > 1 {
			said = fmt.Sprintf("the %s %q is another one here and stays; the imported one is called %q", s.kind.one, first, *s.name(&v))
		}
		return *s.name(&v), said, err
	}
	return "", "", &Error{Code: ErrConflict.Code, Text: fmt.Sprintf("there are %d of the name %q already", maxNamesakes, first), Hint: "rename some of them"}
}

// shortened leaves room behind a name.
func shortened(name string, most int) string {
	if len(name) <= most {
		return name
	}
	return strings.ToValidUTF8(name[:most], "")
}

// Loads are what units feed.
func (db *DB) Loads() *Shelf[trace.Load] {
	return &Shelf[trace.Load]{db: db, kind: kind{"loads", "load", "loads"},
		id: func(l *trace.Load) *int64 { return &l.ID }, name: func(l *trace.Load) *string { return &l.Name }, valid: trace.Load.Validate,
		read: readLoads, write: writeLoad, inUse: loadInUse,
		same: func(a, b trace.Load) bool { a.ID, a.Name, b.ID, b.Name = 0, "", 0, ""; return a == b }}
}

// Rigs are what stands between a unit's terminals.
func (db *DB) Rigs() *Shelf[trace.Rig] {
	return &Shelf[trace.Rig]{db: db, kind: kind{"rigs", "rig", "rig"},
		id: func(r *trace.Rig) *int64 { return &r.ID }, name: func(r *trace.Rig) *string { return &r.Name }, valid: trace.Rig.Validate,
		read: readRigs, write: writeRig, same: sameRig}
}

// Parts are what rigs are put together from.
func (db *DB) Parts() *Shelf[trace.Part] {
	return &Shelf[trace.Part]{db: db, kind: kind{"parts", "part", "rig parts"},
		id: func(p *trace.Part) *int64 { return &p.ID }, name: func(p *trace.Part) *string { return &p.Name }, valid: trace.Part.Validate,
		read: readParts, write: writePart,
		same: func(a, b trace.Part) bool { a.ID, a.Name, b.ID, b.Name = 0, "", 0, ""; return a == b }}
}

// AddStarter puts a set of parts on the shelf, but for those whose name is there already, and a rig made of them where
// there is no rig at all. added counts the parts. All of it or nothing.
func (db *DB) AddStarter(ctx context.Context, parts []trace.Part, rig trace.Rig) (added int, err error) {
	err = db.change(ctx, "add starter parts", func(tx *sql.Tx) error {
		added = 0
		for _, p := range parts {
			if err := db.Parts().check(&p); err != nil {
				return err
			}
			here, err := readParts(ctx, tx, "name = ?", p.Name)
			if err != nil {
				return err
			}
			if len(here) > 0 {
				continue
			}
			p.ID = 0
			if err := writePart(ctx, tx, &p); err != nil {
				return err
			}
			added++
		}
		rigs, err := readRigs(ctx, tx, "1")
		if err != nil || len(rigs) > 0 {
			return err
		}
		if err := db.Rigs().check(&rig); err != nil {
			return err
		}
		rig.ID = 0
		return writeRig(ctx, tx, &rig)
	})
	return added, err
}

// Criteria are the named sets that verdicts go by. Changing one makes another version of it.
func (db *DB) Criteria() *Shelf[trace.CriteriaSet] {
	return &Shelf[trace.CriteriaSet]{db: db, kind: kind{"criteria", "set of criteria", "criteria"},
		id: func(c *trace.CriteriaSet) *int64 { return &c.ID }, name: func(c *trace.CriteriaSet) *string { return &c.Name }, valid: trace.CriteriaSet.Validate,
		read: readCriteria, write: db.writeCriteria, more: db.checkCriteria,
		same: func(a, b trace.CriteriaSet) bool { return a.Text == b.Text && a.Note == b.Note }}
}

func (db *DB) checkCriteria(c trace.CriteriaSet) error {
	if db.opt.CheckCriteria == nil {
		return nil
	}
	if err := db.opt.CheckCriteria(c.Text); err != nil {
		return fmt.Errorf("text: %w", err)
	}
	return nil
}

// rowsOf reads rows one by one.
func rowsOf[T any](ctx context.Context, q queryer, scan func(func(...any) error) (T, error), query string, args ...any) ([]T, error) {
	rows, err := q.QueryContext(ctx, query, args...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	out := []T{}
	for rows.Next() {
		v, err := scan(rows.Scan)
		if err != nil {
			return nil, err
		}
		out = append(out, v)
	}
	return out, rows.Err()
}

func noRows(err error) bool { return errors.Is(err, sql.ErrNoRows) }
