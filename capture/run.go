package capture

import (
	"math"
	"slices"
	"time"

	"letthrough/capture/trace"
	"letthrough/capture/trip"
	"letthrough/capture/words"
)

// run is the open run. Its own time base begins with its first kept sample.
type run struct {
	id       int64
	plan     *plan
	settings trace.Settings
	det      *trip.Detector
	originNS int64
	openedNS int64
	started  time.Time
	counts   trace.Counts // of the instruments when it opened

	nextMark  int   // ID of the next mark from outside
	appliedNS int64 // 0: no mark says so
	removedNS int64
	opened    string // why the contact was opened the first time
	alarm     bool   // a part of the rig was used up
	hold      bool   // the hold is going on
	holdEndNS int64  // when it ended, once hold is false
	endNS     int64  // newest sample

	fresh      bool // samples came since the figures were last derived
	derivedNS  int64
	derivation *trace.Derivation
}

// outsideMarks is where the numbers of marks from outside begin. The detector numbers them alike, so
// that a mark keeps its number from the live page to the stored derivation.
const outsideMarks = 1_000_000

// figuresEveryNS is how often figures so far are derived while nothing but samples comes in.
const figuresEveryNS = 100e6

// onsetNS is the onset on the bench's time base, once there is one.
func (r *run) onsetNS() (int64, bool) {
	t, ok := r.det.Onset()
	return r.originNS + trace.NS(t), ok
}

// holdFromNS is what the hold counts from: the onset, else the mark applied, else the opening.
func (r *run) holdFromNS() int64 {
	if at, ok := r.onsetNS(); ok {
		return at
	}
	if r.appliedNS != 0 {
		return r.appliedNS
	}
	return r.openedNS
}

// holdEndsNS is when the hold ends or ended.
func (r *run) holdEndsNS() int64 {
	if !r.hold {
		return r.holdEndNS
	}
	return r.holdFromNS() + trace.NS(r.settings.HoldS)
}

// deadlineNS is when the run changes next if nothing happens.
func (r *run) deadlineNS(watchNS int64) int64 {
	if r.hold {
		return r.holdEndsNS()
	}
	return r.holdEndNS + watchNS
}

// holding is trace.RunOpen while the hold goes on and the figures are only so far; empty afterwards.
func (r *run) holding() trace.RunState {
	if r.hold {
		return trace.RunOpen
	}
	return ""
}

// seconds turns an instant of the bench into seconds of the run.
func (r *run) seconds(ns int64) float64 { return float64(ns-r.originNS) / 1e9 }

// openRun opens the planned run at now, with what was kept since fromNS. The detector that watched is
// dismissed: a new one is fed what the run keeps, and nothing else.
func (b *Bench) openRun(now, fromNS int64) {
	r := &run{plan: b.plan, settings: b.plan.settings, openedNS: now, hold: true, nextMark: outsideMarks}
	r.settings.ClockUS, r.settings.ClockRateU = b.clockU(b.plan.current)
	r.settings.SkewUS = b.skewU(b.plan.current, b.plan.voltage)
	det, err := trip.New(r.settings)
	if err != nil {
		// The settings were checked when the bench was armed; only the clock's figure is new.
		b.log.Error("clock uncertainty out of range", "err", err)
		r.settings.ClockUS, r.settings.ClockRateU, r.settings.SkewUS = 0, 0, 0
		det, _ = trip.New(r.settings)
	}
	r.det = det
	r.originNS = now
	for _, c := range b.channels {
		if kept := b.kept(c, fromNS); len(kept) > 0 {
			r.originNS = min(r.originNS, kept[0].AtNS)
		}
	}
	r.originNS = min(r.originNS, b.typedSince(max(b.floorNS, fromNS)))
	r.started = b.clock.WallAt(r.originNS)
	r.counts = b.counts()
	start := trace.RunStart{
		Unit: r.plan.unit, Output: r.plan.output, Setting: r.plan.setting, Rig: r.plan.rig, Built: r.plan.built, Note: r.plan.note, Series: r.plan.series, SeriesPlace: r.plan.place,
		Settings: r.settings, Started: r.started, OriginNS: r.originNS, OpenedNS: now - r.originNS,
		Instruments: b.runInstruments(), Version: b.version,
	}
	if r.id, err = b.rec.Begin(start); err != nil {
		// The test goes on: it is shown, and figures come out, even if nobody keeps it.
		b.log.Error("open run in the store", "err", err)
	}
	b.run, b.watch = r, nil
	b.setMode(Recording)
	b.publish(Event{
		Kind: EventRun, Run: r.id, AtNS: now, RunState: trace.RunOpen, Unit: r.plan.unit,
		Procedure: r.settings.Procedure, Settings: r.settings, Started: r.started,
	})
	inOrder(b.allKept(fromNS), b.runSamples)
	b.keepSamples()
	for _, c := range b.channels {
		c.pre = prerecord{limit: c.pre.limit}
	}
	b.runChanges(now)
}

// kept is what a run or a detector gets of a channel from before. An instrument that fell silent long
// ago still has its last seconds in memory; they belong to nothing that begins now.
func (b *Bench) kept(c *channel, fromNS int64) []trace.Sample {
	return since(c.pre.kept(), max(b.floorNS, fromNS))
}

// allKept is what all channels have from before.
func (b *Bench) allKept(fromNS int64) []piece {
	var out []piece
	for _, c := range b.channels {
		out = append(out, piece{c, b.kept(c, fromNS)})
	}
	return out
}

// openAtOnset opens the run of an armed bench if its detector has seen a fault begin. The pre-record
// counts from the onset and not from now, which may be later by the time it took to be sure.
func (b *Bench) openAtOnset(now int64) {
	if at, ok := b.watch.Onset(); ok {
		b.openRun(now, trace.NS(at)-b.preNS)
	}
}

// runInstruments describes the instruments for the record.
func (b *Bench) runInstruments() []trace.RunInstrument {
	var out []trace.RunInstrument
	for _, in := range b.instruments {
		out = append(out, trace.RunInstrument{Name: in.spec.Name, Format: in.spec.Format, Port: in.spec.Port, Spec: in.spec.String(), Calibrations: in.spec.Calibrations})
	}
	return out
}

// clockU is the uncertainty of a channel's time base, and of its rate.
func (b *Bench) clockU(c *channel) (uS, rateU float64) {
	for _, in := range b.instruments {
		if slices.Contains(in.channels, c) {
			return in.status.ClockUS, in.status.ClockRateU
		}
	}
	return 0, 0
}

// offsetU is how far the current's time base may be from the bench's clock, on which marks from outside are made.
func (b *Bench) offsetU() float64 {
	for _, in := range b.instruments {
		if b.plan != nil && slices.Contains(in.channels, b.plan.current) {
			return in.status.OffsetUS
		}
	}
	return 0
}

// skewU is how far the time bases of two channels may be apart: not at all where one instrument brings both.
func (b *Bench) skewU(one, other *channel) float64 {
	var of []float64
	for _, in := range b.instruments {
		if other != nil && slices.Contains(in.channels, one) != slices.Contains(in.channels, other) {
			of = append(of, in.status.OffsetUS)
		}
	}
	if len(of) != 2 {
		return 0
	}
	return math.Hypot(of[0], of[1])
}

// counts adds up what the instruments lost so far.
func (b *Bench) counts() (c trace.Counts) {
	for _, in := range b.instruments {
		c.Lost += int64(in.status.Lost + in.lost)
		c.Garbled += int64(in.status.Garbled)
		c.Duplicate += int64(in.status.Duplicate)
	}
	return c
}

// runSamples puts samples of one channel on the run's time base and gives them to the detector.
func (b *Bench) runSamples(c *channel, samples []trace.Sample) {
	r := b.run
	samples = since(samples, r.originNS)
	if len(samples) == 0 {
		return
	}
	from := len(c.shifted)
	c.shifted = append(c.shifted, samples...)
	own := c.shifted[from:]
	for i := range own {
		own[i].AtNS -= r.originNS
	}
	r.endNS = max(r.endNS, own[len(own)-1].AtNS)
	r.fresh = true
	feed(r.det, r.plan, c, own)
}

// keepSamples hands the recorder what the detector was given since the last time, a batch for each
// channel: in the order of time the batches would be single samples.
func (b *Bench) keepSamples() {
	for _, c := range b.channels {
		if len(c.shifted) > 0 {
			b.rec.Append(b.run.id, trace.Batch{Channel: c.Channel, Samples: c.shifted})
			c.shifted = c.shifted[:0]
		}
	}
}

// runChanges publishes new marks at once and figures now and then.
func (b *Bench) runChanges(now int64) {
	r := b.run
	b.marks = r.det.Changes(b.marks[:0])
	told := b.tellMarks(b.marks)
	if told || r.fresh && now-r.derivedNS >= figuresEveryNS {
		d := r.det.Derive()
		b.tellFigures(&d, now)
	}
}

// tellMarks publishes and records marks of the detector. Those from outside that it gives back were
// told when they were made.
func (b *Bench) tellMarks(marks []trace.Mark) (told bool) {
	r := b.run
	marks = slices.DeleteFunc(marks, func(m trace.Mark) bool { return m.By != trace.Detector })
	if len(marks) == 0 {
		return false
	}
	b.rec.Marks(r.id, marks)
	for _, m := range marks {
		b.publish(Event{Kind: EventMark, Run: r.id, AtNS: r.originNS + trace.NS(m.T), Mark: &m})
	}
	return true
}

func (b *Bench) tellFigures(d *trace.Derivation, now int64) {
	r := b.run
	words.Fill(d, r.settings)
	r.derivation, r.derivedNS, r.fresh = d, now, false
	b.publish(Event{Kind: EventFigures, Run: r.id, AtNS: now, RunState: r.holding(), Figures: d, Settings: r.settings, Procedure: r.settings.Procedure, Unit: r.plan.unit})
}

// addMark makes a mark from outside at an instant of the bench.
func (b *Bench) addMark(kind trace.MarkKind, by trace.By, text string, u float64, atNS int64) trace.Mark {
	r := b.run
	m := trace.Mark{ID: r.nextMark, Kind: kind, T: r.seconds(atNS), U: u, By: by, Text: text}
	r.nextMark++
	switch kind {
	case trace.Applied:
		r.appliedNS = atNS
	case trace.Removed:
		if r.opened == "" {
			r.opened = text
		}
		first := r.removedNS == 0 // the contact may be closed once more to see whether the unit recovers
		r.removedNS = atNS
		// The program's own contact opened at this instant: that is the hold as it really was, a
		// little longer than asked for. It is stated a hair longer still, so that the detector
		// takes its end from the mark, with the mark's uncertainty.
		if held := float64(atNS-r.holdFromNS()+1000) / 1e9; by == trace.Contact && first && held > 0 && held <= maxHoldS {
			b.amendHold(held)
		}
	}
	r.det.Mark(m)
	b.rec.Marks(r.id, []trace.Mark{m})
	b.publish(Event{Kind: EventMark, Run: r.id, AtNS: atNS, Mark: &m})
	r.fresh = true
	if kind == trace.Removed && r.hold {
		// With the short gone there is nothing left to hold.
		b.endHold(atNS, whyMarked)
	}
	b.runChanges(b.clock.NowNS())
	return m
}

// keepHold ends the hold when its time has come, by the clock of the host.
func (b *Bench) keepHold(now int64) {
	if r := b.run; r.hold && now >= r.holdEndsNS() {
		b.endHold(r.holdEndsNS(), whyHold)
	}
}

// keepEnd ends the run when its time has come, by the clock of the host: an instrument that fell
// silent keeps no run open.
func (b *Bench) keepEnd(now int64) {
	if r := b.run; !r.hold && now >= r.deadlineNS(b.watchNS) {
		b.finish(now, trace.RunComplete, "")
	}
}

// endHold begins the watch over the recovery. A contact that the program drives is opened.
func (b *Bench) endHold(atNS int64, why string) {
	r := b.run
	r.hold, r.holdEndNS = false, atNS
	b.openBecause(why)
	b.publish(Event{Kind: EventBench, Mode: b.mode, AtNS: atNS, Run: r.id})
	b.kick()
}

// finish ends the run, and with it the arming, unless that was asked to stay.
func (b *Bench) finish(now int64, state trace.RunState, reason string) {
	r := b.run
	d := r.det.Finish()
	b.marks = r.det.Changes(b.marks[:0])
	b.tellMarks(b.marks)
	b.tellFigures(&d, now)
	c := b.counts()
	b.rec.End(r.id, trace.RunEnd{
		State: state, Reason: reason, Settings: r.settings, Derivation: d,
		Ended: b.clock.WallAt(now), EndNS: r.endNS,
		Counts: trace.Counts{
			Lost: max(0, c.Lost-r.counts.Lost), Garbled: max(0, c.Garbled-r.counts.Garbled),
			Duplicate: max(0, c.Duplicate-r.counts.Duplicate),
		},
	})
	b.publish(Event{
		Kind: EventRun, Run: r.id, AtNS: now, RunState: state, Unit: r.plan.unit,
		Procedure: r.settings.Procedure, Settings: r.settings, Started: r.started, Text: reason,
	})
	_, onset := r.onsetNS()
	b.lastEnd = ended{run: r.id, state: state, behaviour: d.Behaviour, opened: r.opened, alarm: r.alarm, onset: onset, lost: max(0, c.Lost-r.counts.Lost), holdS: r.settings.HoldS}
	b.run, b.plan, b.lastRun = nil, nil, r.id
	b.openBecause(whyRunOver)
	b.floorNS = now
	b.setMode(Idle)
	if r.plan.again && !b.closed {
		if err := b.arm(r.plan, now); err != nil {
			b.log.Error("arm again", "err", err)
		}
	}
}
