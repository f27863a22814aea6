package assess

import (
	"fmt"
	"math"

	"letthrough/capture/trace"
)

// Survival runs a recorded current through a load: the share of the permitted heat that it held at each
// instant, once with all heat kept (a bound: it can be no warmer) and once with its time constant, where
// that is known.
type Survival struct {
	load *Load
	// The state of the walk.
	began            bool
	at, i            float64
	kept, cooled     float64
	keptMax, coolMax float64
	keptAt, coolAt   float64 // when the permitted heat was first used up, s; NaN: never
	least            bool    // some of the current is not known: the load was at least so warm
	everyS           float64
	nextS            float64
	trail            []Warmth
}

// Warmth is a load at one instant.
type Warmth struct {
	T        float64 `json:"t_s"`
	KeptC    float64 `json:"kept_c"`   // °C with all heat kept; NaN: not known
	CooledC  float64 `json:"cooled_c"` // °C with its time constant; NaN: not known
	Kept     float64 `json:"kept"`     // share of the permitted heat
	CooledBy float64 `json:"cooled"`   // NaN without a time constant
}

// Through starts a walk; everyS is how far apart the instants of the trail are.
func Through(l *Load, everyS float64) *Survival {
	return &Survival{load: l, everyS: everyS, keptAt: math.NaN(), coolAt: math.NaN()}
}

// Add takes the next samples, in order of time; tS gives their seconds. Over a gap nothing is invented, and a
// reading beyond the range counts as what it is at least; both make the result a bound.
func (s *Survival) Add(samples []trace.Sample, zeroS float64) {
	for _, x := range samples {
		t, i := float64(x.AtNS)/1e9-zeroS, math.Abs(x.Value)
		if math.IsNaN(i) || math.IsInf(i, 0) {
			s.least = true
			continue
		}
		if x.Flags&trace.Over != 0 {
			s.least = true
		}
		switch {
		case !s.began:
			s.began, s.nextS = true, t
		case t <= s.at:
			continue
		case x.Flags&trace.Gap != 0:
			s.least = true
			s.cool(t - s.at)
		default:
			s.warm(t, i)
		}
		s.at, s.i = t, i
		if t >= s.nextS {
			s.mark()
			s.nextS = t + s.everyS
		}
	}
}

// warm takes the current as a straight line between two samples: its square integrates exactly.
func (s *Survival) warm(t, i float64) {
	dt := t - s.at
	square := (s.i*s.i + s.i*i + i*i) / 3
	w := s.load.body()
	before := s.kept
	s.kept += square * dt / w.BudgetA2s
	if math.IsNaN(s.keptAt) && s.kept >= 1 {
		s.keptAt = s.at + dt*(1-before)/(s.kept-before)
	}
	s.keptMax = max(s.keptMax, s.kept)
	if !math.IsInf(w.TauS, 1) {
		before = s.cooled
		s.cooled = w.Share(math.Sqrt(square), dt, s.cooled)
		if math.IsNaN(s.coolAt) && s.cooled >= 1 {
			s.coolAt = s.at + dt*(1-before)/(s.cooled-before)
		}
		s.coolMax = max(s.coolMax, s.cooled)
	}
}

func (s *Survival) cool(dt float64) {
	if w := s.load.body(); !math.IsInf(w.TauS, 1) {
		s.cooled = w.Share(0, dt, s.cooled)
	}
}

func (s *Survival) mark() {
	m := Warmth{T: s.at, Kept: s.kept, KeptC: s.load.temperature(s.kept, true), CooledBy: math.NaN(), CooledC: math.NaN()}
	if s.load.TimeConstantS > 0 {
		m.CooledBy, m.CooledC = s.cooled, s.load.temperature(s.cooled, false)
	}
	s.trail = append(s.trail, m)
}

// Outcome is what a recorded current would have done to a load.
type Outcome struct {
	Load     string   `json:"load"`
	Survived string   `json:"survived"` // yes, no, not_determined
	Say      string   `json:"say"`
	Assumed  []string `json:"assumed"`
	Kept     float64  `json:"kept"`          // largest share of the permitted heat, all heat kept
	Cooled   *float64 `json:"cooled"`        // with its time constant; null: not known
	KeptC    *float64 `json:"kept_c"`        // °C at the end of the worst
	CooledC  *float64 `json:"cooled_c"`      //
	UsedUpS  *float64 `json:"used_up_s"`     // when it had used up what it stands; null: never
	Times    float64  `json:"times_running"` // the largest steady equivalent over its running current; 0: not known
	Trail    []Warmth `json:"-"`
}

// Done ends the walk.
func (s *Survival) Done() Outcome {
	if s.began && (len(s.trail) == 0 || s.trail[len(s.trail)-1].T < s.at) {
		s.mark()
	}
	o := Outcome{Load: s.load.Name, Assumed: s.load.Assumed, Kept: s.keptMax, Trail: s.trail}
	number64 := func(v float64) *float64 {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return nil
		}
		return &v
	}
	o.KeptC = number64(s.load.temperature(s.keptMax, true))
	worst, at := s.keptMax, s.keptAt
	model := "all heat kept in it"
	if s.load.TimeConstantS > 0 {
		o.Cooled = number64(s.coolMax)
		o.CooledC = number64(s.load.temperature(s.coolMax, false))
		worst, at = s.coolMax, s.coolAt
		model = fmt.Sprintf("cooling with %s s", number(s.load.TimeConstantS))
	}
	o.UsedUpS = number64(at)
	share := number(100*worst) + " % of"
	if worst >= 10 {
		share = number(worst) + " times"
	}
	switch {
	case worst >= 1 && s.load.TimeConstantS > 0:
		o.Survived = "no"
		o.Say = fmt.Sprintf("%s would have had %s what it stands, and used that up after %s s (%s)", s.load.Name, share, number(at), model)
	case worst >= 1:
		o.Survived = "not_determined"
		o.Say = fmt.Sprintf("%s may have had up to %s what it stands, used up after %s s at the earliest (%s); its time constant would tell", s.load.Name, share, number(at), model)
	case s.least:
		o.Survived = "not_determined"
		o.Say = fmt.Sprintf("%s would have had at least %s what it stands; some of the current is not known", s.load.Name, share)
	default:
		o.Survived = "yes"
		o.Say = fmt.Sprintf("%s would have had %s what it stands (%s)", s.load.Name, share, model)
	}
	return o
}
