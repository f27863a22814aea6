package compare

import (
	"fmt"
	"slices"
	"strings"

	"letthrough/capture/trace"
	"letthrough/capture/words"
)

// How many runs can be set side by side.
const (
	Fewest = 2
	Most   = 6
)

// Run is one run or trace as it is compared. Times of its marks are seconds from its zero.
type Run struct {
	ID         int64 // 0: a trace from a file
	Name       string
	Unit       trace.Unit
	Output     string
	Setting    string
	Rig        string
	Instrument string // the one that measured the current: name, format and how it was set up
	RateHz     float64
	State      trace.RunState
	Reason     string // why it is left out, or was cut short
	Verdict    string // in words; empty: none was reached
	Version    string
	Counts     trace.Counts
	Settings   trace.Settings // that the figures were derived with
	Derivation trace.Derivation
}

// Pair is how figures of two runs stand to each other; A and B are their places among the runs.
type Pair struct {
	A          int    `json:"a"`
	B          int    `json:"b"`
	Order      Order  `json:"order"`      // of B against A: more, less, same, not_determined, not_applicable
	Exceeds    *bool  `json:"exceeds"`    // whether the difference exceeds the combined uncertainty; null: not determined
	Difference Value  `json:"difference"` // B - A
	Ratio      Value  `json:"ratio"`      // B / A
	Why        string `json:"why,omitempty"`
	Text       string `json:"text"`
	Times      string `json:"times"` // the ratio in words; empty where there is none
}

// Row is one figure of all runs.
type Row struct {
	Key     string         `json:"key"`
	Say     string         `json:"say"`
	Unit    string         `json:"unit"`
	Cells   []*Cell        `json:"cells"` // null: this run has no such figure
	Pairs   []Pair         `json:"pairs"`
	Order   []int          `json:"order"`   // the runs that are told apart from each other, the most first
	Between string         `json:"between"` // the same in words
	Aside   string         `json:"aside,omitempty"`
	Unlike  string         `json:"unlike,omitempty"` // why it is not ranked
	In      string         `json:"in,omitempty"`     // the row that says it too
	figures []trace.Figure // by run; without a bound where there is none
}

// Cell is a figure with the pieces that a page lays out.
type Cell struct {
	Value *float64    `json:"value"`
	U     *float64    `json:"u"`
	Bound trace.Bound `json:"bound"`
	Text  string      `json:"text"`
	Why   string      `json:"why,omitempty"`
	Line  words.Line  `json:"line"`
}

// Fact is what is told of every run in words, such as its behaviour.
type Fact struct {
	Key     string   `json:"key"`
	Say     string   `json:"say"`
	Values  []string `json:"values"`
	Words   []string `json:"-"` // as the program writes them
	Between string   `json:"between"`
}

// Comparison is the whole table.
type Comparison struct {
	Procedure  trace.Procedure `json:"procedure"`
	Title      string          `json:"title"`
	Names      []string        `json:"names"`
	Facts      []Fact          `json:"facts"`
	Rows       []Row           `json:"rows"`
	Conditions []Condition     `json:"conditions"`
	Bands      []Band          `json:"bands"`
	Notes      []string        `json:"notes"`
	runs       []Run
}

// Runs are what was compared.
func (c Comparison) Runs() []Run { return c.runs }

// Error is a choice of runs that cannot be set side by side.
type Error struct {
	Text, Hint string
	Unlike     bool // they are there, but of several procedures
}

func (e *Error) Error() string {
	if e.Hint == "" {
		return e.Text
	}
	return e.Text + "; " + e.Hint
}

// Check says what is wrong with a choice of runs by their numbers, or nil.
func Check(n int) error {
	switch {
	case n < Fewest:
		return &Error{Text: fmt.Sprintf("two to six runs can be set side by side, and %s chosen", counted(n)), Hint: "choose another one"}
	case n > Most:
		return &Error{Text: fmt.Sprintf("two to six runs can be set side by side, and %s chosen", counted(n)), Hint: "choose fewer"}
	}
	return nil
}

func counted(n int) string {
	switch n {
	case 0:
		return "none is"
	case 1:
		return "one is"
	}
	return fmt.Sprintf("%d are", n)
}

// New compares runs. The error is an *Error.
func New(runs []Run) (Comparison, error) {
	if err := Check(len(runs)); err != nil {
		return Comparison{}, err
	}
	c := Comparison{Procedure: runs[0].Derivation.Procedure, runs: slices.Clone(runs)}
	for i, r := range runs {
		if r.ID != 0 && slices.ContainsFunc(runs[:i], func(o Run) bool { return o.ID == r.ID }) {
			return c, &Error{Text: fmt.Sprintf("run %d is chosen twice", r.ID), Hint: "choose each run once"}
		}
		if r.State == trace.RunOpen {
			return c, &Error{Text: fmt.Sprintf("run %d is still being recorded", r.ID), Hint: "wait until it has ended", Unlike: true}
		}
	}
	if err := likeProcedures(runs); err != nil {
		return c, err
	}
	c.Names = names(runs)
	for i := range c.runs {
		c.runs[i].Name = c.Names[i]
	}
	c.Title = words.List(c.Names)
	c.Facts = c.facts()
	c.Conditions = c.conditions()
	c.Rows = c.rows()
	c.Bands = c.bands()
	c.Notes = c.notes()
	return c, nil
}

func likeProcedures(runs []Run) error {
	by := map[trace.Procedure][]string{}
	var kinds []trace.Procedure
	for _, r := range runs {
		p := r.Derivation.Procedure
		if by[p] == nil {
			kinds = append(kinds, p)
		}
		by[p] = append(by[p], r.called())
	}
	if len(kinds) == 1 {
		return nil
	}
	var parts []string
	for _, p := range kinds {
		parts = append(parts, fmt.Sprintf("%s: %s", words.Procedure(p), words.List(by[p])))
	}
	return &Error{Text: "these are different kinds of tests (" + strings.Join(parts, "; ") + "), and their figures do not mean the same",
		Hint: "choose runs of one kind of test", Unlike: true}
}

// called names a run where it has no name of its own yet.
func (r Run) called() string {
	if r.ID != 0 {
		return fmt.Sprintf("run %d", r.ID)
	}
	return r.Name
}

// names gives every run one that no other has: the unit's, with the output or the number of the run where
// that is not enough.
func names(runs []Run) []string {
	out := make([]string, len(runs))
	for i, r := range runs {
		out[i] = r.Name
		if out[i] == "" {
			out[i] = r.Unit.Name
		}
		if out[i] == "" {
			out[i] = "no name"
		}
	}
	more := func(add func(r Run, i int) string) {
		twice := slices.Clone(out)
		for i, r := range runs {
			if count(twice, twice[i]) > 1 {
				if s := add(r, i); s != "" {
					out[i] += " " + s
				}
			}
		}
	}
	more(func(r Run, _ int) string { return r.Output })
	more(func(r Run, i int) string {
		if r.ID != 0 {
			return fmt.Sprintf("run %d", r.ID)
		}
		return ""
	})
	more(func(_ Run, i int) string { return fmt.Sprintf("no. %d", i+1) })
	return out
}

func count(list []string, s string) int {
	n := 0
	for _, one := range list {
		if one == s {
			n++
		}
	}
	return n
}

// counts tells whether a run takes part in what is ranked.
func (r Run) counts() bool { return r.State != trace.RunExcluded }
