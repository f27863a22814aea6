package main

import (
	"fmt"
	"strconv"
	"text/tabwriter"

	"letthrough/capture/trace"
	"letthrough/store"
)

type loadsCmd struct {
	List   loadsListCmd   `cmd:"" default:"withargs" help:"List the loads."`
	Add    loadsAddCmd    `cmd:"" help:"Add a load: what a unit feeds in use."`
	Edit   loadsEditCmd   `cmd:"" help:"Change a load."`
	Remove loadsRemoveCmd `cmd:"" help:"Remove a load that no unit names."`
}

// loadFlags are what is known of a load.
type loadFlags struct {
	Kind            *string  `help:"motor, wire or other." placeholder:"KIND"`
	Running         *float64 `help:"Current in use." placeholder:"A"`
	Stall           *float64 `help:"Current when it is blocked." placeholder:"A"`
	Continuous      *float64 `help:"Current that it stands for ever." placeholder:"A"`
	Withstand       *float64 `help:"Heat that it stands once." placeholder:"A2S"`
	WireDiameter    *float64 `help:"Of the winding or the wire, bare, in millimetres." placeholder:"MM"`
	InsulationClass *string  `help:"Letter of IEC 60085: Y, A, E, B, F or H." placeholder:"CLASS"`
	TimeConstant    *float64 `help:"Of its cooling, in seconds." placeholder:"S"`
	Note            *string  `help:"A note." placeholder:"TEXT"`
}

func (f loadFlags) apply(l *trace.Load) {
	set(&l.Kind, f.Kind)
	set(&l.RunningA, f.Running)
	set(&l.StallA, f.Stall)
	set(&l.ContinuousA, f.Continuous)
	set(&l.WithstandA2s, f.Withstand)
	set(&l.WireDiameterMM, f.WireDiameter)
	set(&l.InsulationClass, f.InsulationClass)
	set(&l.TimeConstantS, f.TimeConstant)
	set(&l.Note, f.Note)
	l.Invented = false // a person says what it is
}

// onShelf gives the one of a name or, where none is called so, of a number.
func onShelf[T any](env *surroundings, shelf *store.Shelf[T], name string) (T, error) {
	v, err := shelf.ByName(env.ctx, name)
	if id, nerr := strconv.ParseInt(name, 10, 64); err != nil && nerr == nil {
		return shelf.Find(env.ctx, id)
	}
	return v, err
}

type loadsListCmd struct {
	dbFlag `embed:""`
	JSON   bool `help:"Print JSON."`
}

func (c loadsListCmd) Run(env *surroundings) error {
	return withDB(env, c.dbFlag, func(db *store.DB) error {
		loads, err := db.Loads().All(env.ctx)
		if err != nil {
			return err
		}
		if c.JSON {
			return printJSON(env.stdout, loads)
		}
		w := tabwriter.NewWriter(env.stdout, 0, 0, 2, ' ', 0)
		fmt.Fprintln(w, "id\tload\tkind\trunning\tstalled\tfor ever\twithstands\twire\tclass\tcools in\tnote")
		for _, l := range loads {
			fmt.Fprintf(w, "%d\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\n", l.ID, l.Name, l.Kind, known(l.RunningA, "A"), known(l.StallA, "A"),
				known(l.ContinuousA, "A"), known(l.WithstandA2s, "A²s"), known(l.WireDiameterMM, "mm"), l.InsulationClass, known(l.TimeConstantS, "s"), l.Note)
		}
		return w.Flush()
	})
}

// known writes a quantity; 0 is not known.
func known(v float64, unit string) string {
	if v == 0 {
		return "?"
	}
	return fmt.Sprintf("%g %s", v, unit)
}

type loadsAddCmd struct {
	dbFlag    `embed:""`
	Name      string `arg:"" help:"The load's name."`
	loadFlags `embed:""`
}

func (c loadsAddCmd) Run(env *surroundings) error {
	return withNewDB(env, c.dbFlag, func(db *store.DB) error {
		l := trace.Load{Name: c.Name}
		c.apply(&l)
		l, err := db.Loads().Add(env.ctx, l)
		if err != nil {
			return err
		}
		_, err = fmt.Fprintf(env.stdout, "added load %d, %s\n", l.ID, l.Name)
		return err
	})
}

type loadsEditCmd struct {
	dbFlag    `embed:""`
	Load      string  `arg:"" help:"The load's name or number."`
	Rename    *string `help:"A new name." placeholder:"NAME"`
	loadFlags `embed:""`
}

func (c loadsEditCmd) Run(env *surroundings) error {
	return withDB(env, c.dbFlag, func(db *store.DB) error {
		l, err := onShelf(env, db.Loads(), c.Load)
		if err != nil {
			return err
		}
		c.apply(&l)
		set(&l.Name, c.Rename)
		if l, err = db.Loads().Change(env.ctx, l); err != nil {
			return err
		}
		_, err = fmt.Fprintf(env.stdout, "load %d, %s, is changed\n", l.ID, l.Name)
		return err
	})
}

type loadsRemoveCmd struct {
	dbFlag `embed:""`
	Load   string `arg:"" help:"The load's name or number."`
}

func (c loadsRemoveCmd) Run(env *surroundings) error {
	return withDB(env, c.dbFlag, func(db *store.DB) error {
		l, err := onShelf(env, db.Loads(), c.Load)
		if err != nil {
			return err
		}
		if err := db.Loads().Remove(env.ctx, l.ID); err != nil {
			return err
		}
		_, err = fmt.Fprintf(env.stdout, "removed load %d, %s\n", l.ID, l.Name)
		return err
	})
}
