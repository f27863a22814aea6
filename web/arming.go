package web

import (
	"context"
	"errors"
	"fmt"

	"letthrough/capture/rig"
	"letthrough/capture/trace"
	"letthrough/store"
)

// RunLister lists stored runs, and what was foretold of a unit before it had any.
type RunLister interface {
	Runs(ctx context.Context, q store.RunQuery) (store.RunPage, error)
	UnitByName(ctx context.Context, name string) (trace.Unit, error)
	Forecasts(ctx context.Context, unit int64) ([]store.Forecast, error)
}

// SourceOf tells what earlier runs say of a unit into a short: the newest complete one that resolved it, else the forecast
// from two harmless loads that was kept. tested is false where no run has measured any current yet.
func SourceOf(ctx context.Context, runs RunLister, unit string) (s rig.Source, tested bool, err error) {
	if unit == "" {
		return s, false, nil
	}
	page, err := runs.Runs(ctx, store.RunQuery{Unit: unit, Procedure: trace.Short, State: trace.RunComplete, Limit: 20})
	if err != nil {
		return s, false, err
	}
	for _, run := range page.Runs {
		from := fmt.Sprintf("run %d", run.ID)
		open, v := value(run.Figures, "open_volts")
		own, r := value(run.Figures, "source_ohm")
		if v && r {
			return rig.Source{OpenV: open, SourceOhm: own, From: from}, true, nil
		}
		// What heats the rig is what flows on; a peak that may be a capacitor's counts only where nothing
		// else is known.
		for _, key := range []string{"sustained_current_a", "peak_current_a"} {
			if i, ok := value(run.Figures, key); ok {
				return rig.Source{CurrentA: i, From: from}, true, nil
			}
		}
	}
	u, err := runs.UnitByName(ctx, unit)
	if errors.Is(err, store.ErrNotFound) {
		return s, false, nil
	}
	if err != nil {
		return s, false, err
	}
	kept, err := runs.Forecasts(ctx, u.ID)
	if err != nil || len(kept) == 0 {
		return s, false, err
	}
	return rig.Source{Loads: pointsOf(kept[0])}, false, nil
}

// pointsOf gives the loads of a forecast.
func pointsOf(f store.Forecast) []rig.LoadPoint {
	out := make([]rig.LoadPoint, len(f.Loads))
	for i, l := range f.Loads {
		out[i] = rig.LoadPoint(l)
	}
	return out
}

// value gives a figure with its uncertainty on top, where it is more than an "at least".
func value(fs trace.Figures, key string) (float64, bool) {
	f, ok := fs.Get(key)
	if !ok || f.Value <= 0 || f.Bound != trace.Exact && f.Bound != trace.AtMost {
		return 0, false
	}
	if key == "source_ohm" {
		return f.Value, true
	}
	return f.Value + f.U, true
}

// shortestHoldS is the hold of a unit never tested on a rig that stands none: as short as a hand makes it.
const shortestHoldS = 1.0

// Arming is what is known before the bench is armed.
type Arming struct {
	HoldS    *float64 // for a unit never tested as long as the rig stands; nil: as asked
	Warnings []string
}

// BeforeArming looks at the rig that somebody names for a test: it must be on the shelf, and a hold that it does not
// stand is warned of. A unit never tested gets a short first hold where none is asked for.
func BeforeArming(ctx context.Context, st interface {
	RunLister
	Rigs() *store.Shelf[trace.Rig]
}, unit trace.Unit, name string, p trace.Procedure, holdS *float64) (Arming, error) {
	a := Arming{HoldS: holdS, Warnings: []string{}}
	if name == "" {
		return a, nil
	}
	r, err := st.Rigs().ByName(ctx, name)
	if errors.Is(err, store.ErrNotFound) {
		f := notFound("there is no rig %q", clip(name))
		f.hint = "add it first, on the page Rig or with letthrough rig add; or leave the rig out, and nothing watches it"
		return a, f
	}
	if err != nil {
		return a, err
	}
	test := rig.Test{Unit: unit, Procedure: p}
	if test.Source, test.Tested, err = SourceOf(ctx, st, unit.Name); err != nil {
		return a, err
	}
	if holdS != nil {
		test.HoldS = *holdS
	}
	answer, err := rig.Check(r, test)
	if err != nil {
		// Whether the request is in range is the bench's to say; the test is not kept from being armed.
		return Arming{HoldS: holdS, Warnings: []string{"The rig was not checked: " + err.Error() + "."}}, nil
	}
	if holdS == nil && !test.Tested && answer.Prospective.CurrentA != nil && (p == "" || p == trace.Short) {
		hold := shortestHoldS
		if answer.FirstHoldS != nil {
			hold = *answer.FirstHoldS
		}
		a.HoldS = &hold
		a.Warnings = append(a.Warnings, answer.FirstHold)
	}
	if !answer.Enough {
		a.Warnings = append(a.Warnings, answer.Text)
	}
	for _, problem := range answer.Problems {
		if problem.Code != "note" {
			a.Warnings = append(a.Warnings, problem.Text)
		}
	}
	return a, nil
}
