package rig

import (
	"fmt"
	"math"
	"slices"

	"letthrough/capture/trace"
)

// stock is a resistor on the shelf with how many there are of it; a number that nobody said is one.
type stock struct {
	part trace.Part
	n    int
}

// pick is a resistor that a stair switches in.
type pick struct {
	ohm   float64
	shelf int // place in the stock; −1: to be bought
}

// branch is a ladder up to some stair.
type branch struct {
	picks   [][]pick
	siemens []float64 // of all that is switched in, at each stair
	cost
}

// cost ranks ladders, the first difference decides.
type cost struct {
	beyond float64 // by how much stairs are off more than was asked, in per cent, to a tenth
	parts  int     // in all
	bought int     // not on the shelf
	unsaid int     // whose price is not known
	price  float64 // of the others
	error  float64 // sum of the squares of the stairs' relative errors
}

func (a cost) less(b cost, cheapest bool) bool {
	before := []float64{a.beyond - b.beyond, float64(a.parts - b.parts), float64(a.bought - b.bought), a.error - b.error}
	if cheapest {
		before = []float64{a.beyond - b.beyond, float64(a.unsaid - b.unsaid), a.price - b.price, float64(a.bought - b.bought), float64(a.parts - b.parts), a.error - b.error}
	}
	for _, d := range before {
		if d != 0 {
			return d < 0
		}
	}
	return false
}

// seeker goes up the stairs and keeps the best branches: what a stair is off, the next can make good, so that
// the best ladder is not made of the best stairs.
type seeker struct {
	q      LadderRequest
	decade []float64
	stock  []stock
}

// width is how many branches are kept at each stair.
const width = 400

func (s *seeker) seek() (branch, error) {
	at := []branch{{}}
	for n, times := range s.q.Steps {
		var next []branch
		for _, b := range at {
			next = append(next, s.climb(b, n, times*s.q.RatedA)...)
		}
		if len(next) == 0 {
			return branch{}, fmt.Errorf("steps[%d]: no resistor of %s brings %s; put the steps further apart or take a finer series", n, s.q.Series, amps(times*s.q.RatedA))
		}
		slices.SortStableFunc(next, func(a, b branch) int {
			switch {
			case a.less(b.cost, s.q.Cheapest):
				return -1
			case b.less(a.cost, s.q.Cheapest):
				return 1
			}
			return 0
		})
		at = next[:min(len(next), width)]
	}
	return at[0], nil
}

// climb gives the ways from a branch to the next stair: with one resistor, and where none comes near enough with
// two.
func (s *seeker) climb(b branch, n int, amp float64) []branch {
	had := 0.0
	if n > 0 {
		had = b.siemens[n-1]
	}
	need := s.q.siemens(amp) - had
	var out []branch
	near := false
	for _, p := range s.singles(b, n, 1/need) {
		next := s.with(b, had, amp, p)
		near = near || next.beyond == b.beyond
		out = append(out, next)
	}
	if near {
		return out
	}
	for _, first := range s.singles(b, n, 2/need) {
		held := b
		held.picks = append(slices.Clone(b.picks), []pick{first})
		for _, second := range s.singles(held, n, 1/(need-1/first.ohm)) {
			out = append(out, s.with(b, had, amp, first, second))
		}
	}
	return out
}

// singles are the resistors to try for a value: the series' next to it, and what the shelf has left that stands
// the time.
func (s *seeker) singles(b branch, n int, ohm float64) []pick {
	if !(ohm > 0) || math.IsInf(ohm, 1) {
		return nil
	}
	var out []pick
	for _, v := range beside(s.decade, ohm, 2) {
		out = append(out, pick{v, -1})
	}
	onS := float64(len(s.q.Steps)-n) * s.q.DwellS
	for i, st := range s.stock {
		if st.part.Ohm < ohm/3 || st.part.Ohm > 3*ohm || used(b, i) >= st.n {
			continue
		}
		if t, _ := partLongest(st.part.RigPart, 0, s.q.FormFactor*s.q.Volts/st.part.Ohm); t >= onS {
			out = append(out, pick{st.part.Ohm, i})
		}
	}
	return out
}

func used(b branch, shelf int) (n int) {
	for _, stair := range b.picks {
		for _, p := range stair {
			if p.shelf == shelf {
				n++
			}
		}
	}
	return n
}

// with adds a stair to a branch.
func (s *seeker) with(b branch, had, amp float64, picks ...pick) branch {
	g := had
	next := branch{picks: append(slices.Clone(b.picks), picks), cost: b.cost}
	for _, p := range picks {
		g += 1 / p.ohm
		next.parts++
		if p.shelf < 0 {
			next.bought++
			next.price += s.q.PriceEach
			if s.q.PriceEach == 0 {
				next.unsaid++
			}
			continue
		}
		next.price += s.stock[p.shelf].part.Price
		if s.stock[p.shelf].part.Price == 0 {
			next.unsaid++
		}
	}
	next.siemens = append(slices.Clone(b.siemens), g)
	off := s.q.current(g)/amp - 1
	if more := 100*math.Abs(off) - s.q.WithinPct; more > 0 {
		next.beyond += math.Ceil(10*more) / 10
	}
	next.error += off * off
	return next
}
