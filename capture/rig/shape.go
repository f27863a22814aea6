package rig

import (
	"fmt"
	"math"

	"letthrough/capture/trace"
)

// shape is what a rippled output does beside its mean: what heats goes by the rms, and where readings stop by the
// peak.
type shape struct {
	form  float64 // rms over mean, at least 1
	crest float64 // peak over mean, at least form
	why   string  // where form comes from, as a person reads it; empty: nothing ripples
}

// takenDuty is the share of the time that a pulse-width unit of unknown duty is taken to be on: few run below it
// at a load that matters (common practice, no source). It is said wherever it counts.
const takenDuty = 0.25

// shapeOf gives the shape that was measured, where a run told both, else that of the stated waveform. Closed forms of
// the rectified sine and of a pulse train, textbook, from memory; the means 0.90 and 0.64 of the rms in NEM 630 are
// the reciprocals of the first two.
func shapeOf(w trace.Waveform, s Source) shape {
	if s.CurrentA > 0 && s.HeatA > 0 {
		form := max(1, s.HeatA/s.CurrentA)
		return shape{form, max(form, s.PeakA/s.CurrentA), "measured"}
	}
	h := statedShape(w)
	if s.CurrentA > 0 {
		h.crest = max(h.crest, s.PeakA/s.CurrentA)
	}
	return h
}

func statedShape(w trace.Waveform) shape {
	switch w {
	case trace.FullWave:
		return shape{math.Pi / (2 * math.Sqrt2), math.Pi / 2, "full-wave rectified, π/(2√2) × the mean (textbook)"}
	case trace.HalfWave:
		return shape{math.Pi / 2, math.Pi, "half-wave rectified, π/2 × the mean (textbook)"}
	case trace.PWM:
		return shape{math.Sqrt(1 / takenDuty), 1 / takenDuty, fmt.Sprintf("pulse-width modulated, its duty not known: taken as on for %s of the time, √(1/duty) × the mean (the share is common practice, no source)", percent(takenDuty))}
	}
	return shape{form: 1, crest: 1}
}

// FormFactor is rms over mean of a unit's current into a resistance, at least 1: as a run measured it, else as the
// stated waveform has it. why says which; empty where nothing ripples.
func FormFactor(w trace.Waveform, s Source) (form float64, why string) {
	h := shapeOf(w, s)
	return h.form, h.why
}

// shaped adds to a prospective current what it heats like and where it peaks.
func (p Prospective) shaped(w trace.Waveform, s Source) Prospective {
	if p.CurrentA == nil {
		return p
	}
	h := shapeOf(w, s)
	rms, peak := *p.CurrentA*h.form, *p.CurrentA*h.crest
	p.HeatA, p.PeakA = &rms, &peak
	if amps(rms) != amps(*p.CurrentA) {
		p.Text += fmt.Sprintf(" It heats like a steady %s (rms; %s), and the parts are counted by that.", amps(rms), h.why)
	}
	if peak > 1.02*rms {
		p.Text += fmt.Sprintf(" It peaks at %s.", amps(peak))
	}
	return p
}
