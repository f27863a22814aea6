package trace

import (
	"fmt"
	"math"
	"slices"
)

// Settings are everything besides the samples that a derivation depends on. Zero means unknown or
// unset unless said otherwise; the JSON names are those of the flags of DESIGN section 8.
type Settings struct {
	Procedure        Procedure `json:"procedure"`
	RatedCurrentA    float64   `json:"rated_current_a,omitempty"`
	RatedVoltageV    float64   `json:"rated_voltage_v,omitempty"`
	Accuracy         Accuracy  `json:"accuracy,omitzero"`
	ResolutionA      float64   `json:"resolution_a,omitempty"`
	FullScaleA       float64   `json:"full_scale_a,omitempty"`
	AveragingS       *float64  `json:"averaging_s,omitempty"` // nil: not stated; 0: stated as none
	Waveform         Waveform  `json:"waveform,omitempty"`
	HoldS            float64   `json:"hold_s,omitempty"`  // 0: to the end of the trace
	DwellS           float64   `json:"dwell_s,omitempty"` // steps; 0: 10 s
	RigResistanceOhm float64   `json:"rig_resistance_ohm,omitempty"`
	ProspectiveA     float64   `json:"prospective_current_a,omitempty"` // the largest the unit can drive through this rig, from elsewhere
	AppliedAtS       *float64  `json:"applied_at_s,omitempty"`          // on the trace's own time base
	RemovedAtS       *float64  `json:"removed_at_s,omitempty"`
	StampUS          float64   `json:"stamp_u_s,omitempty"`    // expanded uncertainty of each reading's own stamp; above 0 where a person made the stamps
	ClockUS          float64   `json:"clock_u_s,omitempty"`    // expanded uncertainty of the time base itself
	ClockRateU       float64   `json:"clock_rate_u,omitempty"` // expanded relative uncertainty of a duration on it
	// Which instruments' channels the figures are of, where several measure the same; empty: the first.
	CurrentFrom string `json:"current_from,omitempty"`
	VoltageFrom string `json:"voltage_from,omitempty"`
	// Where current and voltage come from two instruments.
	VoltageAveragingS *float64 `json:"voltage_averaging_s,omitempty"` // nil: not stated; 0: stated as none
	SkewUS            float64  `json:"skew_u_s,omitempty"`            // expanded uncertainty of one's time base against the other's

	FinalFall FinalFall `json:"final_fall,omitempty"`
	// The samples are as they were shown; these make them right.
	Calibration        Calibration `json:"calibration,omitzero"`         // of the current
	VoltageCalibration Calibration `json:"voltage_calibration,omitzero"` // of the voltage
	// MarkEdits are what a person says of the detector's own marks (see NetEdits), on the trace's own
	// time base.
	MarkEdits []MarkEdit `json:"mark_edits,omitempty"`
}

// Shifted moves the instants among the settings by dt seconds.
func (s Settings) Shifted(dt float64) Settings {
	for _, p := range []**float64{&s.AppliedAtS, &s.RemovedAtS} {
		if *p != nil {
			moved := **p + dt
			*p = &moved
		}
	}
	edits := s.MarkEdits
	s.MarkEdits = nil
	for _, e := range edits {
		s.MarkEdits = append(s.MarkEdits, e.Shifted(dt))
	}
	return s
}

// ShareRating lets what the settings say of the rating count for a unit's plate, and the plate where they
// say nothing.
func (s *Settings) ShareRating(u *Unit) {
	share(&s.RatedCurrentA, &u.RatedCurrentA)
	share(&s.RatedVoltageV, &u.RatedVoltageV)
	share(&s.Waveform, &u.Waveform)
}

func share[T comparable](first, second *T) {
	var unknown T
	if *first == unknown {
		*first = *second
	} else if *second == unknown {
		*second = *first
	}
}

// FinalFall says what to make of a last fall of the current that no removed mark explains.
type FinalFall string

// The answers. Where nothing is said it was the unit. After a run was ended by hand it is asked, and
// until somebody answers it stays not resolved.
const (
	FallAsked  FinalFall = "ask"
	FallOpened FinalFall = "opened"  // somebody opened the contact
	FallCutOff FinalFall = "cut_off" // the unit did it
)

// Validate names the setting that is out of range and the range, or returns nil.
func (s Settings) Validate() error {
	if s.Procedure != "" && !slices.Contains(Procedures, s.Procedure) {
		return fmt.Errorf("procedure: %q is none of short, ramp, steps, overload, carry", string(s.Procedure))
	}
	if err := s.Waveform.validate(); err != nil {
		return err
	}
	switch s.FinalFall {
	case "", FallAsked, FallOpened, FallCutOff:
	default:
		return fmt.Errorf("final_fall: %q is none of ask, opened, cut_off", string(s.FinalFall))
	}
	if err := s.Accuracy.validate(); err != nil {
		return err
	}
	if err := s.Calibration.Validate(); err != nil {
		return fmt.Errorf("calibration: %w", err)
	}
	if err := s.VoltageCalibration.Validate(); err != nil {
		return fmt.Errorf("voltage_calibration: %w", err)
	}
	if err := s.validateEdits(); err != nil {
		return err
	}
	averaging, voltageAveraging, applied, removed := 0.0, 0.0, 0.0, 0.0
	if s.VoltageAveragingS != nil {
		voltageAveraging = *s.VoltageAveragingS
	}
	if s.AveragingS != nil {
		averaging = *s.AveragingS
	}
	if s.AppliedAtS != nil {
		applied = *s.AppliedAtS
	}
	if s.RemovedAtS != nil {
		removed = *s.RemovedAtS
	}
	const farAway = 1e9 // seconds, some thirty years: a time stamp, not a duration
	for _, c := range []struct {
		name      string
		v, lo, hi float64
	}{
		{"rated_current_a", s.RatedCurrentA, 0, 1000},
		{"rated_voltage_v", s.RatedVoltageV, 0, 1000},
		{"resolution_a", s.ResolutionA, 0, 100},
		{"full_scale_a", s.FullScaleA, 0, 10000},
		{"averaging_s", averaging, 0, 60},
		{"hold_s", s.HoldS, 0, 86400},
		{"dwell_s", s.DwellS, 0, 3600},
		{"rig_resistance_ohm", s.RigResistanceOhm, 0, 1000},
		{"prospective_current_a", s.ProspectiveA, 0, 10000},
		{"applied_at_s", applied, -farAway, 4 * farAway},
		{"removed_at_s", removed, -farAway, 4 * farAway},
		{"stamp_u_s", s.StampUS, 0, 60},
		{"clock_u_s", s.ClockUS, 0, 60},
		{"voltage_averaging_s", voltageAveraging, 0, 60},
		{"skew_u_s", s.SkewUS, 0, 60},
		{"clock_rate_u", s.ClockRateU, 0, 0.1},
	} {
		if err := inRange(c.name, c.v, c.lo, c.hi); err != nil {
			return err
		}
	}
	return nil
}

// MaxMarkEdits bounds what is said of the marks of one run.
const MaxMarkEdits = 1000

func (s Settings) validateEdits() error {
	if len(s.MarkEdits) > MaxMarkEdits {
		return fmt.Errorf("mark_edits: %d marks are edited, allowed are %d", len(s.MarkEdits), MaxMarkEdits)
	}
	for _, e := range s.MarkEdits {
		if err := e.Validate(); err != nil {
			return fmt.Errorf("mark_edits: %w", err)
		}
	}
	return nil
}

// inRange says in words that v is outside lo..hi; NaN always is.
func inRange(name string, v, lo, hi float64) error {
	if math.IsNaN(v) || v < lo || v > hi {
		return fmt.Errorf("%s: %g is out of range, allowed is %g to %g", name, v, lo, hi)
	}
	return nil
}
