package words

import (
	"fmt"
	"slices"
	"strings"

	"letthrough/capture/trace"
)

// What is said of runs set side by side.

// StopsOrLimits stands over the time after which the full fault current was over, however that came.
const StopsOrLimits = "Stops or limits after"

// ToWhat says, where cut-off and limitation stand in one row, which of them it was.
func ToWhat(key string) string {
	switch key {
	case "time_to_limit_s":
		return "to limit"
	case "time_to_trip_s":
		return "to trip"
	}
	return "to cut off"
}

// HowCompared says how a table of differences comes about.
var HowCompared = []string{
	"“At most” and “at least” are bounds: the instrument could not say more. A difference is told only where bounds and uncertainties allow it.",
	"Two numbers are told apart where they differ by more than the root sum of squares of their expanded uncertainties (JCGM 100, 5.1.2, k about 2). What two runs have in common, such as one instrument’s gain, would cancel; so that is on the safe side.",
}

// Apart is how a figure of one run stands to that of another.
type Apart struct {
	Key   string
	Of    string // whose figure is the one that is more or less
	Order string // more, less, same, not_determined, not_applicable
	Value float64
	U     float64
	Bound trace.Bound
}

// Difference says it: "Slate at least 1.48 s sooner".
func Difference(a Apart) string {
	switch a.Order {
	case "same":
		if a.U == 0 {
			return "the same"
		}
		_, pm, unit := pieces(trace.Figure{Key: a.Key, Value: a.Value, U: a.U, Bound: trace.Exact})
		return strings.TrimSpace("no difference beyond the uncertainty " + pm + " " + unitOf(a.Key, unit, pm))
	case "more", "less":
		return a.Of + " " + amount(a) + " " + comparative(a.Key, a.Order)
	case "not_applicable":
		return "does not apply"
	}
	return "not determined"
}

func unitOf(key, unit, pm string) string {
	if pm == "" || key == "retry_count" || key == "bounce_count" {
		return ""
	}
	return unit
}

// amount is the size of a difference, without its sign.
func amount(a Apart) string {
	v, u := a.Value, a.U
	bound := a.Bound
	if v < 0 {
		v = -v
		switch bound {
		case trace.AtMost:
			bound = trace.AtLeast
		case trace.AtLeast:
			bound = trace.AtMost
		}
	}
	value, pm, unit := pieces(trace.Figure{Key: a.Key, Value: v, U: u, Bound: bound})
	if a.Key == "retry_count" || a.Key == "bounce_count" {
		unit = "" // "3 times more" would be a ratio
	}
	lead := map[trace.Bound]string{trace.AtMost: "at most", trace.AtLeast: "at least"}[bound]
	return strings.Join(strings.Fields(strings.Join([]string{lead, value, pm, unit}, " ")), " ")
}

// instants are the figures that tell when something came, lasting those that tell how long it took.
var (
	instants = []string{"time_to_cutoff_s", "time_to_trip_s", "time_to_limit_s", "restored_after_s"}
	lasting  = []string{"retry_period_s", "retry_width_s", "hold_s", "carried_for_s", "settled_within_s"}
)

func comparative(key, order string) string {
	more, less := "more", "less"
	switch {
	case slices.Contains(instants, key):
		more, less = "later", "sooner"
	case slices.Contains(lasting, key):
		more, less = "longer", "shorter"
	}
	if order == "less" {
		return less
	}
	return more
}

// Times says a ratio: "at most 0.22 times Tin".
func Times(of string, v, u float64, bound trace.Bound) string {
	value := ""
	switch bound {
	case trace.Exact:
		value = significant(v, 3)
		if v > 0 && u > 0 {
			value, _ = Number(v, max(u, v/1000))
		}
	case trace.AtLeast:
		value = "at least " + lower(v)
	case trace.AtMost:
		value = "at most " + upper(v)
	default:
		return ""
	}
	return value + " times " + of
}

// Ranking says an order of two or more runs, the one with the most first; top is by how much the first is
// before the second.
func Ranking(key string, names []string, top Apart) string {
	if slices.Contains(instants, key) {
		names = slices.Clone(names)
		slices.Reverse(names)
		return names[0] + " first, then " + strings.Join(names[1:], ", ")
	}
	if len(names) == 2 {
		return names[0] + " " + amount(top) + " " + comparative(key, "more") + " than " + names[1]
	}
	word := "most"
	if slices.Contains(lasting, key) {
		word = "longest"
	}
	return names[0] + " " + word + ", then " + strings.Join(names[1:], ", ")
}

// Unplaced are the runs that a ranking leaves out.
type Unplaced struct {
	Open  []string // whose place is not determined
	Alike []string // that differ from others by no more than the uncertainty
	pairs [][2]string
}

// Against says that only which of the two is before the other is not determined.
func (u *Unplaced) Against(a, b string) {
	if !slices.Contains(u.pairs, [2]string{b, a}) {
		u.pairs = append(u.pairs, [2]string{a, b})
	}
}

// Say says of them why they are not ranked; whole: nothing is.
func (u Unplaced) Say(whole bool) string {
	var parts []string
	if len(u.Alike) > 0 {
		if whole && len(u.Open)+len(u.pairs) == 0 {
			return "no difference beyond the uncertainty"
		}
		parts = append(parts, List(u.Alike)+": no difference beyond the uncertainty")
	}
	for _, p := range u.pairs {
		parts = append(parts, p[0]+" against "+p[1]+": not determined")
	}
	switch {
	case len(u.Open) == 0:
	case whole && len(parts) == 0:
		parts = append(parts, "not determined")
	case len(u.Open) == 1:
		parts = append(parts, possessive(u.Open[0])+" place: not determined")
	default:
		parts = append(parts, List(u.Open)+": places not determined")
	}
	return strings.Join(parts, ". ")
}

func possessive(name string) string { return name + "’s" }

// NotMeasured says that a run has no such figure.
func NotMeasured(name string) string { return "not measured of " + name }

// List joins names: "Tin, Slate and Moss".
func List(names []string) string {
	if len(names) < 2 {
		return strings.Join(names, "")
	}
	return strings.Join(names[:len(names)-1], ", ") + " and " + names[len(names)-1]
}

// Grouped says values with whose they are: "30 s (Tin and Moss), 12 s (Slate)".
func Grouped(values, names []string) string {
	var order []string
	by := map[string][]string{}
	for i, v := range values {
		if v == "" {
			v = "not stated"
		}
		if by[v] == nil {
			order = append(order, v)
		}
		by[v] = append(by[v], names[i])
	}
	parts := make([]string, len(order))
	for i, v := range order {
		parts[i] = v + " (" + List(by[v]) + ")"
	}
	return strings.Join(parts, ", ")
}

// WhoIsAlike says of a word that every run has which of them share it.
func WhoIsAlike(keys, names []string) string {
	var order []string
	by := map[string][]string{}
	for i, k := range keys {
		if by[k] == nil {
			order = append(order, k)
		}
		by[k] = append(by[k], names[i])
	}
	switch {
	case len(order) == 1:
		return "alike"
	case len(order) == len(names):
		return "different"
	}
	var alike []string
	for _, k := range order {
		if len(by[k]) > 1 {
			alike = append(alike, List(by[k]))
		}
	}
	return "alike: " + strings.Join(alike, "; ")
}

func lowerFirst(s string) string {
	if s == "" {
		return s
	}
	return strings.ToLower(s[:1]) + s[1:]
}

// WhatItDoes stands over the behaviour.
func WhatItDoes(p trace.Procedure) string {
	switch p {
	case trace.Short:
		return "On a short it"
	case trace.Overload:
		return "On an overload it"
	}
	return "What it did"
}

// Verdict says the word of a verdict.
func Verdict(word string) string {
	if word == "" {
		return "none"
	}
	return strings.ReplaceAll(word, "_", " ")
}

// Band says what several runs of one unit have in common.
func Band(key string, least, mean, most float64, n, left int) string {
	def, _ := trace.DefinitionOf(key)
	unit, scale := def.Unit, 1.0
	switch {
	case key == "retry_duty":
		unit, scale = "%", 100
	}
	s := fmt.Sprintf("%s to %s, mean %s %s of %d runs", significant(scale*least, 4), significant(scale*most, 4), significant(scale*mean, 4), unit, n)
	if left > 0 {
		s += fmt.Sprintf("; in %d it is only a bound or has no value", left)
	}
	return strings.Join(strings.Fields(s), " ")
}

// Significant gives a number to so many significant digits, without an exponent.
func Significant(v float64, n int) string {
	return strings.ReplaceAll(significant(v, n), "-", "−")
}

// AlignedAt says what runs beside each other are aligned at.
func AlignedAt(align string) string {
	switch align {
	case "cut_off":
		return "the cut-off"
	case "clock":
		return "the time of day"
	}
	return "the onset"
}

// Misaligned says of runs that they could not be aligned as asked, and what they were aligned at instead.
func Misaligned(align string, none, limited []string) string {
	var parts []string
	if len(none) > 0 {
		switch align {
		case "cut_off":
			parts = append(parts, List(none)+" never cut off or limited, and stands at its onset")
		default:
			parts = append(parts, List(none)+" had no onset, and stands at its beginning")
		}
	}
	if len(limited) > 0 {
		parts = append(parts, List(limited)+" limited instead, and stands there")
	}
	return strings.Join(parts, "; ")
}

// Short says a figure in as few words as a label on a trace has room for, without its uncertainty: "cut off
// after 1.92 s". Empty where it has no number.
func Short(f trace.Figure, s trace.Settings) string {
	l := Sentence(f, s)
	if l.Value == "" {
		return ""
	}
	switch {
	case f.Key == "time_to_cutoff_s" && f.Bound == trace.AtLeast:
		return "no cut-off"
	case f.Key == "time_to_cutoff_s" && f.Bound == trace.AtMost:
		l.Say, l.Lead = "cut off in", "at most"
	}
	if f.Bound == trace.Exact && l.Unit != "times" {
		l.Value = significant(f.Value, 3)
	}
	say := []string{lowerFirst(l.Say), l.Lead, l.Value, l.Unit}
	if strings.HasSuffix(l.Say, " at") {
		say = []string{lowerFirst(l.Say), l.Value, l.Unit, l.Lead} // "at at least" is one too many
	}
	return strings.Join(strings.Fields(strings.Join(say, " ")), " ")
}

// Afterwards says in a label what a unit did after the fault: its behaviour, and how often it came back.
func Afterwards(d trace.Derivation, s trace.Settings) string {
	say := lowerFirst(Behaviour(d.Behaviour))
	if f, ok := d.Figures.Get("retry_period_s"); ok && f.Bound == trace.Exact {
		return "comes back every " + significant(f.Value, 3) + " s"
	}
	return say
}
