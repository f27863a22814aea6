package assess

import (
	"fmt"
	"math"

	"letthrough/capture/heat"
	"letthrough/capture/trace"
)

// Remedy is an in-line protector held against what a unit does: a prediction from tables, not a test.
type Remedy struct {
	Protector string  `json:"protector"`
	Kind      string  `json:"kind"`    // fuse, polymeric
	RatedA    float64 `json:"rated_a"` // of a polymeric protector what it holds
	FaultA    float64 `json:"fault_a"` // the current that it has to open
	SureS     float64 `json:"-"`       // opens within, by the gates alone; +Inf: not for sure
	LikelyS   float64 `json:"-"`       // by lines between the gates; NaN: not known
	Verdict   Verdict `json:"verdict"` // by the limits asked for
	Say       string  `json:"say"`
}

// Cautions stand wherever a remedy is shown.
var RemedyCautions = []string{
	"These are predictions from the sheets of makers and the gates of standards, in still air at about 20 °C: test the unit again with the protector in the loop.",
	"The current was recorded without the protector; its own resistance lowers it, and so may delay the opening.",
	"A fuse is replaced after each short by one of the same type and rating, and its breaking capacity and volts have to suit the source. A polymeric protector does not cut off: some tens of milliamperes go on flowing while it is hot, and it needs to cool; warm surroundings let it trip earlier and hold less.",
	"Local electrical codes and qualified persons come first.",
}

// fuseRatings are those of IEC 60127-2 from 0.2 to 6.3 A (R10 series; from memory).
var fuseRatings = []float64{0.2, 0.25, 0.315, 0.4, 0.5, 0.63, 0.8, 1, 1.25, 1.6, 2, 2.5, 3.15, 4, 5, 6.3}

// remedyTypes are the sheets that are tried.
var remedyTypes = []string{"60127-2/2", "60127-2/3"}

// Remedies tries the smallest fuse of each sheet and the smallest polymeric protector that carry the unit's
// rating: would it have opened the recorded fault within the times asked for (pass, and caution where it is
// above 0), and below what the load stands? A fuse carries its rating for ever only in free air: common
// practice takes one a quarter above (no source).
func Remedies(p Plate, runs []Run, passS, cautionS float64) []Remedy {
	fault, run, ok := leastFault(runs)
	if !ok || !(p.RatedA > 0) {
		return nil
	}
	var out []Remedy
	for _, id := range remedyTypes {
		for _, rated := range fuseRatings {
			if rated < 1.25*p.RatedA {
				continue
			}
			t, ok := heat.FuseTypeOf(id, rated)
			if !ok {
				continue
			}
			out = append(out, weighRemedy(Remedy{Protector: fmt.Sprintf("%s, %g A", t.Title, rated), Kind: "fuse", RatedA: rated, FaultA: fault}, t.Opens(rated, fault), p, run, passS, cautionS))
			break
		}
	}
	for _, ptc := range heat.Polymerics {
		if ptc.HoldA >= p.RatedA {
			out = append(out, weighRemedy(Remedy{Protector: fmt.Sprintf("polymeric protector that holds %g A (30 V series)", ptc.HoldA), Kind: "polymeric", RatedA: ptc.HoldA, FaultA: fault}, ptc.Opens(fault), p, run, passS, cautionS))
			break
		}
	}
	return out
}

// leastFault is the smallest current that a short drew steadily: what is hardest to open.
func leastFault(runs []Run) (a float64, run int64, ok bool) {
	a = math.Inf(1)
	for _, r := range runs {
		if r.Procedure != trace.Short || r.counts() != "" {
			continue
		}
		f, has := r.Figures.Get("sustained_current_a")
		if has && f.Bound.HasValue() && f.Bound != trace.AtMost && f.Value-f.U < a && f.Value-f.U > 0 {
			a, run, ok = f.Value-f.U, r.ID, true
		}
	}
	return a, run, ok
}

func weighRemedy(r Remedy, o heat.Opening, p Plate, run int64, passS, cautionS float64) Remedy {
	r.SureS, r.LikelyS = o.SureLatestS, o.LatestS
	within := func(s float64) Verdict {
		switch {
		case s <= passS:
			return Pass
		case cautionS > 0 && s <= cautionS:
			return Caution
		}
		return NotDetermined
	}
	r.Verdict = within(r.SureS)
	if o.SureEarliestS > max(passS, cautionS) {
		r.Verdict = Fail
	}
	r.Say = fmt.Sprintf("%s: at the %s A of run %d it ", r.Protector, number(r.FaultA), run)
	switch {
	case r.Verdict == Fail && math.IsInf(o.SureEarliestS, 1):
		r.Say += "never opens"
	case r.Verdict == Fail:
		r.Say += fmt.Sprintf("opens after %s s at the earliest", number(o.SureEarliestS))
	case math.IsInf(r.SureS, 1):
		r.Say += "opens at some time, and nobody promises when"
	default:
		r.Say += fmt.Sprintf("opens within %s s", number(r.SureS))
	}
	if r.Verdict == NotDetermined && within(r.LikelyS) != NotDetermined {
		r.Say += fmt.Sprintf(", and by the line between the gates probably within %s s", number(r.LikelyS))
	}
	if l := p.Load; l != nil && l.WithstandA2s > 0 && !math.IsInf(r.SureS, 1) {
		a2s := r.FaultA * r.FaultA * r.SureS
		stands := l.StandsS(r.FaultA)
		if r.SureS <= stands {
			r.Say += fmt.Sprintf("; that is within the %s that %s stands there", secondsOrEver(stands), l.Name)
		} else {
			r.Say += fmt.Sprintf("; up to then %s A²s may flow, and %s stands that for only %s s", number(a2s), l.Name, number(stands))
			r.Verdict = Worse(r.Verdict, NotDetermined)
		}
	}
	return r
}

func secondsOrEver(s float64) string {
	if math.IsInf(s, 1) {
		return "time without end"
	}
	return number(s) + " s"
}
