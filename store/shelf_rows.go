package store

import (
	"context"
	"database/sql"
	"fmt"
	"slices"
	"strings"
	"time"

	"letthrough/capture/trace"
)

// The rows of what stands on the shelves. All take a transaction.

const loadColumns = "name, kind, running_a, stall_a, continuous_a, withstand_a2s, wire_diameter_mm, insulation_class, time_constant_s, invented, note"

func readLoads(ctx context.Context, q queryer, where string, args ...any) ([]trace.Load, error) {
	return rowsOf(ctx, q, func(scan func(...any) error) (l trace.Load, err error) {
		err = scan(&l.ID, &l.Name, &l.Kind, &l.RunningA, &l.StallA, &l.ContinuousA, &l.WithstandA2s, &l.WireDiameterMM, &l.InsulationClass, &l.TimeConstantS, &l.Invented, &l.Note)
		return l, err
	}, "SELECT id, "+loadColumns+" FROM loads WHERE "+where+" ORDER BY name", args...)
}

func writeLoad(ctx context.Context, tx *sql.Tx, l *trace.Load) error {
	values := []any{l.Name, l.Kind, l.RunningA, l.StallA, l.ContinuousA, l.WithstandA2s, l.WireDiameterMM, l.InsulationClass, l.TimeConstantS, l.Invented, l.Note}
	return insertOrUpdate(ctx, tx, &l.ID, kind{"loads", "load", "loads"}, loadColumns, values)
}

// insertOrUpdate writes a row of that number, or a new one, which gets its number.
func insertOrUpdate(ctx context.Context, tx *sql.Tx, id *int64, k kind, columns string, values []any) error {
	marks := placeholders(len(values))
	if *id != 0 {
		res, err := tx.ExecContext(ctx, "UPDATE "+k.table+" SET ("+columns+") = ("+marks+") WHERE id = ?", append(slices.Clone(values), *id)...)
		return oneRow(res, err, k.missing(*id))
	}
	res, err := tx.ExecContext(ctx, "INSERT INTO "+k.table+" ("+columns+") VALUES ("+marks+")", values...)
	if err != nil {
		return err
	}
	*id, err = res.LastInsertId()
	return err
}

func loadInUse(ctx context.Context, tx *sql.Tx, id int64) error {
	var unit string
	err := tx.QueryRowContext(ctx, "SELECT name FROM units WHERE load_id = ? ORDER BY name LIMIT 1", id).Scan(&unit)
	if noRows(err) {
		return nil
	}
	if err != nil {
		return err
	}
	return &Error{Code: ErrConflict.Code, Text: fmt.Sprintf("load %d is the weakest that %s feeds", id, unit), Hint: "let the unit name another one first, or none"}
}

// loadNamed gives the number of a load, NULL for none.
func loadNamed(ctx context.Context, tx *sql.Tx, name string) (any, error) {
	if name == "" {
		return nil, nil
	}
	var id int64
	err := tx.QueryRowContext(ctx, "SELECT id FROM loads WHERE name = ?", name).Scan(&id)
	if noRows(err) {
		return nil, &Error{Code: ErrInvalid.Code, Text: fmt.Sprintf("load: there is no load %.80q", name), Hint: "add it first; loads list shows those there are"}
	}
	return id, err
}

const partColumns = "kind, name, ohm, rated_a, rated_w, full_scale_a, max_on_s, rest_s, length_m, area_mm2, material, note, " +
	"tolerance_pct, rated_v, overload_factor, overload_s, tau_s, interval_s, fuse_a, make_a, break_a, insulation, start_c, end_c, melting_a2s, fuse_sheet"

// partFields are the places of a part's columns, to read into and to write from.
func partFields(p *trace.RigPart) []any {
	return []any{&p.Kind, &p.Name, &p.Ohm, &p.RatedA, &p.RatedW, &p.FullScaleA, &p.MaxOnS, &p.RestS, &p.LengthM, &p.AreaMM2, &p.Material, &p.Note,
		&p.TolerancePct, &p.RatedV, &p.OverloadFactor, &p.OverloadS, &p.TauS, &p.IntervalS, &p.FuseA, &p.MakeA, &p.BreakA, &p.Insulation, &p.StartC, &p.EndC, &p.MeltingA2s, &p.FuseSheet}
}

// placeholders are n question marks.
func placeholders(n int) string { return strings.TrimSuffix(strings.Repeat("?, ", n), ", ") }

func readRigs(ctx context.Context, q queryer, where string, args ...any) ([]trace.Rig, error) {
	rigs, err := rowsOf(ctx, q, func(scan func(...any) error) (r trace.Rig, err error) {
		err = scan(&r.ID, &r.Name, &r.Note)
		return r, err
	}, "SELECT id, name, note FROM rigs WHERE "+where+" ORDER BY name", args...)
	for i := range rigs {
		if err != nil {
			return nil, err
		}
		rigs[i].Parts, err = rowsOf(ctx, q, func(scan func(...any) error) (p trace.RigPart, err error) {
			err = scan(partFields(&p)...)
			return p, err
		}, "SELECT "+partColumns+" FROM rig_parts WHERE rig = ? ORDER BY place", rigs[i].ID)
	}
	return rigs, err
}

func writeRig(ctx context.Context, tx *sql.Tx, r *trace.Rig) error {
	if r.Parts == nil {
		r.Parts = []trace.RigPart{}
	}
	if err := insertOrUpdate(ctx, tx, &r.ID, kind{"rigs", "rig", "rig"}, "name, note", []any{r.Name, r.Note}); err != nil {
		return err
	}
	if _, err := tx.ExecContext(ctx, "DELETE FROM rig_parts WHERE rig = ?", r.ID); err != nil {
		return err
	}
	for i := range r.Parts {
		values := append([]any{r.ID, i + 1}, partFields(&r.Parts[i])...)
		if _, err := tx.ExecContext(ctx, "INSERT INTO rig_parts (rig, place, "+partColumns+") VALUES ("+placeholders(len(values))+")", values...); err != nil {
			return err
		}
	}
	return nil
}

func readParts(ctx context.Context, q queryer, where string, args ...any) ([]trace.Part, error) {
	return rowsOf(ctx, q, func(scan func(...any) error) (p trace.Part, err error) {
		err = scan(append([]any{&p.ID, &p.Count, &p.Price}, partFields(&p.RigPart)...)...)
		return p, err
	}, "SELECT id, count, price, "+partColumns+" FROM parts WHERE "+where+" ORDER BY kind, name", args...)
}

func writePart(ctx context.Context, tx *sql.Tx, p *trace.Part) error {
	values := append([]any{p.Count, p.Price}, partFields(&p.RigPart)...)
	return insertOrUpdate(ctx, tx, &p.ID, kind{"parts", "part", "rig parts"}, "count, price, "+partColumns, values)
}

func sameRig(a, b trace.Rig) bool { return a.Note == b.Note && slices.Equal(a.Parts, b.Parts) }

func readCriteria(ctx context.Context, q queryer, where string, args ...any) ([]trace.CriteriaSet, error) {
	return rowsOf(ctx, q, func(scan func(...any) error) (c trace.CriteriaSet, err error) {
		err = scan(&c.ID, &c.Name, &c.Version, &c.Made, &c.Text, &c.Note, &c.Chosen)
		return c, err
	}, "SELECT id, name, version, made, text, note, chosen FROM criteria WHERE "+where+" ORDER BY name", args...)
}

// writeCriteria keeps the version there was beside the new one.
func (db *DB) writeCriteria(ctx context.Context, tx *sql.Tx, c *trace.CriteriaSet) error {
	k := kind{"criteria", "set of criteria", "criteria"}
	c.Version, c.Made = 1, db.now().Format(time.RFC3339)
	if c.Chosen {
		if _, err := tx.ExecContext(ctx, "UPDATE criteria SET chosen = 0 WHERE id != ?", c.ID); err != nil {
			return err
		}
	}
	if c.ID != 0 {
		before, err := readCriteria(ctx, tx, "id = ?", c.ID)
		if err != nil {
			return err
		}
		if len(before) == 0 {
			return k.missing(c.ID)
		}
		old := before[0]
		c.Chosen = c.Chosen || old.Chosen             // it is only taken from it by choosing another
		if old.Text == c.Text && old.Name == c.Name { // only its note: nothing to go by has changed
			c.Version, c.Made = old.Version, old.Made
		} else {
			c.Version = old.Version + 1
			if _, err := tx.ExecContext(ctx, "INSERT INTO criteria_versions (criteria, version, name, made, text) VALUES (?, ?, ?, ?, ?)",
				c.ID, old.Version, old.Name, old.Made, old.Text); err != nil {
				return err
			}
		}
	}
	return insertOrUpdate(ctx, tx, &c.ID, k, "name, version, made, text, note, chosen", []any{c.Name, c.Version, c.Made, c.Text, c.Note, c.Chosen})
}
