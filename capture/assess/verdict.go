package assess

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"letthrough/capture/trace"
)

// Finding is what one criterion comes to over all runs of an output.
type Finding struct {
	Criterion string   `json:"criterion"`
	Say       string   `json:"say"`
	Asked     string   `json:"asked"` // the limits, in words
	Verdict   Verdict  `json:"verdict"`
	Why       string   `json:"why"`
	Next      string   `json:"next,omitempty"`
	Note      string   `json:"note,omitempty"`
	Runs      []Judged `json:"runs"` // those that it concerns, the deciding ones first
}

// Skipped is a run that does not count, and why.
type Skipped struct {
	Run int64  `json:"run"`
	Why string `json:"why"`
}

// Assessment is the verdict on one output of a unit with all its reasons, the worst first.
type Assessment struct {
	Output   string    `json:"output"`
	Verdict  Verdict   `json:"verdict"`
	Say      string    `json:"say"` // verdict and its first reason, in a sentence
	Findings []Finding `json:"findings"`
	Counted  []int64   `json:"counted"` // runs
	Skipped  []Skipped `json:"skipped"`
}

// Outputs names the outputs that runs were made of, in the order of the first run of each. A unit without
// runs has one without a name.
func Outputs(runs []Run) []string {
	var out []string
	for _, r := range runs {
		if !slices.Contains(out, r.Output) {
			out = append(out, r.Output)
		}
	}
	if len(out) == 0 {
		out = []string{""}
	}
	return out
}

// Assess judges one output of a unit by all its runs that count. Criteria that concern none of what the
// unit does are left out.
func Assess(set Set, p Plate, output string, runs []Run) Assessment {
	a := Assessment{Output: output, Findings: []Finding{}, Counted: []int64{}, Skipped: []Skipped{}}
	var valid []Run
	for _, r := range runs {
		if r.Output != output {
			continue
		}
		if why := r.counts(); why != "" {
			a.Skipped = append(a.Skipped, Skipped{r.ID, why})
			continue
		}
		valid = append(valid, r)
		a.Counted = append(a.Counted, r.ID)
	}
	for _, c := range set.Criteria {
		if f := c.over(valid, p); f.Verdict != NotApplicable {
			a.Findings = append(a.Findings, f)
		}
	}
	slices.SortStableFunc(a.Findings, func(x, y Finding) int { return cmp.Compare(x.Verdict.rank(), y.Verdict.rank()) })
	a.Verdict = NotDetermined
	if len(a.Findings) > 0 {
		a.Verdict = a.Findings[0].Verdict
	}
	a.Say = a.sentence()
	return a
}

func (a Assessment) sentence() string {
	if len(a.Findings) == 0 {
		return a.Verdict.Say() + ": no criterion concerns what was tested"
	}
	if a.Verdict == Pass {
		return fmt.Sprintf("Pass by all of %s", counted(len(a.Findings), "criterion", "criteria"))
	}
	f := a.Findings[0]
	return a.Verdict.Say() + ": " + f.Why
}

func counted(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

// over judges a criterion by all runs of an output. A run that fails it fails the unit: a fault at home
// need not be the unit's best. Where none fails, a run whose figure lies on the limit is evidence that
// others may lie beyond. A run that merely could not tell adds nothing where another one could.
func (c Criterion) over(runs []Run, p Plate) Finding {
	f := Finding{Criterion: c.Name, Say: c.Say, Asked: c.Asked(), Note: c.Note, Runs: []Judged{}}
	for _, r := range runs {
		if j := c.judge(r, p); j.Verdict != NotApplicable {
			f.Runs = append(f.Runs, j)
		}
	}
	if len(f.Runs) == 0 {
		return c.unheard(runs, f)
	}
	slices.SortStableFunc(f.Runs, func(a, b Judged) int { return cmp.Compare(a.weight(), b.weight()) })
	first := f.Runs[0]
	f.Verdict, f.Why, f.Next = first.Verdict, first.Why, first.Next
	silent, decided := 0, 0
	for _, j := range f.Runs {
		switch {
		case j.Verdict == NotDetermined && !j.OnLimit:
			silent++
		case j.Verdict == first.Verdict:
			decided++
		}
	}
	if n := len(f.Runs); n > 1 && decided > 0 {
		f.Why += fmt.Sprintf(" (so in %d of %s", decided, counted(n, "run", "runs"))
		if silent > 0 {
			f.Why += fmt.Sprintf("; %d could not tell", silent)
		}
		f.Why += ")"
	}
	return f
}

// Asked says the limits in words.
func (c Criterion) Asked() string {
	s := c.Pass.Say()
	if !c.Caution.none() {
		s += "; caution: " + c.Caution.Say()
	}
	return s
}

// weight orders what runs came to: evidence before silence, and of the evidence the worst first.
func (j Judged) weight() int {
	if j.Verdict == NotDetermined && !j.OnLimit {
		return len(Verdicts)
	}
	return j.Verdict.rank()
}

// unheard is a criterion that no run speaks to: it does not apply where such a test was made and the unit
// does not do what the criterion is about; else the test is missing.
func (c Criterion) unheard(runs []Run, f Finding) Finding {
	if slices.ContainsFunc(runs, func(r Run) bool { return slices.Contains(c.In, r.Procedure) }) {
		return f
	}
	f.Verdict = NotDetermined
	var tests []string
	for _, p := range c.In {
		tests = append(tests, testName(p))
	}
	f.Why = "no " + strings.Join(tests, " and no ") + " was made that counts"
	f.Next = "make a " + strings.Join(tests, " or a ")
	return f
}

func testName(p trace.Procedure) string {
	switch p {
	case trace.Short:
		return "short-circuit test"
	case trace.Ramp:
		return "test with a rising load"
	case trace.Steps:
		return "test with stairs"
	case trace.Overload:
		return "overload test"
	case trace.Carry:
		return "carry test"
	}
	return string(p)
}

// OfRun judges one run alone by the criteria that concern its procedure.
func OfRun(set Set, p Plate, r Run) Verdict {
	if len(r.Figures) == 0 {
		return NotApplicable
	}
	v := NotApplicable
	for _, c := range set.Criteria {
		v = Worse(v, c.judge(r, p).Verdict)
	}
	return v
}
