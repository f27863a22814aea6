package assess

import (
	"slices"

	"letthrough/capture/trace"
)

// Set is a set of criteria. A person writes it as a small text; see Parse.
type Set struct {
	About    []string // lines that say what the set is
	Criteria []Criterion
}

// Criterion judges one quantity. Its caution limit, where there is one, holds all that its pass limit
// holds; what lies outside both fails.
type Criterion struct {
	Name     string
	Say      string // what it asks for, in words
	Judges   string // a figure's key, or one of the quantities of this package
	In       []trace.Procedure
	When     []trace.Behaviour // only of runs with these behaviours; none: of all
	Level    Limit             // up to this a limited current counts as stopped; zero where it is not needed
	Pass     Limit
	Caution  Limit // zero: none
	Note     string
	quantity quantity
}

// Limit is a range of numbers in a unit, or a list of words. The zero value is no limit.
type Limit struct {
	Kind  LimitKind
	Low   float64 // of AtLeastLimit and Between
	High  float64 // of AtMostLimit and Between
	Unit  string
	Words []string // of OneOf
}

// LimitKind says how a limit is written.
type LimitKind int

// The kinds of limits.
const (
	NoLimit LimitKind = iota
	AtMostLimit
	AtLeastLimit
	Between
	OneOf
)

func (l Limit) none() bool { return l.Kind == NoLimit }

// holds tells whether every number that the inner limit allows is allowed by l as well. Both have one unit.
func (l Limit) holds(inner Limit) bool {
	if l.Kind != inner.Kind {
		return false
	}
	switch l.Kind {
	case AtMostLimit:
		return inner.High <= l.High
	case AtLeastLimit:
		return inner.Low >= l.Low
	case Between:
		return inner.Low >= l.Low && inner.High <= l.High
	}
	return true
}

func (l Limit) equal(o Limit) bool {
	return l.Kind == o.Kind && l.Low == o.Low && l.High == o.High && l.Unit == o.Unit && slices.Equal(l.Words, o.Words)
}

// Equal tells whether two sets say the same.
func (s Set) Equal(o Set) bool {
	return slices.Equal(s.About, o.About) && slices.EqualFunc(s.Criteria, o.Criteria, func(a, b Criterion) bool {
		return a.Name == b.Name && a.Say == b.Say && a.Judges == b.Judges && slices.Equal(a.In, b.In) && slices.Equal(a.When, b.When) &&
			a.Level.equal(b.Level) && a.Pass.equal(b.Pass) && a.Caution.equal(b.Caution) && a.Note == b.Note
	})
}

// HouseName is what the set is called that a fresh database has.
const HouseName = "house"

// HouseText is the set that a fresh database has.
const HouseText = `about: House rules of this program, not a standard. Change them to what you can defend.
about: Nothing here promises safety; local electrical codes and qualified persons come first.

criterion stops
  say: Stops the fault, or limits it to about its rating, within a second
  judges: protected_after_s
  level: at most 1.25 x rated
  pass: at most 1 s
  caution: at most 5 s

criterion let_through
  say: Lets through less than the weakest load stands
  judges: let_through_a2s
  in: short
  pass: at most 1 x withstand

criterion flows_on
  say: What it goes on feeding is no more than the weakest load stands for ever
  judges: steady_current_a
  when: fold_back, limited, sustained
  pass: at most 1 x continuous

criterion trip_current
  say: Trips between its rating and twice of it
  judges: trip_current_a
  pass: 1.05 to 2 x rated

criterion carries
  say: Carries its rating
  judges: carries_rating
  level: at least 0.95 x rated
  pass: yes

criterion retry_heat
  say: Its retries heat no more than its rating would
  judges: heating_current_a
  in: short
  when: auto_retry, hiccup
  pass: at most 1 x rated
`

// StopLimits are the times in seconds that the set asks a unit to stop within, and with caution; what a
// protector is held against. Where it asks for none, a second is taken, without a caution.
func (s Set) StopLimits() (pass, caution float64) {
	for _, c := range s.Criteria {
		if (c.Judges == ProtectedAfter || c.Judges == "time_to_cutoff_s") && c.Pass.Kind == AtMostLimit {
			return c.Pass.High, c.Caution.High
		}
	}
	return 1, 0
}
