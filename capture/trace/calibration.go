package trace

import (
	"errors"
	"fmt"
	"iter"
	"math"
)

// Calibration makes a channel's readings right: the true value is Offset + Gain × what is shown. Samples
// are kept as they were shown; whoever derives figures from them or draws them applies the calibration,
// so that another one can be applied to an old run. The zero value is none.
type Calibration struct {
	Offset float64 `json:"offset"` // A or V, on the true side
	Gain   float64 `json:"gain"`
	// Expanded uncertainties (95 %) of the two, and their covariance on the scale of half the expanded
	// ones, so that what the line is off by at x follows as for standard uncertainties.
	UOffset    float64 `json:"u_offset,omitempty"`
	UGain      float64 `json:"u_gain,omitempty"`
	Covariance float64 `json:"covariance,omitempty"`
	// ResidualS is the standard deviation of the pairs about the line, A or V; it says something from
	// three pairs on.
	ResidualS float64 `json:"residual_s,omitempty"`
	Pairs     int     `json:"pairs,omitempty"`
	From      float64 `json:"from,omitempty"` // least and largest true value of the pairs
	To        float64 `json:"to,omitempty"`
	Made      string  `json:"made,omitempty"` // time of day, RFC 3339
}

// Known tells whether there is a calibration.
func (c Calibration) Known() bool { return c.Gain != 0 }

// Correct turns what is shown into what it is. Without a calibration that is the same.
func (c Calibration) Correct(shown float64) float64 {
	if !c.Known() {
		return shown
	}
	return c.Offset + c.Gain*shown
}

// CorrectAll appends the corrected samples to dst.
func (c Calibration) CorrectAll(dst, samples []Sample) []Sample {
	from := len(dst)
	dst = append(dst, samples...)
	for i := range dst[from:] {
		dst[from+i].Value = c.Correct(dst[from+i].Value)
	}
	return dst
}

// U is what the line may be off by where the true value is so much: half the expanded uncertainty.
func (c Calibration) U(value float64) float64 {
	if !c.Known() {
		return 0
	}
	shown := (value - c.Offset) / c.Gain
	ua, ub := c.UOffset/2, c.UGain/2
	return math.Sqrt(max(0, ua*ua+shown*shown*ub*ub+2*shown*c.Covariance))
}

// Beyond is how far a value lies outside the pairs.
func (c Calibration) Beyond(value float64) float64 {
	if !c.Known() || c.From == c.To {
		return 0
	}
	return max(0, value-c.To, c.From-value)
}

// IsZero leaves a calibration that is none out of JSON.
func (c Calibration) IsZero() bool { return c == Calibration{} }

// Validate says what is wrong with a calibration, or nil.
func (c Calibration) Validate() error {
	if c.IsZero() {
		return nil
	}
	const far = 1e4
	for _, r := range []struct {
		name      string
		v, lo, hi float64
	}{
		{"offset", c.Offset, -far, far}, {"gain", c.Gain, -far, far}, {"u_offset", c.UOffset, 0, far}, {"u_gain", c.UGain, 0, far},
		{"covariance", c.Covariance, -far * far, far * far}, {"residual_s", c.ResidualS, 0, far}, {"pairs", float64(c.Pairs), 0, 1e6},
		{"from", c.From, -far, far}, {"to", c.To, -far, far},
	} {
		if err := inRange(r.name, r.v, r.lo, r.hi); err != nil {
			return err
		}
	}
	switch {
	case math.Abs(c.Gain) < 1e-6:
		return errors.New("gain: 0 would turn every reading into one and the same")
	case c.From > c.To:
		return fmt.Errorf("from: %g is above to, which is %g", c.From, c.To)
	case math.Abs(c.Covariance) > c.UOffset*c.UGain/4*1.000001:
		return fmt.Errorf("covariance: %g is more than the two uncertainties allow", c.Covariance)
	}
	return nil
}

// CalibrationPair is one level as a trusted meter and an instrument showed it, A or V; what the
// instrument showed is uncorrected.
type CalibrationPair struct {
	Trusted float64 `json:"trusted"`
	Shown   float64 `json:"shown"`
}

// CalibrationOf gives what makes the samples of a run's channel right. Figures are derived from the first
// instrument that measures a quantity, with the settings' calibration; any other has the one that it had
// during the run.
func CalibrationOf(c Channel, s Settings, instruments []RunInstrument, channels []Channel) Calibration {
	for _, in := range instruments {
		if in.Name == c.Instrument {
			break
		}
		for _, other := range channels {
			if other.Instrument == in.Name && other.Quantity == c.Quantity {
				return ownCalibration(c, instruments)
			}
		}
	}
	if c.Quantity == Voltage {
		return s.VoltageCalibration
	}
	return s.Calibration
}

func ownCalibration(c Channel, instruments []RunInstrument) Calibration {
	for _, in := range instruments {
		if in.Name == c.Instrument {
			return in.Calibrations[c.Quantity]
		}
	}
	return Calibration{}
}

// Corrected gives the recording with its samples corrected, for files that hold readings as a person wants
// them and have no room for the calibration; it must not be derived from again. Without a calibration it
// is the same.
func (r Recording) Corrected() Recording {
	by, any := map[Channel]Calibration{}, false
	for _, c := range r.Channels {
		by[c] = CalibrationOf(c, r.End.Settings, r.Start.Instruments, r.Channels)
		any = any || by[c].Known()
	}
	if !any {
		return r
	}
	raw := r.Batches
	r.Batches = iter.Seq2[Batch, error](func(yield func(Batch, error) bool) {
		var copied []Sample
		for b, err := range raw {
			if c := by[b.Channel]; err == nil && c.Known() {
				copied = c.CorrectAll(copied[:0], b.Samples)
				b.Samples = copied
			}
			if !yield(b, err) {
				return
			}
		}
	})
	r.End.Settings.Calibration, r.End.Settings.VoltageCalibration = Calibration{}, Calibration{}
	return r
}
