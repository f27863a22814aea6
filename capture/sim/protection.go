package sim

import "math"

// gateEvent is what a protection element just did.
type gateEvent uint8

const (
	nothing  gateEvent = iota
	opened             // interrupts
	closed             // closes again by itself
	folded             // falls to its lower level
	released           // gives its full current again
)

// foldReleaseS is how long the demand must stay under the folded level before a fold-back lets go;
// longer than a mains period, so that the zero crossings of a rippled output do not count.
const foldReleaseS = 0.03

// element is a protection element at work.
type element struct {
	Protection
	tripSq  float64 // square of the rms current it carries for ever
	clip    float64 // instantaneous limit while limiting; +Inf where it does not limit
	theta   float64
	open    bool
	folding bool
	trying  bool    // closed for a try
	timerS  float64 // left of the waiting time or of the try
	heldS   float64 // how long the folded level has not been reached
	trySq   float64 // integral of i squared over the try
	waitS   float64 // the next waiting time
	lastDT  float64 // what keep was computed for
	keep    float64 // share of the memory that is left after a step
}

func newElement(u Unit, s *source, rigOhm float64) *element {
	p := u.Protection
	trip := p.TripA * s.formfact
	e := &element{Protection: p, tripSq: trip * trip, clip: math.Inf(1), theta: u.WarmStart,
		waitS: p.RetryPeriodS - p.RetryWidthS}
	if p.Kind == FoldBack || p.Kind == CurrentLimit {
		e.clip = s.clipFor(s.peakV/(u.SourceOhm+rigOhm), p.LimitA)
	}
	return e
}

// limit is the instantaneous current that the element lets pass, amperes.
func (e *element) limit() float64 {
	if e.Kind == CurrentLimit || e.folding {
		return e.clip
	}
	return math.Inf(1)
}

// advance takes the mean square current of one step and says what the element does at its end.
// demandA is what would flow without the element.
func (e *element) advance(dt, meanSq, demandA float64) gateEvent {
	switch e.Kind {
	case Breaker:
		return e.breaker(dt, meanSq)
	case Bimetal:
		return e.bimetal(dt, meanSq)
	case FoldBack:
		return e.foldBack(dt, meanSq, demandA)
	}
	return nothing
}

// remember advances the thermal memory and tells whether it is full.
func (e *element) remember(dt, meanSq float64) bool {
	if dt != e.lastDT {
		e.lastDT, e.keep = dt, math.Exp(-dt/e.TauS)
	}
	settled := meanSq / e.tripSq
	e.theta = settled + (e.theta-settled)*e.keep
	return e.theta >= 1
}

// due is a time in seconds during which the element does nothing of itself while the mean square
// current stays as it is; +Inf where it never will.
func (e *element) due(meanSq float64) float64 {
	never := math.Inf(1)
	switch {
	case e.Kind == NoProtection || e.Kind == CurrentLimit:
		return never
	case e.Kind == Breaker && e.open && e.RetryPeriodS == 0:
		return never
	case e.Kind == Breaker && (e.open || e.trying):
		return e.timerS
	case e.Kind == Bimetal && e.open:
		return e.CoolTauS * math.Log(e.theta/e.Reclose)
	case e.folding:
		return foldReleaseS - e.heldS
	}
	settled := meanSq / e.tripSq
	if settled <= 1 {
		return never
	}
	return e.TauS * math.Log((settled-e.theta)/(settled-1))
}

// overdue is how little may be left of a timer when it fires: only rounding.
const overdue = 1e-9

func (e *element) breaker(dt, meanSq float64) gateEvent {
	switch {
	case e.open && e.RetryPeriodS == 0:
		return nothing
	case e.open:
		if e.timerS -= dt; e.timerS > overdue {
			return nothing
		}
		e.open, e.trying, e.timerS, e.trySq = false, true, e.RetryWidthS, 0
		return closed
	case e.trying:
		e.trySq += meanSq * dt
		if e.timerS -= dt; e.timerS > overdue {
			return nothing
		}
		e.trying, e.theta = false, 0
		if e.trySq/e.RetryWidthS <= e.tripSq {
			return nothing // the load is bearable: carry on
		}
	case !e.remember(dt, meanSq):
		return nothing
	}
	e.open, e.timerS = true, e.waitS
	e.waitS *= 1 + e.RetryDrift
	return opened
}

func (e *element) bimetal(dt, meanSq float64) gateEvent {
	if e.open {
		e.theta *= math.Exp(-dt / e.CoolTauS)
		if e.theta > e.Reclose {
			return nothing
		}
		e.open = false
		return closed
	}
	if !e.remember(dt, meanSq) {
		return nothing
	}
	e.open = true
	return opened
}

func (e *element) foldBack(dt, meanSq, demandA float64) gateEvent {
	if !e.folding {
		if !e.remember(dt, meanSq) {
			return nothing
		}
		e.folding, e.heldS = true, 0
		return folded
	}
	if e.heldS += dt; demandA >= e.clip {
		e.heldS = 0
	}
	if e.heldS < foldReleaseS {
		return nothing
	}
	e.folding, e.theta = false, 0
	return released
}
