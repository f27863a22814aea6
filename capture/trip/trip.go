// Package trip finds onset, cut-off and retry pulses in a stream of current samples and derives the
// figures of a test. It is pure: samples and outside marks in, marks and figures out.
package trip

import "letthrough/capture/trace"

// Detector reads one run.
type Detector struct {
	set   trace.Settings
	marks []trace.Mark
}

// New checks the settings and makes a detector.
func New(s trace.Settings) (*Detector, error) {
	if err := s.Validate(); err != nil {
		return nil, err
	}
	return &Detector{set: s}, nil
}

// Current takes the next samples of the current channel.
func (d *Detector) Current(samples []trace.Sample) {}

// Voltage takes the next samples of the voltage channel.
func (d *Detector) Voltage(samples []trace.Sample) {}

// Mark takes a mark from outside.
func (d *Detector) Mark(m trace.Mark) {}

// SetHold changes the hold.
func (d *Detector) SetHold(holdS float64) { d.set.HoldS = holdS }

// Changes appends the marks that are new or changed since the last call.
func (d *Detector) Changes(dst []trace.Mark) []trace.Mark { return dst }

// Phase is the phase at the newest sample.
func (d *Detector) Phase() trace.Phase { return trace.Idle }

// Onset is the instant of the onset in seconds, once there is one.
func (d *Detector) Onset() (t float64, ok bool) { return 0, false }

// Derive gives marks and figures as if the trace ended here.
func (d *Detector) Derive() trace.Derivation { return trace.Derivation{Procedure: d.set.Procedure} }

// Finish gives marks and figures of the whole trace.
func (d *Detector) Finish() trace.Derivation { return d.Derive() }
