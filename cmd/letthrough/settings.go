package main

import (
	"fmt"
	"slices"

	"letthrough/capture/file"
	"letthrough/capture/trace"
)

// settingsFlags are the settings that a derivation needs, by the same names everywhere. What is not
// given stays as it was.
type settingsFlags struct {
	Procedure          *trace.Procedure `help:"Kind of test: short, ramp, steps, overload or carry; short unless stated." placeholder:"KIND"`
	RatedCurrent       *float64         `help:"The unit's rated current." placeholder:"A"`
	RatedVoltage       *float64         `help:"The unit's rated voltage." placeholder:"V"`
	Accuracy           *trace.Accuracy  `help:"The instrument's accuracy: percent of reading and counts, such as 0.8%+3, or for each range 2A:0.8%+3@0.001;10A:1.2%+5@0.01." placeholder:"SPEC"`
	Calibration        *calibration     `help:"Makes the readings right: true = OFFSET + GAIN x shown, as OFFSET,GAIN or OFFSET,GAIN,U_OFFSET,U_GAIN (expanded uncertainties), or none." placeholder:"LINE"`
	Resolution         *float64         `help:"The instrument's smallest step." placeholder:"A"`
	Averaging          *seconds         `help:"Time over which the instrument averages; 0 says that it does not." placeholder:"S"`
	Waveform           *trace.Waveform  `help:"The unit's output: dc, full-wave, half-wave or pwm." placeholder:"FORM"`
	Hold               *seconds         `help:"How long the fault was or is held." placeholder:"S"`
	Dwell              *seconds         `help:"How long each stair of a steps test is held." placeholder:"S"`
	ProspectiveCurrent *float64         `help:"Largest current that the unit can drive through this rig, from an earlier test or its open-circuit volts: what was let through is then bounded where the readings are too few to see it." placeholder:"A"`
	RigResistance      *float64         `help:"Resistance of the rig without the unit." placeholder:"OHM"`
	AppliedAt          *instant         `help:"When the fault was applied, on the times that the marks are told in; with --timecode also as a time code." placeholder:"S"`
	FinalFall          *trace.FinalFall `help:"Whose a last fall without a removed mark was: opened (somebody opened the contact), cut_off (the unit), ask." placeholder:"WHOSE"`
	RemovedAt          *instant         `help:"When the fault was removed, on the times that the marks are told in; with --timecode also as a time code." placeholder:"S"`
}

// over puts the flags over what is known already, and checks the whole.
func (f settingsFlags) over(s trace.Settings) (trace.Settings, error) {
	return f.overWith(s, nil)
}

// overWith is over where instants may be given as time codes, which rate reads; nil: they may not.
func (f settingsFlags) overWith(s trace.Settings, rate *file.FrameRate) (trace.Settings, error) {
	set(&s.Procedure, f.Procedure)
	set(&s.RatedCurrentA, f.RatedCurrent)
	set(&s.RatedVoltageV, f.RatedVoltage)
	set(&s.Accuracy, f.Accuracy)
	set(&s.ResolutionA, f.Resolution)
	if f.Calibration != nil {
		s.Calibration = f.Calibration.Calibration
	}
	set(&s.Waveform, f.Waveform)
	set(&s.RigResistanceOhm, f.RigResistance)
	set(&s.ProspectiveA, f.ProspectiveCurrent)
	set(&s.HoldS, f.Hold.float())
	set(&s.DwellS, f.Dwell.float())
	set(&s.FinalFall, f.FinalFall)
	if f.Averaging != nil {
		s.AveragingS = f.Averaging.float()
	}
	for _, at := range []struct {
		name string
		to   **float64
		from *instant
	}{{"--applied-at", &s.AppliedAtS, f.AppliedAt}, {"--removed-at", &s.RemovedAtS, f.RemovedAt}} {
		if at.from == nil {
			continue
		}
		v, err := at.from.on(rate)
		if err != nil {
			return s, fmt.Errorf("%s: %w", at.name, err)
		}
		*at.to = &v
	}
	if s.Procedure == "" {
		s.Procedure = trace.Short
	}
	if !slices.Contains(trace.Procedures, s.Procedure) {
		return s, &usageError{fmt.Sprintf("--procedure: %q is none of short, ramp, steps, overload, carry", s.Procedure)}
	}
	if s.Waveform != "" && !slices.Contains(trace.Waveforms, s.Waveform) {
		return s, &usageError{fmt.Sprintf("--waveform: %q is none of dc, full-wave, half-wave, pwm", s.Waveform)}
	}
	// 0 stands for "to the end of the trace" and "10 s" inside; nobody can mean it by a flag.
	if f.Hold != nil && !(*f.Hold > 0) {
		return s, fmt.Errorf("--hold: %g s is out of range, a hold is more than 0 and at most 86400 s", float64(*f.Hold))
	}
	if f.Dwell != nil && !(*f.Dwell > 0) {
		return s, fmt.Errorf("--dwell: %g s is out of range, a dwell is more than 0 and at most 3600 s", float64(*f.Dwell))
	}
	if err := s.Validate(); err != nil {
		return s, fmt.Errorf("settings: %w", err)
	}
	return s, nil
}

// set changes what was given and leaves the rest.
func set[T any](to, from *T) {
	if from != nil {
		*to = *from
	}
}
