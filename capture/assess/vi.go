package assess

import (
	"fmt"
	"math"
	"slices"

	"letthrough/capture/words"
)

// Pair is voltage and current at one instant.
type Pair struct{ V, A float64 }

// VIPoint is the mean of all pairs of one stretch of voltage.
type VIPoint struct {
	V float64 `json:"v"`
	A float64 `json:"a"`
	N int     `json:"n"`
}

// VI is the voltage-current characteristic of an output as a run passed along it.
type VI struct {
	Points []VIPoint `json:"points"` // by falling voltage
	Shape  string    `json:"shape"`  // source, constant_current, fold_back, not_resolved
	// The straight part from open circuit: the voltage at no current and the resistance, with their expanded
	// uncertainties from the scatter about the line; 0 where it is not seen.
	OpenV    float64  `json:"open_v"`
	OpenU    float64  `json:"open_u"`
	Ohm      float64  `json:"source_ohm"`
	OhmU     float64  `json:"source_u"`
	LargestA float64  `json:"largest_a"` // largest mean of a stretch
	LowestA  float64  `json:"lowest_a"`  // mean of the stretch of the lowest voltage
	Say      []string `json:"say"`
}

// The stretches of voltage, how many pairs one needs, and how even a constant current is.
const (
	viStretches  = 40
	viLeastPairs = 3
	viEven       = 0.05
)

// VIOf gives the characteristic of pairs in any order. Pairs that are no numbers are left out.
func VIOf(pairs []Pair) VI {
	c := VI{Points: []VIPoint{}, Shape: "not_resolved", Say: []string{}}
	top := 0.0
	for _, p := range pairs {
		if !math.IsNaN(p.V) && !math.IsInf(p.V, 0) {
			top = max(top, p.V)
		}
	}
	if !(top > 0) {
		c.Say = append(c.Say, "no voltage was seen")
		return c
	}
	sums := make([]struct {
		v, a float64
		n    int
	}, viStretches+1)
	for _, p := range pairs {
		if math.IsNaN(p.V+p.A) || math.IsInf(p.V+p.A, 0) {
			continue
		}
		s := &sums[int(min(max(p.V, 0)/top, 1)*viStretches)]
		s.v, s.a, s.n = s.v+p.V, s.a+p.A, s.n+1
	}
	for _, s := range slices.Backward(sums) {
		if s.n >= viLeastPairs {
			c.Points = append(c.Points, VIPoint{s.v / float64(s.n), s.a / float64(s.n), s.n})
		}
	}
	c.straight(top)
	c.shape(top)
	return c
}

// straight fits the line from open circuit down to 0.6 of it, as long as the current rises.
func (c *VI) straight(top float64) {
	var x, y []float64
	for i, p := range c.Points {
		if p.V < 0.6*top || i > 0 && p.A < c.Points[i-1].A {
			break
		}
		x, y = append(x, p.A), append(y, p.V)
	}
	l, ok := fitLine(x, y)
	if !ok || !(l.b1 < 0) {
		return
	}
	t := tFactor(0.95, l.freedom)
	c.OpenV, c.OpenU, c.Ohm, c.OhmU = l.b0, t*l.sdB0, -l.b1, t*l.sdB1
	v, vu := words.Number(c.OpenV, c.OpenU)
	r, ru := words.Number(c.Ohm, c.OhmU)
	c.Say = append(c.Say, fmt.Sprintf("from open circuit it is a source of %s V behind %s Ω (95 %%: ± %s V, ± %s Ω)", v, r, vu, ru))
}

func (c *VI) shape(top float64) {
	var low []VIPoint
	for _, p := range c.Points {
		c.LargestA = max(c.LargestA, p.A)
		if p.V < 0.5*top {
			low = append(low, p)
		}
	}
	if len(c.Points) > 0 {
		c.LowestA = c.Points[len(c.Points)-1].A
	}
	if len(low) < 3 {
		c.Say = append(c.Say, "the voltage was not seen to fall to less than half of it, or too fast to follow: what lies below is not known")
		return
	}
	even := true
	for _, p := range low {
		even = even && math.Abs(p.A-c.LargestA) <= viEven*c.LargestA
	}
	switch {
	case even:
		c.Shape = "constant_current"
		c.Say = append(c.Say, fmt.Sprintf("below half its voltage it holds its current at %s A: a constant-current limit", number(c.LargestA)))
	case c.LowestA <= 0.8*c.LargestA:
		c.Shape = "fold_back"
		c.Say = append(c.Say, fmt.Sprintf("its current falls from %s A to %s A as the voltage falls: it folds back", number(c.LargestA), number(c.LowestA)))
	default:
		c.Shape = "source"
		c.Say = append(c.Say, fmt.Sprintf("its current rises to %s A as the voltage falls: its own resistance is all that holds it", number(c.LargestA)))
	}
}
