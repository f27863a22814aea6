package sim

import (
	"errors"
	"fmt"
	"sync"
	"time"

	"letthrough/capture/trace"
)

const (
	defaultBurst = 2 * time.Millisecond
	// mostWaiting bounds what an instrument keeps for a reader that is slow; it is minutes at a
	// thousand readings a second. What comes then is lost and counted.
	mostWaiting = 4 << 20
	// slice is how much simulated time is worked off before others may have the lock.
	slice = 100 * int64(time.Millisecond)
	// recoveryNS: closing the contact again this soon after opening it looks whether the unit has
	// recovered, and is no new test.
	recoveryNS = 10 * int64(time.Second)
	drainTime  = 3 * time.Second
)

// StandOptions describe a test stand: its instrument and what can be put on its terminals.
type StandOptions struct {
	Meter   Meter   // RateHz 0: DefaultMeter(1000)
	Encoder Encoder // nil: text lines with microseconds of 32 bits
	// Responder makes it an instrument that speaks only when asked; Encoder is not used then.
	Responder Responder
	Burst     time.Duration // host time between two writes, 0: 2 ms; USB adapters take some 16 ms
	Seed      uint64        // of noise, bounces and faults
	Faults    Faults

	Units       []Unit // nil: Shelf()
	Smooth      bool   // every unit gives smooth DC
	RigOhm      float64
	StandingOhm float64
	Bounce      int // as in Scenario

	// Link is a path at which the pseudo-terminal can always be found, also after Replug; "" is none.
	Link string
	// DeviceStartUS is the instrument's own clock at the start, microseconds; ClockPPM how much it
	// runs fast, parts in a million.
	DeviceStartUS uint64
	ClockPPM      float64
}

// DefaultMeter is a shunt amplifier board of 16 bits: half a milliampere a count up to 16.384 A, 2 mA
// of noise.
func DefaultMeter(rateHz float64) Meter {
	return Meter{RateHz: rateHz, ResolutionA: 0.0005, NoiseA: 0.002, FullScaleA: 16.384,
		VoltageNoiseV: 0.005, VoltageResolutionV: 0.001}
}

// Stats count what an instrument did.
type Stats struct {
	Readings int64 // made and sent, or waiting to be sent
	Bytes    int64 // taken by the pseudo-terminal
	Waiting  int   // bytes that a slow reader has not made room for yet
	Lost     int64 // readings thrown away because too many were waiting
	Unheard  int64 // readings made while nobody had the port open
}

// Stand is a test stand: one instrument on one pseudo-terminal, one unit on the terminals, a contact
// that can short it. It runs on the clock from NewStand to Close. Its methods are safe for concurrent
// use.
type Stand struct {
	clock Clock
	o     StandOptions

	mu        sync.Mutex // guards everything below
	unit      Unit
	circuit   *circuit
	sampler   *sampler
	procedure trace.Procedure
	load      loadProgram
	closed    bool // the contact
	cycles    uint64
	port      *terminal // nil while unplugged
	line      *line
	startNS   int64
	bootNS    int64 // start of the instrument's own clock
	bootUS    uint64
	listening bool
	waiting   []byte
	newest    Reading // what a responder answers with
	stats     Stats
	failed    error

	heard     chan struct{}
	heardOnce sync.Once
	quit      chan struct{}
	quitOnce  sync.Once
	running   sync.WaitGroup
	closeErr  error
}

// NewStand opens the pseudo-terminal, puts the first unit on the terminals and starts. The caller
// closes the stand.
func NewStand(clock Clock, o StandOptions) (*Stand, error) {
	o.Units = append([]Unit(nil), o.Units...)
	if len(o.Units) == 0 {
		o.Units = Shelf()
	}
	if o.Meter.RateHz == 0 {
		o.Meter = DefaultMeter(1000)
	}
	if o.Encoder == nil {
		o.Encoder, _ = NewEncoder("text")
	}
	if o.Burst <= 0 {
		o.Burst = defaultBurst
	}
	errs := []error{o.Meter.Validate(), validLoad(nil, o.StandingOhm, o.RigOhm)}
	for n := range o.Units {
		o.Units[n].Smooth = o.Units[n].Smooth || o.Smooth
		errs = append(errs, o.Units[n].Validate())
	}
	if err := errors.Join(errs...); err != nil {
		return nil, err
	}
	port, err := openTerminal(o.Link)
	if err != nil {
		return nil, err
	}
	now := clock.NowNS()
	s := &Stand{clock: clock, o: o, port: port, line: newLine(o.Faults, o.Seed), startNS: now, bootNS: now,
		bootUS: o.DeviceStartUS, procedure: trace.Short, heard: make(chan struct{}), quit: make(chan struct{})}
	s.sampler = newSampler(o.Meter, now, o.Seed, s.reading)
	s.plug(o.Units[0], now)
	s.running.Add(1)
	go s.run()
	return s, nil
}

// Path is what a reader opens.
func (s *Stand) Path() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.port == nil {
		return s.o.Link
	}
	return s.port.name()
}

// Heard is closed when somebody opens the port for the first time.
func (s *Stand) Heard() <-chan struct{} { return s.heard }

// Units are the units that can be plugged.
func (s *Stand) Units() []Unit { return append([]Unit(nil), s.o.Units...) }

// Plugged is the unit on the terminals.
func (s *Stand) Plugged() Unit {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.unit
}

// Stats are the counts so far.
func (s *Stand) Stats() Stats {
	s.mu.Lock()
	defer s.mu.Unlock()
	st := s.stats
	st.Waiting = len(s.waiting)
	return st
}

// Plug puts a unit on the terminals, cold and switched on afresh, and begins a new truth. It is
// refused while the contact is closed.
func (s *Stand) Plug(name string) error {
	for _, u := range s.o.Units {
		if u.Plate.Name != name {
			continue
		}
		s.mu.Lock()
		defer s.mu.Unlock()
		if s.closed {
			return fmt.Errorf("plug %s: the contact is closed: open it first", name)
		}
		s.plug(u, s.catchUp())
		return nil
	}
	return fmt.Errorf("plug: this stand has no unit called %q", name)
}

// plug must be called with mu held.
func (s *Stand) plug(u Unit, nowNS int64) {
	s.cycles++
	c := newCircuit(u, s.o.RigOhm, s.o.StandingOhm, s.o.Bounce, s.o.Seed+s.cycles*7919)
	c.nowNS, c.slowAt = nowNS, nowNS
	c.load = s.load
	c.showsV = s.o.Meter.Voltage
	c.watch = []observer{s.sampler}
	s.unit, s.circuit = u, c
	s.begin()
}

// begin starts a new truth; mu is held.
func (s *Stand) begin() {
	s.circuit.truth = newTracker(s.unit, s.procedure, &s.circuit.src)
	s.circuit.hasClosed = false
}

// Prepare says what the next closing of the contact does: a dead short without load points. It begins
// a new truth and is refused while the contact is closed.
func (s *Stand) Prepare(p trace.Procedure, load []LoadPoint, stairs bool) error {
	if err := validLoad(load, 0, 0); err != nil {
		return err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed {
		return errors.New("prepare: the contact is closed: open it first")
	}
	s.catchUp()
	s.procedure, s.load = p, loadProgram{append([]LoadPoint(nil), load...), stairs}
	s.circuit.load = s.load
	s.begin()
	return nil
}

// Truth is what really happened since the last Plug or Prepare, or since the last closing more than
// ten seconds after an opening. Its marks are in seconds of the stand's clock.
func (s *Stand) Truth() Truth {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.catchUp()
	return s.circuit.truth.report(s.circuit)
}

// Contact is the stand's virtual contact.
func (s *Stand) Contact() *Contact { return &Contact{s} }

// Contact shorts the plugged unit, at once by the stand's clock.
type Contact struct{ stand *Stand }

// Close closes the contact; closing a closed one does nothing.
func (c *Contact) Close() error {
	s := c.stand
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed {
		return nil
	}
	now := s.catchUp()
	if t := s.circuit.truth; t.stage == over && float64(now)-t.removedNS > float64(recoveryNS) {
		s.begin()
	}
	s.closed = true
	s.circuit.close(now)
	return s.failed
}

// Open opens it; opening an open one does nothing.
func (c *Contact) Open() error {
	s := c.stand
	s.mu.Lock()
	defer s.mu.Unlock()
	if !s.closed {
		return nil
	}
	s.closed = false
	s.circuit.open(s.catchUp())
	return s.failed
}

// Closed tells how it was last driven.
func (c *Contact) Closed() bool {
	c.stand.mu.Lock()
	defer c.stand.mu.Unlock()
	return c.stand.closed
}
