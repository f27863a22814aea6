package assess_test

import (
	"slices"
	"strings"
	"testing"

	"letthrough/capture/assess"
	"letthrough/capture/trace"
)

var loco = &assess.Load{Load: trace.Load{Name: "Loco", RunningA: 0.3, StallA: 1.2, ContinuousA: 0.6, WithstandA2s: 20}}

// shelf is what a well-tested unit has: a short, a ramp and a carry test.
func shelf() []assess.Run {
	return []assess.Run{
		{ID: 1, Procedure: trace.Short, Behaviour: trace.Latching, State: trace.RunComplete, Figures: trace.Figures{
			figure("time_to_cutoff_s", 0.035, 0.002, trace.Exact), figure("let_through_a2s", 0.9, 0.02, trace.Exact), figure("hold_s", 30, 0.1, trace.Exact)}},
		{ID: 2, Procedure: trace.Ramp, Behaviour: trace.Tripped, State: trace.RunComplete, Figures: trace.Figures{figure("trip_current_a", 2.1, 0.05, trace.Exact)}},
		{ID: 3, Procedure: trace.Carry, Behaviour: trace.Carried, State: trace.RunComplete, Figures: trace.Figures{figure("carried_current_a", 1.5, 0.02, trace.Exact)}},
	}
}

func TestAWellTestedUnitPasses(t *testing.T) {
	a := assess.Assess(house(t), assess.Plate{RatedA: 1.5, Load: loco}, "", shelf())
	if a.Verdict != assess.Pass || len(a.Findings) != 4 || !slices.Equal(a.Counted, []int64{1, 2, 3}) {
		t.Errorf("%s, %+v", a.Say, a)
	}
}

func TestTheWorstCriterionDecidesAndAllReasonsAreKept(t *testing.T) {
	runs := shelf()
	runs[0].Figures[0] = figure("time_to_cutoff_s", 2, 0.002, trace.Exact)  // caution
	runs[0].Figures[1] = figure("let_through_a2s", 50, 0.02, trace.Exact)   // fail
	runs[1].Figures[0] = figure("trip_current_a", 1.0, 0.01, trace.AtLeast) // open
	a := assess.Assess(house(t), assess.Plate{RatedA: 1.5, Load: loco}, "", runs)
	var got []string
	for _, f := range a.Findings {
		got = append(got, f.Criterion+" "+string(f.Verdict))
	}
	want := []string{"let_through fail", "trip_current not_determined", "stops caution", "carries pass"}
	if !slices.Equal(got, want) || a.Verdict != assess.Fail || !strings.Contains(a.Say, "let through 50.000 ± 0.020 A²s") {
		t.Errorf("%v, %q, want %v", got, a.Say, want)
	}
}

func TestOnlyRunsThatCountAreJudged(t *testing.T) {
	bad := shelf()[0]
	bad.Figures = trace.Figures{figure("time_to_cutoff_s", 20, 0.1, trace.Exact), figure("let_through_a2s", 500, 1, trace.Exact)}
	for why, change := range map[string]func(*assess.Run){
		"left out: the clip slipped":        func(r *assess.Run) { r.State, r.Reason = trace.RunExcluded, "the clip slipped" },
		"it is still open":                  func(r *assess.Run) { r.State = trace.RunOpen },
		`at the setting "half", not turned`: func(r *assess.Run) { r.Setting = "half" },
		"it has no figures":                 func(r *assess.Run) { r.Figures = nil },
	} {
		r := bad
		r.ID = 9
		change(&r)
		a := assess.Assess(house(t), assess.Plate{RatedA: 1.5, Load: loco}, "", append(shelf(), r))
		if a.Verdict != assess.Pass || len(a.Skipped) != 1 || a.Skipped[0].Run != 9 || !strings.Contains(a.Skipped[0].Why, why) {
			t.Errorf("%s: %s, left out %+v", why, a.Say, a.Skipped)
		}
	}
	bad.ID = 9
	if a := assess.Assess(house(t), assess.Plate{RatedA: 1.5, Load: loco}, "", append(shelf(), bad)); a.Verdict != assess.Fail || a.Findings[0].Runs[0].Run != 9 {
		t.Errorf("counted, it does not decide: %s", a.Say)
	}
}

func TestARunThatCouldNotTellAddsNothingWhereAnotherCould(t *testing.T) {
	slow := shelf()[0]
	slow.ID = 9
	slow.Figures = trace.Figures{figure("time_to_cutoff_s", 1.4, 0, trace.AtMost), figure("let_through_a2s", 0.1, 0, trace.AtLeast)}
	plate := assess.Plate{RatedA: 1.5, Load: loco}
	a := assess.Assess(house(t), plate, "", append(shelf(), slow))
	if a.Verdict != assess.Pass || !strings.Contains(a.Findings[0].Why, "1 could not tell") {
		t.Errorf("%s: %+v", a.Say, a.Findings[0])
	}
	// One on the limit is evidence.
	slow.Figures = trace.Figures{figure("time_to_cutoff_s", 5.0, 0.05, trace.Exact), figure("let_through_a2s", 0.9, 0.02, trace.Exact)}
	if a := assess.Assess(house(t), plate, "", append(shelf(), slow)); a.Verdict != assess.NotDetermined {
		t.Errorf("on the limit: %s", a.Say)
	}
	alone := []assess.Run{slow}
	alone[0].Figures = trace.Figures{figure("time_to_cutoff_s", 1.4, 0, trace.AtMost)}
	if a := assess.Assess(house(t), plate, "", alone); a.Verdict != assess.NotDetermined {
		t.Errorf("alone: %s", a.Say)
	}
}

func TestLimitingCountsAsStoppingOnlyDownToTheLevel(t *testing.T) {
	for name, tc := range map[string]struct {
		behaviour trace.Behaviour
		figures   trace.Figures
		want      assess.Verdict
	}{
		"folds back to its rating": {trace.FoldBack, trace.Figures{figure("time_to_limit_s", 0.3, 0.01, trace.Exact), figure("residual_current_a", 0.9, 0.01, trace.Exact),
			figure("time_to_cutoff_s", 0, 0, trace.NotApplicable)}, assess.Pass},
		"folds back to twice of it": {trace.FoldBack, trace.Figures{figure("time_to_limit_s", 0.3, 0.01, trace.Exact), figure("residual_current_a", 2, 0.01, trace.Exact),
			figure("hold_s", 30, 0.1, trace.Exact)}, assess.Fail},
		"held for a moment only": {trace.FoldBack, trace.Figures{figure("time_to_limit_s", 0.3, 0.01, trace.Exact), figure("residual_current_a", 2, 0.01, trace.Exact),
			figure("hold_s", 2, 0.1, trace.Exact)}, assess.NotDetermined},
		"limits from the start": {trace.LimitedCurrent, trace.Figures{figure("time_to_limit_s", 0.01, 0.001, trace.AtMost), figure("sustained_current_a", 0.95, 0.01, trace.Exact)}, assess.Pass},
		"feeds it all along":    {trace.Sustained, trace.Figures{figure("time_to_cutoff_s", 30, 0.1, trace.AtLeast), figure("sustained_current_a", 3, 0.01, trace.Exact)}, assess.Fail},
		"cannot be told":        {trace.BehaviourUnsure, trace.Figures{figure("time_to_cutoff_s", 0, 0, trace.NotResolved)}, assess.NotDetermined},
	} {
		r := assess.Run{ID: 1, Procedure: trace.Short, Behaviour: tc.behaviour, State: trace.RunComplete, Figures: tc.figures}
		f := one(t, "judges: protected_after_s\nlevel: at most 1.25 x rated\npass: at most 1 s\ncaution: at most 5 s\n", assess.Plate{RatedA: 0.8}, r)
		if f.Verdict != tc.want {
			t.Errorf("%s: %s because %q, want %s", name, f.Verdict, f.Why, tc.want)
		}
	}
}

func TestWhatFlowsOnIsHeldAgainstWhatTheLoadStandsForEver(t *testing.T) {
	for name, tc := range map[string]struct {
		behaviour trace.Behaviour
		key       string
		v         float64
		want      assess.Verdict
	}{
		"limited below":    {trace.LimitedCurrent, "sustained_current_a", 0.58, assess.Pass},
		"limited above":    {trace.LimitedCurrent, "sustained_current_a", 0.7, assess.Fail},
		"folded back":      {trace.FoldBack, "residual_current_a", 0.9, assess.Fail},
		"cut off":          {trace.Latching, "residual_current_a", 0.9, assess.NotApplicable},
		"who knows":        {trace.BehaviourUnsure, "sustained_current_a", 0.5, assess.NotDetermined},
		"feeds the short":  {trace.Sustained, "sustained_current_a", 3, assess.Fail},
		"tries once again": {trace.AutoRetry, "residual_current_a", 0, assess.NotApplicable},
	} {
		r := assess.Run{ID: 1, Procedure: trace.Short, Behaviour: tc.behaviour, State: trace.RunComplete, Figures: trace.Figures{figure(tc.key, tc.v, 0.01, trace.Exact)}}
		f := one(t, "judges: steady_current_a\nwhen: fold_back, limited, sustained\npass: at most 1 x continuous\n", assess.Plate{Load: loco}, r)
		if f.Verdict != tc.want {
			t.Errorf("%s: %q because %q, want %q", name, f.Verdict, f.Why, tc.want)
		}
	}
}

func TestACarryTestSpeaksOfTheRatingOnlyNearIt(t *testing.T) {
	for name, tc := range map[string]struct {
		behaviour trace.Behaviour
		carried   trace.Figure
		want      assess.Verdict
	}{
		"carried":               {trace.Carried, figure("carried_current_a", 1.5, 0.02, trace.Exact), assess.Pass},
		"carried a little less": {trace.Carried, figure("carried_current_a", 1.44, 0.02, trace.Exact), assess.Pass},
		"carried too little":    {trace.Carried, figure("carried_current_a", 1.0, 0.02, trace.Exact), assess.NotDetermined},
		"tripped at it":         {trace.Tripped, figure("carried_current_a", 1.5, 0.02, trace.Exact), assess.Fail},
		"tripped beyond":        {trace.Tripped, figure("carried_current_a", 2.5, 0.02, trace.Exact), assess.NotDetermined},
		"level not resolved":    {trace.Carried, figure("carried_current_a", 0, 0, trace.NotResolved), assess.NotDetermined},
	} {
		r := assess.Run{ID: 1, Procedure: trace.Carry, Behaviour: tc.behaviour, State: trace.RunComplete, Figures: trace.Figures{tc.carried}}
		f := one(t, "judges: carries_rating\nlevel: at least 0.95 x rated\npass: yes\n", assess.Plate{RatedA: 1.5}, r)
		if f.Verdict != tc.want {
			t.Errorf("%s: %s because %q, want %s", name, f.Verdict, f.Why, tc.want)
		}
	}
}

func TestOutputsAreJudgedApart(t *testing.T) {
	runs := shelf()
	other := shelf()[0]
	other.ID, other.Output = 4, "accessory"
	other.Figures = trace.Figures{figure("time_to_cutoff_s", 20, 0.1, trace.Exact)}
	runs = append(runs, other)
	plate := assess.Plate{RatedA: 1.5, Load: loco}
	if got := assess.Outputs(runs); !slices.Equal(got, []string{"", "accessory"}) {
		t.Errorf("outputs %q", got)
	}
	if a, b := assess.Assess(house(t), plate, "", runs), assess.Assess(house(t), plate, "accessory", runs); a.Verdict != assess.Pass || b.Verdict != assess.Fail {
		t.Errorf("%s; %s", a.Say, b.Say)
	}
}

func TestWhatWasNotTestedIsNotDetermined(t *testing.T) {
	a := assess.Assess(house(t), assess.Plate{RatedA: 1.5, Load: loco}, "", nil)
	if a.Verdict != assess.NotDetermined || !strings.Contains(a.Say, "no short-circuit test was made") {
		t.Errorf("%q", a.Say)
	}
	for _, f := range a.Findings {
		if f.Verdict != assess.NotDetermined || f.Next == "" {
			t.Errorf("%+v", f)
		}
	}
}

func TestARunIsJudgedByWhatConcernsIt(t *testing.T) {
	plate := assess.Plate{RatedA: 1.5, Load: loco}
	for i, r := range shelf() {
		if v := assess.OfRun(house(t), plate, r); v != assess.Pass {
			t.Errorf("run %d: %s", i, v)
		}
	}
	if v := assess.OfRun(house(t), plate, assess.Run{Procedure: trace.Short}); v != assess.NotApplicable {
		t.Errorf("without figures: %q", v)
	}
}
