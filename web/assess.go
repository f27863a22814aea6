package web

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strconv"

	"letthrough/capture/assess"
	"letthrough/capture/trace"
	"letthrough/store"
)

// AssessStore is what assessing needs of the store; *store.DB satisfies it. The command line assesses
// through the same functions as the pages.
type AssessStore interface {
	Units(ctx context.Context) ([]trace.Unit, error)
	Unit(ctx context.Context, id int64) (trace.Unit, error)
	Loads() *store.Shelf[trace.Load]
	Criteria() *store.Shelf[trace.CriteriaSet]
	ChosenCriteria(ctx context.Context) (trace.CriteriaSet, error)
	Runs(ctx context.Context, q store.RunQuery) (store.RunPage, error)
	Verdicts(ctx context.Context, unit int64, criteria string) ([]store.Verdict, error)
	KeepVerdict(ctx context.Context, v store.Verdict, after int64) (store.Verdict, error)
	Remarks(ctx context.Context, unit int64) ([]store.Remark, error)
}

// Rules are a set of criteria ready to judge by.
type Rules struct {
	trace.CriteriaSet
	Set assess.Set
}

// RulesNamed finds a set of criteria by name; an empty name means the chosen one.
func RulesNamed(ctx context.Context, st AssessStore, name string) (Rules, error) {
	var r Rules
	var err error
	if name == "" {
		r.CriteriaSet, err = st.ChosenCriteria(ctx)
	} else {
		r.CriteriaSet, err = st.Criteria().ByName(ctx, name)
	}
	if err != nil {
		return r, err
	}
	if r.Set, err = assess.Parse(r.Text); err != nil {
		return r, outOfRange("mend its text: letthrough criteria edit, or the page Units", "the set of criteria %q cannot be used: %s", r.Name, err)
	}
	return r, nil
}

// UnitVerdict is what a set of criteria makes of a unit, with how the verdicts came about.
type UnitVerdict struct {
	UnitID   int64               `json:"unit_id"`
	Unit     string              `json:"unit"`
	Criteria string              `json:"criteria"`
	Version  int                 `json:"version"`
	Verdict  assess.Verdict      `json:"verdict"` // the worst of its outputs
	Say      string              `json:"say"`
	Outputs  []assess.Assessment `json:"outputs"`
	History  []store.Verdict     `json:"history"` // the newest first
	Remarks  []store.Remark      `json:"remarks"`
}

// AssessUnit judges a unit by all its runs. A verdict that is another than the one before is kept with what
// changed; where the database cannot be written that waits, and the verdict is given all the same.
func AssessUnit(ctx context.Context, st AssessStore, unit trace.Unit, rules Rules) (UnitVerdict, error) {
	v := UnitVerdict{UnitID: unit.ID, Unit: unit.Name, Criteria: rules.Name, Version: rules.Version, Outputs: []assess.Assessment{}}
	runs, err := runsOf(ctx, st, unit.ID)
	if err != nil {
		return v, err
	}
	plate, err := plateOf(ctx, st, unit)
	if err != nil {
		return v, err
	}
	history, err := st.Verdicts(ctx, unit.ID, rules.Name)
	if err != nil {
		return v, err
	}
	kept := false
	for _, output := range assess.Outputs(runs) {
		a := assess.Assess(rules.Set, plate, output, runs)
		v.Outputs = append(v.Outputs, a)
		if v.Say == "" || assess.Worse(v.Verdict, a.Verdict) != v.Verdict {
			v.Verdict, v.Say = a.Verdict, a.Say
		}
		new, err := keepVerdict(ctx, st, unit.ID, rules, assess.Past{Basis: assess.BasisOf(rules.Name, rules.Version, plate, a, runs), Assessment: a}, history)
		if err != nil {
			return v, err
		}
		kept = kept || new
	}
	if kept {
		if history, err = st.Verdicts(ctx, unit.ID, rules.Name); err != nil {
			return v, err
		}
	}
	v.History = orNone(history)
	v.Remarks, err = st.Remarks(ctx, unit.ID)
	v.Remarks = orNone(v.Remarks)
	return v, err
}

// keepVerdict keeps a verdict that is another than the newest of its output. A unit without any run that
// counts has none to keep, until it had one.
func keepVerdict(ctx context.Context, st AssessStore, unit int64, rules Rules, now assess.Past, history []store.Verdict) (bool, error) {
	v := store.Verdict{UnitID: unit, Output: now.Assessment.Output, Criteria: rules.Name, Version: rules.Version,
		Verdict: string(now.Assessment.Verdict), Say: now.Assessment.Say}
	var err1, err2 error
	v.Basis, err1 = json.Marshal(now.Basis)
	v.Result, err2 = json.Marshal(now.Assessment)
	if err := errors.Join(err1, err2); err != nil {
		return false, err
	}
	var after int64
	for _, old := range history {
		if old.Output != v.Output {
			continue
		}
		var before assess.Past
		if err := errors.Join(json.Unmarshal(old.Basis, &before.Basis), json.Unmarshal(old.Result, &before.Assessment)); err != nil {
			return false, fmt.Errorf("verdict %d: %w", old.ID, err)
		}
		if v.Changes = assess.Changes(before, now); len(v.Changes) == 0 {
			return false, nil
		}
		after = old.ID
		break
	}
	if after == 0 && len(now.Basis.Runs) == 0 {
		return false, nil
	}
	_, err := st.KeepVerdict(ctx, v, after)
	if errors.Is(err, store.ErrState) || errors.Is(err, store.ErrReadOnly) {
		return false, nil
	}
	return err == nil, err
}

// plateOf gives what limits refer to.
func plateOf(ctx context.Context, st AssessStore, unit trace.Unit) (assess.Plate, error) {
	p := assess.Plate{RatedA: unit.RatedCurrentA}
	if unit.Load == "" {
		return p, nil
	}
	l, err := st.Loads().ByName(ctx, unit.Load)
	if err != nil {
		return p, err
	}
	p.Load = assess.Known(l)
	return p, nil
}

// runsOf gives all runs of a unit, the oldest first.
func runsOf(ctx context.Context, st AssessStore, unit int64) ([]assess.Run, error) {
	var out []assess.Run
	q := store.RunQuery{Unit: strconv.FormatInt(unit, 10), Sort: "started", Limit: mostRuns}
	for {
		page, err := st.Runs(ctx, q)
		if err != nil {
			return nil, err
		}
		for _, r := range page.Runs {
			if r.UnitID != nil && *r.UnitID == unit { // a unit may be called by another one's number
				out = append(out, assessed(r))
			}
		}
		if page.Next == nil {
			return out, nil
		}
		q.After = *page.Next
	}
}

func assessed(r store.RunSummary) assess.Run {
	return assess.Run{ID: r.ID, UUID: r.UUID, Derivation: r.DerivationID, Output: r.Output, Setting: r.Setting, Procedure: r.Procedure,
		Behaviour: r.Behaviour, Recovery: r.Recovery, State: r.State, Reason: r.Reason, StartedS: float64(r.Started.UnixMilli()) / 1e3, Figures: r.Figures}
}

// RunJudge judges single runs, each by what concerns its own procedure.
type RunJudge struct {
	rules  Rules
	plates map[int64]assess.Plate
	err    error // the criteria cannot be used: no run has a verdict
}

// NewRunJudge makes one for the chosen criteria. Where they cannot be used the runs have no verdict, and
// Problem says why: a list of runs is shown all the same.
func NewRunJudge(ctx context.Context, st AssessStore) (*RunJudge, error) {
	j := &RunJudge{plates: map[int64]assess.Plate{}}
	if j.rules, j.err = RulesNamed(ctx, st, ""); j.err != nil {
		return j, nil
	}
	units, err := st.Units(ctx)
	if err != nil {
		return nil, err
	}
	for _, u := range units {
		if j.plates[u.ID], err = plateOf(ctx, st, u); err != nil {
			return nil, err
		}
	}
	return j, nil
}

// Problem says why no run has a verdict; nil where they have.
func (j *RunJudge) Problem() error { return j.err }

// Verdict is what one run comes to; empty where it is left out, still open, or concerns no criterion.
func (j *RunJudge) Verdict(r store.RunSummary) assess.Verdict {
	if j.err != nil || r.UnitID == nil || r.State == trace.RunExcluded || r.State == trace.RunOpen {
		return assess.NotApplicable
	}
	return assess.OfRun(j.rules.Set, j.plates[*r.UnitID], assessed(r))
}

// judgedRun is a run of a list with its verdict.
type judgedRun struct {
	store.RunSummary
	Verdict assess.Verdict `json:"verdict"`
}

// JudgedPage is a page of runs with their verdicts.
type JudgedPage struct {
	Runs    []judgedRun `json:"runs"`
	Next    *string     `json:"next"`
	Problem error       `json:"-"` // why no run has a verdict
}

// leastAtOnce is how many runs are read at once to find those of a verdict.
const leastAtOnce = 200

// JudgedRuns lists runs with their verdicts, and of one verdict only where it is given.
func JudgedRuns(ctx context.Context, st AssessStore, q store.RunQuery, only assess.Verdict) (JudgedPage, error) {
	out := JudgedPage{Runs: []judgedRun{}}
	judge, err := NewRunJudge(ctx, st)
	if err != nil {
		return out, err
	}
	if out.Problem = judge.err; only != "" && judge.err != nil {
		return out, judge.err
	}
	if q.Limit == 0 {
		q.Limit = 50
	}
	most := q.Limit
	if only != "" {
		q.Limit = max(q.Limit, leastAtOnce)
	}
	for {
		page, err := st.Runs(ctx, q)
		if err != nil {
			return out, err
		}
		for i, r := range page.Runs {
			v := judge.Verdict(r)
			if only != "" && v != only {
				continue
			}
			if out.Runs = append(out.Runs, judgedRun{r, v}); len(out.Runs) == most {
				if i < len(page.Runs)-1 || page.Next != nil {
					out.Next = page.After(i)
				}
				return out, nil
			}
		}
		if page.Next == nil {
			return out, nil
		}
		q.After = *page.Next
	}
}

var _ AssessStore = (*store.DB)(nil)
