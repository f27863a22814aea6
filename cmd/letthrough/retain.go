package main

import (
	"fmt"
	"time"

	"letthrough/store"
)

type runsRetainCmd struct {
	dbFlag    `embed:""`
	OlderThan *float64 `help:"Delete runs that are older than so many days." placeholder:"DAYS"`
	MaxMB     *float64 `name:"max-mb" help:"Delete the oldest runs until the database uses no more than this." placeholder:"MB"`
	DryRun    bool     `help:"Only say what would be deleted."`
}

// Run deletes the oldest runs, only ever because somebody asks for it here.
func (c runsRetainCmd) Run(env *surroundings) error {
	var r store.Retention
	if c.OlderThan != nil {
		if !(*c.OlderThan > 0 && *c.OlderThan <= 36500) {
			return fmt.Errorf("--older-than: %g days is out of range, allowed is over 0 to 36500", *c.OlderThan)
		}
		r.Before = time.Now().Add(-time.Duration(*c.OlderThan * 24 * float64(time.Hour)))
	}
	if c.MaxMB != nil {
		if !(*c.MaxMB > 0 && *c.MaxMB <= 1e9) {
			return fmt.Errorf("--max-mb: %g MB is out of range, allowed is over 0 to 1e9", *c.MaxMB)
		}
		r.MaxBytes = int64(*c.MaxMB * 1e6)
	}
	if c.OlderThan == nil && c.MaxMB == nil {
		return &usageError{"say what is to go, with --older-than DAYS or --max-mb MB"}
	}
	word := "deleted"
	if c.DryRun {
		word = "would delete"
	}
	return withDB(env, c.dbFlag, func(db *store.DB) error {
		return db.Retain(env.ctx, r, c.DryRun, func(run store.RunSummary) {
			fmt.Fprintf(env.stdout, "%s run %d: %s, %s\n", word, run.ID, run.Unit, run.Started.Local().Format(time.DateTime))
		})
	})
}
