package rig

import (
	"fmt"
	"math"

	"letthrough/capture/trace"
)

// Test is what is to be done with a rig.
type Test struct {
	Unit      trace.Unit      `json:"unit"`
	Procedure trace.Procedure `json:"procedure"` // empty: short
	// HoldS is how long the worst current may last. 0: 30 s, and for a unit never tested as long as the
	// rig stands at the assumed multiple, 30 s at most.
	HoldS  float64 `json:"hold_s"`
	Tested bool    `json:"tested"` // the unit was tested before
	// Times is how far a ramp, stairs or an overload go, in multiples of the rating; 0: 3 for ramp and
	// stairs, 2 for an overload.
	Times  float64 `json:"times"`
	Source Source  `json:"source"`
}

// Verdict is what a rig or a part is for this test.
type Verdict string

// The verdicts, the best first.
const (
	Fit           Verdict = "fit"            // stands the whole hold
	FitFor        Verdict = "fit_for"        // stands some seconds, but not the whole hold
	NotDetermined Verdict = "not_determined" // a rating that it needs is not known
	Unfit         Verdict = "unfit"          // stands no hold that a hand can make, or must not be used at all
)

// shortestS is the shortest hold that a hand makes for sure (common practice, no source). What stands less is
// unfit.
const shortestS = 1.0

const defaultHoldS = 30.0

// Answer is everything that is known of a rig in a test before it is run. Nulls are not known, or do not apply;
// a null time is without limit.
type Answer struct {
	Rig         string       `json:"rig"`
	Unit        string       `json:"unit"`
	Procedure   string       `json:"procedure"`
	HoldS       float64      `json:"hold_s"`
	FirstHoldS  *float64     `json:"first_hold_s"` // offered for a unit never tested; null: it was, or no hold is short enough
	Prospective Prospective  `json:"prospective"`
	Verdict     Verdict      `json:"verdict"`
	Enough      bool         `json:"enough"`    // fit for the hold asked for
	FitForS     *float64     `json:"fit_for_s"` // the longest hold; null: no part limits it
	Weakest     *int         `json:"weakest"`   // place of the part that gives way first; null: none does
	Text        string       `json:"text"`
	FirstHold   string       `json:"first_hold_text"`
	Cures       []string     `json:"cures"` // what would cure the weakest part
	Parts       []Stress     `json:"parts"`
	Fuses       []FuseAnswer `json:"fuses"`
	Effect      Effect       `json:"effect"`
	Readings    Readings     `json:"readings"`
	Problems    []Problem    `json:"problems"`
	Cautions    []string     `json:"cautions"`
}

// Stress is what one part must stand.
type Stress struct {
	Place        int      `json:"place"`
	Kind         string   `json:"kind"`
	Part         string   `json:"part"`
	Ohm          *float64 `json:"ohm"`
	DropV        *float64 `json:"drop_v"`
	W            *float64 `json:"w"`
	A2s          *float64 `json:"a2s"`           // heat of the whole hold
	WithstandA2s *float64 `json:"withstand_a2s"` // what it stands once: k²S² of a lead, melting I²t of a fuse
	EndC         *float64 `json:"end_c"`         // of a lead after the hold, all heat kept: at most
	Used         *float64 `json:"used"`          // share of what it stands, after the hold
	LongestS     *float64 `json:"longest_s"`     // null: no limit, or not known
	RestS        *float64 `json:"rest_s"`        // after the hold, until it is ready for the next
	Verdict      Verdict  `json:"verdict"`
	Must         string   `json:"must"`  // what it must stand, in words
	May          string   `json:"may"`   // how long it may stay on
	Taken        string   `json:"taken"` // what was taken for a rating that is not known
	Cures        []string `json:"cures"`

	longest float64 // s, +Inf without limit
	whole   float64 // share after the hold
	limit   *limit
}

// Effect is what the rig does to the result.
type Effect struct {
	LoopOhm  *float64 `json:"loop_ohm"`
	BurdenV  *float64 `json:"burden_v"`   // over the whole rig at the prospective current
	ZeroOhmA *float64 `json:"zero_ohm_a"` // what would flow into a true zero-ohm short
	Text     string   `json:"text"`
}

// Readings is where they stop.
type Readings struct {
	FullScaleA *float64 `json:"full_scale_a"`
	Stop       bool     `json:"stop"` // before the prospective current
	Text       string   `json:"text"`
	Cures      []string `json:"cures"`
}

// Cautions stand wherever a test can be started.
var Cautions = []string{
	"Low-voltage isolated outputs only, never the mains side.",
	"A fuse in the loop.",
	"Parts get hot enough to burn: non-flammable surface.",
	"Stay in the room.",
	"Local electrical codes and qualified persons come first.",
	"These sums are a convenience, never a safety device.",
}

// Check works out what a test does to every part. It fails on numbers that cannot be meant; on parts that it
// knows too little of it answers, and says so.
func Check(r trace.Rig, t Test) (Answer, error) {
	if t.Procedure == "" {
		t.Procedure = trace.Short
	}
	if math.IsNaN(t.HoldS) || t.HoldS < 0 || t.HoldS > 86400 {
		return Answer{}, fmt.Errorf("hold_s: %g is out of range, a hold is more than 0 and at most 86400 s", t.HoldS)
	}
	if math.IsNaN(t.Times) || t.Times < 0 || t.Times > 1000 {
		return Answer{}, fmt.Errorf("times: %g is out of range, allowed is 0 to 1000", t.Times)
	}
	for i, p := range r.Parts {
		if err := p.Validate(); err != nil {
			return Answer{}, fmt.Errorf("parts[%d].%w", i, err)
		}
	}
	loop := LoopOhm(r.Parts)
	pro, err := currentOf(t, loop)
	if err != nil {
		return Answer{}, err
	}
	a := Answer{Rig: r.Name, Unit: t.Unit.Name, Procedure: string(t.Procedure), HoldS: t.HoldS, Prospective: pro,
		Problems: Problems(r.Parts), Cautions: Cautions, Parts: []Stress{}, Fuses: []FuseAnswer{}, Cures: []string{}}
	a.Readings.Cures = []string{}
	mean, amp, peak := 0.0, 0.0, 0.0 // what heats, and all that is rated by heat, goes by amp, the rms
	if pro.CurrentA != nil {
		pro = pro.shaped(t.Unit.Waveform, t.Source)
		mean, amp, peak, a.Prospective = *pro.CurrentA, *pro.HeatA, *pro.PeakA, pro
	}
	if a.HoldS == 0 {
		a.HoldS = defaultHoldS
	}
	explicit := t.HoldS > 0
	longest, _ := longestOf(r.Parts, amp)
	if first := min(longest, defaultHoldS); !t.Tested && amp > 0 {
		first = roundDown(first)
		if first >= shortestS {
			a.FirstHoldS = &first
		}
		a.FirstHold = firstHoldText(first, amp, explicit, a.HoldS)
		if !explicit && first >= shortestS {
			a.HoldS = first
		}
	}
	for i := range r.Parts {
		s := stressOf(r.Parts, i, amp, mean, a.HoldS)
		a.Parts = append(a.Parts, s)
	}
	a.Fuses = fusesOf(r.Parts, amp, a.HoldS, a.weakest())
	a.judge(r.Parts, amp)
	if a.Verdict == Unfit && a.FirstHoldS != nil { // no hold is short enough for a part that must not be used at all
		a.FirstHoldS, a.FirstHold = nil, fmt.Sprintf("This unit was never tested, and the rig is unfit for %s. Mend the rig first.", amps(amp))
	}
	a.Problems = append(a.Problems, fuseProblems(r.Parts, a.Fuses, amp)...)
	a.Problems = append(a.Problems, voltageProblems(r.Parts, max(t.Source.OpenV, t.Unit.RatedVoltageV))...)
	a.Effect = effectOf(loop, mean, pro)
	a.Readings = readingsOf(r.Parts, peak)
	return a, nil
}

// currentOf is the worst current of a procedure through the rig.
func currentOf(t Test, loop float64) (Prospective, error) {
	if t.Procedure == trace.Short {
		return prospective(t.Unit.RatedCurrentA, t.Source, loop)
	}
	if err := t.Source.validate(); err != nil {
		return Prospective{}, err
	}
	rated, times, text := t.Unit.RatedCurrentA, t.Times, ""
	switch t.Procedure {
	case trace.Ramp, trace.Steps:
		if times == 0 {
			times = 3
		}
		text = "Load rises to %s × the rating, %s; counted as if that flowed for the whole hold."
	case trace.Overload:
		if times == 0 {
			times = 2
		}
		text = "Load of %s × the rating, %s."
	case trace.Carry:
		if times == 0 {
			times = 1
		}
		text = "Load of %s × the rating, %s."
	default:
		return Prospective{}, fmt.Errorf("procedure: %.40q is none of short, ramp, steps, overload, carry", string(t.Procedure))
	}
	if rated <= 0 {
		return Prospective{Basis: Unknown, Text: "Not known: give the unit's rated current."}, nil
	}
	i := times * rated
	return Prospective{Basis: Chosen, CurrentA: &i, OpenV: num(t.Source.OpenV), Source: num(t.Source.SourceOhm), Text: fmt.Sprintf(text, short(times), amps(i))}, nil
}

// LoopOhm is the resistance of all parts in their row, cold, as far as it is known.
func LoopOhm(parts []trace.RigPart) float64 {
	var sum float64
	for _, p := range parts {
		sum += partOhm(p)
	}
	return sum
}

// longestOf is how long the rig stands a steady current from cold, with the place of the part that gives way
// first: −1 and +Inf where none does.
func longestOf(parts []trace.RigPart, amp float64) (s float64, place int) {
	s, place = math.Inf(1), -1
	for i, p := range parts {
		if t, _ := partLongest(p, i, amp); t < s {
			s, place = t, i
		}
	}
	return s, place
}

// roundDown gives two digits that are no more than s.
func roundDown(s float64) float64 {
	if s >= 10 {
		return math.Floor(s)
	}
	return math.Floor(10*s) / 10
}

func firstHoldText(first, amp float64, explicit bool, hold float64) string {
	switch {
	case first < shortestS:
		return fmt.Sprintf("This unit was never tested, and at %s the rig stands no hold that a hand can make. Mend the rig first.", amps(amp))
	case explicit && hold > first:
		return fmt.Sprintf("This unit was never tested. Begin with a hold of %s; what it measures then takes the place of the assumption.", atMostSeconds(first))
	case explicit:
		return ""
	}
	return fmt.Sprintf("This unit was never tested: the first hold is %s, as long as the rig stands %s. What it measures then takes the place of the assumption.", atMostSeconds(first), amps(amp))
}

// judge reaches the rig's verdict from its parts'.
func (a *Answer) judge(parts []trace.RigPart, amp float64) {
	longest, weakest, unknown, bad := math.Inf(1), -1, -1, -1
	for i, s := range a.Parts {
		if s.longest < longest {
			longest, weakest = s.longest, i
		}
		if s.Verdict == NotDetermined && unknown < 0 {
			unknown = i
		}
		if s.Verdict == Unfit && (bad < 0 || s.longest < a.Parts[bad].longest) {
			bad = i // of several the one that gives way first: the headline and the table name the same
		}
	}
	a.FitForS = num(longest)
	if longest == 0 {
		zero := 0.0
		a.FitForS = &zero
	}
	if weakest >= 0 {
		a.Weakest = &weakest
		a.Cures = a.Parts[weakest].Cures
	}
	hold := "the hold of " + roughSeconds(a.HoldS)
	switch {
	case amp == 0:
		a.Verdict, a.Text = NotDetermined, "Not determined: the current that may flow is not known. "+a.Prospective.Text
	case bad >= 0:
		a.Weakest = &bad
		a.Verdict, a.Text = Unfit, fmt.Sprintf("Unfit: %s.", a.Parts[bad].why(amp))
		a.Cures = a.Parts[bad].Cures
	case longest < a.HoldS:
		a.Verdict, a.Text = FitFor, fmt.Sprintf("Fit for at most %s, not for %s: %s gives way first, by %s.", atMostSeconds(longest), hold, the(a.Parts[weakest].Part), a.Parts[weakest].limit.what)
	case unknown >= 0:
		a.Verdict, a.Text = NotDetermined, fmt.Sprintf("Not determined: %s", a.missingText(unknown))
	case weakest >= 0:
		a.Verdict, a.Enough, a.Text = Fit, true, fmt.Sprintf("Fit for at most %s, enough for %s. %s gives way first, by %s.", atMostSeconds(longest), hold, capital(the(a.Parts[weakest].Part)), a.Parts[weakest].limit.what)
	case len(parts) == 0:
		a.Verdict, a.Text = NotDetermined, "Not determined: this rig has no parts."
	default:
		a.Verdict, a.Enough, a.Text = Fit, true, fmt.Sprintf("Fit for %s: every part stands %s for ever.", hold, amps(amp))
	}
	a.heedFuses()
	if a.has("no_fuse") {
		a.Text += " There is no fuse in the loop: put one in first."
	}
}

// heedFuses adds what the fuses do. One that is sure to open ends the test before its hold, if the current is more
// than an assumption; no part is harmed by that.
func (a *Answer) heedFuses() {
	for _, f := range a.Fuses {
		if f.Opens == "no" || f.Opens == "unknown" {
			continue
		}
		a.Text += " " + f.Text
		if f.Opens == "yes" && a.Prospective.Basis != Assumed && a.Verdict == Fit {
			a.Verdict, a.Enough = FitFor, false
			a.FitForS = num(soonestS(f))
			a.Text = "Fit, but not for the whole hold of " + roughSeconds(a.HoldS) + ": a fuse ends it. " + f.Text
		}
	}
}

func (a *Answer) has(code string) bool {
	for _, p := range a.Problems {
		if p.Code == code {
			return true
		}
	}
	return false
}

func (a *Answer) missingText(place int) string {
	for _, p := range a.Problems {
		if p.Place == place && p.Missing {
			return p.Text
		}
	}
	return "nothing is known of what " + the(a.Parts[place].Part) + " stands."
}

func (a *Answer) weakest() (s *Stress) {
	for i := range a.Parts {
		p := &a.Parts[i]
		if !math.IsInf(p.longest, 1) && (s == nil || p.longest < s.longest) {
			s = p
		}
	}
	return s
}

// effectOf says what the rig does to the result.
func effectOf(loop, amp float64, pro Prospective) Effect {
	if loop <= 0 {
		return Effect{ZeroOhmA: pro.ZeroOhmA, Text: "The rig's resistance is not known, so its effect on the current is not either."}
	}
	e := Effect{LoopOhm: num(loop), BurdenV: num(loop * amp), ZeroOhmA: pro.ZeroOhmA}
	e.Text = fmt.Sprintf("The rig has %s", ohms(loop))
	if amp > 0 {
		e.Text += fmt.Sprintf(" and takes %s at %s", volts(loop*amp), amps(amp))
	}
	switch {
	case pro.ZeroOhmA != nil && amp > 0:
		e.Text += fmt.Sprintf("; into a true zero-ohm short %s would flow.", amps(*pro.ZeroOhmA))
	default:
		e.Text += "; the current into a true zero-ohm short is larger, and not known without the unit's volts."
	}
	return e
}
