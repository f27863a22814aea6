package rig

import (
	"fmt"
	"math"
	"slices"

	"letthrough/capture/trace"
)

// LadderRequest is what a load ladder is wished for: resistors that are switched in one after another, each
// staying in while the next is added.
type LadderRequest struct {
	Volts     float64 `json:"volts"`      // V, of the unit: open where its resistance is known
	SourceOhm float64 `json:"source_ohm"` // Ω, of the unit; 0: not known, counted as none
	RatedA    float64 `json:"rated_a"`
	// FormFactor is rms over mean of the unit's output, of which volts and currents here are the mean: watts go by the
	// rms. 0: 1. FormWhy says where it comes from.
	FormFactor   float64   `json:"form_factor"`
	FormWhy      string    `json:"-"`
	Steps        []float64 `json:"steps"`         // multiples of the rating, rising
	Series       string    `json:"series"`        // of IEC 60063; empty: E12
	TolerancePct float64   `json:"tolerance_pct"` // %, of the resistors; 0: 5
	WithinPct    float64   `json:"within_pct"`    // %, how near a stair must come to what was wished; 0: 5
	DwellS       float64   `json:"dwell_s"`       // s, of one stair; 0: 10
	// Cheapest takes the least money instead of the fewest parts. What is on the shelf with a price costs that; a part
	// that is not on the shelf costs PriceEach, and where that is 0 its price is not known.
	Cheapest  bool    `json:"cheapest"`
	PriceEach float64 `json:"price_each"`
}

// Ladder is a set of resistors for the stairs of a trip test.
type Ladder struct {
	Series    string     `json:"series"`
	Stairs    []Stair    `json:"stairs"`
	Resistors []Resistor `json:"resistors"`
	PartCount int        `json:"part_count"`
	BuyCount  int        `json:"buy_count"` // not on the shelf
	Price     *float64   `json:"price"`     // of all; null where one is not known
	HeatJ     float64    `json:"heat_j"`    // in all resistors, over the whole test
	LastsS    float64    `json:"lasts_s"`
	Text      string     `json:"text"`
	Notes     []string   `json:"notes"`
	Cautions  []string   `json:"cautions"`
}

// Stair is one level of current.
type Stair struct {
	WishedTimes float64 `json:"wished_times"`
	WishedA     float64 `json:"wished_a"`
	CurrentA    float64 `json:"current_a"`
	Times       float64 `json:"times"`   // the rating
	LeastA      float64 `json:"least_a"` // with all resistors at the edge of their tolerance
	MostA       float64 `json:"most_a"`
	TogetherOhm float64 `json:"together_ohm"`
	TerminalV   float64 `json:"terminal_v"`
	Add         []int   `json:"add"` // places in Resistors, from 0, of those that this stair switches in
	Text        string  `json:"text"`
}

// Resistor is one of a ladder.
type Resistor struct {
	Ohm          float64  `json:"ohm"`
	TolerancePct float64  `json:"tolerance_pct"`
	W            float64  `json:"w"`      // at most, at the unit's volts
	TakeW        *float64 `json:"take_w"` // size to take for ever; null: none is sold that large
	OnS          float64  `json:"on_s"`
	ShortTimeW   *float64 `json:"short_time_w"` // size that stands OnS and no more
	HeatJ        float64  `json:"heat_j"`
	Part         string   `json:"part"` // on the shelf; empty: to be bought
	RatedW       float64  `json:"rated_w"`
	Price        *float64 `json:"price"`
	Text         string   `json:"text"`
}

// marginW is how much more than it gets a resistor is made for (common practice, no source).
const marginW = 1.5

const maxStairs = 30

func (q LadderRequest) withDefaults() LadderRequest {
	if q.Series == "" {
		q.Series = "E12"
	}
	if q.TolerancePct == 0 {
		q.TolerancePct = 5
	}
	if q.WithinPct == 0 {
		q.WithinPct = 5
	}
	if q.DwellS == 0 {
		q.DwellS = 10
	}
	if q.FormFactor == 0 {
		q.FormFactor = 1
	}
	return q
}

func (q LadderRequest) validate() error {
	for _, v := range []struct {
		name        string
		v, lo, most float64
	}{{"volts", q.Volts, 0.1, 200}, {"rated_a", q.RatedA, 0.001, 1000}, {"source_ohm", q.SourceOhm, 0, 1e5}, {"tolerance_pct", q.TolerancePct, 0.01, 20},
		{"within_pct", q.WithinPct, 0.1, 50}, {"dwell_s", q.DwellS, 0.1, 3600}, {"form_factor", q.FormFactor, 1, 100}, {"price_each", q.PriceEach, 0, 1e6}} {
		if math.IsNaN(v.v) || v.v < v.lo || v.v > v.most {
			return fmt.Errorf("%s: %g is out of range, allowed is %g to %g", v.name, v.v, v.lo, v.most)
		}
	}
	if len(q.Steps) == 0 || len(q.Steps) > maxStairs {
		return fmt.Errorf("steps: give 1 to %d multiples of the rating, rising: 0.5,0.8,1,1.2", maxStairs)
	}
	last := 0.0
	for i, s := range q.Steps {
		switch {
		case math.IsNaN(s) || s <= 0 || s > 100:
			return fmt.Errorf("steps[%d]: %g is out of range, a step is above 0 and at most 100 × the rating", i, s)
		case s < last*1.005:
			return fmt.Errorf("steps[%d]: %g is not above the step before it, %g", i, s, last)
		}
		last = s
		if q.SourceOhm > 0 && s*q.RatedA > 0.98*q.Volts/q.SourceOhm {
			return fmt.Errorf("steps[%d]: %s cannot flow: with its %s this unit gives %s into a short", i, amps(s*q.RatedA), ohms(q.SourceOhm), amps(q.Volts/q.SourceOhm))
		}
	}
	return nil
}

// current is what flows into a conductance, A.
func (q LadderRequest) current(siemens float64) float64 {
	if siemens <= 0 {
		return 0
	}
	return q.Volts / (q.SourceOhm + 1/siemens)
}

// siemens is the conductance that such a current takes.
func (q LadderRequest) siemens(amp float64) float64 { return 1 / (q.Volts/amp - q.SourceOhm) }

// MakeLadder finds the resistors. Those on the shelf that fit and stand it are used first.
func MakeLadder(q LadderRequest, shelf []trace.Part) (Ladder, error) {
	q = q.withDefaults()
	if err := q.validate(); err != nil {
		return Ladder{}, err
	}
	decade, err := Preferred(q.Series)
	if err != nil {
		return Ladder{}, err
	}
	s := seeker{q: q, decade: decade, stock: stockOf(shelf)}
	best, err := s.seek()
	if err != nil {
		return Ladder{}, err
	}
	return s.ladder(best), nil
}

// ladder writes out what was found.
func (s *seeker) ladder(b branch) Ladder {
	q := s.q
	out := Ladder{Series: q.Series, Stairs: []Stair{}, Resistors: []Resistor{}, LastsS: float64(len(q.Steps)) * q.DwellS, Notes: []string{}, Cautions: Cautions}
	price, known := 0.0, true
	var g, least, most float64
	for n, picks := range b.picks {
		st := Stair{WishedTimes: q.Steps[n], WishedA: q.Steps[n] * q.RatedA, Add: []int{}}
		for _, p := range picks {
			r := s.resistor(p, n, b)
			if r.Price == nil {
				known = false
			} else {
				price += *r.Price
			}
			if r.Part == "" {
				out.BuyCount++
			}
			st.Add = append(st.Add, len(out.Resistors))
			out.Resistors = append(out.Resistors, r)
			tol := r.TolerancePct / 100
			g, least, most = g+1/r.Ohm, least+1/(r.Ohm*(1+tol)), most+1/(r.Ohm*(1-tol))
		}
		st.CurrentA, st.LeastA, st.MostA, st.TogetherOhm = q.current(g), q.current(least), q.current(most), 1/g
		st.Times, st.TerminalV = st.CurrentA/q.RatedA, st.CurrentA/g
		st.Text = fmt.Sprintf("%s × the rating: %s to %s", short(st.Times), amps(st.LeastA), amps(st.MostA))
		out.Stairs = append(out.Stairs, st)
		out.HeatJ += st.CurrentA * st.TerminalV * q.DwellS * q.FormFactor * q.FormFactor
	}
	out.PartCount = len(out.Resistors)
	if known {
		out.Price = &price
	}
	s.say(&out)
	return out
}

func (s *seeker) say(out *Ladder) {
	q := s.q
	out.Text = fmt.Sprintf("%d resistors for %d stairs of %s, %d of them to be bought; they turn %s kJ into heat.", out.PartCount, len(out.Stairs), roughSeconds(q.DwellS), out.BuyCount, short(out.HeatJ/1000))
	if out.PartCount == 1 {
		out.Text = fmt.Sprintf("One resistor; it turns %s kJ into heat.", short(out.HeatJ/1000))
	}
	out.Notes = append(out.Notes, fmt.Sprintf("Each stays in while the next is added. “Take” is at least %g × what it gets, the next size sold (common practice, no source).", marginW))
	if q.FormFactor > 1 {
		why := ""
		if q.FormWhy != "" {
			why = " (" + q.FormWhy + ")"
		}
		out.Notes = append(out.Notes, fmt.Sprintf("Volts and currents are means; watts and heat count the rms, %s × as much%s.", short(q.FormFactor), why))
	}
	if q.SourceOhm == 0 {
		out.Notes = append(out.Notes, fmt.Sprintf("The unit's own resistance is not known: if its %s sag under load, every stair is lower than planned. The trace shows what it really was.", volts(q.Volts)))
	}
	off := 0.0
	for _, st := range out.Stairs {
		off = max(off, math.Abs(st.CurrentA/st.WishedA-1))
	}
	if 100*off > q.WithinPct {
		out.Notes = append(out.Notes, fmt.Sprintf("The farthest stair is %s from what was wished, more than the %s asked for; a finer series comes nearer.", percent(off), short(q.WithinPct)+" %"))
	}
	for _, r := range out.Resistors {
		if r.TakeW == nil {
			out.Notes = append(out.Notes, fmt.Sprintf("%s gets %s: no single resistor is usual for that; take several of the same watts side by side.", ohms(r.Ohm), watts(r.W)))
		}
	}
	out.Notes = append(out.Notes, "Every resistor gets hot enough to burn.")
}

// resistor describes a pick that the stair n switches in.
func (s *seeker) resistor(p pick, n int, b branch) Resistor {
	q := s.q
	r := Resistor{Ohm: p.ohm, TolerancePct: q.TolerancePct, OnS: float64(len(q.Steps)-n) * q.DwellS}
	// Its volts are highest when it is switched in.
	for k := n; k < len(b.picks); k++ {
		v := q.Volts
		if q.SourceOhm > 0 {
			v = q.current(b.siemens[k]) / b.siemens[k]
		}
		v *= q.FormFactor
		r.W = max(r.W, v*v/p.ohm)
		r.HeatJ += v * v / p.ohm * q.DwellS
	}
	if w, ok := nextSize(soldW, marginW*r.W); ok {
		r.TakeW = &w
	}
	for _, w := range soldW {
		part := trace.RigPart{Kind: "resistor", Ohm: p.ohm, RatedW: w}
		if t, _ := partLongest(part, 0, math.Sqrt(r.W/p.ohm)); t >= r.OnS {
			r.ShortTimeW = &w
			break
		}
	}
	if p.shelf >= 0 {
		part := s.stock[p.shelf].part
		r.Part, r.RatedW, r.Price = part.Name, part.RatedW, num(part.Price)
		if part.TolerancePct > 0 {
			r.TolerancePct = part.TolerancePct
		}
		r.Text = fmt.Sprintf("%s, on the shelf: %s", ohms(r.Ohm), r.Part)
		return r
	}
	r.Price = num(q.PriceEach)
	r.Text = ohms(r.Ohm) + ", to be bought"
	if r.TakeW != nil {
		r.Text = fmt.Sprintf("%s, %s, to be bought", ohms(r.Ohm), watts(*r.TakeW))
	}
	return r
}

// stockOf lists what of the shelf can load a unit: resistors with ohms and watts.
func stockOf(shelf []trace.Part) []stock {
	var out []stock
	for _, p := range shelf {
		if p.Kind == "resistor" && p.Ohm > 0 && p.RatedW > 0 && p.Validate() == nil {
			out = append(out, stock{p, max(p.Count, 1)})
		}
	}
	slices.SortFunc(out, func(a, b stock) int { return compare(a.part.Ohm, b.part.Ohm) })
	return out
}

func compare(a, b float64) int {
	switch {
	case a < b:
		return -1
	case a > b:
		return 1
	}
	return 0
}
