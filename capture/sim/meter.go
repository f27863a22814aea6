package sim

import (
	"fmt"
	"math"
	"math/rand/v2"

	"letthrough/capture/trace"
)

// Meter is the instrument of a recording. A reading of current is
// true*(1+GainError) + OffsetA + DriftAPerS*t + noise, rounded to ResolutionA.
type Meter struct {
	RateHz float64 // readings a second
	// AveragingS makes a reading the mean over so many seconds before its time stamp, as an
	// integrating converter gives it; 0 is an instantaneous reading.
	AveragingS  float64
	ResolutionA float64 // one display count, amperes; 0 is none
	NoiseA      float64 // standard deviation of a reading, amperes, before rounding
	OffsetA     float64
	GainError   float64
	DriftAPerS  float64
	// FullScaleA is where the range ends, amperes; 0 is nowhere. Beyond it a reading is ±FullScaleA
	// with the flag Over, or ±Inf with OverWord: an instrument that says so in words only.
	FullScaleA float64
	OverWord   bool
	Reversed   bool    // leads swapped
	JitterS    float64 // standard deviation of the sampling instants, seconds
	Gaps       []Span  // readings in these stretches are lost; the next one is flagged Gap
	PhaseS     float64 // instant of the first reading, seconds; below 0 it is drawn, uniform in one interval

	Voltage            bool // read the terminal voltage too
	VoltageNoiseV      float64
	VoltageResolutionV float64
}

// Validate names what is out of range, or returns nil.
func (m Meter) Validate() error {
	for _, c := range []struct {
		name      string
		v, lo, hi float64
	}{
		{"rate, readings a second", m.RateHz, 0.01, 1e6},
		{"averaging, seconds", m.AveragingS, 0, 60},
		{"resolution, amperes", m.ResolutionA, 0, 100},
		{"noise, amperes", m.NoiseA, 0, 100},
		{"offset, amperes", m.OffsetA, -100, 100},
		{"gain error", m.GainError, -0.9, 10},
		{"drift, amperes per second", m.DriftAPerS, -10, 10},
		{"full scale, amperes", m.FullScaleA, 0, 1e4},
		{"jitter, seconds", m.JitterS, 0, 10},
		{"phase, seconds", m.PhaseS, -1, 1000},
		{"voltage noise, volts", m.VoltageNoiseV, 0, 100},
		{"voltage resolution, volts", m.VoltageResolutionV, 0, 100},
	} {
		if !(c.v >= c.lo && c.v <= c.hi) {
			return fmt.Errorf("meter: %s: %g is out of range, allowed is %g to %g", c.name, c.v, c.lo, c.hi)
		}
	}
	return nil
}

// reading is what the instrument says at one instant.
type reading struct {
	atNS     int64
	currentA float64
	voltageV float64
	flags    trace.Flags
}

// window is one reading under way.
type window struct{ fromNS, toNS, charge, flux float64 }

// sampler turns the physics into readings.
type sampler struct {
	m         Meter
	rng       *rand.Rand
	interval  float64 // ns
	averaging float64 // ns
	origin    float64 // ns of reading 0
	n         int64
	open      []window // windows begun and not yet ended, and the next one to begin, in order
	charge    float64  // running integrals, ampere-ns and volt-ns
	flux      float64
	lost      bool
	out       func(reading)
}

func newSampler(m Meter, startNS int64, seed uint64, out func(reading)) *sampler {
	s := &sampler{m: m, rng: rand.New(rand.NewPCG(seed, 2)), interval: 1e9 / m.RateHz, averaging: m.AveragingS * 1e9, out: out}
	phase := m.PhaseS * 1e9
	if m.PhaseS < 0 {
		phase = s.rng.Float64() * s.interval
	}
	// An average needs its whole window.
	s.origin = float64(startNS) + max(phase, s.averaging)
	s.next()
	return s
}

// next plans the next reading.
func (s *sampler) next() {
	at := s.origin + float64(s.n)*s.interval
	s.n++
	if s.m.JitterS > 0 {
		// Never so far that two readings change places.
		j := s.rng.NormFloat64() * s.m.JitterS * 1e9
		at += min(max(j, -0.45*s.interval), 0.45*s.interval)
	}
	at = math.Round(at)
	s.open = append(s.open, window{fromNS: at - s.averaging, toNS: at, charge: math.NaN()})
}

// segment follows one physics step.
func (s *sampler) segment(t0, t1 int64, i0, i1, v0, v1 float64) {
	from, to := float64(t0), float64(t1)
	di, dv := (i1-i0)/(to-from), (v1-v0)/(to-from)
	upto := func(at float64) (q, f float64) {
		d := at - from
		return s.charge + d*(i0+d*di/2), s.flux + d*(v0+d*dv/2)
	}
	for s.averaging > 0 {
		w := &s.open[len(s.open)-1]
		if w.fromNS > to {
			break
		}
		w.charge, w.flux = upto(max(w.fromNS, from))
		s.next()
	}
	for s.open[0].toNS <= to {
		w := s.open[0]
		if s.averaging > 0 {
			q, f := upto(w.toNS)
			s.emit(w.toNS, (q-w.charge)/s.averaging, (f-w.flux)/s.averaging)
		} else {
			s.emit(w.toNS, i0+(w.toNS-from)*di, v0+(w.toNS-from)*dv)
			s.next()
		}
		s.open = append(s.open[:0], s.open[1:]...)
	}
	s.charge, s.flux = upto(to)
}

// emit makes a reading of true amperes and volts.
func (s *sampler) emit(atNS, amps, volts float64) {
	at := atNS * 1e-9
	for _, g := range s.m.Gaps {
		if at >= g.FromS && at < g.ToS {
			s.lost = true
			return
		}
	}
	a := amps*(1+s.m.GainError) + s.m.OffsetA + s.m.DriftAPerS*(atNS-s.origin)*1e-9
	if s.m.NoiseA > 0 {
		a += s.rng.NormFloat64() * s.m.NoiseA
	}
	if s.m.Reversed {
		a = -a
	}
	r := reading{atNS: int64(atNS), currentA: quantised(a, s.m.ResolutionA)}
	if s.m.Voltage {
		volts += s.rng.NormFloat64() * s.m.VoltageNoiseV
		r.voltageV = quantised(volts, s.m.VoltageResolutionV)
	}
	if fs := s.m.FullScaleA; fs > 0 && math.Abs(a) > fs {
		r.flags |= trace.Over
		if r.currentA = math.Copysign(fs, a); s.m.OverWord {
			r.currentA = math.Copysign(math.Inf(1), a)
		}
	}
	if s.lost {
		r.flags |= trace.Gap
		s.lost = false
	}
	s.out(r)
}

func quantised(v, step float64) float64 {
	if step <= 0 {
		return v
	}
	return math.Round(v/step) * step
}
