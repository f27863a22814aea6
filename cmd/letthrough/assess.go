package main

import (
	"fmt"
	"io"

	"letthrough/capture/trace"
	"letthrough/store"
	"letthrough/web"
)

type unitsAssessCmd struct {
	dbFlag   `embed:""`
	Unit     string `arg:"" help:"The unit's name or number."`
	Criteria string `help:"Hold protectors against the times of this set; default: the chosen one." placeholder:"NAME"`
	JSON     bool   `help:"Print JSON."`
}

func (c unitsAssessCmd) Run(env *surroundings) error {
	return withDB(env, c.dbFlag, func(db *store.DB) error {
		u, err := find(env, db, c.Unit)
		if err != nil {
			return err
		}
		rules, err := web.RulesNamed(env.ctx, db, c.Criteria)
		if err != nil {
			return err
		}
		a, err := web.AnalyseUnit(env.ctx, db, u, rules)
		if err != nil {
			return err
		}
		if c.JSON {
			return printJSON(env.stdout, a)
		}
		printAnalysis(env.stdout, a)
		return nil
	})
}

func printAnalysis(w io.Writer, a web.UnitAnalysis) {
	section := func(title string, any bool) {
		if any {
			fmt.Fprintf(w, "\n%s\n", title)
		}
	}
	fmt.Fprintln(w, a.Unit)
	section("Repeats", len(a.Repeats) > 0)
	for _, r := range a.Repeats {
		fmt.Fprintf(w, "  %s%s (%s)\n", r.Key, ofOutput(r.Output), r.Procedure)
		list(w, r.Say)
	}
	section("Before and after", len(a.Wear) > 0)
	for _, b := range a.Wear {
		fmt.Fprintf(w, "  %s%s\n", b.Say, ofOutput(b.Output))
	}
	section("Time-current characteristic", len(a.Curves) > 0)
	for _, c := range a.Curves {
		for _, p := range c.Points {
			fmt.Fprintf(w, "  %8.4g A  %s %.4g s  run %d%s\n", p.CurrentA, boundSign(p.Bound), p.TimeS, p.Run, ofOutput(c.Output))
		}
		list(w, c.Say)
		for _, l := range c.Withstand {
			list(w, l.Say)
		}
	}
	section("Faults it never notices", len(a.Bands) > 0)
	for _, b := range a.Bands {
		list(w, b.Say)
	}
	section("In-line protectors, by their sheets", len(a.Remedy.Tried) > 0)
	for _, r := range a.Remedy.Tried {
		fmt.Fprintf(w, "    %s: %s\n", sayVerdict(r.Verdict), r.Say)
	}
	if len(a.Remedy.Tried) > 0 {
		list(w, a.Remedy.Cautions)
	}
}

// boundSign writes a bound in a column.
func boundSign(b trace.Bound) string {
	switch b {
	case trace.AtMost:
		return "<="
	case trace.AtLeast:
		return ">="
	}
	return " ="
}

func list(w io.Writer, say []string) {
	for _, s := range say {
		fmt.Fprintf(w, "    %s\n", s)
	}
}

func ofOutput(name string) string {
	if name == "" {
		return ""
	}
	return fmt.Sprintf(", output %q", name)
}

type runsSurviveCmd struct {
	dbFlag `embed:""`
	ID     int64  `arg:"" help:"The run's number."`
	Load   string `help:"Only this load; default: all that are known well enough." placeholder:"NAME"`
	JSON   bool   `help:"Print JSON."`
}

func (c runsSurviveCmd) Run(env *surroundings) error {
	return withDB(env, c.dbFlag, func(db *store.DB) error {
		all, err := web.Survive(env.ctx, db, c.ID, c.Load)
		if err != nil {
			return err
		}
		if c.JSON {
			return printJSON(env.stdout, all)
		}
		for _, s := range all {
			fmt.Fprintln(env.stdout, s.Say)
			list(env.stdout, s.Assumed)
		}
		if len(all) == 0 {
			fmt.Fprintln(env.stdout, "no load is known well enough: enter what it withstands, or its wire")
		}
		return nil
	})
}
