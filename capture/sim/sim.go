// Package sim is an invented shelf of power units, each a small physical model (open volts, source
// resistance, inductance, winding temperature, protection element), together with the contact that
// shorts it and the instrument that watches it. Nothing is scripted: a cut-off comes when the model's
// protection has seen enough, so that ramps, steps, overloads and carries come out of the same
// equations as a short. Because the model knows every instant and every ampere, it also tells the
// truth of a test in the figures' own keys, against which the detector is judged.
//
// Record makes a recording at once, without clock or port; Stand and Stream let a simulated
// instrument talk on a pseudo-terminal as a real one does.
//
// All brands, names and numbers here are invented.
package sim

import (
	"fmt"
	"strings"

	"letthrough/capture/trace"
)

// ProtectionKind names what a unit does about too much current.
type ProtectionKind string

// The protection elements.
const (
	NoProtection ProtectionKind = ""        // nothing: the unit's own resistance is all there is
	Breaker      ProtectionKind = "breaker" // solid-state, inverse-time; latches, or tries again where RetryPeriodS > 0
	Bimetal      ProtectionKind = "bimetal" // thermal cut-out that closes again when it has cooled
	FoldBack     ProtectionKind = "fold_back"
	CurrentLimit ProtectionKind = "current_limit"
)

// Protection is a unit's protection element. Breaker, Bimetal and FoldBack keep a thermal memory
// theta of the current squared, tau*dtheta/dt = (i/It)^2 - theta, and act when theta reaches 1: from
// cold t = tau*ln(I^2/(I^2-It^2)), the characteristic of IEC 60255-149.
type Protection struct {
	Kind ProtectionKind

	// TripA is the current (arithmetic mean over a period of the unit's own waveform, amperes) that
	// the element carries for ever and above which it acts in the end.
	TripA float64
	// TauS is the memory's time constant in seconds.
	TauS float64

	// CoolTauS is the Bimetal's time constant while it is open, seconds: the blade is then heated no
	// more and loses its heat to a warm case. Reclose is the theta at which it snaps shut again.
	CoolTauS, Reclose float64

	// RetryPeriodS is the time from one try to the next, seconds, 0 for a latch; RetryWidthS is how
	// long a try may last before the breaker looks at its mean square current and opens again.
	RetryPeriodS, RetryWidthS float64
	// RetryDrift lengthens each waiting time by this share of the one before.
	RetryDrift float64

	// LimitA is the level of FoldBack after it acted, and of CurrentLimit always: arithmetic mean
	// over a period of the unit's own waveform into the dead short, amperes.
	LimitA float64
}

// Winding describes how the source resistance warms: a copper winding of one thermal time constant.
type Winding struct {
	KelvinPerW float64 // steady temperature rise per watt lost in the source resistance
	TauS       float64 // thermal time constant, seconds; 0 is a winding that never warms
}

// copperPerK is copper's coefficient of resistance at 20 °C (IEC 60028), per kelvin.
const copperPerK = 0.00393

// Unit is a simulated power unit.
type Unit struct {
	Plate trace.Unit // what is printed on it
	// Smooth makes the output smooth DC of the same mean, whatever the plate says.
	Smooth bool

	OpenV       float64 // arithmetic mean of the open-circuit voltage, volts (NEM 630 rates rectified supplies by it)
	SourceOhm   float64 // resistance of the cold source, ohms
	InductanceH float64 // of source and loop together, henries
	LeakOhm     float64 // what an open protection element still lets through, ohms; 0 is nothing
	MainsHz     float64 // for full-wave and half-wave; 0 is 50 Hz
	PWMHz       float64 // for pwm; 0 is 120 Hz
	Duty        float64 // for pwm: share of the period that is on; 0 is 0.85

	// OutputCapF is a capacitor across the terminals, behind the protection element, farads; its
	// series resistance is OutputCapOhm. It discharges into a short as a spike.
	OutputCapF, OutputCapOhm float64

	Winding    Winding
	Protection Protection
	// WarmStart is the thermal memory of the protection at the start, 0 (cold) to below 1.
	WarmStart float64
}

// Waveform is the waveform that the simulation really gives: the plate's, or DC where Smooth is set.
func (u Unit) Waveform() trace.Waveform {
	if u.Smooth || u.Plate.Waveform == "" {
		return trace.DC
	}
	return u.Plate.Waveform
}

// Validate names what the model cannot work with, or returns nil.
func (u Unit) Validate() error {
	if err := u.Plate.Validate(); err != nil {
		return fmt.Errorf("unit %s: %w", u.Plate.Name, err)
	}
	p := u.Protection
	for _, c := range []struct {
		name      string
		v, lo, hi float64
	}{
		{"open volts", u.OpenV, 0.1, 60},
		{"source ohms", u.SourceOhm, 1e-3, 1e4},
		{"inductance, henries", u.InductanceH, 1e-7, 1},
		{"leak ohms", u.LeakOhm, 0, 1e9},
		{"mains, hertz", u.MainsHz, 0, 400},
		{"pulse-width frequency, hertz", u.PWMHz, 0, 50000},
		{"duty", u.Duty, 0, 1},
		{"output capacitor, farads", u.OutputCapF, 0, 0.1},
		{"output capacitor, ohms", u.OutputCapOhm, 0, 10},
		{"winding, kelvin per watt", u.Winding.KelvinPerW, 0, 100},
		{"winding time constant, seconds", u.Winding.TauS, 0, 1e4},
		{"warm start", u.WarmStart, 0, 0.999},
		{"trip current, amperes", p.TripA, 0, 1000},
		{"trip time constant, seconds", p.TauS, 0, 1e4},
		{"retry period, seconds", p.RetryPeriodS, 0, 1e4},
		{"retry width, seconds", p.RetryWidthS, 0, 1e4},
		{"retry drift", p.RetryDrift, -0.5, 0.5},
		{"limit, amperes", p.LimitA, 0, 1000},
	} {
		if !(c.v >= c.lo && c.v <= c.hi) {
			return fmt.Errorf("unit %s: %s: %g is out of range, allowed is %g to %g", u.Plate.Name, c.name, c.v, c.lo, c.hi)
		}
	}
	return p.validate(u.Plate.Name)
}

// validate checks that an element has the numbers that its kind needs.
func (p Protection) validate(unit string) error {
	memory := p.TripA > 0 && p.TauS > 0
	ok := false
	switch p.Kind {
	case NoProtection:
		ok = true
	case Breaker:
		ok = memory && (p.RetryPeriodS == 0 || p.RetryWidthS > 0 && p.RetryWidthS < p.RetryPeriodS)
	case Bimetal:
		ok = memory && p.CoolTauS > 0 && p.Reclose > 0 && p.Reclose < 1
	case FoldBack:
		ok = memory && p.LimitA > 0
	case CurrentLimit:
		ok = p.LimitA > 0
	default:
		return fmt.Errorf("unit %s: protection %q is none of breaker, bimetal, fold_back, current_limit", unit, string(p.Kind))
	}
	if !ok {
		return fmt.Errorf("unit %s: protection %s lacks a number it needs: %+v", unit, p.Kind, p)
	}
	return nil
}

// Find gives the shelf's unit of that name; case does not matter.
func Find(name string) (Unit, error) {
	var names []string
	for _, u := range Shelf() {
		if strings.EqualFold(u.Plate.Name, name) {
			return u, nil
		}
		names = append(names, u.Plate.Name)
	}
	return Unit{}, fmt.Errorf("no simulated unit is called %q: there are %s", name, strings.Join(names, ", "))
}
