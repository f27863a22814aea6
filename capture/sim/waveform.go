package sim

import (
	"math"

	"letthrough/capture/trace"
)

// source is the electromotive force of a unit over time: a waveform with a given arithmetic mean.
type source struct {
	wave     trace.Waveform
	meanV    float64
	peakV    float64
	formfact float64 // rms over mean, on a resistive load
	periodNS float64 // of the ripple; 0 for DC
	cycleNS  float64 // of the mains or the pulse train
	duty     float64
	phase    float64 // of the cycle at time 0, 0 to 1
}

func newSource(u Unit) source {
	s := source{wave: u.Waveform(), meanV: u.OpenV, peakV: u.OpenV, formfact: 1}
	mains := u.MainsHz
	if mains == 0 {
		mains = 50
	}
	switch s.wave {
	case trace.FullWave:
		s.peakV, s.formfact = u.OpenV*math.Pi/2, math.Pi/(2*math.Sqrt2)
		s.cycleNS = 1e9 / mains
		s.periodNS = s.cycleNS / 2
	case trace.HalfWave:
		s.peakV, s.formfact = u.OpenV*math.Pi, math.Pi/2
		s.cycleNS = 1e9 / mains
		s.periodNS = s.cycleNS
	case trace.PWM:
		hz, duty := u.PWMHz, u.Duty
		if hz == 0 {
			hz = 120
		}
		if duty == 0 {
			duty = 0.85
		}
		s.duty = duty
		s.peakV, s.formfact = u.OpenV/duty, 1/math.Sqrt(duty)
		s.cycleNS = 1e9 / hz
		s.periodNS = s.cycleNS
	}
	return s
}

// at is the electromotive force in volts at a time in nanoseconds.
func (s *source) at(ns int64) float64 {
	if s.cycleNS == 0 {
		return s.meanV
	}
	turns := float64(ns)/s.cycleNS + s.phase
	turns -= math.Floor(turns)
	if s.wave == trace.PWM {
		if turns < s.duty {
			return s.peakV
		}
		return 0
	}
	v := s.peakV * math.Sin(2*math.Pi*turns)
	if v < 0 {
		if s.wave == trace.HalfWave {
			return 0
		}
		return -v
	}
	return v
}

// nextEdge is the first instant after ns at which the electromotive force jumps, rounded to a nanosecond;
// the end of time where it never does.
func (s *source) nextEdge(ns int64) int64 {
	if s.wave != trace.PWM || s.cycleNS == 0 {
		return math.MaxInt64
	}
	turns := float64(ns)/s.cycleNS + s.phase
	cycle := math.Floor(turns)
	for _, at := range []float64{cycle + s.duty, cycle + 1, cycle + 1 + s.duty} {
		if edge := int64(math.Round((at - s.phase) * s.cycleNS)); edge > ns {
			return edge
		}
	}
	return ns + 1
}

// clipFor is the instantaneous level at which a limiter must cut the waveform of peak peakA so that
// what is left has the arithmetic mean meanA. A series limiter clips: it cannot do anything about a
// half-wave's empty half.
func (s *source) clipFor(peakA, meanA float64) float64 {
	if s.wave == trace.DC {
		return meanA
	}
	if s.wave == trace.PWM {
		return meanA / s.duty
	}
	share := 1.0 // of the time in which the rectifier gives anything
	if s.wave == trace.HalfWave {
		share = 0.5
	}
	mean := func(clip float64) float64 {
		a := math.Asin(min(clip/peakA, 1))
		return share * 2 / math.Pi * (peakA*(1-math.Cos(a)) + clip*(math.Pi/2-a))
	}
	lo, hi := 0.0, peakA
	if mean(hi) <= meanA {
		return math.Inf(1) // never reaches the limit
	}
	for range 60 {
		if mid := (lo + hi) / 2; mean(mid) < meanA {
			lo = mid
		} else {
			hi = mid
		}
	}
	return (lo + hi) / 2
}
