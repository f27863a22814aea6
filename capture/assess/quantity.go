package assess

import (
	"slices"
	"strings"

	"letthrough/capture/trace"
)

// quantity is what a criterion judges: a figure, something worked out from several of them, or a word.
type quantity struct {
	key   string
	unit  string // as in a criterion's text; empty for a pure number
	say   string
	in    []trace.Procedure
	words []string // what it may be, where it is a word; else nil
	level bool     // it needs the level up to which a limited current counts as stopped
}

// The quantities beside the figures of trace.Definitions.
const (
	ProtectedAfter = "protected_after_s" // to the cut-off, or to the limit where what flows on is at most the level
	SteadyCurrent  = "steady_current_a"  // what flows on for as long as the fault stays
	CarriesRating  = "carries_rating"    // yes or no
	BehaviourWord  = "behaviour"
	RecoveryWord   = "recovery"
)

var own = []quantity{
	{key: ProtectedAfter, unit: "s", say: "Stopped or limited after", in: []trace.Procedure{trace.Short}, level: true},
	{key: SteadyCurrent, unit: "A", say: "What flows on", in: []trace.Procedure{trace.Short}},
	{key: CarriesRating, say: "Carries its rating", in: []trace.Procedure{trace.Carry}, words: []string{"yes", "no"}, level: true},
	{key: BehaviourWord, say: "What it does", in: trace.Procedures, words: behaviourWords()},
	{key: RecoveryWord, say: "Recovery", in: []trace.Procedure{trace.Short}, words: []string{string(trace.ByItself), string(trace.NeedsReset)}},
}

func behaviourWords() (all []string) {
	for _, b := range []trace.Behaviour{trace.Latching, trace.AutoRetry, trace.Hiccup, trace.FoldBack, trace.LimitedCurrent,
		trace.Sustained, trace.Tripped, trace.NoTrip, trace.Carried} {
		all = append(all, string(b))
	}
	return all
}

// plainUnits maps the symbol of a figure's unit to how a criterion's text writes it.
var plainUnits = map[string]string{"s": "s", "A": "A", "A²s": "A2s", "V": "V", "Ω": "ohm", "Hz": "Hz", "C": "C", "J": "J", "A/s": "A/s", "": ""}

// symbols is the way back, for a person's eye.
var symbols = func() map[string]string {
	back := map[string]string{}
	for symbol, text := range plainUnits {
		back[text] = symbol
	}
	return back
}()

// quantityOf finds what a criterion may judge.
func quantityOf(key string) (quantity, bool) {
	if i := slices.IndexFunc(own, func(q quantity) bool { return q.key == key }); i >= 0 {
		return own[i], true
	}
	d, ok := trace.DefinitionOf(key)
	if !ok {
		return quantity{}, false
	}
	return quantity{key: key, unit: plainUnits[d.Unit], say: d.Say, in: d.In}, true
}

// Quantities are the keys that a criterion may judge.
func Quantities() (keys []string) {
	for _, q := range own {
		keys = append(keys, q.key)
	}
	for _, d := range trace.Definitions {
		keys = append(keys, d.Key)
	}
	return keys
}

// The multiples that a limit may be written in: of the unit's rating, or of what its weakest load needs and stands.
const (
	timesRated      = "x rated"
	timesRunning    = "x running"
	timesStall      = "x stall"
	timesContinuous = "x continuous"
	timesWithstand  = "x withstand"
)

// unitsFor are the units that a limit of a quantity may be written in.
func unitsFor(q quantity) []string {
	switch q.unit {
	case "A":
		return []string{"A", timesRated, timesRunning, timesStall, timesContinuous}
	case "A2s":
		return []string{"A2s", timesWithstand}
	}
	return []string{q.unit}
}

func unitNames(list []string) string {
	named := slices.Clone(list)
	for i, u := range named {
		if u == "" {
			named[i] = "a plain number"
		}
	}
	return strings.Join(named, ", ")
}
