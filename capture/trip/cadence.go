package trip

import (
	"math"
	"math/bits"
)

// cadence follows the interval between readings: its running median, from a histogram of an eighth
// of an octave a bin refined by the mean within the bin, and with it what counts as a gap.
type cadence struct {
	bins   [512]cadenceBin
	n      int
	next   int     // recompute the median at this n
	median float64 // s; 0 while unknown
	gapNS  int64   // an interval longer than this is a gap

	// A regular stream repeats one interval: it is counted here and filed when another one comes.
	last   int64
	repeat int
}

type cadenceBin struct {
	n   int
	sum int64 // ns
}

// gapFactor: an interval over this many medians is a gap.
const gapFactor = 5

// interval takes the nanoseconds between two neighbouring readings, above 0.
func (c *cadence) interval(dt int64) {
	if dt != c.last {
		c.file()
		c.last = dt
	}
	c.repeat++
	if c.n++; c.n >= c.next {
		c.update()
	}
}

// file puts the repeated interval into its bin.
func (c *cadence) file() {
	if c.repeat > 0 {
		b := &c.bins[binOf(c.last)]
		b.n += c.repeat
		b.sum += c.last * int64(c.repeat)
		c.repeat = 0
	}
}

// binOf: the position of the highest bit and the three bits below it.
func binOf(dt int64) int {
	l := bits.Len64(uint64(dt))
	if l < 4 {
		return int(dt)
	}
	return l<<3 | int(dt>>(l-4))&7
}

func (c *cadence) update() {
	c.file()
	seen := 0
	for i := range c.bins {
		if seen += c.bins[i].n; 2*seen >= c.n && c.bins[i].n > 0 {
			c.median = float64(c.bins[i].sum) / float64(c.bins[i].n) / 1e9
			break
		}
	}
	c.next = c.n + 1 + c.n/8
	c.gapNS = math.MaxInt64
	if c.n >= 3 { // before three intervals are known none is a gap
		c.gapNS = int64(min(gapFactor*c.median*1e9, math.MaxInt64/2))
	}
}

// isGap tells whether an interval is a hole in the readings.
func (c *cadence) isGap(dt int64) bool { return c.n >= 3 && dt > c.gapNS }

// slow: a reading interval over 50 ms.
func (c *cadence) slow() bool { return c.median > slowS }

// slowS: a reading interval or averaging time from here on hides pulses.
const slowS = 0.05
