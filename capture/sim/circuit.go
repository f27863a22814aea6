package sim

import (
	"math"
	"math/rand/v2"

	"letthrough/capture/trace"
)

const (
	stepNS     = 20_000    // the physics step; a tenth of it with an output capacitor
	slowNS     = 1_000_000 // how often temperature, resistance and load are looked at
	defaultRig = 0.12      // ohms of instrument, leads and contact
	calmShare  = 1e-3      // nearer to its target than this share of it the current may go in long steps
	settledA   = 1e-12     // closer to its target the current is there: numbers too small to be normal are slow
	openTauS   = 20e-6     // how fast the current dies when a contact opens without any load beside it
)

// observer is told what the physics really did.
type observer interface {
	// segment is one step: the loop current runs in a straight line from i0 to i1 and the terminal
	// voltage from v0 to v1 (amperes and volts) between two instants in nanoseconds.
	segment(t0, t1 int64, i0, i1, v0, v1 float64)
}

// contactEvent is one make or break of the contact.
type contactEvent struct {
	atNS   int64
	closed bool
	bounce bool // part of the chatter after a make
}

// circuit is one unit, its rig, the contact and the load, integrated in small fixed steps. Within a
// step the electromotive force and all resistances are constant and the current follows the exact
// solution of the series R-L loop, so that no step is too long to be stable.
type circuit struct {
	unit    Unit
	src     source
	element *element
	truth   *tracker
	watch   []observer

	stepNS  int64
	nowNS   int64
	slowAt  int64
	heat    float64 // integral of i squared over the source since the last slow tick
	riseK   float64 // of the winding over ambient
	source  float64 // ohms, warm
	rigOhm  float64
	standby float64 // ohms of the standing load, +Inf without
	loadOhm float64
	load    loadProgram
	ext     float64 // ohms that the terminals see, +Inf with nothing on them

	events    []contactEvent
	contact   bool // now
	firstNS   int64
	hasClosed bool

	showsV  bool    // somebody reads the terminal voltage
	i, v    float64 // through the rig; at the terminals
	is, vc  float64 // source current and capacitor volts, where there is a capacitor
	lastR   float64 // what decay was computed for
	lastDT  int64
	decay   float64
	bounces *rand.Rand
	bounceN int
}

func newCircuit(u Unit, rigOhm, standingOhm float64, maxBounce int, seed uint64) *circuit {
	if rigOhm == 0 {
		rigOhm = defaultRig
	}
	if standingOhm == 0 {
		standingOhm = math.Inf(1)
	}
	if maxBounce == 0 {
		maxBounce = 4
	}
	c := &circuit{unit: u, src: newSource(u), rigOhm: rigOhm, standby: standingOhm, stepNS: stepNS,
		source: u.SourceOhm, ext: math.Inf(1),
		bounces: rand.New(rand.NewPCG(seed, 1)), bounceN: max(maxBounce, 0)}
	if u.OutputCapF > 0 {
		c.stepNS /= 10
	}
	if c.src.wave == trace.PWM {
		c.stepNS = max(min(c.stepNS, int64(c.src.cycleNS/50)), 100)
	}
	// Nobody closes a contact in step with the mains.
	c.src.phase = rand.New(rand.NewPCG(seed, 3)).Float64()
	c.element = newElement(u, &c.src, rigOhm)
	c.vc = c.src.peakV
	c.ext = c.external()
	c.settle()
	return c
}

// settle puts the loop where it stands before anything happens.
func (c *circuit) settle() {
	if math.IsInf(c.ext, 1) {
		c.v = c.src.at(c.nowNS)
		return
	}
	c.i = min(c.src.at(c.nowNS)/(c.source+c.ext), c.element.limit())
	c.is, c.v = c.i, c.i*c.ext
	if c.unit.OutputCapF > 0 {
		c.vc = c.v
	}
}

// external is the resistance that the unit's terminals see, ohms.
func (c *circuit) external() float64 {
	if !c.contact {
		return c.rigOhm + c.standby
	}
	if math.IsInf(c.standby, 1) {
		return c.rigOhm + c.loadOhm
	}
	if c.loadOhm == 0 {
		return c.rigOhm
	}
	return c.rigOhm + 1/(1/c.standby+1/c.loadOhm)
}

// plateau is the state level that the loop current is heading for, amperes: the ripple's peak on a
// rippled output, without any capacitor's spike.
func (c *circuit) plateau() float64 {
	if math.IsInf(c.ext, 1) || c.element.open {
		return 0
	}
	return min(c.src.peakV/(c.source+c.ext), c.element.limit())
}

// close lets the contact make at an instant, with its chatter.
func (c *circuit) close(atNS int64) {
	c.events = append(c.events, contactEvent{atNS: atNS, closed: true})
	n := 0
	if c.bounceN > 0 {
		n = c.bounces.IntN(c.bounceN + 1)
	}
	t := atNS
	for range n {
		t += int64(50e3 + 250e3*c.bounces.Float64()) // stays made for 0.05 to 0.3 ms
		c.events = append(c.events, contactEvent{t, false, true})
		t += int64(50e3 + 300e3*c.bounces.Float64()) // flies for 0.05 to 0.35 ms
		c.events = append(c.events, contactEvent{t, true, true})
	}
}

// open lets the contact part at an instant; what chatter was still to come does not.
func (c *circuit) open(atNS int64) {
	keep := c.events[:0]
	for _, e := range c.events {
		if e.atNS < atNS {
			keep = append(keep, e)
		}
	}
	c.events = append(keep, contactEvent{atNS: atNS})
}

// advance integrates up to an instant.
func (c *circuit) advance(toNS int64) {
	for c.nowNS < toNS {
		if len(c.events) > 0 && c.events[0].atNS <= c.nowNS {
			e := c.events[0]
			c.events = c.events[1:]
			c.apply(e)
			continue
		}
		if c.nowNS >= c.slowAt {
			c.slow()
		}
		next := min(c.stride(), toNS)
		if len(c.events) > 0 {
			next = min(next, c.events[0].atNS)
		}
		c.step(next)
	}
}

// stride is where the next step ends: one grid step on, or, while everything is calm, as far as the
// next look at what changes slowly and the next thing that the protection element does of itself.
func (c *circuit) stride() int64 {
	next := c.nowNS - c.nowNS%c.stepNS + c.stepNS
	if !c.calm() {
		// An edge of a pulse train that waited for the grid would make each pulse longer or shorter than it is.
		return min(next, c.src.nextEdge(c.nowNS))
	}
	at := c.slowAt
	if due := c.element.due(c.i * c.i); due*1e9 < float64(slowNS) {
		at = min(at, c.nowNS+int64(due*1e9)/c.stepNS*c.stepNS)
	}
	return max(next, at)
}

// calm tells whether nothing moves but what moves slowly.
func (c *circuit) calm() bool {
	if c.unit.OutputCapF > 0 {
		return false
	}
	if c.src.cycleNS > 0 {
		// A rippled output only rests where nothing flows and nobody sees its voltage.
		dead := math.IsInf(c.ext, 1) || c.element.open && c.unit.LeakOhm == 0
		return dead && c.i == 0 && (c.element.open || !c.showsV)
	}
	d := c.i
	if !math.IsInf(c.ext, 1) {
		target := min(c.drive(c.src.meanV, c.source+c.ext), c.element.limit())
		d = math.Abs(c.i-target) - calmShare*target
	}
	return d <= settledA
}

func (c *circuit) apply(e contactEvent) {
	before := c.plateau()
	if e.closed && !e.bounce {
		if !c.hasClosed {
			c.hasClosed, c.firstNS = true, c.nowNS
		}
		c.loadOhm = c.load.ohms(0, c.unit, c.rigOhm)
	}
	c.contact = e.closed
	c.ext = c.external()
	if c.unit.OutputCapF == 0 {
		c.v = c.terminal(c.src.at(c.nowNS)) // the current cannot jump, the voltage does
	}
	c.truth.contact(c, e, before)
}

// slow looks at what changes slowly: the winding's temperature and the load.
func (c *circuit) slow() {
	elapsed := float64(slowNS) * 1e-9
	if w := c.unit.Winding; w.TauS > 0 {
		power := c.heat / elapsed * c.source
		c.riseK += (1 - math.Exp(-elapsed/w.TauS)) * (power*w.KelvinPerW - c.riseK)
		c.source = c.unit.SourceOhm * (1 + copperPerK*c.riseK)
	}
	c.heat = 0
	if c.hasClosed {
		c.loadOhm = c.load.ohms(float64(c.nowNS-c.firstNS)*1e-9, c.unit, c.rigOhm)
		c.ext = c.external()
	}
	c.slowAt = c.nowNS - c.nowNS%slowNS + slowNS
}

// step integrates one step to an instant and tells everybody.
func (c *circuit) step(toNS int64) {
	t0, i0, v0 := c.nowNS, c.i, c.v
	dtNS := toNS - t0
	dt := float64(dtNS) * 1e-9
	emf := c.src.at(t0 + dtNS/2)
	if dtNS > c.stepNS && c.src.cycleNS > 0 {
		emf = c.src.meanV // a long step of a rippled output: nobody sees more of it than the mean
		v0 = c.terminal(emf)
	}
	source0 := i0
	if c.unit.OutputCapF > 0 {
		source0 = c.is
		c.stepCapacitor(dt, emf)
	} else {
		c.stepLoop(dt, dtNS, emf)
		c.is = c.i
	}
	c.nowNS = toNS
	meanSq := (source0*source0 + source0*c.is + c.is*c.is) / 3
	c.heat += meanSq * dt
	c.truth.segment(t0, toNS, i0, c.i, v0, c.v)
	if c.unit.OutputCapF > 0 {
		c.truth.capacitor(dt, c.i, c.is)
	}
	for _, o := range c.watch {
		o.segment(t0, toNS, i0, c.i, v0, c.v)
	}
	if ev := c.element.advance(dt, meanSq, emf/(c.source+c.ext)); ev != nothing {
		c.truth.gate(c, ev)
	}
}

// stepLoop is the plain series loop: source, element, rig, contact, load.
func (c *circuit) stepLoop(dt float64, dtNS int64, emf float64) {
	r := c.source + c.ext
	loaded := !math.IsInf(c.ext, 1)
	if r != c.lastR || dtNS != c.lastDT {
		tau := openTauS
		if loaded {
			tau = c.unit.InductanceH / r
		}
		c.lastR, c.lastDT, c.decay = r, dtNS, math.Exp(-dt/tau)
	}
	target := 0.0
	if loaded {
		target = min(c.drive(emf, r), c.element.limit())
	}
	if d := c.i - target; d > settledA || d < -settledA {
		c.i = target + d*c.decay
	} else {
		c.i = target
	}
	c.v = c.terminal(emf)
}

// terminal is the voltage at the unit's terminals while emf drives the loop, without a capacitor.
func (c *circuit) terminal(emf float64) float64 {
	switch {
	case !math.IsInf(c.ext, 1):
		return c.i * c.ext
	case c.element.open:
		return 0
	}
	return emf
}

// drive is the current that the source would settle at through r ohms; an open element leaves the
// loop to run out through its flyback path, but for what it leaks.
func (c *circuit) drive(emf, r float64) float64 {
	switch {
	case !c.element.open:
		return emf / r
	case c.unit.LeakOhm > 0:
		return emf / (r + c.unit.LeakOhm)
	}
	return 0
}

// stepCapacitor is the loop with a capacitor at the terminals: the source's inductance feeds the
// capacitor, the capacitor feeds rig and load. Current first, then charge, which keeps the pair stable.
func (c *circuit) stepCapacitor(dt, emf float64) {
	ext := c.ext
	esr := max(c.unit.OutputCapOhm, 1e-3)
	terminal := func() float64 {
		if math.IsInf(ext, 1) {
			return c.vc + esr*c.is
		}
		return (c.vc + esr*c.is) / (1 + esr/ext)
	}
	vt := terminal()
	target := 0.0
	switch {
	case !c.element.open:
		target = (emf - vt) / c.source
	case c.unit.LeakOhm > 0:
		target = (emf - vt) / (c.source + c.unit.LeakOhm)
	}
	target = min(max(target, 0), c.element.limit()) // a rectifier takes nothing back
	c.is = target + (c.is-target)*math.Exp(-dt*c.source/c.unit.InductanceH)
	vt = terminal()
	c.i = 0
	if !math.IsInf(ext, 1) {
		c.i = vt / ext
	}
	c.vc += dt / c.unit.OutputCapF * (c.is - c.i)
	c.v = vt
}
