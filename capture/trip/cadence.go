package trip

import "math"

// cadence follows the interval between readings: its running median, from a histogram of an eighth
// of an octave a bin refined by the mean within the bin, and with it what counts as a gap.
type cadence struct {
	bins   [512]cadenceBin
	n      int
	next   int     // recompute the median at this n
	median float64 // s; 0 while unknown
}

type cadenceBin struct {
	n   int
	sum float64
}

// gapFactor: an interval over this many medians is a gap.
const gapFactor = 5

// interval takes the time between two neighbouring readings in seconds.
func (c *cadence) interval(dt float64) {
	if c.median > 0 && dt == c.median {
		// The common case of a regular stream: the bin of the median itself.
		b := &c.bins[c.binOf(dt)]
		b.n++
		b.sum += dt
	} else {
		b := &c.bins[c.binOf(dt)]
		b.n++
		b.sum += dt
	}
	c.n++
	if c.n >= c.next {
		c.update()
	}
}

// binOf: bins from 2^-40 s to 2^24 s.
func (c *cadence) binOf(dt float64) int {
	frac, exp := math.Frexp(dt)
	i := (exp+40)*8 + int((frac-0.5)*16)
	return min(max(i, 0), len(c.bins)-1)
}

func (c *cadence) update() {
	seen := 0
	for i := range c.bins {
		if seen += c.bins[i].n; 2*seen >= c.n && c.bins[i].n > 0 {
			c.median = c.bins[i].sum / float64(c.bins[i].n)
			break
		}
	}
	c.next = c.n + 1 + c.n/8
}

// isGap tells whether an interval is a hole in the readings. Before three intervals are known none is.
func (c *cadence) isGap(dt float64) bool { return c.n >= 3 && dt > gapFactor*c.median }

// slow: a reading interval over 50 ms.
func (c *cadence) slow() bool { return c.median > 0.05 }
