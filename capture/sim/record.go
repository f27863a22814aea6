package sim

import "letthrough/capture/trace"

// Recording is one simulated test as an instrument saw it, with the truth beside it. Time 0 is the
// start of the scenario.
type Recording struct {
	Current  []trace.Sample
	Voltage  []trace.Sample // empty unless the meter reads it
	Truth    Truth
	Settings trace.Settings // what is known about unit, meter and procedure
}

// Record plays a scenario to its end. The same unit, scenario, meter and seed give the same recording
// bit for bit; the seed draws noise, bounces, jitter and phase, and the bounces are the same whatever
// the meter.
func Record(u Unit, sc Scenario, m Meter, seed uint64) (Recording, error) {
	return record(u, sc, m, seed, 0)
}

// record is Record with a physics step of its own, nanoseconds; 0 is the usual one.
func record(u Unit, sc Scenario, m Meter, seed uint64, step int64) (Recording, error) {
	for _, err := range []error{u.Validate(), sc.Validate(), m.Validate()} {
		if err != nil {
			return Recording{}, err
		}
	}
	rec := Recording{Settings: settings(u, sc, m)}
	rec.Current = make([]trace.Sample, 0, min(int(sc.EndS*m.RateHz)+1, 1<<24))
	c := newCircuit(u, sc.RigOhm, sc.StandingOhm, sc.Bounce, seed)
	if step > 0 {
		c.stepNS = step
	}
	c.load = loadProgram{sc.Load, sc.Stairs}
	c.truth = newTracker(u, sc.Procedure, &c.src)
	c.showsV = m.Voltage
	c.watch = []observer{newSampler(m, 0, seed, func(r reading) {
		rec.Current = append(rec.Current, trace.Sample{AtNS: r.atNS, Value: r.currentA, Flags: r.flags})
		if m.Voltage {
			rec.Voltage = append(rec.Voltage, trace.Sample{AtNS: r.atNS, Value: r.voltageV, Flags: r.flags & trace.Gap})
		}
	})}
	for _, span := range sc.Contact {
		c.close(trace.NS(span.FromS))
		c.open(trace.NS(span.ToS))
	}
	c.advance(trace.NS(sc.EndS))
	rec.Truth = c.truth.report(c)
	if held := rec.Truth.Figures["hold_s"]; sc.Procedure == trace.Ramp && held > 0 {
		rec.Settings.HoldS = held // a hold is counted from the onset, and on a ramp that comes after the closing
	}
	return rec, nil
}

// settings are what a careful tester would state.
func settings(u Unit, sc Scenario, m Meter) trace.Settings {
	averaging := m.AveragingS
	s := trace.Settings{
		Procedure:        sc.Procedure,
		RatedCurrentA:    u.Plate.RatedCurrentA,
		RatedVoltageV:    u.Plate.RatedVoltageV,
		ResolutionA:      m.ResolutionA,
		FullScaleA:       m.FullScaleA,
		AveragingS:       &averaging,
		Waveform:         u.Waveform(),
		RigResistanceOhm: sc.RigOhm,
	}
	if s.RigResistanceOhm == 0 {
		s.RigResistanceOhm = defaultRig
	}
	if len(sc.Contact) > 0 {
		first := sc.Contact[0]
		s.HoldS = first.ToS - first.FromS
		if first.ToS < sc.EndS {
			s.RemovedAtS = &first.ToS
		}
	}
	if sc.Stairs && len(sc.Load) > 1 && sc.Procedure == trace.Steps {
		s.DwellS = sc.Load[1].AtS - sc.Load[0].AtS
	}
	return s
}
