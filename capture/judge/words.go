package judge

import (
	"fmt"
	"strconv"
	"strings"

	"letthrough/capture/trace"
	"letthrough/capture/words"
)

// Row is a figure's fare as a person reads it.
type Row struct {
	Say, Exact, Typical, Bound, None, Within string
}

// Row puts the counts into words.
func (t Told) Row() Row {
	r := Row{Say: t.Say, Exact: of(t.Exact, t.Of), None: strconv.Itoa(t.None), Within: "–"}
	if n := t.Exact + t.Bound; n > 0 {
		r.Within = of(t.Within, n)
	}
	if t.Exact > 0 {
		_, u := words.Number(t.Typical, t.Typical)
		if r.Typical = strings.TrimSpace("± " + u + " " + t.Unit); t.Typical == 0 {
			r.Typical = "without any ±"
		}
		if t.Percent > 0 {
			r.Typical += fmt.Sprintf(" (%s %%)", short(t.Percent))
		}
	}
	r.Bound = strconv.Itoa(t.Bound)
	if t.Bound > 0 && t.Looser > 0 {
		r.Bound += fmt.Sprintf(", %s × the truth", short(t.Looser))
	}
	return r
}

func of(n, all int) string { return fmt.Sprintf("%d of %d", n, all) }

// short is a number good for a glance.
func short(v float64) string {
	switch {
	case v >= 100:
		return "over 100"
	case v >= 9.95:
		return strconv.FormatFloat(v, 'f', 0, 64)
	case v < 0.001:
		return "under 0.001"
	}
	return strconv.FormatFloat(v, 'g', 2, 64)
}

// Words say how a behaviour fared.
func (s Seen) Words() string {
	all := s.Right + s.Unsure + s.Wrong
	switch {
	case s.Right == all:
		return "told every time"
	case s.Unsure == all:
		return "left open every time"
	case s.Wrong == 0:
		return fmt.Sprintf("told in %d of %d, otherwise left open", s.Right, all)
	}
	return fmt.Sprintf("told in %d of %d, left open in %d, taken for “%s” in %d", s.Right, all, s.Unsure, words.Behaviour(s.As), s.Wrong)
}

// Words describe the meter.
func (m Meter) Words() string {
	parts := []string{words.Rate(m.RateHz)}
	switch {
	case m.AveragingS == nil && m.RateHz < slowHz:
		parts = append(parts, "averaging not stated, taken to be its reading interval")
	case m.AveragingS != nil && *m.AveragingS > 0:
		parts = append(parts, fmt.Sprintf("averaging over %s", words.Duration(*m.AveragingS)))
	}
	add := func(what string, v float64) {
		if v > 0 {
			parts = append(parts, fmt.Sprintf("%s %g A", what, v))
		}
	}
	add("one count", m.ResolutionA)
	add("full scale", m.FullScaleA)
	add("noise", m.noise())
	if m.Accuracy != (trace.Accuracy{}) {
		parts = append(parts, "accuracy ± ("+m.Accuracy.String()+")")
	}
	if m.Voltage {
		parts = append(parts, "voltage too")
	}
	return strings.Join(parts, ", ")
}
