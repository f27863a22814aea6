package trip

import (
	"fmt"
	"math"

	"letthrough/capture/trace"
)

// What a person says afterwards of the detector's own marks. All of it is known before the first sample,
// so that a detector that is told reads the trace as one that always knew:
//
//   - a struck onset is a current that was no fault: it is read over until it is gone;
//   - a moved or added onset begins the fault there, wherever the detector saw it;
//   - a struck cut-off is bridged: the fault goes on when the current is back, and where it never comes
//     back the watch ends with it, as when somebody opens the contact;
//   - a moved or added cut-off ends the fault there; what flows on until the trace falls belongs to it;
//   - a struck limitation is none; a moved or added one is placed there;
//   - retries are moved, added, struck when the story is told (hand_tell.go).

// handMark is one thing that a person says. Times are seconds since the first sample.
type handMark struct {
	edit    trace.MarkEdit // as told, times on the samples' time base
	was     float64        // NaN: added
	t       float64        // NaN: struck
	u       float64        // standard uncertainty of t, s: anywhere within what the person said
	at      sums           // the sums at t
	passed  bool           // the stream has reached t
	matched bool           // the mark that is meant was found in the stream
	told    bool           // ... when the story was told last
}

func (m *handMark) struck() bool { return math.IsNaN(m.t) }
func (m *handMark) added() bool  { return math.IsNaN(m.was) }

// hand keeps what a person says, and how far it has been heeded.
type hand struct {
	said   []*handMark
	over   bool    // a struck onset's current is read over
	lowT   float64 // ... and has been low since then; +Inf: is not low
	seen   bool    // the detector's own onset came before the instant at which the fault is to begin
	fell   edge    // the fall before a cut-off that was moved to later
	drain  bool    // the fault ended by hand, its current still flows
	ignore float64 // A; a struck limitation's level, which tells nothing any more
}

// hear takes what a person says of the detector's own marks.
func (h *hand) hear(edits []trace.MarkEdit) {
	for _, e := range trace.NetEdits(edits) {
		h.said = append(h.said, &handMark{edit: e, was: math.NaN(), t: math.NaN(), u: e.U() / 1.65})
	}
}

// begin turns the times into those since the first sample, once it is known.
func (h *hand) begin(d *Detector) {
	for _, m := range h.said {
		if m.edit.WasTS != nil {
			m.was = d.rel(*m.edit.WasTS)
		}
		if m.edit.TS != nil {
			m.t = max(d.rel(*m.edit.TS), 0)
		}
	}
}

// nextT is the next instant to wake at.
func (h *hand) nextT() float64 {
	t := math.Inf(1)
	for _, m := range h.said {
		if !m.passed && !m.struck() {
			t = min(t, m.t)
		}
	}
	return t
}

// pass keeps the sums at the instants that the stream has reached.
func (h *hand) pass(d *Detector, now float64) {
	for _, m := range h.said {
		if m.passed || m.struck() || m.t > now {
			continue
		}
		m.passed = true
		m.at, _ = d.ring.sumsAt(m.t)
		d.dirty = true
	}
}

// find gives what is said of a mark of that kind near t: moved or struck.
func (h *hand) find(d *Detector, kind trace.MarkKind, t float64) *handMark {
	// Other settings place a mark a little differently; two of a kind are never that close.
	slack := max(0.02, 1.01*d.interval())
	if kind == trace.Onset {
		slack = max(0.1, 2*d.interval()) // its first reading, before its instant is worked out
	}
	for _, m := range h.said {
		if m.edit.Kind == kind && !m.added() && math.Abs(m.was-t) <= slack {
			return m
		}
	}
	return nil
}

// placed gives the instant that a person put a mark of that kind at, which there is one of: moved or added.
func (h *hand) placed(kind trace.MarkKind) *handMark {
	for _, m := range h.said {
		if m.edit.Kind == kind && !m.struck() {
			return m
		}
	}
	return nil
}

// place puts an edge where a person says it is; the levels around it stay.
func (m *handMark) place(d *Detector, e *edge) {
	if !m.passed || m.at.t == 0 {
		m.at, _ = d.ring.sumsAt(m.t)
	}
	e.t, e.u, e.at, e.inGap, e.hand = m.t, m.u, m.at, false, m
	e.before, e.after = m.t-m.edit.U(), m.t+m.edit.U()
}

// whileIdle is asked before the detector looks for an onset; true: the reading is dealt with.
func (h *hand) whileIdle(d *Detector, o *obs) bool {
	if h.over {
		switch {
		case math.Abs(o.x-d.b) > d.onLevel:
			h.lowT = math.Inf(1)
		case math.IsInf(h.lowT, 1):
			h.lowT = o.t
		case o.t-h.lowT >= offConfirmS:
			h.over = false
		}
		return true
	}
	m := h.placed(trace.Onset)
	switch {
	case m == nil:
		return false
	case o.t >= m.t && d.n >= 2:
		h.force(d, m)
		return true
	}
	return h.seen // it waits for its instant
}

// holdsBack is asked before a fault begins at reading k; true: it does not.
func (h *hand) holdsBack(d *Detector, k int) bool {
	t := d.ring.at(k).t
	if m := h.find(d, trace.Onset, t); m != nil && m.struck() {
		m.matched = true
		h.over, h.lowT = true, math.Inf(1)
	} else if m := h.placed(trace.Onset); m != nil && t < m.t {
		h.seen = true
		if d.ring.at(k).x < d.b {
			d.b = -d.b
			d.turn()
		}
	} else {
		return false
	}
	if d.doubt {
		d.forget()
		d.state = idle
	}
	return true
}

// force begins the fault where a person says it began.
func (h *hand) force(d *Detector, m *handMark) {
	if !h.seen {
		d.b, d.sigma, d.onLevel = 0, d.resolution()/math.Sqrt(12), d.leastOnset()
		if b, sigma, level, ok := d.quiet(m.t); ok {
			d.b, d.sigma, d.onLevel = b, sigma, level
		}
	}
	d.candK = -1
	p := &pulse{k: d.ring.end - 1, waits: true}
	d.quickOn(p)
	p.settledAt, p.settledSums = p.on.t, p.on.at
	d.open(p)
	p.lowN, p.lows = 0, 0
	h.rises(d, p, d.ring.last())
}

// setOnset puts the fault's onset where a person says it is.
func (h *hand) setOnset(d *Detector, p *pulse) {
	m := h.placed(trace.Onset)
	if m == nil || len(d.pulses) > 0 && p != d.pulses[0] {
		return
	}
	m.matched = true
	m.place(d, &p.on)
	p.riseU = p.on.u
}

// rises: the current of a fault that began by hand is there.
func (h *hand) rises(d *Detector, p *pulse, o *obs) bool {
	if -o.x > d.absOnLevel() && p.waits {
		d.turn()
	}
	if o.x >= d.absOnLevel() {
		p.waits, p.k = false, d.ring.end-1
	}
	return !p.waits
}

// whileOn is asked before a reading of a pulse is taken; true: it is dealt with.
func (h *hand) whileOn(d *Detector, p *pulse, o *obs) bool {
	if m := h.placed(trace.CutOff); m != nil && p == d.pulses[0] && !d.doubt && o.t >= m.t && m.t > p.on.t && !m.matched {
		h.cut(d, p, m, o)
		return true
	}
	if p.waits && !h.rises(d, p, o) {
		return true
	}
	if p.bridged {
		if o.x < d.offLevel {
			return true
		}
		p.bridged, p.lowN = false, 0
	}
	return false
}

// bridges is asked before a pulse ends; true: it goes on.
func (h *hand) bridges(d *Detector, p *pulse) bool {
	if len(h.said) == 0 || p != d.pulses[0] {
		return false
	}
	e := d.offEdge(p)
	m := h.find(d, trace.CutOff, e.t)
	if m == nil || !m.struck() && m.t <= d.now() {
		return false
	}
	if m.struck() {
		m.matched = true
	}
	p.bridged, h.fell = true, e
	d.dirty = true
	return true
}

// cut ends the fault where a person says it ended.
func (h *hand) cut(d *Detector, p *pulse, m *handMark, o *obs) {
	if !p.onFinal {
		d.settle(p, true)
	}
	e := h.fell
	before := e.before
	if !p.bridged {
		before = m.t
		e = edge{from: d.levelBeforeFall(p, d.ring.end-1), to: min(o.x, d.offLevel)}
	}
	m.matched = true
	m.place(d, &e)
	p.off, p.ended, p.bridged, p.waits, p.lowN = e, true, false, false, 0
	if !d.fold.confirmed {
		d.closeFault(p, e.t, e.at, before)
	}
	d.state, d.candK = off, -1
	h.drain = o.x >= d.offLevel
	d.dirty = true
}

// whileOff is asked before the detector looks for a retry; true: the reading is dealt with.
func (h *hand) whileOff(d *Detector, o *obs) bool {
	if !h.drain {
		return false
	}
	if h.drain = o.x >= d.offLevel; !h.drain {
		return false
	}
	if o.t-d.current().off.t > offConfirmS {
		d.resid.add(o.t, o.x)
	}
	return true
}

// noFold is asked when a limitation is placed; true: a person says that it is none.
func (h *hand) noFold(d *Detector, e *edge, level float64) bool {
	m := h.find(d, trace.Limited, e.t)
	if m == nil || !m.struck() {
		return false
	}
	m.matched = true
	h.ignore = level
	return true
}

// fold confirms a limitation that a person added, once what flows after it is known.
func (h *hand) fold(d *Detector, p *pulse, o *obs) bool {
	m := h.placed(trace.Limited)
	if m == nil || !m.added() || m.matched || m.t <= p.on.t {
		return false
	}
	f, w := &d.fold, d.fold.window(d, p)
	if o.t < m.t+2*w {
		return false
	}
	before := d.dec.within(max(p.settledAt, p.on.t), m.t)
	level, ok := d.meanBetween(o.t-w, o.t)
	if !ok || len(before) == 0 {
		return false
	}
	f.before, f.t, f.k, f.pending = meanOf(before), m.t, d.ring.index(m.t), true
	f.confirm(d, p, o, w, level)
	m.matched = true
	m.place(d, &f.edge)
	return true
}

// says names the mark and what was done to it. It tells no time, since whoever shows it may count from
// elsewhere.
func (m *handMark) says() string {
	what := markWords[m.edit.Kind]
	switch {
	case m.added():
		return what + " was added by hand"
	case m.struck():
		return what + " found there was struck by hand"
	}
	return fmt.Sprintf("%s was moved by %+.4g s by hand", what, m.t-m.was)
}

var markWords = map[trace.MarkKind]string{
	trace.Onset: "the onset", trace.Limited: "the limitation", trace.CutOff: "the cut-off",
	trace.RetryOn: "a retry's beginning", trace.RetryOff: "a retry's end", trace.Restored: "the output's return",
}
