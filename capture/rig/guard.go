package rig

import (
	"fmt"
	"math"

	"letthrough/capture/trace"
)

// How far the guard's levels reach, in shares of what a part stands.
const (
	HalfUsed  = 0.5
	NearUsed  = 0.8
	LimitUsed = 1.0
)

// Level is how near the rig's weakest part is to its limit.
type Level string

// The levels: nothing to watch; below half; half used; 80 % used; used up.
const (
	Quiet   Level = "quiet"
	Well    Level = "well"
	Half    Level = "half"
	Near    Level = "near"
	AtLimit Level = "limit"
)

// GuardSettings are what a guard counts with beside the parts.
type GuardSettings struct {
	// FullScaleA is where the readings stop, A. A reading beyond the range counts at least as that.
	FullScaleA float64
	// ProspectiveA is what the short is expected to carry, A. It counts for readings beyond a range that
	// nobody stated, and for the words before a current flows.
	ProspectiveA float64
}

// Guard watches the parts of one rig on the real current. It lives as long as the rig stands on the bench:
// feed it every sample of the current channel, between the runs too, so that it knows what is still warm.
//
// It counts on the careful side: between readings more than 50 ms apart, and over gaps, the larger of the
// two readings counts for the whole time; nothing is known of what flows in between. It is not safe for use
// by several goroutines at once.
type Guard struct {
	parts  []trace.RigPart
	limits []guarded
	set    GuardSettings

	begun  bool
	lastNS int64
	lastA  float64
	hole   bool    // something that was no number came since the last reading
	square float64 // A², mean over the last tenth of a second

	most   float64 // A, largest reading so far
	overs  int     // readings beyond the range since the last rest
	gapS   float64 // seconds without readings, likewise
	behind int     // readings that came out of order, set aside
}

// guarded is a limit with how much of it is used.
type guarded struct {
	limit
	name string // of its part
	used float64
}

// GuardState is how the rig is at the last reading.
type GuardState struct {
	Part  string  // the part that gives way first; empty where nothing is watched
	Place int     // its place in the rig from 0, −1 without one
	Used  float64 // share of what it stands, 0 to above 1
	// SecondsLeft is the time until it has used up what it stands if the present current goes on: +Inf where
	// it stands that for ever, 0 at the limit.
	SecondsLeft float64
	Level       Level
	Text        string // as a person reads it
}

// NewGuard makes a guard for these parts, all cold. Parts without the ratings that their sums need are not
// watched; Problems names them.
func NewGuard(parts []trace.RigPart, s GuardSettings) *Guard {
	g := &Guard{parts: parts, set: s}
	for i, p := range parts {
		for _, l := range limitsOf(i, p) {
			g.limits = append(g.limits, guarded{limit: l, name: partName(parts, i)})
		}
	}
	return g
}

// Watches tells whether there is any part to watch.
func (g *Guard) Watches() bool { return len(g.limits) > 0 }

// slowNS is the interval between readings above which the larger of two counts, and over which the present
// current is taken.
const slowNS = 50_000_000

const presentS = 0.1

// Feed takes readings in, however they are cut into batches. A sample that is not later than the one before
// it is set aside.
func (g *Guard) Feed(samples []trace.Sample) {
	for i := range samples {
		g.feed(&samples[i])
	}
}

func (g *Guard) feed(s *trace.Sample) {
	i := math.Abs(s.Value)
	if s.Flags&trace.Over != 0 {
		g.overs++
		i = g.overA(i)
	}
	if math.IsNaN(i) || math.IsInf(i, 1) {
		g.hole = true
		return
	}
	if !g.begun {
		g.begun, g.lastNS, g.lastA, g.square, g.most = true, s.AtNS, i, i*i, i
		return
	}
	dt := s.AtNS - g.lastNS
	if dt <= 0 {
		g.behind++
		return
	}
	a, b := g.lastA, i
	square := (a*a + a*b + b*b) / 3
	if gap := g.hole || s.Flags&trace.Gap != 0; gap || dt > slowNS {
		square = max(a*a, b*b)
		if gap {
			g.gapS += float64(dt) / 1e9
		}
	}
	seconds := float64(dt) / 1e9
	g.pass(square, seconds)
	g.square += (b*b - g.square) * min(1, seconds/presentS)
	g.lastNS, g.lastA, g.hole, g.most = s.AtNS, i, false, max(g.most, i)
}

// overA is what a reading beyond the range counts as: at least the full scale; where that is not known, the
// most there is to go by.
func (g *Guard) overA(shown float64) float64 {
	i := g.set.FullScaleA
	if i <= 0 {
		i = max(g.set.ProspectiveA, g.most)
	}
	if shown > i && !math.IsInf(shown, 1) {
		i = shown
	}
	return i
}

// pass lets seconds go by with that mean square of the current.
func (g *Guard) pass(square, seconds float64) {
	for n := range g.limits {
		l := &g.limits[n]
		tau := l.warm.TauS
		if l.idles(square) {
			tau = l.idle
		}
		keep, mean := fading(seconds / tau)
		l.used = l.used*keep + square/l.warm.BudgetA2s*seconds*mean
	}
}

// idles tells whether so little flows that it would end below a hundredth of what the part stands.
func (l *guarded) idles(square float64) bool { return square*l.idle < 0.01*l.warm.BudgetA2s }

// fading gives exp(−u), and the mean of that from 0 to u, which is what is left of heat that came evenly.
func fading(u float64) (keep, mean float64) {
	if u < 1e-3 { // the next terms are below 1e-13
		return 1 - u*(1-u/2*(1-u/3)), 1 - u/2*(1-u/3*(1-u/4))
	}
	keep = math.Exp(-u)
	return keep, (1 - keep) / u
}

// Rest lets time go by up to an instant with nothing flowing, where the instrument sent no readings but the
// contact is known to be open. It begins a new count of gaps and of readings beyond the range.
func (g *Guard) Rest(untilNS int64) {
	if g.begun && untilNS > g.lastNS {
		g.pass(0, float64(untilNS-g.lastNS)/1e9)
		g.lastNS, g.lastA, g.square = untilNS, 0, 0
	}
	g.hole, g.overs, g.gapS = false, 0, 0
}

// State says how the rig is now. The part it names is of the highest level, and among these the one with the
// least time left.
func (g *Guard) State() GuardState {
	s, l := g.weakest()
	s.Text = g.text(s, l)
	return s
}

// Level is State's level alone, without its words: what opens a contact is asked after every batch.
func (g *Guard) Level() Level {
	s, _ := g.weakest()
	return s.Level
}

func (g *Guard) weakest() (GuardState, *guarded) {
	out := GuardState{Place: -1, SecondsLeft: math.Inf(1), Level: Quiet}
	var which *guarded
	now := math.Sqrt(g.square)
	for n := range g.limits {
		l := &g.limits[n]
		s := GuardState{Part: l.name, Place: l.part, Used: l.used, SecondsLeft: l.warm.SecondsTo(now, l.used, 1), Level: levelOf(l.used)}
		if l.what == meltsIt && s.Level == AtLimit {
			s.Level = Near // that a fuse opens is no harm, and nothing to open the contact for
		}
		if which == nil || s.before(out) {
			out, which = s, l
		}
	}
	return out, which
}

// before tells whether s is the weaker of two.
func (s GuardState) before(o GuardState) bool {
	switch a, b := rank(s.Level), rank(o.Level); {
	case a != b:
		return a > b
	case s.SecondsLeft != o.SecondsLeft:
		return s.SecondsLeft < o.SecondsLeft
	}
	return s.Used > o.Used
}

func rank(l Level) int {
	switch l {
	case Half:
		return 1
	case Near:
		return 2
	case AtLimit:
		return 3
	}
	return 0
}

func levelOf(used float64) Level {
	switch {
	case used >= LimitUsed:
		return AtLimit
	case used >= NearUsed:
		return Near
	case used >= HalfUsed:
		return Half
	}
	return Well
}

// readyUsed is the share that may still be used up when the next hold begins (common practice, no source): so
// much warmer, repeats are still alike.
const readyUsed = 0.05

// Recovery is how long nothing must flow until every part is ready for another hold, s, with the part
// that takes longest. 0 and no part: ready.
func (g *Guard) Recovery() (restS float64, part string) { return g.RestTo(readyUsed) }

// text says a state as a person at the bench needs it: what to do first.
func (g *Guard) text(s GuardState, l *guarded) string {
	if l == nil {
		if len(g.parts) == 0 {
			return "No rig is known, so nothing watches its parts."
		}
		return "No part of the rig has the ratings that a guard needs, so nothing watches them."
	}
	part, left := the(s.Part), ""
	if !math.IsInf(s.SecondsLeft, 1) {
		left = fmt.Sprintf(", %s left at %s", atMostSeconds(s.SecondsLeft), amps(math.Sqrt(g.square)))
	}
	var t string
	if l.what == meltsIt && s.Level == Near {
		return capital(part) + " may open: it has got " + percent(s.Used) + " of " + l.what + "."
	}
	switch s.Level {
	case AtLimit:
		t = fmt.Sprintf("Open the contact: %s has used up %s.", part, l.what)
	case Near:
		t = fmt.Sprintf("Open the contact soon: %s has used %s of %s%s.", part, percent(s.Used), l.what, left)
	case Half:
		t = fmt.Sprintf("%s has used %s of %s%s.", capital(part), percent(s.Used), l.what, left)
	default:
		if left == "" {
			t = "All parts stand this current."
			if g.square*l.warm.TauS < 0.01*l.warm.BudgetA2s {
				t = "Ready: watches " + part + "."
			}
		} else {
			t = fmt.Sprintf("%s gives way first: %s used%s.", capital(part), percent(s.Used), left)
		}
	}
	if g.overs > 0 {
		t += " Readings beyond the range count as the full scale; more may flow."
	}
	if g.gapS > 0 {
		t += fmt.Sprintf(" %s without readings were counted at the larger reading beside them.", roughSeconds(g.gapS))
	}
	return t
}
