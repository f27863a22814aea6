package rig

import (
	"fmt"
	"math"
)

// AssumedTimes is the multiple of its rating that a unit is taken to feed into a short while nothing else is
// known: units far above their label are common (common practice, no source).
const AssumedTimes = 10.0

// Source is what is known of the unit beside its plate. What is 0 is not known.
type Source struct {
	OpenV     float64 `json:"open_v"`     // V, with nothing connected
	SourceOhm float64 `json:"source_ohm"` // Ω, the unit's own
	// CurrentA is the current into a short that was measured before, or is known from elsewhere, A.
	// Of a rippled output it is the mean.
	CurrentA float64 `json:"current_a"`
	// HeatA is the steady current that heats the same, its rms, and PeakA its largest value, both of the same short
	// as CurrentA, A.
	HeatA float64     `json:"heat_a"`
	PeakA float64     `json:"peak_a"`
	From  string      `json:"from"`  // where these come from: "run 14"
	Loads []LoadPoint `json:"loads"` // two harmless loads that were tried
	// AssumedTimes is the multiple of the rating that is taken where nothing else is known; 0: ten.
	AssumedTimes float64 `json:"assumed_times"`
}

// LoadPoint is what was read with a harmless load at the unit: current and the volts at its terminals, each with
// its expanded uncertainty.
type LoadPoint struct {
	A  float64 `json:"a"`
	V  float64 `json:"v"`
	UA float64 `json:"u_a"`
	UV float64 `json:"u_v"`
}

// Estimate is a unit as volts behind a resistance, with expanded uncertainties.
type Estimate struct {
	OpenV, UOpenV       float64
	SourceOhm, USource  float64
	ZeroOhmA, UZeroOhmA float64 // into a true short
}

// FromTwoLoads draws the line through two loads and follows it to a short: a forecast. The uncertainties are
// those of the four readings, independent of each other, to first order (JCGM 100:2008, 5.1.2); that the unit
// goes on along the line is not in them: protection, saturation and a warm winding all make it less.
func FromTwoLoads(a, b LoadPoint) (Estimate, error) {
	if a.A > b.A {
		a, b = b, a
	}
	for _, v := range []float64{a.A, a.V, b.A, b.V} {
		if math.IsNaN(v) || math.IsInf(v, 0) || v < 0 {
			return Estimate{}, fmt.Errorf("loads: currents and volts must be numbers of 0 or above")
		}
	}
	for _, u := range []float64{a.UA, a.UV, b.UA, b.UV} {
		if math.IsNaN(u) || math.IsInf(u, 0) || u < 0 {
			return Estimate{}, fmt.Errorf("loads: an uncertainty must be 0 or above")
		}
	}
	di, dv := b.A-a.A, a.V-b.V
	switch {
	case !(di > 0):
		return Estimate{}, fmt.Errorf("loads: both carry %s; take two different loads", amps(a.A))
	case di <= math.Hypot(a.UA, b.UA):
		return Estimate{}, fmt.Errorf("loads: the two currents differ by less than their uncertainty; take loads further apart")
	case !(dv > 0):
		return Estimate{}, fmt.Errorf("loads: the volts do not fall from the smaller load to the larger, so this unit's resistance cannot be told from them; it may be regulated")
	}
	r := dv / di
	e := Estimate{SourceOhm: r, OpenV: a.V + r*a.A}
	e.ZeroOhmA = e.OpenV / r
	// With I0 the short's current: every reading moves the line, and the line moves I0.
	e.USource = math.Sqrt(sq(a.UV)+sq(b.UV)+sq(r*a.UA)+sq(r*b.UA)) / di
	e.UOpenV = math.Hypot(math.Hypot(a.UV, r*a.UA)*b.A/di, math.Hypot(b.UV, r*b.UA)*a.A/di)
	// dI0/dV1 = −(I0−I2)/dv, dI0/dV2 = (I0−I1)/dv; a current's error counts r times as a voltage.
	e.UZeroOhmA = math.Hypot(math.Hypot(a.UV, r*a.UA)*(e.ZeroOhmA-b.A), math.Hypot(b.UV, r*b.UA)*(e.ZeroOhmA-a.A)) / dv
	return e, nil
}

func sq(v float64) float64 { return v * v }

// Basis says where a prospective current comes from.
type Basis string

// What a prospective current may stand on, the best first.
const (
	Measured Basis = "measured"  // open volts and source resistance
	Stated   Basis = "stated"    // a current known from a run or from elsewhere
	TwoLoads Basis = "two_loads" // the line through two harmless loads
	Assumed  Basis = "assumed"   // a multiple of the rating
	Chosen   Basis = "chosen"    // the procedure's own current: overload, carry, ramp, steps
	Unknown  Basis = "unknown"
)

// Prospective is the current that the test may bring, with its reason. Nulls are not known.
type Prospective struct {
	Basis    Basis    `json:"basis"`
	Forecast bool     `json:"forecast"`   // worked out before any short was measured
	CurrentA *float64 `json:"current_a"`  // of a rippled output the mean
	HeatA    *float64 `json:"heat_a"`     // its rms: the steady current that heats the same
	PeakA    *float64 `json:"peak_a"`     // its largest value, where readings must reach
	UA       *float64 `json:"u_a"`        // expanded uncertainty of CurrentA, where there is one
	ZeroOhmA *float64 `json:"zero_ohm_a"` // into a true zero-ohm short, without this rig
	UZeroA   *float64 `json:"u_zero_ohm_a"`
	OpenV    *float64 `json:"open_v"`
	Source   *float64 `json:"source_ohm"`
	Text     string   `json:"text"`
}

// prospective works out the current of a short through a rig of rigOhm.
func prospective(ratedA float64, s Source, rigOhm float64) (Prospective, error) {
	if err := s.validate(); err != nil {
		return Prospective{Basis: Unknown}, err
	}
	from := ""
	if s.From != "" {
		from = ", " + s.From
	}
	switch {
	case s.OpenV > 0 && s.SourceOhm > 0:
		i, zero := s.OpenV/(s.SourceOhm+rigOhm), s.OpenV/s.SourceOhm
		return Prospective{Basis: Measured, Forecast: true, CurrentA: &i, ZeroOhmA: &zero, OpenV: num(s.OpenV), Source: num(s.SourceOhm),
			Text: fmt.Sprintf("Measured%s: %s open behind %s, through the rig's %s: %s. Into a true zero-ohm short %s.", from, volts(s.OpenV), ohms(s.SourceOhm), ohms(rigOhm), amps(i), amps(zero))}, nil
	case s.CurrentA > 0:
		i := s.CurrentA
		p := Prospective{Basis: Stated, CurrentA: &i, OpenV: num(s.OpenV), Text: fmt.Sprintf("Known%s: %s into a short.", from, amps(i))}
		if own := s.OpenV/i - rigOhm; s.OpenV > 0 && own > 0 {
			p.ZeroOhmA, p.Source = num(s.OpenV/own), num(own)
			p.Text += fmt.Sprintf(" With %s open and if it was read through this rig's %s, %s into a true zero-ohm short.", volts(s.OpenV), ohms(rigOhm), amps(*p.ZeroOhmA))
		}
		return p, nil
	case len(s.Loads) == 2:
		e, err := FromTwoLoads(s.Loads[0], s.Loads[1])
		if err != nil {
			return Prospective{Basis: Unknown}, err
		}
		through := e.through(s.Loads[0], s.Loads[1], rigOhm)
		text := fmt.Sprintf("Forecast from two harmless loads: %s behind %s, through the rig's %s: %s", volts(e.OpenV), ohms(e.SourceOhm), ohms(rigOhm), PlusMinus(through.i, through.u, "A"))
		text += fmt.Sprintf(". Into a true zero-ohm short %s. Protection, saturation and warming make it less; the line itself is not certain.", amps(e.ZeroOhmA))
		return Prospective{Basis: TwoLoads, Forecast: true, CurrentA: &through.i, UA: num(through.u), ZeroOhmA: num(e.ZeroOhmA), UZeroA: num(e.UZeroOhmA),
			OpenV: num(e.OpenV), Source: num(e.SourceOhm), Text: text}, nil
	case ratedA > 0:
		times := s.AssumedTimes
		if times == 0 {
			times = AssumedTimes
		}
		i := times * ratedA
		p := Prospective{Basis: Assumed, Forecast: true, CurrentA: &i, OpenV: num(s.OpenV),
			Text: fmt.Sprintf("Taken as %s × the rating, %s: nothing else is known of this unit (common practice, no source).", short(times), amps(i))}
		if s.OpenV > 0 && rigOhm > 0 && s.OpenV/rigOhm < i {
			i = s.OpenV / rigOhm
			p.Text += fmt.Sprintf(" The rig's own %s lets no more than %s flow from %s.", ohms(rigOhm), amps(i), volts(s.OpenV))
		}
		return p, nil
	}
	return Prospective{Basis: Unknown, Text: "Not known: give the unit's rated current, its open volts and source resistance, two harmless loads, or a current."}, nil
}

// through is the forecast with a resistance in the loop, with its expanded uncertainty.
func (e Estimate) through(a, b LoadPoint, ohm float64) (out struct{ i, u float64 }) {
	out.i = e.OpenV / (e.SourceOhm + ohm)
	if a.A > b.A {
		a, b = b, a
	}
	// The line's readings at a and b move V0 − r·i; where it meets the rig's own line the current moves by
	// that over the whole resistance.
	di, r := b.A-a.A, e.SourceOhm
	va := math.Hypot(a.UV, r*a.UA) * (b.A - out.i) / di
	vb := math.Hypot(b.UV, r*b.UA) * (out.i - a.A) / di
	out.u = math.Hypot(va, vb) / (r + ohm)
	return out
}

// Whole tells of what somebody gave by hand whether it can be used: volts and ohms count together only.
func (s Source) Whole() error {
	if err := s.validate(); err != nil {
		return err
	}
	if s.CurrentA > 0 || len(s.Loads) > 0 {
		return nil
	}
	switch {
	case s.OpenV > 0 && s.SourceOhm == 0:
		return fmt.Errorf("source_ohm: the open volts alone do not say what flows; give the unit's own ohms too, above 0, or a current that is known")
	case s.SourceOhm > 0 && s.OpenV == 0:
		return fmt.Errorf("open_v: the unit's ohms alone do not say what flows; give the volts with nothing connected too, above 0, or a current that is known")
	case s.HeatA > 0 || s.PeakA > 0:
		return fmt.Errorf("current_a: heat_a and peak_a count only beside the mean of the same short; give current_a too")
	}
	return nil
}

func (s Source) validate() error {
	for _, v := range []struct {
		name string
		v    float64
		most float64
	}{{"open_v", s.OpenV, 200}, {"source_ohm", s.SourceOhm, 1e5}, {"current_a", s.CurrentA, 1e4}, {"heat_a", s.HeatA, 1e4}, {"peak_a", s.PeakA, 1e5}, {"assumed_times", s.AssumedTimes, 1000}} {
		if math.IsNaN(v.v) || v.v < 0 || v.v > v.most {
			return fmt.Errorf("%s: %g is out of range, allowed is 0 to %g", v.name, v.v, v.most)
		}
	}
	if n := len(s.Loads); n != 0 && n != 2 {
		return fmt.Errorf("loads: the estimate takes two loads, not %d", n)
	}
	return nil
}

// num gives a number that JSON can hold, or null.
func num(v float64) *float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) || v == 0 {
		return nil
	}
	return &v
}
