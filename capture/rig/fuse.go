package rig

import (
	"fmt"
	"math"

	"letthrough/capture/heat"
	"letthrough/capture/trace"
)

// meltsIt names the limit of a fuse, which is no harm to it but the end of a test.
const meltsIt = "what melts it"

// FuseAnswer is what one fuse does in the test. Null times are not known.
type FuseAnswer struct {
	Place     int      `json:"place"`
	Part      string   `json:"part"`
	RatedA    float64  `json:"rated_a"`
	Type      string   `json:"type"`
	EarliestS *float64 `json:"earliest_s"` // for sure not before
	LatestS   *float64 `json:"latest_s"`   // for sure by then
	MeltsS    *float64 `json:"melts_s"`    // by its melting I²t, where that is known
	Opens     string   `json:"opens"`      // yes, no, maybe, unknown: within the hold
	Saves     *bool    `json:"saves"`      // opens for sure before the weakest part gives way; null: no part does
	Text      string   `json:"text"`
}

// opensOf is when a fuse opens for sure at a steady current.
func opensOf(p trace.RigPart, amp float64) (o heat.Opening, ok bool) {
	rated := fuseA(p)
	t, ok := heat.FuseTypeOf(p.FuseSheet, rated)
	if !ok || amp == 0 {
		return heat.Opening{}, false
	}
	return t.Opens(rated, amp), true
}

func fusesOf(parts []trace.RigPart, amp, hold float64, weakest *Stress) []FuseAnswer {
	out := []FuseAnswer{}
	for i, p := range parts {
		rated := fuseA(p)
		if rated == 0 && p.Kind == "protector" && p.RatedA > 0 && amp > 0 {
			out = append(out, protectorAnswer(parts, i, amp))
		}
		if rated > 0 && amp > 0 {
			out = append(out, fuseAnswer(parts, i, rated, amp, hold, weakest))
		}
	}
	return out
}

func fuseAnswer(parts []trace.RigPart, place int, rated, amp, hold float64, weakest *Stress) FuseAnswer {
	p := parts[place]
	f := FuseAnswer{Place: place, Part: partName(parts, place), RatedA: rated, Opens: "unknown"}
	name := fuseName(p, f)
	o, ok := opensOf(p, amp)
	melts := math.NaN()
	if amp >= 10*rated { // below, heat gets out while it melts
		melts = heat.MeltingS(p.MeltingA2s, amp)
		f.MeltsS = num(melts)
	}
	if p.Name == "" || p.Kind == "instrument" {
		name += ", " + amps(rated) + ","
	}
	head := fmt.Sprintf("%s at %s (%s × its rating)", name, amps(amp), short(amp/rated))
	if !ok {
		f.Text = head + ": when it opens is not known"
		if !math.IsNaN(melts) {
			f.Text += fmt.Sprintf("; by its melting I²t after about %s", roughSeconds(melts))
		}
		f.Text += "."
		return f
	}
	t, _ := heat.FuseTypeOf(p.FuseSheet, rated)
	f.Type, f.EarliestS, f.LatestS = t.Title, num(o.SureEarliestS), num(o.SureLatestS)
	switch {
	case o.SureEarliestS >= hold:
		f.Opens = "no"
		f.Text = head + " will not open in this test"
		if g := t.Gates[min(2, len(t.Gates)-1)]; true {
			f.Text += fmt.Sprintf("; at %s it opens within %s", amps(g.TimesRated*rated), roughSeconds(g.LatestS))
		}
	case o.SureLatestS <= hold:
		f.Opens = "yes"
		f.Text = head + fmt.Sprintf(" opens %s", within(o))
	default:
		f.Opens = "maybe"
		f.Text = head + fmt.Sprintf(" may open in this test: %s", within(o))
	}
	f.Text += "."
	if weakest == nil {
		return f
	}
	saves := o.SureLatestS <= weakest.longest
	f.Saves = &saves
	if saves {
		f.Text += fmt.Sprintf(" It opens before %s gives way.", the(weakest.Part))
	} else {
		f.Text += fmt.Sprintf(" It does not protect %s, which stands %s.", the(weakest.Part), atMostSeconds(weakest.longest))
		if r, found := fuseThatSaves(p.FuseSheet, amp, weakest.longest); found && r < rated {
			f.Text += fmt.Sprintf(" One of %s of the same kind would open before that.", amps(r))
		} else if r, found := fuseThatSaves("60127-2/2", amp, weakest.longest); found {
			f.Text += fmt.Sprintf(" A quick-acting one of %s (IEC 60127-2 sheet 2) would open before that.", amps(r))
		}
	}
	return f
}

func within(o heat.Opening) string {
	switch {
	case math.IsInf(o.SureLatestS, 1) && o.SureEarliestS == 0:
		return "its gates say nothing of this current"
	case math.IsInf(o.SureLatestS, 1):
		return fmt.Sprintf("not before %s; its gates do not say until when", roughSeconds(o.SureEarliestS))
	case o.SureEarliestS == 0:
		return "within " + roughSeconds(o.SureLatestS)
	}
	return fmt.Sprintf("after %s to %s", roughSeconds(o.SureEarliestS), roughSeconds(o.SureLatestS))
}

// protectorAnswer says what a resettable protector does in the loop: it would be tested in the unit's place.
func protectorAnswer(parts []trace.RigPart, place int, amp float64) FuseAnswer {
	p := parts[place]
	f := FuseAnswer{Place: place, Part: partName(parts, place), RatedA: p.RatedA, Type: "resettable, polymeric", Opens: "maybe"}
	poly, ok := heat.PolymericHolding(p.RatedA)
	if !ok {
		poly = heat.Polymeric{HoldA: p.RatedA, TripA: 2 * p.RatedA, TestA: 5 * p.RatedA, TripsByS: math.Inf(1)}
	}
	o := poly.Opens(amp)
	f.LatestS = num(o.SureLatestS)
	name := capital(the(f.Part))
	switch {
	case amp <= poly.HoldA:
		f.Opens = "no"
		f.Text = fmt.Sprintf("%s holds %s and does not trip.", name, amps(poly.HoldA))
	case amp < poly.TripA:
		f.Text = fmt.Sprintf("%s may trip at %s.", name, amps(amp))
	default:
		f.Opens = "yes"
		f.Text = fmt.Sprintf("%s trips at %s", name, amps(amp))
		if !math.IsInf(o.SureLatestS, 1) {
			f.Text += " within " + roughSeconds(o.SureLatestS)
		}
		f.Text += ": the trace would show it and not the unit. What still flows afterwards is not nothing."
	}
	return f
}

// fuseProblems says what the fuses mean for the test beyond their own opening.
func fuseProblems(parts []trace.RigPart, fuses []FuseAnswer, amp float64) (out []Problem) {
	say := func(f FuseAnswer, code, field, format string, args ...any) {
		out = append(out, Problem{Place: f.Place, Part: f.Part, Field: field, Code: code, Text: fmt.Sprintf(format, args...)})
	}
	interval := 0.0
	for _, p := range parts {
		if p.Kind == "instrument" {
			interval = max(interval, p.IntervalS)
		}
	}
	for _, f := range fuses {
		p := parts[f.Place]
		if most := lowBreakingA(p); most > 0 && amp > most {
			say(f, "breaking_capacity", "fuse_sheet", "%s is of low breaking capacity and is sure to open %s only (35 A or 10 × its rating, whichever is greater: IEC 60127-2 sheets 2 and 3, from memory), and %s may flow: it may burst or go on burning. Take one of high breaking capacity.", fuseName(p, f), amps(most), amps(amp))
		}
		if p.BreakA > 0 && p.Kind == "fuse" && amp > p.BreakA {
			say(f, "breaking_capacity", "break_a", "%s can open %s only, and %s may flow: it may burst or go on burning.", capital(the(f.Part)), amps(p.BreakA), amps(amp))
		}
		// Three readings are the fewest that show a current and its end.
		// A fuse carries its rating, whatever its sheet.
		if sooner := soonestS(f); interval > 0 && f.Opens != "no" && amp > f.RatedA && sooner < 3*interval {
			after := "after " + roughSeconds(sooner)
			if sooner == 0 {
				after = "at once"
			}
			say(f, "fuse_faster_than_meter", "rated_a", "%s may open %s, and the instrument gives a reading every %s: the trace may show the fuse's work, or nothing. Take a slower or larger fuse, or a faster instrument.",
				fuseName(p, f), after, roughSeconds(interval))
		}
	}
	return out
}

// lowBreakingA is what a fuse of the sheets for low breaking capacity is sure to open, where its own is not stated;
// 0 for any other (IEC 60127-2 sheets 2 and 3, from memory).
func lowBreakingA(p trace.RigPart) float64 {
	rated := fuseA(p)
	if rated <= 0 || p.Kind == "fuse" && p.BreakA > 0 {
		return 0
	}
	switch p.FuseSheet {
	case "60127-2/2", "60127-2/3":
		return max(35, 10*rated)
	}
	return 0
}

func fuseName(p trace.RigPart, f FuseAnswer) string {
	if p.Kind == "instrument" {
		return "The fuse inside " + the(f.Part)
	}
	return capital(the(f.Part))
}

// soonestS is the least time that a fuse may open after; 0 where it may open at once.
func soonestS(f FuseAnswer) float64 {
	if f.EarliestS == nil {
		return 0
	}
	return *f.EarliestS
}
