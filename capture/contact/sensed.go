package contact

import "math"

// SettleNS is how long a sensed line has to stay before it counts as settled: the poles of switches and
// relays bounce for some milliseconds (common practice, no source).
const SettleNS = 20e6

// lateNS is how late a port may tell of a line: adapters report in the beat of their latency timer, 16 ms
// where nobody changed it (common practice, no source). They are never early.
const lateNS = 16e6

// Change is a contact that has closed or opened, somewhere between two instants.
type Change struct {
	Closed       bool
	FromNS, ToNS int64
}

// AtNS is the instant that the change is marked at.
func (c Change) AtNS() int64 { return c.FromNS + (c.ToNS-c.FromNS)/2 }

// US is the expanded uncertainty of AtNS, seconds: anywhere between the two (GUM, JCGM 100 section 4.3.7,
// with k = 2).
func (c Change) US() float64 { return c.USOf(c.AtNS()) }

// USOf is the expanded uncertainty of another instant that the change is marked at, seconds: how far the
// truth is from it in the mean square (as JCGM 100 section F.2.4.5 treats a correction that is not made; from memory), with k = 2.
func (c Change) USOf(atNS int64) float64 {
	width, off := float64(c.ToNS-c.FromNS)/1e9, float64(atNS-c.AtNS())/1e9
	return 2 * math.Sqrt(width*width/12+off*off)
}

// Sensed follows the line that a second pole of the switch moves. The first make of a bouncing pole is the
// closing; an opening lies between its first break and its last.
type Sensed struct {
	spec   Spec
	known  bool
	closed bool // settled

	moving  bool
	newNS   int64 // since when the line has been in the new state, of this bounce
	backNS  int64 // since when it has been back in the old one; 0: it is not
	first   Change
	lastEnd int64 // end of the look that saw the last edge into the new state
	prevNS  int64 // beginning of the look before this one
}

// NewSensed makes a follower of the line that the spec names.
func NewSensed(s Spec) *Sensed { return &Sensed{spec: s} }

// Look takes what the lines were at a look that lasted from fromNS to toNS, and gives a change once it has
// settled. The first look tells where the contact stands and is no change.
func (s *Sensed) Look(fromNS, toNS int64, cts, dsr bool) (c Change, changed bool) {
	closed := s.spec.closed(cts, dsr)
	prev := s.prevNS
	s.prevNS = fromNS
	switch {
	case !s.known:
		s.known, s.closed = true, closed
		return c, false
	case closed == s.closed && !s.moving:
		return c, false
	case closed == s.closed:
		if s.backNS == 0 {
			s.backNS = fromNS
		}
		s.newNS = 0
		if toNS-s.backNS >= SettleNS {
			s.moving, s.backNS = false, 0 // it came to nothing: a touch, or noise on the line
		}
		return c, false
	}
	if !s.moving {
		s.moving, s.first = true, Change{Closed: closed, FromNS: prev - lateNS, ToNS: toNS}
	}
	if s.newNS == 0 {
		s.newNS, s.lastEnd = fromNS, toNS
	}
	s.backNS = 0
	if toNS-s.newNS < SettleNS {
		return c, false
	}
	c = s.first
	if !closed {
		c.ToNS = s.lastEnd
	}
	s.closed, s.moving, s.newNS = closed, false, 0
	return c, true
}

// Known tells whether the line was looked at.
func (s *Sensed) Known() bool { return s.known }

// Closed is how the contact has settled.
func (s *Sensed) Closed() bool { return s.closed }

// Moving tells that the line has moved and has not settled yet.
func (s *Sensed) Moving() bool { return s.moving }
