package words

import (
	"fmt"
	"strings"

	"letthrough/capture/trace"
)

// Calibration says what a calibration is, in a sentence: the two coefficients with their expanded
// uncertainties, and from how many pairs they came.
func Calibration(c trace.Calibration, q trace.Quantity) string {
	if !c.Known() {
		return "not calibrated: readings count as they are shown"
	}
	s := fmt.Sprintf("offset %s %s, gain %s", plusMinus(c.Offset, c.UOffset), q.Unit(), plusMinus(c.Gain, c.UGain))
	if c.Pairs > 0 {
		s += fmt.Sprintf(", from %d pairs between %s and %s %s", c.Pairs, significant(c.From, 4), significant(c.To, 4), q.Unit())
	}
	return s
}

func plusMinus(v, u float64) string {
	value, uncertainty := Number(v, u)
	if uncertainty == "" {
		return value
	}
	return value + " ± " + uncertainty
}

// Accuracy says an instrument's accuracy as its manual does.
func Accuracy(a trace.Accuracy) string {
	one := func(r trace.AccuracyRange) string {
		s := fmt.Sprintf("± (%g %% + %g counts)", r.Percent, r.Counts)
		if r.Resolution > 0 {
			s += fmt.Sprintf(" of %g", r.Resolution)
		}
		return s
	}
	if a == (trace.Accuracy{}) {
		return "not known"
	}
	if a.Ranges[0].FullScale == 0 {
		return one(a.At(0))
	}
	var parts []string
	for _, r := range a.Ranges {
		if r.FullScale > 0 {
			parts = append(parts, fmt.Sprintf("%s up to %g", one(r), r.FullScale))
		}
	}
	return strings.Join(parts, "; ")
}
