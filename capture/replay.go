package capture

import (
	"fmt"
	"iter"
	"maps"
	"math"
	"slices"
	"sort"
	"time"

	"letthrough/capture/rig"
	"letthrough/capture/trace"
	"letthrough/capture/trip"
	"letthrough/capture/words"
)

// ReplayOptions are a stored run as a replay needs it. All times are on the run's own time base.
type ReplayOptions struct {
	Clock    Clock // nil: real time
	Run      int64
	Unit     trace.Unit
	Setting  string
	Rig      string
	Output   string
	Settings trace.Settings // those of the derivation that is replayed
	Marks    []trace.Mark   // from outside
	Channels []trace.Channel
	Started  time.Time
	OpenedNS int64
	EndNS    int64 // of the last sample
	Version  string
	// Samples reads on: of each channel the first so many samples are left out. What it gives is valid until the
	// next. It is called again and again, so that nothing is held open while a replay stands.
	Samples func(read map[trace.Channel]int64) iter.Seq2[trace.Batch, error]
}

// The speeds of a replay.
const (
	SlowestReplay = 0.1
	FastestReplay = 100
)

// readAhead is how many samples are kept that lie ahead of where a replay stands.
const readAhead = 1 << 14

// Replay plays a stored run as it was live: its samples go, batch by batch as time passes, through a detector of
// their own, and events and columns come out as the Bench gives them. It touches neither bench nor store, so that
// a test can go on beside it. It is not safe for concurrent use.
//
//	Play, Pause, SetSpeed, GoTo, Step, Loop  ->  Advance, now and then  ->  Events, Columns, State
type Replay struct {
	o     ReplayOptions
	ours  func(trace.Channel) bool
	speed float64
	plays bool
	atNS  int64 // where it stands
	from  int64 // it stood there ...
	since int64 // ... at this instant of the clock
	loop  *[2]int64

	det      *trip.Detector
	marks    []trace.Mark // not handed over yet
	channels []*replayChannel
	ahead    []trace.Batch
	read     map[trace.Channel]int64
	dry      bool // nothing follows what is ahead
	ended    bool // the detector was told that the trace ends

	events    []Event
	changed   []trace.Mark
	rewound   bool
	fresh     bool  // samples came since the figures were told
	derivedNS int64 // ... by the clock
	figures   *trace.Derivation
	recent    ring[int64] // times of the newest samples of the current
}

// replayChannel is one channel of the run.
type replayChannel struct {
	trace.Channel
	ours    bool // the detector listens to it
	right   trace.Calibration
	columns *columnRing
	copied  []trace.Sample
}

// NewReplay makes a replay that stands at the beginning of a run.
func NewReplay(o ReplayOptions) (*Replay, error) {
	if o.Clock == nil {
		o.Clock = NewClock(1)
	}
	p := &Replay{o: o, speed: 1}
	if err := p.rewind(); err != nil {
		return nil, err
	}
	p.rewound = false
	return p, nil
}

// rewind begins anew: what was found lies ahead again.
func (p *Replay) rewind() (err error) {
	if p.det, err = trip.New(p.o.Settings); err != nil {
		return fmt.Errorf("replay run %d: %w", p.o.Run, err)
	}
	p.ours = trip.Chosen(p.o.Settings)
	p.marks = slices.Clone(p.o.Marks)
	slices.SortStableFunc(p.marks, func(a, b trace.Mark) int { return int(math.Copysign(1, a.T-b.T)) })
	p.channels = nil
	for _, c := range p.o.Channels {
		rc := &replayChannel{Channel: c, columns: newColumnRing()}
		if rc.ours = p.ours(c); rc.ours && c.Quantity == trace.Current {
			rc.right = p.o.Settings.Calibration
		} else if rc.ours {
			rc.right = p.o.Settings.VoltageCalibration
		}
		p.channels = append(p.channels, rc)
	}
	p.ahead, p.read, p.dry, p.ended = nil, map[trace.Channel]int64{}, false, false
	p.events, p.figures, p.fresh, p.rewound = nil, nil, true, true
	p.recent = ring[int64]{cap: 1 << 12}
	p.atNS = 0
	p.publish(Event{Kind: EventRun, RunState: trace.RunOpen, Unit: p.o.Unit, Procedure: p.o.Settings.Procedure, Settings: p.o.Settings, Started: p.o.Started})
	return nil
}

func (p *Replay) publish(e Event) {
	e.Run, e.OpenedNS = p.o.Run, p.o.OpenedNS
	if at, ok := p.det.Onset(); ok {
		zero := trace.NS(at)
		e.ZeroNS = &zero
	}
	p.events = append(p.events, e)
}

// Play goes on from where it stands; from the end, from the beginning.
func (p *Replay) Play() error {
	if p.atNS >= p.o.EndNS {
		if err := p.GoTo(p.startNS()); err != nil {
			return err
		}
	}
	p.plays = true
	p.restart()
	return nil
}

// startNS is where a replay begins that plays from the beginning again.
func (p *Replay) startNS() int64 {
	if p.loop != nil {
		return p.loop[0]
	}
	return 0
}

// Pause stands still.
func (p *Replay) Pause() {
	p.plays = false
	p.restart()
	for _, c := range p.channels {
		c.columns.flush()
	}
}

// SetSpeed plays so many times as fast as it was.
func (p *Replay) SetSpeed(times float64) error {
	if !(times >= SlowestReplay && times <= FastestReplay) {
		return refuse(CodeRange, "", "speed: %g is out of range, allowed is %g to %g", times, SlowestReplay, float64(FastestReplay))
	}
	p.speed = times
	p.restart()
	return nil
}

// restart counts time from here and now.
func (p *Replay) restart() { p.from, p.since = p.atNS, p.o.Clock.NowNS() }

// GoTo stands at another instant: everything up to it has been seen, nothing after it.
func (p *Replay) GoTo(ns int64) error {
	ns = min(max(ns, 0), p.o.EndNS)
	if ns < p.atNS || p.ended && ns < p.o.EndNS {
		if err := p.rewind(); err != nil {
			return err
		}
	}
	if err := p.seeTo(ns); err != nil {
		return err
	}
	p.restart()
	if !p.plays {
		for _, c := range p.channels {
			c.columns.flush()
		}
	}
	return nil
}

// Loop plays from one instant to another again and again; to not after from: no more.
func (p *Replay) Loop(from, to int64) error {
	from, to = max(from, 0), min(to, p.o.EndNS)
	if to <= from {
		p.loop = nil
		return nil
	}
	p.loop = &[2]int64{from, to}
	if p.atNS < from || p.atNS >= to {
		return p.GoTo(from)
	}
	return nil
}

// Step stands so many samples of the current further on, or back, and pauses.
func (p *Replay) Step(n int) error {
	p.Pause()
	for ; n > 0; n-- {
		if err := p.seeTo(p.atNS); err != nil { // so that what follows is at hand
			return err
		}
		next, ok := p.nextNS()
		if !ok {
			return p.GoTo(p.o.EndNS)
		}
		if err := p.GoTo(next); err != nil {
			return err
		}
	}
	if n < 0 {
		return p.GoTo(p.before(-n))
	}
	return nil
}

// nextNS is the next sample of the current, where one is at hand.
func (p *Replay) nextNS() (int64, bool) {
	for _, b := range p.ahead {
		if b.Channel.Quantity != trace.Current || !p.ours(b.Channel) {
			continue
		}
		for _, s := range b.Samples {
			if s.AtNS > p.atNS {
				return s.AtNS, true
			}
		}
	}
	return 0, false
}

// before is the n-th sample of the current before where it stands.
func (p *Replay) before(n int) int64 {
	for k := p.recent.n; k >= p.recent.first(); k-- {
		at := p.recent.at(k)
		if at == nil {
			break
		}
		if *at < p.atNS {
			if n--; n == 0 {
				return *at
			}
		}
	}
	return 0
}

// Advance lets time pass by the clock, and tells what came of it.
func (p *Replay) Advance() error {
	now := p.o.Clock.NowNS()
	if p.plays {
		target := p.from + int64(float64(now-p.since)*p.speed)
		if p.loop != nil && target >= p.loop[1] {
			target = p.loop[0] + (target-p.loop[0])%(p.loop[1]-p.loop[0]) // at a high speed it may come round within one look
			if err := p.rewind(); err != nil {
				return err
			}
			p.atNS = target
			p.restart()
		}
		if target >= p.o.EndNS {
			target = p.o.EndNS
			p.plays = p.loop != nil
		}
		if err := p.seeTo(target); err != nil {
			return err
		}
	}
	if p.tellMarks() || p.fresh && now-p.derivedNS >= figuresEveryNS {
		p.tellFigures(p.det.Derive(), trace.RunOpen, now)
	}
	return nil
}

// seeTo lets the detector see everything up to an instant, and at the end of the run that it ends.
func (p *Replay) seeTo(ns int64) error {
	if err := p.feedTo(ns); err != nil {
		return err
	}
	p.atNS = max(p.atNS, ns)
	if ns >= p.o.EndNS && p.dry && len(p.ahead) == 0 && !p.ended {
		p.finish()
	}
	return nil
}

// finish ends the trace, as a run that is over does.
func (p *Replay) finish() {
	p.ended = true
	p.mark(math.MaxInt64)
	d := p.det.Finish()
	p.tellMarks()
	p.tellFigures(d, "", p.o.Clock.NowNS())
	p.publish(Event{Kind: EventRun, AtNS: p.o.EndNS, RunState: trace.RunComplete, Unit: p.o.Unit, Procedure: p.o.Settings.Procedure, Settings: p.o.Settings, Started: p.o.Started})
	for _, c := range p.channels {
		c.columns.flush()
	}
}

// feedTo hands over samples up to an instant and keeps some of those that follow.
func (p *Replay) feedTo(ns int64) error {
	for len(p.ahead) > 0 {
		b := &p.ahead[0]
		n := upTo(b.Samples, ns)
		p.hand(b.Channel, b.Samples[:n])
		if b.Samples = b.Samples[n:]; len(b.Samples) > 0 {
			return nil
		}
		p.ahead = p.ahead[1:]
	}
	if p.dry {
		return nil
	}
	kept := 0
	for b, err := range p.o.Samples(maps.Clone(p.read)) {
		if err != nil {
			return err
		}
		p.read[b.Channel] += int64(len(b.Samples))
		n := 0
		if kept == 0 {
			n = upTo(b.Samples, ns)
			p.hand(b.Channel, b.Samples[:n])
		}
		if rest := b.Samples[n:]; len(rest) > 0 {
			p.ahead = append(p.ahead, trace.Batch{Channel: b.Channel, Samples: slices.Clone(rest)})
			if kept += len(rest); kept >= readAhead {
				return nil
			}
		}
	}
	p.dry = true
	return nil
}

// upTo counts the leading samples that are not later than ns.
func upTo(samples []trace.Sample, ns int64) int {
	if n := len(samples); n == 0 || samples[n-1].AtNS <= ns {
		return n
	}
	return slices.IndexFunc(samples, func(s trace.Sample) bool { return s.AtNS > ns })
}

// hand gives samples of one channel to the columns, and to the detector if it listens to them; marks from outside
// come where their time does, as in trip.Read.
func (p *Replay) hand(ch trace.Channel, samples []trace.Sample) {
	i := slices.IndexFunc(p.channels, func(c *replayChannel) bool { return c.Channel == ch })
	if i < 0 || len(samples) == 0 {
		return
	}
	c := p.channels[i]
	c.show(samples)
	if !c.ours {
		return
	}
	p.fresh = true
	for len(samples) > 0 {
		n := len(samples)
		if len(p.marks) > 0 {
			n = sort.Search(n, func(i int) bool { return samples[i].At() > p.marks[0].T })
		}
		if c.Quantity == trace.Voltage {
			p.det.Voltage(samples[:n])
		} else {
			p.det.Current(samples[:n])
			p.remember(samples[:n])
		}
		if samples = samples[n:]; len(samples) > 0 {
			p.mark(samples[0].AtNS)
		}
	}
}

// remember keeps the times of the newest samples, to step back to.
func (p *Replay) remember(samples []trace.Sample) {
	for _, s := range samples[max(0, len(samples)-p.recent.cap):] {
		p.recent.push(s.AtNS)
	}
}

// mark hands over one mark from outside, or all that there are where time is at its end.
func (p *Replay) mark(ns int64) {
	for len(p.marks) > 0 {
		m := p.marks[0]
		p.marks = p.marks[1:]
		p.det.Mark(m)
		if ns != math.MaxInt64 {
			return
		}
	}
}

func (c *replayChannel) show(samples []trace.Sample) {
	if c.right.Known() {
		c.copied = c.right.CorrectAll(c.copied[:0], samples)
		samples = c.copied
	}
	c.columns.add(samples)
}

// tellMarks publishes the marks that are new or have changed, those from outside as the detector takes them.
func (p *Replay) tellMarks() (told bool) {
	p.changed = p.det.Changes(p.changed[:0])
	for _, m := range p.changed {
		p.publish(Event{Kind: EventMark, AtNS: trace.NS(m.T), Mark: &m})
		told = true
	}
	return told
}

func (p *Replay) tellFigures(d trace.Derivation, state trace.RunState, now int64) {
	if p.ended && state != "" {
		return // they were told at last
	}
	words.Fill(&d, p.o.Settings)
	p.figures, p.fresh, p.derivedNS = &d, false, now
	p.publish(Event{Kind: EventFigures, AtNS: p.atNS, RunState: state, Figures: &d, Settings: p.o.Settings, Procedure: p.o.Settings.Procedure, Unit: p.o.Unit})
}

// Events gives what happened since they were taken last. rewound: what was told before is no longer so.
func (p *Replay) Events() (events []Event, rewound bool) {
	events, rewound = p.events, p.rewound
	p.events, p.rewound = nil, false
	return events, rewound
}

// Channels lists the channels; their index is the number Columns wants.
func (p *Replay) Channels() []ChannelInfo {
	out := make([]ChannelInfo, len(p.channels))
	for i, c := range p.channels {
		out[i] = ChannelInfo{Channel: c.Channel, Unit: c.Quantity.Unit()}
	}
	return out
}

// Columns is as that of the Bench.
func (p *Replay) Columns(channel int, after uint64, dst []Column) (cols []Column, last, missed uint64) {
	return p.channels[channel].columns.fine.since(after, dst)
}

// Window is as that of the Bench: everything from the beginning to where it stands.
func (p *Replay) Window(channel int) (cols []Column, last uint64) {
	return p.channels[channel].columns.window(math.MinInt64)
}

// ReplayState says how a replay stands. Times count from the run's zero.
type ReplayState struct {
	Run     int64       `json:"run"`
	Playing bool        `json:"playing"`
	Speed   float64     `json:"speed"`
	AtS     float64     `json:"at_s"` // on the run's own time base
	EndS    float64     `json:"end_s"`
	LoopS   *[2]float64 `json:"loop_s"`
	Ended   bool        `json:"ended"`
}

// Standing says where the replay stands.
func (p *Replay) Standing() ReplayState {
	s := ReplayState{Run: p.o.Run, Playing: p.plays, Speed: p.speed, AtS: float64(p.atNS) / 1e9, EndS: float64(p.o.EndNS) / 1e9, Ended: p.ended}
	if p.loop != nil {
		s.LoopS = &[2]float64{float64(p.loop[0]) / 1e9, float64(p.loop[1]) / 1e9}
	}
	return s
}

// State is what a page shows that looks at this replay as at a bench.
func (p *Replay) State() State {
	s := State{
		Bench: Replaying, Run: ptr(p.o.Run), Phase: p.det.Phase(), Instruments: []InstrumentState{}, Figures: trace.Figures{}, Guard: Guard{Level: string(rig.Quiet), Text: "This is a replay: nothing flows, and nothing is watched."},
		Version: p.o.Version, NowAtS: float64(p.atNS) / 1e9, OpenedAtS: ptr(float64(p.o.OpenedNS) / 1e9), Contact: "none",
		Unit: &p.o.Unit, Output: p.o.Output, Setting: p.o.Setting, Rig: p.o.Rig, Procedure: p.o.Settings.Procedure,
	}
	if hold := p.o.Settings.HoldS; hold > 0 {
		s.HoldS = &hold
	}
	if at, ok := p.det.Onset(); ok {
		s.ZeroAtS, s.SinceOnsetS = &at, ptr(s.NowAtS-at)
		if s.HoldS != nil {
			s.HoldEndsAtS = ptr(at + *s.HoldS)
			s.Watching = s.NowAtS > *s.HoldEndsAtS
		}
	}
	if p.figures != nil {
		s.Figures, s.Behaviour = p.figures.Figures, p.figures.Behaviour
	}
	return s
}
