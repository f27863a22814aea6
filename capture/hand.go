package capture

import (
	"context"
	"fmt"
	"io"
	"math"
	"sync"
	"time"

	"letthrough/capture/trace"
	"letthrough/capture/wire"
)

// Typed is a reading that a person typed.
type Typed struct {
	Instrument string
	Value      float64 // A or V; with Over and no number, an infinity
	Flags      trace.Flags
	AtS        float64 // when its typing began, on the bench's time base
	Kept       bool    // it is handed on and can no longer be taken back
}

const (
	// grace is how long the newest reading can be taken back if no other follows it. Until then it is
	// held: what the detector and the store were given stays.
	grace = 3 * time.Second
	// quiet is how long a person may look without typing before the instrument counts as silent.
	quiet = 4500 * time.Millisecond
	// longestAgo bounds how long a reading may take to type.
	longestAgo = time.Minute
	// typedShown is how many of the last readings are shown.
	typedShown = 6
	// handWait is how long Next waits at most, in real time.
	handWait = 50 * time.Millisecond
)

// handSource is a person who watches a display.
type handSource struct {
	channel trace.Channel
	now     func() int64
	wake    chan struct{} // capacity 1

	mu     sync.Mutex
	hand   *wire.Hand
	typed  []Typed // the last ones, oldest first
	heldNS int64   // when the newest of them came, while it can be taken back; 0: it is handed on
	lastNS int64   // stamp of the newest reading that is handed on
	ready  []trace.Sample
	out    []trace.Sample
	batch  [1]trace.Batch
	heard  int64 // when a reading or nonsense came last
	wrong  bool  // the last entry was nonsense
	closed bool
	ended  bool
}

func openHand(spec wire.Spec, now func() int64) (*handSource, error) {
	h, err := wire.NewHand(spec)
	if err != nil {
		return nil, fmt.Errorf("instrument %s: %w", spec.Name, err)
	}
	at := now()
	return &handSource{
		channel: trace.Channel{Instrument: spec.Name, Quantity: spec.Channel}, now: now, hand: h, lastNS: -1 << 62, heard: at,
		wake: make(chan struct{}, 1),
	}, nil
}

func (s *handSource) Channels() []trace.Channel { return []trace.Channel{s.channel} }

// Next gives what can no longer be taken back.
func (s *handSource) Next(ctx context.Context) ([]trace.Batch, error) {
	timer := time.NewTimer(handWait)
	defer timer.Stop()
	select {
	case <-ctx.Done():
		return nil, ctx.Err()
	case <-s.wake:
	case <-timer.C:
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.ended {
		return nil, io.EOF
	}
	if s.heldNS != 0 && (s.closed || s.now()-s.heldNS >= int64(grace)) {
		s.release()
	}
	s.ended = s.closed
	s.out, s.ready = s.ready, s.out[:0]
	if len(s.out) == 0 {
		return nil, nil
	}
	s.batch[0] = trace.Batch{Channel: s.channel, Samples: s.out}
	return s.batch[:], nil
}

// release hands the newest reading on; mu is held.
func (s *handSource) release() {
	t := &s.typed[len(s.typed)-1]
	t.Kept, s.heldNS = true, 0
	s.lastNS = trace.NS(t.AtS)
	s.ready = append(s.ready, trace.Sample{AtNS: s.lastNS, Value: t.Value, Flags: t.Flags})
}

// enter takes an entry whose typing began ago.
func (s *handSource) enter(text string, ago time.Duration) (Typed, error) {
	if ago < 0 || ago > longestAgo {
		return Typed{}, refuse(CodeRange, "type it anew", "ago_s: a reading that began %g s ago is out of range, allowed is 0 to %g", ago.Seconds(), longestAgo.Seconds())
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed {
		return Typed{}, refuse(CodeState, "", "the instrument is closed")
	}
	now := s.now()
	at := now - int64(ago)
	newest := s.lastNS
	if s.heldNS != 0 {
		newest = trace.NS(s.typed[len(s.typed)-1].AtS)
	}
	if at <= newest {
		return Typed{}, refuse(CodeRange, "only one person types for one instrument", "this reading began before the one that is here already")
	}
	s.heard = now
	r, err := s.hand.Entry(text)
	if s.wrong = err != nil; s.wrong {
		return Typed{}, refuse(CodeRange, "type a number such as 4,51 or 4.51; OL or * beyond the range; Enter alone for the same once more",
			"\"%s\" is no reading: %s", wire.Printable([]byte(text)), err)
	}
	if s.heldNS != 0 {
		s.release()
	}
	t := Typed{Instrument: s.channel.Instrument, Value: r.Value, Flags: r.Flags, AtS: float64(at) / 1e9}
	if s.typed = append(s.typed, t); len(s.typed) > typedShown {
		s.typed = append(s.typed[:0], s.typed[1:]...)
	}
	s.heldNS = max(now, 1)
	s.ring()
	return t, nil
}

// takeBack forgets the newest reading, if it was not handed on yet.
func (s *handSource) takeBack() (Typed, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	switch {
	case len(s.typed) == 0:
		return Typed{}, refuse(CodeState, "", "no reading was typed yet")
	case s.heldNS == 0:
		return Typed{}, refuse(CodeState, "pin a note to it: what is recorded stays as it was typed",
			"the last reading is recorded: it can be taken back for %g s, or until the next one", grace.Seconds())
	}
	t := s.typed[len(s.typed)-1]
	s.typed, s.heldNS, s.wrong = s.typed[:len(s.typed)-1], 0, false
	s.hand.TakeBack()
	s.heard = s.now()
	return t, nil
}

func (s *handSource) ring() {
	select {
	case s.wake <- struct{}{}:
	default:
	}
}

// Close lets Next hand on what is held, and end.
func (s *handSource) Close() error {
	s.mu.Lock()
	s.closed = true
	s.mu.Unlock()
	s.ring()
	return nil
}

// Status says how the typing goes.
func (s *handSource) Status() SourceStatus {
	s.mu.Lock()
	defer s.mu.Unlock()
	c := s.hand.Counts()
	out := SourceStatus{
		State: Receiving, Garbled: uint64(c.Garbled), LastGarbled: c.LastGarbled,
		SilentForS: float64(s.now()-s.heard) / 1e9, Typed: append([]Typed(nil), s.typed...),
	}
	n := len(s.typed)
	l := Latest{Quantity: s.channel.Quantity, Known: n > 0}
	if l.Known {
		last := s.typed[n-1]
		l.Value, l.Flags = last.Value, last.Flags
		if span := last.AtS - s.typed[0].AtS; span > 0 {
			out.RateHz = float64(n-1) / span
		}
	}
	out.Latest = []Latest{l}
	switch {
	case s.wrong:
		out.State, out.Problem = Garbled, c.LastReason
	case out.SilentForS*1e9 > float64(quiet) || !l.Known:
		out.State, out.RateHz = Silent, 0
	case l.Flags&trace.Over != 0:
		out.State = OverRange
	}
	return out
}

// hand finds the instrument that a person types for; an empty name means the only one there is.
func (b *Bench) hand(name string) (*handSource, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	var found *handSource
	for _, in := range b.instruments {
		h, ok := in.src.(*handSource)
		switch {
		case name != "" && in.spec.Name == name && !ok:
			return nil, refuse(CodeState, "only readings of an instrument with the format hand are typed", "%s sends its readings itself", name)
		case name != "" && in.spec.Name == name:
			return h, nil
		case name == "" && ok && found != nil:
			return nil, refuse(CodeState, "say which", "readings are typed for more than one instrument")
		case name == "" && ok:
			found = h
		}
	}
	switch {
	case found != nil:
		return found, nil
	case name != "":
		return nil, refuse(CodeNotFound, "the instruments are listed in the state", "there is no instrument called %s", name)
	}
	return nil, refuse(CodeState, "start with --instrument meter=hand:page, or add one", "no instrument takes typed readings")
}

// typedSince is the moment of the first reading typed from ns on; it may still be held, and comes into the
// run then. b.mu is held.
func (b *Bench) typedSince(ns int64) int64 {
	first := int64(math.MaxInt64)
	for _, in := range b.instruments {
		if h, ok := in.src.(*handSource); ok {
			first = min(first, h.since(ns))
		}
	}
	return first
}

func (s *handSource) since(ns int64) int64 {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, t := range s.typed {
		if at := trace.NS(t.AtS); at >= ns {
			return at
		}
	}
	return math.MaxInt64
}

// TypeReading takes a reading that a person typed for an instrument of the format hand (an empty name: the
// only one); its typing began ago. It is stamped with that moment, since that is when the display was
// looked at. Until the next one, and for three seconds at most, it can be taken back.
func (b *Bench) TypeReading(instrument, text string, ago time.Duration) (Typed, error) {
	h, err := b.hand(instrument)
	if err != nil {
		return Typed{}, err
	}
	defer b.tellTyped()
	return h.enter(text, ago)
}

// TakeBack takes the reading that was typed last back, if it is not recorded yet.
func (b *Bench) TakeBack(instrument string) (Typed, error) {
	h, err := b.hand(instrument)
	if err != nil {
		return Typed{}, err
	}
	defer b.tellTyped()
	return h.takeBack()
}

// tellTyped shows the viewers what became of an entry.
func (b *Bench) tellTyped() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.kick()
}
