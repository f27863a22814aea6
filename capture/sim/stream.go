package sim

import (
	"context"
	"fmt"

	"letthrough/capture/trace"
)

// StreamOptions describe one simulated instrument with one unit on its terminals.
type StreamOptions struct {
	Unit   string  // of the shelf
	Format string  // text, which is also "", codes, frame, scpi or modbus
	Kind   string  // of frame: one of FrameKinds
	RateHz float64 // readings a second; 0 is 1000
	// ShortAtS is when the contact closes, simulated seconds after the first reader opens the port
	// (an instrument that nobody hears might else be through before anybody can type its path);
	// HoldS is how long it stays closed, 0 is no short at all.
	ShortAtS, HoldS float64
	Speed           float64 // how many times faster than real time; 0 is 1
	Smooth          bool
	Voltage         bool // a column of volts
	AveragingS      float64
	NoiseA          float64 // 0 is the default board's, below 0 is none
	Seed            uint64
	Faults          Faults
}

// Stream runs a simulated instrument until ctx ends and then returns nil. onPath is called once with
// the path of its pseudo-terminal before anything is sent.
func Stream(ctx context.Context, o StreamOptions, onPath func(path string)) error {
	if o.Speed == 0 {
		o.Speed = 1
	}
	stand, err := openStream(o)
	if err != nil {
		return err
	}
	onPath(stand.Path())
	select {
	case <-stand.Heard():
		if o.HoldS > 0 {
			stand.schedule(o.ShortAtS, o.HoldS)
		}
		<-ctx.Done()
	case <-ctx.Done():
	}
	return stand.Close()
}

func openStream(o StreamOptions) (*Stand, error) {
	unit, err := Find(o.Unit)
	if err != nil {
		return nil, err
	}
	responder := NewResponder(o.Format)
	var encoder Encoder
	switch {
	case o.Format == "frame":
		encoder, err = NewFrames(o.Kind)
	case o.Kind != "":
		err = fmt.Errorf("kind %q belongs to the format frame, not to %q", o.Kind, o.Format)
	case responder == nil:
		encoder, err = NewEncoder(o.Format)
	}
	if err != nil {
		return nil, err
	}
	for _, c := range []struct {
		name      string
		v, lo, hi float64
	}{
		{"rate", o.RateHz, 0, 100e3},
		{"short at", o.ShortAtS, 0, longestS},
		{"hold", o.HoldS, 0, longestS},
		{"speed", o.Speed, 0.01, 1000},
	} {
		if !(c.v >= c.lo && c.v <= c.hi) {
			return nil, fmt.Errorf("%s: %g is out of range, allowed is %g to %g", c.name, c.v, c.lo, c.hi)
		}
	}
	if o.RateHz == 0 {
		o.RateHz = 1000
	}
	m := DefaultMeter(o.RateHz)
	m.Voltage, m.AveragingS = o.Voltage, o.AveragingS
	switch {
	case o.NoiseA < 0:
		m.NoiseA = 0
	case o.NoiseA > 0:
		m.NoiseA = o.NoiseA
	}
	return NewStand(NewClock(o.Speed), StandOptions{
		Meter: m, Encoder: encoder, Responder: responder, Seed: o.Seed, Faults: o.Faults, Units: []Unit{unit}, Smooth: o.Smooth,
	})
}

// schedule closes the contact atS simulated seconds from now and opens it after holdS, to the step.
func (s *Stand) schedule(atS, holdS float64) {
	s.mu.Lock()
	defer s.mu.Unlock()
	from := s.catchUp() + trace.NS(atS)
	s.circuit.close(from)
	s.circuit.open(from + trace.NS(holdS))
}
