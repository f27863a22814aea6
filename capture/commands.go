package capture

import (
	"fmt"
	"math"
	"strings"

	"letthrough/capture/trace"
	"letthrough/capture/trip"
	"letthrough/capture/wire"
)

// ArmRequest says what is to be tested.
type ArmRequest struct {
	Unit      trace.Unit
	Output    string // of a unit with several; empty: its only one
	Setting   string // how far the unit's control is turned up; empty: full
	Rig       string
	Note      string
	Procedure trace.Procedure // empty: short
	HoldS     *float64        // nil: 30 s
	// Settings may hold more than the unit and the instrument tell; what is set here counts.
	Settings trace.Settings
	// Again arms the bench anew after every run. Otherwise it is idle after a run: the next test
	// of a shelf is of another unit, so that somebody has to say which.
	Again bool

	series int64 // of a series, which alone sets it; 0: of none
	place  int
}

// plan is an ArmRequest that was checked.
type plan struct {
	unit                       trace.Unit
	output, setting, rig, note string
	built                      *trace.Rig // the rig by its parts; nil: none is on the shelf by that name
	settings                   trace.Settings
	current, voltage           *channel // voltage may be nil
	again                      bool
	cautionsRead               bool
	series                     int64
	place                      int
}

// maxTextBytes bounds what a person may write into one field.
const maxTextBytes = 2000

// Arm makes the bench wait for a fault and record it.
func (b *Bench) Arm(q ArmRequest) error {
	s, err := q.settings()
	if err != nil {
		return err
	}
	stands, known := trace.Rig{}, false
	if q.Rig != "" {
		stands, known = b.findRig(q.Rig) // before the lock: the shelf is on a disk
	}
	cautionsRead := b.cautioned(strings.TrimSpace(q.Rig))
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.closed {
		return refuse(CodeState, "", "the bench is closed")
	}
	if b.mode != Idle {
		return refuse(CodeState, "disarm it or end the run first", "the bench is %s", b.mode)
	}
	p := &plan{unit: q.Unit, output: q.Output, setting: q.Setting, rig: q.Rig, note: q.Note, settings: s, again: q.Again, series: q.series, place: q.place, cautionsRead: cautionsRead}
	if known {
		p.built = &stands // as it is now: the run may open after somebody has changed it
	}
	if p.setting == "" {
		p.setting = "full"
	}
	if err := b.choose(p); err != nil {
		return err
	}
	now := b.clock.NowNS()
	b.take(now)
	b.useRig(q.Rig, stands.Parts, known, p, now)
	return b.arm(p, now)
}

// settings checks a request and gives what its figures will be derived with, but for what only the
// instrument knows.
func (q ArmRequest) settings() (trace.Settings, error) {
	s := q.Settings
	s.Procedure = q.Procedure
	if s.Procedure == "" {
		s.Procedure = trace.Short
	}
	s.HoldS = defaultHoldS
	if q.HoldS != nil {
		s.HoldS = *q.HoldS
		if err := holdInRange(s.HoldS); err != nil {
			return s, err
		}
	}
	for name, text := range map[string]string{"output": q.Output, "setting": q.Setting, "rig": q.Rig, "note": q.Note} {
		if len(text) > maxTextBytes {
			return s, refuse(CodeRange, fmt.Sprintf("at most %d bytes", maxTextBytes), "%s: %d bytes are too long", name, len(text))
		}
	}
	if err := q.Unit.Validate(); err != nil {
		return s, refuse(CodeRange, "correct the unit's plate", "%s", err)
	}
	if s.RatedCurrentA == 0 {
		s.RatedCurrentA = q.Unit.RatedCurrentA
	}
	if s.RatedVoltageV == 0 {
		s.RatedVoltageV = q.Unit.RatedVoltageV
	}
	if s.Waveform == "" {
		s.Waveform = q.Unit.Waveform
	}
	if err := s.Validate(); err != nil {
		return s, refuse(CodeRange, "", "%s", err)
	}
	return s, nil
}

// CautionsRead takes note that somebody has read the cautions for a rig.
func (b *Bench) CautionsRead(rig string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.plan != nil && strings.EqualFold(strings.TrimSpace(b.plan.rig), rig) {
		b.plan.cautionsRead = true
		b.kick()
	}
}

const maxHoldS = 86400

func holdInRange(s float64) error {
	if math.IsNaN(s) || s <= 0 || s > maxHoldS {
		return refuse(CodeRange, fmt.Sprintf("a hold is more than 0 and at most %d s", maxHoldS), "hold_s: %g is out of range", s)
	}
	return nil
}

// choose finds the channels the detector listens to, the first that measures each quantity, and takes
// over what the instrument's own line says of its accuracy.
func (b *Bench) choose(p *plan) error {
	for _, in := range b.instruments {
		for _, c := range in.channels {
			switch {
			case c.Quantity == trace.Current && p.current == nil:
				p.current = c
				p.settings.CurrentFrom = c.Instrument
				p.settings = withInstrument(p.settings, in.spec)
			case c.Quantity == trace.Voltage && p.voltage == nil:
				p.voltage = c
				p.settings.VoltageFrom = c.Instrument
				if p.settings.VoltageAveragingS == nil {
					p.settings.VoltageAveragingS = in.spec.AveragingS
				}
				if p.settings.VoltageCalibration.IsZero() {
					p.settings.VoltageCalibration = in.spec.Calibrations[trace.Voltage]
				}
			}
		}
	}
	if p.current == nil {
		return refuse(CodeState, "start with --instrument NAME=FORMAT:PORT, or add one", "no instrument measures current")
	}
	if err := p.settings.Validate(); err != nil {
		return refuse(CodeRange, "correct the instrument's options", "%s", err)
	}
	return nil
}

// withInstrument fills in what the instrument's line says and the request did not.
func withInstrument(s trace.Settings, spec wire.Spec) trace.Settings {
	var own trace.Settings
	spec.Apply(&own)
	if s.Accuracy == (trace.Accuracy{}) {
		s.Accuracy = own.Accuracy
	}
	if s.ResolutionA == 0 {
		s.ResolutionA = own.ResolutionA
	}
	if s.FullScaleA == 0 {
		s.FullScaleA = own.FullScaleA
	}
	if s.AveragingS == nil {
		s.AveragingS = own.AveragingS
	}
	if s.StampUS == 0 {
		s.StampUS = own.StampUS
	}
	if s.Calibration.IsZero() {
		s.Calibration = own.Calibration
	}
	return s
}

// arm starts the watch for an onset; b.mu is held. The detector is given what was kept, so that it
// knows the baseline at once, and so that a fault which is already flowing opens the run with its
// beginning. An event that was over before the arming does not belong to this test: nothing up to
// now is kept then.
func (b *Bench) arm(p *plan, now int64) error {
	b.take(now)
	watch, err := trip.New(p.settings)
	if err != nil {
		return refuse(CodeRange, "", "%s", err)
	}
	inOrder(b.allKept(now-b.preNS), func(c *channel, samples []trace.Sample) { feed(watch, p, c, samples) })
	b.plan, b.watch = p, watch
	b.setMode(Armed)
	if _, ok := watch.Onset(); ok {
		switch watch.Phase() {
		case trace.Fault, trace.Limiting, trace.Retry:
			b.openAtOnset(now)
		default:
			b.floorNS = now
			b.watch, _ = trip.New(p.settings)
		}
	}
	b.kick()
	return nil
}

// kick makes the bench's goroutine look at its deadlines anew and tells the viewers.
func (b *Bench) kick() {
	b.changed = true
	b.wakeViewers()
	select {
	case b.poke <- struct{}{}:
	default:
	}
}

// Disarm stops waiting.
func (b *Bench) Disarm() error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.mode != Armed {
		return refuse(CodeState, "there is nothing to disarm", "the bench is %s", b.mode)
	}
	b.plan, b.watch = nil, nil
	b.setMode(Idle)
	b.drive.closeNS = 0
	b.openBecause(whyDisarmed)
	b.kick()
	return nil
}

// Extend makes the hold of the open run longer: holdS is the whole hold, from the onset.
func (b *Bench) Extend(holdS float64) error {
	if err := holdInRange(holdS); err != nil {
		return err
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	r := b.run
	switch {
	case r == nil:
		return refuse(CodeState, "a hold can be extended while a run is open", "the bench is %s", b.mode)
	case !r.hold:
		return refuse(CodeState, "test the unit once more with a longer hold", "the hold is over")
	case holdS <= r.settings.HoldS:
		return refuse(CodeRange, "to end the run sooner, end it", "hold_s: %g s is no longer than the hold of %g s", holdS, r.settings.HoldS)
	}
	b.amendHold(holdS)
	b.kick()
	return nil
}

func (b *Bench) amendHold(holdS float64) {
	r := b.run
	r.settings.HoldS = holdS
	r.det.SetHold(holdS)
	r.fresh = true
	b.rec.Amend(r.id, r.settings)
}

// End ends the hold of the open run now; the recovery is watched from here on. While it is being
// watched, End ends the run itself.
func (b *Bench) End() error {
	b.mu.Lock()
	defer b.mu.Unlock()
	r := b.run
	if r == nil {
		return refuse(CodeState, "there is no run to end", "the bench is %s", b.mode)
	}
	now := b.clock.NowNS()
	b.take(now)
	if r.hold {
		// The hold as it really was: the end of a hold counts as the removal, so that a fall
		// by the tester's hand is not taken for the unit's doing.
		if held := float64(now-r.holdFromNS()) / 1e9; held > 0 {
			// A fall before that which nobody marked is asked about: a hand that has opened the
			// contact often ends the run next.
			if r.removedNS == 0 && r.settings.FinalFall == "" {
				r.settings.FinalFall = trace.FallAsked
				r.det.SetFinalFall(trace.FallAsked)
			}
			b.amendHold(min(held, r.settings.HoldS))
		}
		b.endHold(now, whyEnded)
	} else {
		b.finish(now, trace.RunComplete, "")
	}
	b.kick()
	return nil
}

// Mark makes a mark by hand, now. The mark applied opens the run of an armed bench, whether a
// current is seen or not.
func (b *Bench) Mark(kind trace.MarkKind, text string) (m trace.Mark, run int64, err error) {
	switch kind {
	case trace.Applied, trace.Removed, trace.Note:
	default:
		return m, 0, refuse(CodeRange, "a mark by hand is applied, removed or note", "kind: %q is no mark that a person makes", string(kind))
	}
	if len(text) > maxTextBytes {
		return m, 0, refuse(CodeRange, fmt.Sprintf("at most %d bytes", maxTextBytes), "text: %d bytes are too long", len(text))
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	now := b.clock.NowNS()
	m, err = b.mark(kind, trace.Hand, text, trace.HandU, now)
	if err != nil {
		return m, 0, err
	}
	return m, b.run.id, nil
}

// mark makes a mark in the open run; b.mu is held.
func (b *Bench) mark(kind trace.MarkKind, by trace.By, text string, u float64, now int64) (trace.Mark, error) {
	b.take(now)
	if kind == trace.Applied {
		b.openPlanned(now)
	}
	if b.run == nil {
		return trace.Mark{}, refuse(CodeState, "arm the bench first", "no run is open, the bench is %s", b.mode)
	}
	m := b.addMark(kind, by, text, u, now)
	b.kick()
	return m, nil
}

// openPlanned opens the run of an armed bench without an onset, unless one has opened it just now.
func (b *Bench) openPlanned(now int64) {
	if b.mode == Armed {
		b.openRun(now, now-b.preNS)
	}
}
