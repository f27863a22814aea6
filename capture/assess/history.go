package assess

import (
	"fmt"
	"slices"

	"letthrough/capture/trace"
)

// Basis is everything that a verdict stands on, as it is kept beside it.
type Basis struct {
	Criteria string      `json:"criteria"` // the set's name and version
	Version  int         `json:"version"`
	RatedA   float64     `json:"rated_a"`
	Load     *trace.Load `json:"load,omitempty"`
	Runs     []BasisRun  `json:"runs"` // those that counted
}

// BasisRun is one run that a verdict stands on. The figures are those that were judged, so that a moved
// mark can be told from the run as it was.
type BasisRun struct {
	Run        int64           `json:"run"`
	UUID       string          `json:"uuid"`
	Derivation int64           `json:"derivation"`
	Behaviour  trace.Behaviour `json:"behaviour"`
}

// BasisOf gives what an assessment stands on.
func BasisOf(criteria string, version int, p Plate, a Assessment, runs []Run) Basis {
	b := Basis{Criteria: criteria, Version: version, RatedA: p.RatedA, Runs: []BasisRun{}}
	if p.Load != nil {
		l := p.Load.Load
		b.Load = &l
	}
	for _, r := range runs {
		if slices.Contains(a.Counted, r.ID) {
			b.Runs = append(b.Runs, BasisRun{r.ID, r.UUID, r.Derivation, r.Behaviour})
		}
	}
	slices.SortFunc(b.Runs, func(x, y BasisRun) int { return int(x.Run - y.Run) })
	return b
}

// Past is a verdict that was reached before, with what it stood on.
type Past struct {
	Basis      Basis
	Assessment Assessment
}

// Changes says in sentences what is another than before: first what the verdict stands on, then what
// came of it. None: nothing changed.
func Changes(before, after Past) []string {
	said := basisChanges(before.Basis, after.Basis)
	a, b := before.Assessment, after.Assessment
	for _, f := range b.Findings {
		was := NotApplicable
		if i := slices.IndexFunc(a.Findings, func(g Finding) bool { return g.Criterion == f.Criterion }); i >= 0 {
			was = a.Findings[i].Verdict
		}
		if was != f.Verdict {
			said = append(said, fmt.Sprintf("%s: %s, was %s", f.Criterion, lowerFirst(f.Verdict.Say()), lowerFirst(was.Say())))
		}
	}
	for _, f := range a.Findings {
		if !slices.ContainsFunc(b.Findings, func(g Finding) bool { return g.Criterion == f.Criterion }) {
			said = append(said, fmt.Sprintf("%s: does not apply any more, was %s", f.Criterion, lowerFirst(f.Verdict.Say())))
		}
	}
	if a.Verdict != b.Verdict {
		said = append(said, fmt.Sprintf("the verdict is %s, was %s", lowerFirst(b.Verdict.Say()), lowerFirst(a.Verdict.Say())))
	}
	return said
}

func basisChanges(a, b Basis) (said []string) {
	if a.Criteria != b.Criteria || a.Version != b.Version {
		said = append(said, fmt.Sprintf("criteria %s version %d, were %s version %d", b.Criteria, b.Version, a.Criteria, a.Version))
	}
	if a.RatedA != b.RatedA {
		said = append(said, fmt.Sprintf("the plate says %s, said %s", ampsOrUnknown(b.RatedA), ampsOrUnknown(a.RatedA)))
	}
	switch {
	case a.Load == nil && b.Load == nil:
	case a.Load == nil:
		said = append(said, fmt.Sprintf("the weakest load is %s, none was named", b.Load.Name))
	case b.Load == nil:
		said = append(said, fmt.Sprintf("no load is named any more, %s was", a.Load.Name))
	case a.Load.Name != b.Load.Name:
		said = append(said, fmt.Sprintf("the weakest load is %s, was %s", b.Load.Name, a.Load.Name))
	case *a.Load != *b.Load:
		said = append(said, fmt.Sprintf("what is known of the load %s was changed", b.Load.Name))
	}
	for _, r := range b.Runs {
		i := slices.IndexFunc(a.Runs, func(o BasisRun) bool { return o.Run == r.Run })
		switch {
		case i < 0:
			said = append(said, fmt.Sprintf("run %d counts now", r.Run))
		case a.Runs[i].Derivation != r.Derivation:
			said = append(said, fmt.Sprintf("run %d was derived again, with another setting or a mark moved by hand", r.Run))
		}
	}
	for _, r := range a.Runs {
		if !slices.ContainsFunc(b.Runs, func(o BasisRun) bool { return o.Run == r.Run }) {
			said = append(said, fmt.Sprintf("run %d counts no more", r.Run))
		}
	}
	return said
}

func ampsOrUnknown(a float64) string {
	if a == 0 {
		return "no rated current"
	}
	return quantityText(a, "A")
}
