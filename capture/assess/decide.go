package assess

import (
	"fmt"
	"math"
	"slices"

	"letthrough/capture/trace"
	"letthrough/capture/words"
)

// Verdict is what a criterion, a run or a unit comes to.
type Verdict string

// The verdicts, the worst first. NotApplicable is no verdict: the criterion has nothing to judge there.
const (
	Fail          Verdict = "fail"
	NotDetermined Verdict = "not_determined"
	Caution       Verdict = "caution"
	Pass          Verdict = "pass"
	NotApplicable Verdict = ""
)

// Verdicts lists them, the worst first.
var Verdicts = []Verdict{Fail, NotDetermined, Caution, Pass}

func (v Verdict) rank() int {
	if i := slices.Index(Verdicts, v); i >= 0 {
		return i
	}
	return len(Verdicts)
}

// Say says a verdict.
func (v Verdict) Say() string {
	switch v {
	case Fail:
		return "Fail"
	case NotDetermined:
		return "Not determined"
	case Caution:
		return "Caution"
	case Pass:
		return "Pass"
	}
	return "Does not apply"
}

// Worse gives the worse of two; what does not apply is never worse.
func Worse(a, b Verdict) Verdict {
	if b.rank() < a.rank() {
		return b
	}
	return a
}

// span is the range that a figure's true value lies in as far as is known.
type span struct{ low, high float64 }

func spanOf(f trace.Figure) span {
	switch f.Bound {
	case trace.AtMost:
		return span{math.Inf(-1), f.Value + f.U}
	case trace.AtLeast:
		return span{f.Value - f.U, math.Inf(1)}
	}
	return span{f.Value - f.U, f.Value + f.U}
}

// limits are those of a criterion as numbers in the quantity's own unit.
type limits struct{ pass, caution span }

func asSpan(l Limit, times float64) span {
	switch l.Kind {
	case AtMostLimit:
		return span{math.Inf(-1), l.High * times}
	case AtLeastLimit:
		return span{l.Low * times, math.Inf(1)}
	case Between:
		return span{l.Low * times, l.High * times}
	}
	return span{math.Inf(1), math.Inf(-1)} // holds nothing
}

// inside and outside tell whether all of s lies within o, or beside it. A limit itself still passes.
func (s span) inside(o span) bool  { return s.low >= o.low && s.high <= o.high }
func (s span) outside(o span) bool { return s.low > o.high || s.high < o.low }

// decide holds what is known of a figure against the limits. Both ways the whole uncertainty counts
// (guarded acceptance and guarded rejection, JCGM 106:2012 section 8.3, with a guard band of U): a pass or
// a fail is only given where the true value lies on that side in at least 97 of 100 cases, since either
// is said in public of somebody's unit. A bound decides what it decides and nothing else. An exact figure
// whose uncertainty reaches from pass into caution is a caution; one that reaches into fail is not
// determined.
func decide(s span, exact bool, l limits) Verdict {
	room := l.caution
	if room.low > room.high { // none
		room = l.pass
	}
	switch {
	case s.inside(l.pass):
		return Pass
	case s.outside(room):
		return Fail
	case s.inside(room) && (exact || s.outside(l.pass)):
		return Caution
	}
	return NotDetermined
}

// Judged is what one criterion makes of one run.
type Judged struct {
	Run     int64   `json:"run"`
	Verdict Verdict `json:"verdict"`
	Figure  string  `json:"figure"` // the figure's sentence
	Why     string  `json:"why"`    // the reason, in a sentence
	Next    string  `json:"next"`   // what to measure so that it is decided; empty where it is
	// OnLimit: an exact figure lies so near a limit that its uncertainty reaches across. It counts as
	// evidence, which a bound that decides nothing does not.
	OnLimit bool `json:"on_limit,omitempty"`
}

// Plate is what limits refer to.
type Plate struct {
	RatedA float64 // 0: not known
	Load   *Load   // the weakest load; nil: not known
}

// scale gives what a limit's numbers are multiplied with, or says what has to be known first.
func (p Plate) scale(l Limit) (times float64, missing string) {
	need := func(v float64, what string) (float64, string) {
		if v > 0 {
			return v, ""
		}
		return 0, what
	}
	if l.Unit == timesRated {
		return need(p.RatedA, "the rated current is not known: copy it from the unit's plate")
	}
	switch l.Unit {
	case timesRunning, timesStall, timesContinuous, timesWithstand:
	default:
		return 1, ""
	}
	if p.Load == nil {
		return 0, "no load is named: say which is the weakest that the unit feeds"
	}
	name := p.Load.Name
	switch l.Unit {
	case timesRunning:
		return need(p.Load.RunningA, "the running current of "+name+" is not known: measure it")
	case timesStall:
		return need(p.Load.StallA, "the stall current of "+name+" is not known: block it for a moment and measure")
	case timesContinuous:
		return need(p.Load.ContinuousA, "the current that "+name+" stands for ever is not known: enter it")
	}
	return need(p.Load.WithstandA2s, "what "+name+" withstands is not known: enter it, or its wire's diameter and insulation class")
}

// judge holds one run against one criterion.
func (c Criterion) judge(r Run, p Plate) Judged {
	j := Judged{Run: r.ID}
	if !slices.Contains(c.In, r.Procedure) || len(c.When) > 0 && !c.concerns(r, &j) {
		return j
	}
	if c.quantity.words != nil {
		return c.judgeWord(r, p, j)
	}
	f, why := c.figure(r, p)
	if why != "" {
		j.Verdict, j.Why = NotDetermined, why
		return j
	}
	j.Figure = words.Text(f)
	switch f.Bound {
	case trace.NotApplicable:
		return j
	case trace.NotResolved:
		j.Verdict, j.Why, j.Next = NotDetermined, j.Figure, nextFor(c, f, limits{}, r)
		return j
	}
	l, missing := c.limits(p)
	if missing != "" {
		j.Verdict, j.Why = NotDetermined, missing
		return j
	}
	return c.weigh(f, l, r, j)
}

// concerns tells whether a run has one of the behaviours that the criterion is about. Where the behaviour
// could not be told it may have.
func (c Criterion) concerns(r Run, j *Judged) bool {
	if r.Behaviour == trace.BehaviourUnsure {
		j.Verdict, j.Why = NotDetermined, "this instrument could not tell what the unit does"
		j.Next = fasterMeter(1)
		return false
	}
	return slices.Contains(c.When, r.Behaviour)
}

// limits gives the criterion's limits as numbers.
func (c Criterion) limits(p Plate) (l limits, missing string) {
	times, missing := p.scale(c.Pass)
	if missing != "" {
		return l, missing
	}
	return limits{asSpan(c.Pass, times), asSpan(c.Caution, times)}, ""
}

func (c Criterion) weigh(f trace.Figure, l limits, r Run, j Judged) Judged {
	exact := f.Bound == trace.Exact
	j.Verdict = decide(spanOf(f), exact, l)
	asked := "asked for is " + c.Pass.Say()
	if !c.Caution.none() {
		asked += ", with caution " + c.Caution.Say()
	}
	switch {
	case j.Verdict == NotDetermined && exact:
		j.OnLimit = true
		j.Why = fmt.Sprintf("%s; %s, and the uncertainty reaches across that", j.Figure, asked)
	case j.Verdict == NotDetermined:
		j.Why = fmt.Sprintf("%s; %s, which that does not decide", j.Figure, asked)
	case j.Verdict == Caution && exact && !spanOf(f).outside(l.pass):
		j.Why = fmt.Sprintf("%s; %s, and the uncertainty reaches beyond what passes", j.Figure, asked)
	default:
		j.Why = fmt.Sprintf("%s; %s", j.Figure, asked)
	}
	if j.Verdict == NotDetermined {
		j.Next = nextFor(c, f, l, r)
	}
	return j
}
