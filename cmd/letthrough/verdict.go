package main

import (
	"fmt"
	"io"
	"strings"
	"time"

	"letthrough/capture/assess"
	"letthrough/store"
	"letthrough/web"
)

// sayVerdict writes a verdict in a list.
func sayVerdict(v assess.Verdict) string {
	if v == assess.NotApplicable {
		return ""
	}
	return strings.ToLower(v.Say())
}

type unitsVerdictCmd struct {
	dbFlag   `embed:""`
	Unit     string `arg:"" help:"The unit's name or number."`
	Criteria string `help:"Judge by this set of criteria; default: the chosen one." placeholder:"NAME"`
	JSON     bool   `help:"Print JSON."`
}

func (c unitsVerdictCmd) Run(env *surroundings) error {
	return withDB(env, c.dbFlag, func(db *store.DB) error {
		u, err := find(env, db, c.Unit)
		if err != nil {
			return err
		}
		rules, err := web.RulesNamed(env.ctx, db, c.Criteria)
		if err != nil {
			return err
		}
		v, err := web.AssessUnit(env.ctx, db, u, rules)
		if err != nil {
			return err
		}
		if c.JSON {
			return printJSON(env.stdout, v)
		}
		printVerdict(env.stdout, v, rules.Set.About)
		return nil
	})
}

func printVerdict(w io.Writer, v web.UnitVerdict, about []string) {
	fmt.Fprintf(w, "%s: %s\nby the criteria %s, version %d\n", v.Unit, v.Say, v.Criteria, v.Version)
	for _, line := range about {
		fmt.Fprintf(w, "  %s\n", line)
	}
	for _, a := range v.Outputs {
		if len(v.Outputs) > 1 {
			fmt.Fprintf(w, "\noutput %q: %s\n", a.Output, a.Say)
		}
		for _, f := range a.Findings {
			fmt.Fprintf(w, "\n%s  %s (%s)\n  %s\n", strings.ToUpper(f.Verdict.Say()), f.Say, f.Asked, f.Why)
			if f.Next != "" {
				fmt.Fprintf(w, "  next: %s\n", f.Next)
			}
			for _, j := range f.Runs {
				fmt.Fprintf(w, "  run %d: %s, %s\n", j.Run, strings.ToLower(j.Verdict.Say()), j.Figure)
			}
		}
		for _, s := range a.Skipped {
			fmt.Fprintf(w, "\nrun %d does not count: %s\n", s.Run, s.Why)
		}
	}
	for _, r := range v.Remarks {
		on := ""
		if r.Criterion != "" {
			on = " on " + r.Criterion
		}
		fmt.Fprintf(w, "\nremark %d%s, %s: %s\n", r.ID, on, r.Made.Local().Format(time.DateTime), r.Text)
	}
	for _, h := range v.History {
		fmt.Fprintf(w, "\n%s, %s version %d: %s\n", h.Made.Local().Format(time.DateTime), h.Criteria, h.Version, sayVerdict(assess.Verdict(h.Verdict)))
		for _, change := range h.Changes {
			fmt.Fprintf(w, "  %s\n", change)
		}
	}
}

type unitsRemarkCmd struct {
	dbFlag    `embed:""`
	Unit      string `arg:"" help:"The unit's name or number."`
	Text      string `arg:"" optional:"" help:"The remark."`
	Criterion string `help:"It is on this criterion; default: on the whole verdict." placeholder:"NAME"`
	Output    string `help:"It is on this output." placeholder:"NAME"`
	Remove    int64  `help:"Take back the remark of this number." placeholder:"N"`
}

func (c unitsRemarkCmd) Run(env *surroundings) error {
	if (c.Text == "") == (c.Remove == 0) {
		return &usageError{"give a remark, or --remove N to take one back"}
	}
	return withDB(env, c.dbFlag, func(db *store.DB) error {
		u, err := find(env, db, c.Unit)
		if err != nil {
			return err
		}
		if c.Remove != 0 {
			return db.RemoveRemark(env.ctx, u.ID, c.Remove)
		}
		r, err := db.AddRemark(env.ctx, store.Remark{UnitID: u.ID, Output: c.Output, Criterion: c.Criterion, Text: c.Text})
		if err != nil {
			return err
		}
		_, err = fmt.Fprintf(env.stdout, "remark %d on %s\n", r.ID, u.Name)
		return err
	})
}
