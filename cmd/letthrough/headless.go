package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"runtime"
	"text/tabwriter"

	"golang.org/x/sync/errgroup"

	"letthrough/capture"
	"letthrough/capture/sim"
	"letthrough/capture/trace"
	"letthrough/capture/words"
	"letthrough/store"
)

// shelfEntry is what came out of one simulated unit, beside what the simulation did.
type shelfEntry struct {
	File string `json:"file"` // the terminal the samples came through
	Run  int64  `json:"run"`
	Unit string `json:"unit"`
	trace.Derivation
	Truth sim.Truth `json:"truth"`

	settings trace.Settings
}

// headless tests every unit of the shelf once and prints what came out.
func (c demoCmd) headless(env *surroundings, path string) (err error) {
	db, err := openStore(env, path)
	if err != nil {
		return err
	}
	// The benches are closed by now; the store writes out what they handed over.
	defer func() { err = errors.Join(err, db.Close()) }()
	units := sim.Shelf()
	entries := make([]shelfEntry, len(units))
	group, ctx := errgroup.WithContext(env.ctx)
	// Each unit has a stand, a terminal and a bench of its own, so they need not wait for each other.
	group.SetLimit(max(2, runtime.NumCPU()))
	for i, u := range units {
		group.Go(func() (err error) {
			if entries[i], err = c.testAlone(ctx, env, db, u); err != nil {
				err = fmt.Errorf("%s: %w", u.Plate.Name, err)
			}
			return err
		})
	}
	if err := group.Wait(); err != nil {
		if env.ctx.Err() != nil {
			return errors.New("ended before the whole shelf was tested")
		}
		return err
	}
	if c.JSON {
		return printJSON(env.stdout, entries)
	}
	return shelfTable(env.stdout, entries)
}

// testAlone tests one unit on a stand of its own.
func (c demoCmd) testAlone(ctx context.Context, env *surroundings, db *store.DB, u sim.Unit) (e shelfEntry, err error) {
	clock := capture.NewSimulationClock(c.Speed)
	stand, err := sim.NewStand(clock.Driver(), sim.StandOptions{Meter: meter(), Seed: 1, Units: []sim.Unit{u}})
	if err != nil {
		return e, err
	}
	defer func() { err = errors.Join(err, stand.Close()) }()
	spec, err := standSpec(stand.Path())
	if err != nil {
		return e, err
	}
	bench := capture.New(capture.Options{Clock: clock, Recorder: db, Contact: stand.Contact(), Version: release, Log: env.log})
	if err := bench.Open(); err != nil {
		return e, err
	}
	defer func() { err = errors.Join(err, bench.Close()) }()
	if err := bench.AddInstrument(spec); err != nil {
		return e, err
	}
	s := &showman{bench: bench, db: db, stand: stand, clock: clock, log: env.log}
	run, err := s.test(ctx, u)
	if err != nil {
		return e, err
	}
	e = shelfEntry{File: spec.Port, Run: run, Unit: u.Plate.Name, Truth: stand.Truth()}
	return e, e.result(bench)
}

// result takes the run's last figures from the bench's log, with times from the onset.
func (e *shelfEntry) result(bench *capture.Bench) error {
	events, _, _ := bench.Events(0)
	for i := len(events) - 1; i >= 0; i-- {
		ev := events[i]
		if ev.Kind != capture.EventFigures || ev.Run != e.Run {
			continue
		}
		zeroNS := ev.OpenedNS
		if ev.ZeroNS != nil {
			zeroNS = *ev.ZeroNS
		}
		e.settings = ev.Settings
		e.Derivation = whole(ev.Figures.Shifted(-float64(zeroNS-ev.OriginNS)/1e9, "onset"))
		if onset, ok := e.Truth.FirstMark(trace.Onset); ok {
			e.Truth = e.Truth.Shifted(-onset.T) // each on its own onset: what is compared are durations
		}
		return nil
	}
	return errors.New("the run gave no figures")
}

// tableFigures are the columns of the shelf's table.
var tableFigures = []struct{ key, head string }{
	{"time_to_cutoff_s", "cut off after"},
	{"peak_current_a", "peak"},
	{"let_through_a2s", "let through"},
	{"retry_count", "retries"},
}

func shelfTable(to io.Writer, entries []shelfEntry) error {
	w := tabwriter.NewWriter(to, 0, 0, 2, ' ', 0)
	fmt.Fprint(w, "unit\twhat it did\tthe simulation did")
	for _, f := range tableFigures {
		fmt.Fprintf(w, "\t%s\tin truth", f.head)
	}
	fmt.Fprintln(w)
	for _, e := range entries {
		fmt.Fprintf(w, "%s\t%s\t%s", e.Unit, words.Behaviour(e.Behaviour), words.Behaviour(e.Truth.Behaviour))
		for _, f := range tableFigures {
			fmt.Fprintf(w, "\t%s\t%s", e.cell(f.key), e.truth(f.key))
		}
		fmt.Fprintln(w)
	}
	return w.Flush()
}

// cell is a figure as short as a table needs it.
func (e shelfEntry) cell(key string) string {
	f, ok := e.Figures.Get(key)
	if !ok {
		return "-"
	}
	l := words.Sentence(f, e.settings)
	out := l.Value
	if l.Lead != "" {
		out = l.Lead + " " + out
	}
	if l.Unit != "" {
		out += " " + l.Unit
	}
	if out == "" {
		return "-"
	}
	return out
}

func (e shelfEntry) truth(key string) string {
	v, ok := e.Truth.Figures[key]
	if !ok {
		return "-"
	}
	return fmt.Sprintf("%.4g", v)
}
