package web

import (
	"context"
	"errors"
	"fmt"
	"math"

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
	u, err := runs.UnitByName(ctx, unit)
	gone := errors.Is(err, store.ErrNotFound) // its runs still tell of it
	if err != nil && !gone {
		return s, false, err
	}
	for _, run := range page.Runs {
		from := fmt.Sprintf("run %d", run.ID)
		open, v := value(run.Figures, "open_volts")
		own, r := value(run.Figures, "source_ohm")
		if v && r {
			if _, held := value(run.Figures, "sustained_current_a"); held { // a peak alone says nothing of the shape
				s = measured(run.Figures, u.Waveform)
			}
			s.OpenV, s.SourceOhm, s.From = open, own, from
			return s, true, nil
		}
		if s = measured(run.Figures, u.Waveform); s.CurrentA > 0 {
			s.From = from
			return s, true, nil
		}
	}
	if gone {
		return rig.Source{}, false, nil
	}
	kept, err := runs.Forecasts(ctx, u.ID)
	if err != nil || len(kept) == 0 {
		return s, false, err
	}
	return rig.Source{Loads: pointsOf(kept[0])}, false, nil
}

// measured is the current of a short as a run has it: its mean, what it heated like, and its peak, each with its
// uncertainty on top. What flows on counts; a peak that may be a capacitor's only where nothing else is known. What it
// heated like stays 0 where the run did not see it: the stated waveform counts then.
func measured(fs trace.Figures, w trace.Waveform) (s rig.Source) {
	s.PeakA, _ = value(fs, "peak_current_a")
	var ok bool
	if s.CurrentA, ok = value(fs, "sustained_current_a"); !ok {
		s.CurrentA, s.HeatA = s.PeakA, s.PeakA // no rms is more
		return s
	}
	if peak, ok := fs.Get("peak_current_a"); ok && peak.Bound == trace.AtLeast {
		s.PeakA = peak.Value
	}
	least := s.CurrentA // what the heat must be above to tell more than the stated waveform
	if form, ok := value(fs, "form_factor"); ok {
		s.HeatA = s.CurrentA * max(1, form)
	} else {
		form, _ = rig.FormFactor(w, rig.Source{})
		least *= form
	}
	// Of the fault itself, without the capacitor's spike, which is over before anything is warm.
	spike, _ := fs.Get("spike_a2s")
	for _, over := range [][2]string{{"let_through_a2s", "time_to_cutoff_s"}, {"let_through_a2s", "time_to_limit_s"}, {"hold_a2s", "hold_s"}} {
		heat, h := fs.Get(over[0])
		lasted, l := fs.Get(over[1])
		if !h || !l || !seen(heat) || !seen(lasted) {
			continue
		}
		rms := math.Sqrt(max(0, heat.Value+heat.U-spike.Value) / lasted.Value)
		if rms > least {
			s.HeatA = max(s.HeatA, rms)
		}
	}
	return s
}

// seen tells whether a figure is the thing itself, and not a bound from readings that missed it.
func seen(f trace.Figure) bool { return f.Value > 0 && f.Bound == trace.Exact }

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
