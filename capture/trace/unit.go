package trace

import "fmt"

// Waveform is what a unit's output looks like on a resistive load.
type Waveform string

// The waveforms of DESIGN section 8.
const (
	DC       Waveform = "dc"
	FullWave Waveform = "full-wave"
	HalfWave Waveform = "half-wave"
	PWM      Waveform = "pwm"
)

// Waveforms lists them in the order a form offers them.
var Waveforms = []Waveform{DC, FullWave, HalfWave, PWM}

// Procedure is the kind of test a run records.
type Procedure string

// The procedures of DESIGN section 4.
const (
	Short    Procedure = "short"
	Ramp     Procedure = "ramp"
	Steps    Procedure = "steps"
	Overload Procedure = "overload"
	Carry    Procedure = "carry"
)

// Procedures lists them in the order a form offers them.
var Procedures = []Procedure{Short, Ramp, Steps, Overload, Carry}

// Behaviour is what the trace shows the unit doing.
type Behaviour string

// The behaviours of DESIGN section 5; the last three belong to ramp, steps and carry.
const (
	Latching        Behaviour = "latching"
	AutoRetry       Behaviour = "auto_retry"
	Hiccup          Behaviour = "hiccup"
	FoldBack        Behaviour = "fold_back"
	LimitedCurrent  Behaviour = "limited"
	Sustained       Behaviour = "sustained"
	BehaviourUnsure Behaviour = "not_resolved"
	None            Behaviour = "none"
	Tripped         Behaviour = "tripped"
	NoTrip          Behaviour = "no_trip"
	Carried         Behaviour = "carried"
)

// Recovery says what happened once the short was gone.
type Recovery string

// The recoveries of DESIGN section 6.
const (
	ByItself   Recovery = "by_itself"
	NeedsReset Recovery = "needs_reset"
	NotTested  Recovery = "not_tested"
)

// Unit is a power unit under test with its rating plate. A rating of 0 is unknown.
type Unit struct {
	ID            int64    `json:"id"`
	Name          string   `json:"name"`
	RatedVoltageV float64  `json:"rated_voltage_v"`
	RatedCurrentA float64  `json:"rated_current_a"`
	Waveform      Waveform `json:"waveform"`
	Load          string   `json:"load,omitempty"` // the weakest one it feeds, by name
	Note          string   `json:"note,omitempty"`
}

// Validate says what is wrong with a unit in one sentence, or nil.
func (u Unit) Validate() error {
	switch {
	case u.Name == "":
		return fmt.Errorf("name: a unit needs a name")
	case len(u.Name) > 80:
		return fmt.Errorf("name: %d bytes are too long, at most 80", len(u.Name))
	}
	if err := u.ValidateRatings(); err != nil {
		return err
	}
	return u.Waveform.validate()
}

// ValidateRatings says what is wrong with a unit's ratings in one sentence, or nil.
func (u Unit) ValidateRatings() error {
	if err := inRange("rated_voltage_v", u.RatedVoltageV, 0, 60); err != nil {
		return err
	}
	return inRange("rated_current_a", u.RatedCurrentA, 0, 100)
}

func (w Waveform) validate() error {
	if w == "" {
		return nil
	}
	for _, known := range Waveforms {
		if w == known {
			return nil
		}
	}
	return fmt.Errorf("waveform: %q is none of dc, full-wave, half-wave, pwm", string(w))
}

// NoUpperState: in a ramp and in steps the current has no plateau that it jumps to.
func (p Procedure) NoUpperState() bool { return p == Ramp || p == Steps }
