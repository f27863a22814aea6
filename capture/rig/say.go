package rig

import (
	"fmt"
	"math"
	"strings"

	"letthrough/capture/trace"
)

// The words that page, socket, command line and report share.

// partName is what a part is called: its name, else its kind with its place.
func partName(parts []trace.RigPart, place int) string {
	p := parts[place]
	if p.Name != "" {
		return p.Name
	}
	for i, other := range parts {
		if other.Kind == p.Kind && i != place {
			return fmt.Sprintf("%s %d", p.Kind, place+1)
		}
	}
	return p.Kind
}

// plain are the words of things: a name that holds one takes an article, another that a person gave stands by
// itself.
var plain = append([]string{"meter", "board", "input", "clip", "plug", "socket", "wire", "cable", "box"}, trace.RigPartKinds...)

// the puts an article before what is a thing by its name.
func the(name string) string {
	low := strings.ToLower(name)
	for _, word := range plain {
		if strings.Contains(low, word) && !strings.HasPrefix(low, "the ") {
			return "the " + name
		}
	}
	return name
}

func capital(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}

func percent(share float64) string { return fmt.Sprintf("%.0f %%", math.Floor(100*share+1e-9)) }

// digits gives three significant digits without an exponent.
func digits(v float64) string {
	if v == 0 || math.IsNaN(v) || math.IsInf(v, 0) {
		return "0"
	}
	p := 2 - int(math.Floor(math.Log10(math.Abs(v))))
	if p <= 0 {
		scale := math.Pow10(-p)
		return fmt.Sprintf("%.0f", math.Round(v/scale)*scale)
	}
	return fmt.Sprintf("%.*f", min(p, 9), v)
}

// short drops zeros at the end, for what is no measurement.
func short(v float64) string {
	s := digits(v)
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	return s
}

func amps(v float64) string  { return short(v) + " A" }
func volts(v float64) string { return short(v) + " V" }
func watts(v float64) string { return short(v) + " W" }
func ohms(v float64) string {
	if v > 0 && v < 0.1 {
		return short(1000*v) + " mΩ"
	}
	return short(v) + " Ω"
}
func heatA2s(v float64) string { return short(v) + " A²s" }
func celsius(v float64) string { return fmt.Sprintf("%.0f °C", v) }

// atMostSeconds rounds a time that must not be exceeded down.
func atMostSeconds(s float64) string { return seconds(s, math.Floor) }

func roughSeconds(s float64) string { return seconds(s, math.Round) }

// seconds writes a time that somebody counts down: two digits are enough.
func seconds(s float64, round func(float64) float64) string {
	switch {
	case math.IsInf(s, 1):
		return "no limit"
	case math.IsNaN(s) || s < 0:
		return "unknown"
	case s >= 3600:
		return fmt.Sprintf("%.0f h", round(s/3600))
	case s >= 600:
		return fmt.Sprintf("%.0f min", round(s/60))
	case s >= 10:
		return fmt.Sprintf("%.0f s", round(s))
	case s >= 1:
		return fmt.Sprintf("%.1f s", round(10*s+1e-9)/10)
	case s >= 0.001:
		return fmt.Sprintf("%.0f ms", round(1000*s+1e-9))
	}
	return "0 s"
}

// Ratings says in one line what is known of a part, the same on every page and list.
func Ratings(p trace.RigPart) string {
	var says []string
	say := func(known bool, format string, args ...any) {
		if known {
			says = append(says, fmt.Sprintf(format, args...))
		}
	}
	say(p.Ohm > 0, "%s", ohms(p.Ohm))
	say(p.TolerancePct > 0, "± %s %%", short(p.TolerancePct))
	say(p.LengthM > 0, "%s m", short(p.LengthM))
	say(p.AreaMM2 > 0, "%s mm²", short(p.AreaMM2))
	say(p.Material != "" && p.Material != "copper", "%s", p.Material)
	say(p.Insulation != "", "%s", p.Insulation)
	say(p.FullScaleA > 0, "reads up to %s", amps(p.FullScaleA))
	say(p.IntervalS > 0, "a reading every %s", roughSeconds(p.IntervalS))
	say(p.RatedA > 0, "%s", amps(p.RatedA))
	say(p.RatedV > 0, "%s", volts(p.RatedV))
	say(p.RatedW > 0, "%s", watts(p.RatedW))
	say(p.OverloadFactor > 0, "%s × that for %s", short(p.OverloadFactor), roughSeconds(p.OverloadS))
	say(p.TauS > 0, "time constant %s", roughSeconds(p.TauS))
	say(p.MaxOnS > 0, "on for at most %s", roughSeconds(p.MaxOnS))
	say(p.RestS > 0, "then rests %s", roughSeconds(p.RestS))
	say(p.FuseA > 0, "fuse of %s inside", amps(p.FuseA))
	say(p.MakeA > 0, "closes on %s", amps(p.MakeA))
	say(p.BreakA > 0, "opens %s", amps(p.BreakA))
	say(p.FuseSheet != "", "%s", p.FuseSheet)
	say(p.MeltingA2s > 0, "melts at %s", heatA2s(p.MeltingA2s))
	return strings.Join(says, ", ")
}
