package main

import (
	"fmt"
	"slices"
	"strings"
	"text/tabwriter"

	"letthrough/capture/rig"
	"letthrough/capture/trace"
	"letthrough/store"
)

type rigListCmd struct {
	dbFlag `embed:""`
	JSON   bool `help:"Print JSON."`
}

func (c rigListCmd) Run(env *surroundings) error {
	return withDB(env, c.dbFlag, func(db *store.DB) error {
		rigs, err := db.Rigs().All(env.ctx)
		if err != nil {
			return err
		}
		if c.JSON {
			return printJSON(env.stdout, rigs)
		}
		if len(rigs) == 0 {
			_, err := fmt.Fprintln(env.stdout, "no rigs; letthrough rig parts --starter makes an ordinary one, letthrough rig add NAME --part PART … one of your own")
			return err
		}
		w := tabwriter.NewWriter(env.stdout, 0, 0, 2, ' ', 0)
		fmt.Fprintln(w, "id\trig\tparts, in the order the current takes\tresistance\tnote")
		for _, r := range rigs {
			fmt.Fprintf(w, "%d\t%s\t%s\t%s\t%s\n", r.ID, r.Name, partNames(r.Parts), known(rounded(rig.LoopOhm(r.Parts)), "Ω"), r.Note)
		}
		return w.Flush()
	})
}

// rounded gives three digits of a resistance that was summed up.
func rounded(ohm float64) (v float64) {
	_, _ = fmt.Sscanf(fmt.Sprintf("%.3g", ohm), "%g", &v)
	return v
}

func partNames(parts []trace.RigPart) string {
	var names []string
	for _, p := range parts {
		if p.Name == "" {
			p.Name = p.Kind
		}
		names = append(names, p.Name)
	}
	return strings.Join(names, " – ")
}

// shelfParts copies parts of the shelf, by their names, into a rig.
func shelfParts(env *surroundings, db *store.DB, names []string) ([]trace.RigPart, error) {
	parts := []trace.RigPart{}
	for _, name := range names {
		p, err := onShelf(env, db.Parts(), name)
		if err != nil {
			return nil, err
		}
		parts = append(parts, p.RigPart)
	}
	return parts, nil
}

// warnOf says on standard error what is wrong with a rig that is kept all the same.
func warnOf(env *surroundings, parts []trace.RigPart) {
	for _, p := range rig.Problems(parts) {
		env.log.Warn(p.Text)
	}
}

type rigAddCmd struct {
	dbFlag `embed:""`
	Name   string   `arg:"" help:"The rig's name."`
	Part   []string `help:"A part of the shelf, by name or number, in the order the current takes; given once for each. The rig keeps a copy of it." placeholder:"PART" sep:"none" required:""`
	Note   string   `help:"A note." placeholder:"TEXT"`
}

func (c rigAddCmd) Run(env *surroundings) error {
	return withDB(env, c.dbFlag, func(db *store.DB) error {
		parts, err := shelfParts(env, db, c.Part)
		if err != nil {
			return err
		}
		r, err := db.Rigs().Add(env.ctx, trace.Rig{Name: c.Name, Note: c.Note, Parts: parts})
		if err != nil {
			return err
		}
		warnOf(env, r.Parts)
		_, err = fmt.Fprintf(env.stdout, "added rig %d, %s, of %d parts\n", r.ID, r.Name, len(r.Parts))
		return err
	})
}

type rigEditCmd struct {
	dbFlag `embed:""`
	Rig    string   `arg:"" help:"The rig's name or number."`
	Rename *string  `help:"A new name." placeholder:"NAME"`
	Part   []string `help:"All its parts anew, as for add." placeholder:"PART" sep:"none"`
	Add    []string `help:"A part more, at the end." placeholder:"PART" sep:"none"`
	Drop   []int    `help:"Places of parts to take out, from 1." placeholder:"PLACE"`
	Note   *string  `help:"A note." placeholder:"TEXT"`
}

func (c rigEditCmd) Run(env *surroundings) error {
	return withDB(env, c.dbFlag, func(db *store.DB) error {
		r, err := onShelf(env, db.Rigs(), c.Rig)
		if err != nil {
			return err
		}
		if len(c.Part) > 0 {
			if r.Parts, err = shelfParts(env, db, c.Part); err != nil {
				return err
			}
		}
		slices.Sort(c.Drop)
		for _, place := range slices.Backward(slices.Compact(c.Drop)) {
			if place < 1 || place > len(r.Parts) {
				return fmt.Errorf("--drop: the rig has no part %d, its %d parts are numbered from 1", place, len(r.Parts))
			}
			r.Parts = slices.Delete(r.Parts, place-1, place)
		}
		more, err := shelfParts(env, db, c.Add)
		if err != nil {
			return err
		}
		r.Parts = append(r.Parts, more...)
		set(&r.Name, c.Rename)
		set(&r.Note, c.Note)
		if r, err = db.Rigs().Change(env.ctx, r); err != nil {
			return err
		}
		warnOf(env, r.Parts)
		_, err = fmt.Fprintf(env.stdout, "rig %d, %s, is changed\n", r.ID, r.Name)
		return err
	})
}

type rigRemoveCmd struct {
	dbFlag `embed:""`
	Rig    string `arg:"" help:"The rig's name or number."`
}

func (c rigRemoveCmd) Run(env *surroundings) error {
	return withDB(env, c.dbFlag, func(db *store.DB) error {
		r, err := onShelf(env, db.Rigs(), c.Rig)
		if err != nil {
			return err
		}
		if err := db.Rigs().Remove(env.ctx, r.ID); err != nil {
			return err
		}
		_, err = fmt.Fprintf(env.stdout, "removed rig %d, %s\n", r.ID, r.Name)
		return err
	})
}
