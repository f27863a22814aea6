package web

import (
	"fmt"
	"strings"

	"letthrough/capture/rig"
	"letthrough/capture/trace"
)

// ladderView is the load ladder in rows that a person reads.
type ladderView struct {
	Problem string // why there is none
	Volts   string // what was taken for the unit
	Rows    []ladderRow
	Rated   string
	Text    string
	Notes   []string
	Buy     []ladderBuy
	Wide    *drawing
	Small   *drawing
	Series  []option
	Last    string // what the rig's own parts say of the highest stair
}

// ladderRow is one stair.
type ladderRow struct {
	N                              int
	Add, Gets, Take, Short, Heat   []string
	Together, Current, Band, Times string
}

// ladderBuy is one resistor of the list.
type ladderBuy struct {
	Ohm, Take, Short, Where string
	Count                   int
}

// ladderOf works out the resistors for the stairs that are wished.
func ladderOf(a *rigAsk, shelf []trace.Part) (v ladderView) {
	for _, name := range rig.SeriesNames {
		v.Series = append(v.Series, option{name, name, name == a.Ladder.Series || a.Ladder.Series == "" && name == "E12"})
	}
	typed := a.Ladder.Volts
	source, problem := a.source(a.From)
	if problem != "" {
		source = rig.Source{}
	}
	if typed > 0 {
		source = rig.Source{}
	}
	known := source
	if len(source.Loads) == 2 {
		if e, err := rig.FromTwoLoads(source.Loads[0], source.Loads[1]); err == nil {
			known = rig.Source{OpenV: e.OpenV, SourceOhm: e.SourceOhm}
		}
	}
	q := LadderFor(a.Ladder, a.Unit, known)
	switch {
	case a.Unit.ID == 0:
		v.Problem = "Choose a unit: the ladder goes by its volts and its rating."
	case q.RatedA == 0:
		v.Problem = "The rated current of this unit is not known, and the steps are multiples of it. Put it on its plate, on the page Units."
	case q.Volts == 0:
		v.Problem = "The volts of this unit are not known. Put them on its plate, or type them here."
	case a.Wrong["steps"] != "":
		v.Problem = "The steps cannot be read."
	case len(q.Steps) == 0:
		v.Problem = "Write the wished steps, in amperes."
	}
	if v.Problem != "" {
		return v
	}
	l, err := rig.MakeLadder(q, shelf)
	if err != nil {
		v.Problem = asSentence(err.Error())
		return v
	}
	v.Volts = rig.Volts(q.Volts) + " at the terminals, as if they did not sag"
	if q.SourceOhm > 0 {
		v.Volts = rig.Volts(q.Volts) + " open, behind " + rig.Ohms(q.SourceOhm)
	}
	v.Rated, v.Text, v.Notes = rig.Amps(q.RatedA), l.Text, l.Notes
	if l.Price != nil {
		v.Text += fmt.Sprintf(" Together they cost %s.", rig.Plain(*l.Price))
	}
	for n, s := range l.Stairs {
		row := ladderRow{N: n + 1, Together: rig.Ohms(s.TogetherOhm), Current: rig.Amps(s.CurrentA), Band: rig.Plain(s.LeastA) + " to " + rig.Amps(s.MostA), Times: rig.Plain(s.Times) + " ×"}
		for _, i := range s.Add {
			r := l.Resistors[i]
			row.Add = append(row.Add, rig.Ohms(r.Ohm))
			row.Gets = append(row.Gets, rig.Watts(r.W))
			row.Take = append(row.Take, takeWattsOf(r))
			row.Short = append(row.Short, shortTimeOf(r))
			row.Heat = append(row.Heat, rig.Plain(r.HeatJ)+" J in "+rig.Seconds(r.OnS))
		}
		v.Rows = append(v.Rows, row)
	}
	v.buy(l)
	dwell := q.DwellS
	if dwell == 0 {
		dwell = 10
	}
	wide, small := drawStairs(l, q.RatedA, dwell, 464, 262), drawStairs(l, q.RatedA, dwell, 358, 240)
	v.Wide, v.Small = &wide, &small
	v.lasts(a, l)
	return v
}

func takeWattsOf(r rig.Resistor) string {
	switch {
	case r.Part != "":
		return r.Part
	case r.TakeW == nil:
		return "several side by side"
	}
	return rig.Watts(*r.TakeW)
}

func shortTimeOf(r rig.Resistor) string {
	if r.ShortTimeW == nil {
		return "none stands it"
	}
	return rig.Watts(*r.ShortTimeW) + " for " + rig.Seconds(r.OnS)
}

// buy lists the resistors, alike ones together.
func (v *ladderView) buy(l rig.Ladder) {
	for _, r := range l.Resistors {
		b := ladderBuy{Ohm: rig.Ohms(r.Ohm), Take: takeWattsOf(r), Short: shortTimeOf(r), Where: "to be bought", Count: 1}
		if r.Part != "" {
			b.Where, b.Take = "on the shelf: "+r.Part, rig.Watts(r.RatedW)
		}
		found := false
		for i := range v.Buy {
			if o := &v.Buy[i]; o.Ohm == b.Ohm && o.Take == b.Take && o.Where == b.Where {
				o.Count++
				found = true
			}
		}
		if !found {
			v.Buy = append(v.Buy, b)
		}
	}
}

// lasts says whether the rig stands the stairs.
func (v *ladderView) lasts(a *rigAsk, l rig.Ladder) {
	if a.Rig.ID == 0 || len(l.Stairs) == 0 {
		return
	}
	top := l.Stairs[len(l.Stairs)-1]
	answer, err := rig.Check(a.Rig, rig.Test{Unit: a.Unit, Procedure: trace.Steps, HoldS: l.LastsS, Tested: true, Times: top.Times})
	if err != nil {
		return
	}
	v.Last = strings.TrimSpace(fmt.Sprintf("The rig %s at the highest stair, counted as if it flowed for all %s: %s", a.Rig.Name, rig.Seconds(l.LastsS), answer.Consequence()))
}
