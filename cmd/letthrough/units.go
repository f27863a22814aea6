package main

import (
	"fmt"
	"strconv"
	"text/tabwriter"

	"letthrough/capture/assess"
	"letthrough/capture/trace"
	"letthrough/store"
	"letthrough/web"
)

type unitsCmd struct {
	List    unitsListCmd    `cmd:"" default:"withargs" help:"List the units."`
	Add     unitsAddCmd     `cmd:"" help:"Add a unit."`
	Edit    unitsEditCmd    `cmd:"" help:"Change a unit."`
	Remove  unitsRemoveCmd  `cmd:"" help:"Remove a unit that has no runs."`
	Verdict unitsVerdictCmd `cmd:"" help:"What the criteria make of a unit, with all reasons and how the verdict came about."`
	Assess  unitsAssessCmd  `cmd:"" help:"Repeats, time-current curve, faults it never notices, and which protector would help."`
	Plan    unitsPlanCmd    `cmd:"" help:"What is tested, what is missing, what should rest, and which test comes next."`
	Remark  unitsRemarkCmd  `cmd:"" help:"Say something beside a unit's verdict, or take it back."`
}

// dbFlag names the database of a command that works on it.
type dbFlag struct {
	DB string `name:"db" help:"The database." default:"letthrough.db" placeholder:"FILE"`
}

// open opens the database without recording into it. A database is only made by what puts something
// into it: a list of what is not there would hide a mistyped name.
func (f dbFlag) open(env *surroundings, mayMake bool) (*store.DB, error) {
	return store.Open(env.ctx, f.DB, store.Options{Log: env.log, MustExist: !mayMake, Derive: derive, CheckCriteria: assess.Check, Version: release})
}

// plateFlags are a unit's rating plate.
type plateFlags struct {
	RatedCurrent *float64        `help:"Rated current; 0: unknown." placeholder:"A"`
	RatedVoltage *float64        `help:"Rated voltage; 0: unknown." placeholder:"V"`
	Waveform     *trace.Waveform `help:"Output: dc, full-wave, half-wave or pwm." placeholder:"FORM"`
	Load         *string         `help:"The weakest load it feeds, by its name; empty: none." placeholder:"NAME"`
	Note         *string         `help:"A note." placeholder:"TEXT"`
}

// apply changes what was given.
func (f plateFlags) apply(u *trace.Unit) {
	set(&u.RatedCurrentA, f.RatedCurrent)
	set(&u.RatedVoltageV, f.RatedVoltage)
	set(&u.Waveform, f.Waveform)
	set(&u.Load, f.Load)
	set(&u.Note, f.Note)
}

// find gives the unit of a name or, where none is called so, of a number.
func find(env *surroundings, db *store.DB, name string) (trace.Unit, error) {
	u, err := db.UnitByName(env.ctx, name)
	if id, nerr := strconv.ParseInt(name, 10, 64); err != nil && nerr == nil {
		return db.Unit(env.ctx, id)
	}
	return u, err
}

// judgedUnit is a unit of the list with its verdict by the chosen criteria.
type judgedUnit struct {
	trace.Unit
	Verdict    assess.Verdict `json:"verdict"`
	VerdictSay string         `json:"verdict_say"`
	Criteria   string         `json:"criteria"` // name and version
}

type unitsListCmd struct {
	dbFlag `embed:""`
	JSON   bool `help:"Print JSON."`
}

func (c unitsListCmd) Run(env *surroundings) error {
	return withDB(env, c.dbFlag, func(db *store.DB) error {
		units, err := db.Units(env.ctx)
		if err != nil {
			return err
		}
		rules, noRules := web.RulesNamed(env.ctx, db, "")
		list := []judgedUnit{}
		for _, u := range units {
			j := judgedUnit{Unit: u}
			if noRules == nil {
				v, err := web.AssessUnit(env.ctx, db, u, rules)
				if err != nil {
					return err
				}
				j.Verdict, j.VerdictSay, j.Criteria = v.Verdict, v.Say, fmt.Sprintf("%s %d", v.Criteria, v.Version)
			}
			list = append(list, j)
		}
		if c.JSON {
			return printJSON(env.stdout, list)
		}
		w := tabwriter.NewWriter(env.stdout, 0, 0, 2, ' ', 0)
		fmt.Fprintln(w, "id\tunit\trated\toutput\tfeeds\tverdict\tnote")
		for _, u := range list {
			fmt.Fprintf(w, "%d\t%s\t%s\t%s\t%s\t%s\t%s\n", u.ID, u.Name, plate(u.Unit), u.Waveform, u.Load, sayVerdict(u.Verdict), u.Note)
		}
		if noRules != nil {
			fmt.Fprintf(w, "no verdicts: %s\n", noRules)
		}
		return w.Flush()
	})
}

// plate writes a rating as it stands on a unit.
func plate(u trace.Unit) string {
	v, a := "? V", "? A"
	if u.RatedVoltageV > 0 {
		v = fmt.Sprintf("%g V", u.RatedVoltageV)
	}
	if u.RatedCurrentA > 0 {
		a = fmt.Sprintf("%g A", u.RatedCurrentA)
	}
	return v + " " + a
}

type unitsAddCmd struct {
	dbFlag     `embed:""`
	Name       string `arg:"" help:"The unit's name."`
	plateFlags `embed:""`
}

func (c unitsAddCmd) Run(env *surroundings) error {
	return withNewDB(env, c.dbFlag, func(db *store.DB) error {
		u := trace.Unit{Name: c.Name}
		c.apply(&u)
		u, err := db.CreateUnit(env.ctx, u)
		if err != nil {
			return err
		}
		_, err = fmt.Fprintf(env.stdout, "added unit %d, %s, %s\n", u.ID, u.Name, plate(u))
		return err
	})
}

type unitsEditCmd struct {
	dbFlag     `embed:""`
	Unit       string  `arg:"" help:"The unit's name or number."`
	Rename     *string `help:"A new name." placeholder:"NAME"`
	plateFlags `embed:""`
}

func (c unitsEditCmd) Run(env *surroundings) error {
	return withDB(env, c.dbFlag, func(db *store.DB) error {
		u, err := find(env, db, c.Unit)
		if err != nil {
			return err
		}
		c.apply(&u)
		set(&u.Name, c.Rename)
		u, err = db.UpdateUnit(env.ctx, u)
		if err != nil {
			return err
		}
		_, err = fmt.Fprintf(env.stdout, "unit %d is now %s, %s\n", u.ID, u.Name, plate(u))
		return err
	})
}

type unitsRemoveCmd struct {
	dbFlag `embed:""`
	Unit   string `arg:"" help:"The unit's name or number."`
}

func (c unitsRemoveCmd) Run(env *surroundings) error {
	return withDB(env, c.dbFlag, func(db *store.DB) error {
		u, err := find(env, db, c.Unit)
		if err != nil {
			return err
		}
		if err := db.DeleteUnit(env.ctx, u.ID); err != nil {
			return err
		}
		_, err = fmt.Fprintf(env.stdout, "removed unit %d, %s\n", u.ID, u.Name)
		return err
	})
}
