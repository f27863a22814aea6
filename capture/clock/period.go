package clock

// Without device time the readings are counted, and their count times the period stands in for it.

const (
	periodChunks   = 16   // before a period is believed, or
	burstChunks    = 4    // so many chunks with
	burstReadings  = 64   // so many readings
	minPauseNS     = 50e6 // a shorter silence is a late delivery
	doubtNS        = 50e6 // how long readings after a silence are held to see how many come
	irregularNS    = 10e6
	irregularShare = 0.1 // of the period

	// deliveryNS is what USB adapters wait before they pass bytes on (common practice, no source); it
	// is all that can be said of readings that come irregularly.
	deliveryNS = 16e6
)

// period recovers the interval of readings that come without time.
type period struct {
	// the points of the fit: count of readings and arrival, at the last reading of a chunk
	points envelope
	stride int // only every so many chunks
	skip   int
	chunks int
	count  int64

	regular bool
	ns      float64 // the period
	line    line    // arrival as a function of the count

	// Was a silence a pause, or were deliveries late? The readings that come within doubtNS tell.
	doubt    bool
	lost     bool  // bytes were lost in it
	quiet    int64 // the last arrival before it
	resumed  int64 // the first arrival after it
	newest   int64
	resuming int64 // readings since

	placed  int64   // count in Place
	pause   float64 // to go on before the next reading is placed, ns
	d       float64 // virtual device time of the last reading placed
	arrival int64   // of the chunk being placed
	before  int64   // of the chunk before it
	inChunk int     // readings of it placed so far
	started bool
}

// learn takes in one reading and may find that the stream is regular, or that it was silent.
// While readings are still held back from the opening on, silences are not doubted: the fit sees them.
func (p *period) learn(s *Stamp, settled bool) {
	lines := int64(1 + s.Missed)
	p.count += lines
	if p.regular {
		before := p.newest
		p.newest = s.ArrivalNS
		switch {
		case p.doubt:
			p.resuming += lines
		case settled && (s.Gap || float64(s.ArrivalNS-before) > p.longest()):
			p.doubt, p.lost, p.quiet, p.resumed, p.resuming = true, s.Gap, before, s.ArrivalNS, lines
		}
		return
	}
	p.newest = s.ArrivalNS
	if s.Behind > 0 {
		return
	}
	p.chunks++
	if s.Gap {
		p.reset()
	}
	if p.skip++; p.skip > p.stride {
		p.skip = 0
		e := &p.points
		if e.n == envelopePoints {
			for i := range envelopePoints / 2 {
				e.points[i] = e.points[2*i+1]
			}
			e.n = envelopePoints / 2
			p.stride = 2*p.stride + 1
		}
		e.points[e.n] = point{p.count, s.ArrivalNS}
		e.n++
	}
	n := p.points.n
	if n < periodChunks && (n < burstChunks || p.count-p.points.points[0].d < burstReadings) || n&(n-1) != 0 && n%periodChunks != 0 {
		return
	}
	f, _ := p.points.solve()
	if f.rate <= 0 || f.spread > irregularNS+irregularShare*f.rate {
		if n >= envelopePoints/2 {
			p.reset() // look again at what comes from now on
		}
		return
	}
	p.regular, p.ns, p.line = true, f.rate, f
}

func (p *period) reset() {
	p.points, p.stride, p.skip, p.regular, p.doubt = envelope{}, 0, 0, false, false
}

// longest is how long a silence may last without being doubted, ns.
func (p *period) longest() float64 { return max(gapIntervals*p.ns, minPauseNS) }

// decide ends the doubt about a silence: readings that are missing for the time that went by mean that the
// instrument paused (or that they were lost), and then that time goes on too.
func (p *period) decide() {
	p.doubt = false
	silent := float64(p.newest-p.quiet) - p.ns*float64(p.resuming)
	if silent > p.longest() || p.lost && silent > 0 {
		p.pause = silent
	}
}

// place counts one reading on and gives its virtual device time.
func (p *period) place(s *Stamp) (d int64) {
	p.placed += int64(1 + s.Missed)
	if !p.started || s.ArrivalNS != p.arrival {
		if !p.started {
			p.arrival, p.started = s.ArrivalNS, true
		}
		p.before, p.arrival, p.inChunk = p.arrival, s.ArrivalNS, 0
	}
	p.inChunk++
	p.d += p.ns*float64(1+s.Missed) + p.pause
	p.pause = 0
	return int64(p.d)
}

// spread gives a reading of an irregular stream its share of the time since the chunk before.
func (p *period) spread(s *Stamp) int64 {
	k := int64(p.inChunk + s.Behind)
	since := min(p.arrival-p.before, slackNS)
	return p.arrival - since*int64(s.Behind)/max(k, 1)
}

// placeCounted places a reading that came without a time of its own.
func (c *Clock) placeCounted(s *Stamp) (atNS int64, gap bool, what Outcome) {
	p := &c.period
	d := p.place(s)
	if !p.regular {
		c.mapped = false
		return c.emit(p.spread(s), s.Gap, s.Gap)
	}
	if c.env.add(d, s.ArrivalNS) {
		c.steer(d)
		if !p.regular {
			return c.emit(p.spread(s), true, true)
		}
	}
	if !c.mapped {
		at := p.line.ref.m + int64(p.line.at(p.placed))
		if c.hasLast && at <= c.lastAt {
			at = c.lastAt + 1
		}
		c.base(d, at)
		c.rate, c.wantRate = 0, 0
	}
	c.follow(d)
	return c.emit(c.time(d), s.Gap, s.Gap)
}

// lost gives the period up: what arrives no longer fits it.
func (c *Clock) lost() {
	c.period.reset()
	c.env.init()
	c.mapped = false
}
