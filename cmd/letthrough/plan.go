package main

import (
	"fmt"
	"text/tabwriter"
	"time"

	"letthrough/capture/assess"
	"letthrough/capture/trace"
	"letthrough/store"
	"letthrough/web"
)

type unitsPlanCmd struct {
	dbFlag   `embed:""`
	Rest     float64 `help:"Seconds between two tests of one unit." default:"120" placeholder:"S"`
	MostA    float64 `name:"most-a" help:"The largest current that the rig stands." placeholder:"A"`
	MostS    float64 `name:"most-s" help:"The longest it may flow." placeholder:"S"`
	Short    int     `help:"Short-circuit tests wanted of each." default:"3" placeholder:"N"`
	Carry    int     `help:"Carry tests." default:"1" placeholder:"N"`
	Ramp     int     `help:"Ramps or stairs." default:"1" placeholder:"N"`
	Overload int     `help:"Overload tests at different loads." default:"5" placeholder:"N"`
	JSON     bool    `help:"Print JSON."`
}

func (c unitsPlanCmd) Run(env *surroundings) error {
	s := assess.Session{RestS: c.Rest, MostA: c.MostA, MostS: c.MostS,
		Wanted: map[trace.Procedure]int{trace.Short: c.Short, trace.Carry: c.Carry, trace.Ramp: c.Ramp, trace.Overload: c.Overload}}
	for name, v := range map[string]float64{"--rest": c.Rest, "--most-a": c.MostA, "--most-s": c.MostS, "--short": float64(c.Short), "--carry": float64(c.Carry), "--ramp": float64(c.Ramp), "--overload": float64(c.Overload)} {
		if !(v >= 0 && v <= 86400) {
			return &usageError{fmt.Sprintf("%s: %g is out of range, allowed is 0 to 86400", name, v)}
		}
	}
	return withDB(env, c.dbFlag, func(db *store.DB) error {
		plans, err := web.PlanSession(env.ctx, db, s, time.Now())
		if err != nil {
			return err
		}
		if c.JSON {
			return printJSON(env.stdout, plans)
		}
		w := tabwriter.NewWriter(env.stdout, 0, 0, 2, ' ', 0)
		fmt.Fprintln(w, "unit\toutput\tshort\tcarry\tramp\toverload\tnext")
		for _, p := range plans {
			cells := map[trace.Procedure]string{}
			for _, cell := range p.Cells {
				cells[cell.Procedure] = fmt.Sprintf("%d of %d", cell.Done, cell.Wanted)
			}
			fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\t%s\t%s\n", p.Unit, p.Output, cells[trace.Short], cells[trace.Carry], cells[trace.Ramp], cells[trace.Overload], p.Say)
		}
		return w.Flush()
	})
}

type runsCharacteristicCmd struct {
	dbFlag `embed:""`
	ID     int64 `arg:"" help:"The run's number."`
	JSON   bool  `help:"Print JSON."`
}

func (c runsCharacteristicCmd) Run(env *surroundings) error {
	return withDB(env, c.dbFlag, func(db *store.DB) error {
		vi, err := web.Characteristic(env.ctx, db, c.ID)
		if err != nil {
			return err
		}
		if c.JSON {
			return printJSON(env.stdout, vi)
		}
		list(env.stdout, vi.Say)
		for _, p := range vi.Points {
			fmt.Fprintf(env.stdout, "%8.3f V  %8.4f A  %d readings\n", p.V, p.A, p.N)
		}
		return nil
	})
}
