package capture

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"sync"
	"time"

	"letthrough/capture/contact"
	"letthrough/capture/port"
	"letthrough/capture/trace"
	"letthrough/capture/trip"
	"letthrough/capture/wire"
)

// Options set up a Bench. Zero values mean the defaults.
type Options struct {
	Clock      Clock    // nil: real time
	Recorder   Recorder // nil: runs are kept by nobody, only shown
	Contact    Contact  // nil: the contact is closed and opened by hand
	PreRecordS float64  // kept before an onset, s; 0: 5
	WatchS     float64  // watched after the hold, s; 0: 10
	// Rig finds a rig on the shelf by its name; nil: there is no shelf, and no guard.
	Rig func(name string) (trace.Rig, bool)
	// CautionsRead tells whether somebody has read the cautions for a rig; nil: nobody asks.
	CautionsRead func(rig string) bool
	// Series keeps series; nil: there are none.
	Series  SeriesKeeper
	Version string
	Log     *slog.Logger
	// OpenSource opens an instrument; nil opens a serial port.
	OpenSource func(wire.Spec) (Source, error)
	// OpenLines opens the port that a contact hangs on; nil opens a serial port.
	OpenLines func(path string) (contact.Lines, error)
}

const (
	defaultPreRecordS = 5
	defaultWatchS     = 10
	defaultHoldS      = 30 // common practice, no source
)

// Bench owns the instruments and the run. All its methods may be called from any goroutine.
type Bench struct {
	clock     Clock
	rec       Recorder
	log       *slog.Logger
	open      func(wire.Spec) (Source, error)
	openLines func(path string) (contact.Lines, error)
	findRig   func(name string) (trace.Rig, bool)
	keeper    SeriesKeeper
	cautioned func(rig string) bool
	version   string
	preNS     int64
	watchNS   int64
	lossNS    int64

	inbox chan struct{} // an instrument has something; capacity 1
	poke  chan struct{} // a command changed the next deadline; capacity 1
	ctx   context.Context
	stop  context.CancelFunc
	loops sync.WaitGroup // the bench's goroutine
	ears  sync.WaitGroup // the instruments' goroutines

	useMu     sync.Mutex // one change of which contact there is at a time; taken before contactMu
	contactMu sync.Mutex // one command to the contact and one look at its lines at a time; taken before mu

	mu          sync.Mutex
	opened      bool
	closed      bool
	mode        Mode
	plan        *plan
	watch       *trip.Detector // looks for the onset while armed
	floorNS     int64          // nothing older belongs to the next run
	run         *run
	lastRun     int64 // 0: none since the program began
	instruments []*instrument
	channels    []*channel // ever; never shortened
	events      ring[Event]
	figuresAt   uint64 // number of the newest EventFigures
	wake        chan struct{}
	changed     bool
	contact     Contact // nil: none that the program drives; changed with contactMu held, too
	wire        *wired  // the contact on a port; nil: none
	drive       driving
	watched     guarding
	repeats     *repeating // nil: no series is going on
	lastSeries  *SeriesState
	lastEnd     ended
	heldBack    bool // the contact is about to move: nothing is taken from the inboxes
	pieces      []piece
	marks       []trace.Mark
}

// channel is one stream of samples and what is kept of it.
type channel struct {
	trace.Channel
	columns *columnRing
	pre     prerecord
	samples uint64         // ever
	shifted []trace.Sample // on the run's time base, not handed to the recorder yet
	right   trace.Calibration
	copied  []trace.Sample // corrected, to be shown
	gone    bool           // its instrument was removed
}

// instrument is one Source with its goroutine.
type instrument struct {
	spec     wire.Spec
	src      Source
	box      *inbox
	spare    [][]trace.Sample
	channels []*channel // as src.Channels
	status   SourceStatus
	lost     uint64 // by the inbox
	said     string // state last published
}

// New makes a bench that does nothing yet.
func New(o Options) *Bench {
	if o.Clock == nil {
		o.Clock = NewClock(1)
	}
	if o.PreRecordS == 0 {
		o.PreRecordS = defaultPreRecordS
	}
	if o.WatchS == 0 {
		o.WatchS = defaultWatchS
	}
	if o.Log == nil {
		o.Log = slog.Default()
	}
	if o.Recorder == nil {
		o.Recorder = &forgetful{}
	}
	b := &Bench{
		clock: o.Clock, rec: o.Recorder, contact: o.Contact, log: o.Log, version: o.Version,
		keeper: o.Series, cautioned: o.CautionsRead, open: o.OpenSource, openLines: o.OpenLines, preNS: trace.NS(o.PreRecordS), watchNS: trace.NS(o.WatchS),
		lossNS: int64(defaultLossNS * speedOf(o.Clock)),
		inbox:  make(chan struct{}, 1), poke: make(chan struct{}, 1), wake: make(chan struct{}),
		mode: Idle, events: ring[Event]{cap: eventsKept},
	}
	if b.open == nil {
		b.open = func(s wire.Spec) (Source, error) {
			if s.ByHand() {
				return openHand(s, b.clock.NowNS)
			}
			return openSerial(s, port.Options{Now: b.clock.NowNS, Log: b.log})
		}
	}
	if b.cautioned == nil {
		b.cautioned = func(string) bool { return true }
	}
	if b.findRig = o.Rig; b.findRig == nil {
		b.findRig = func(string) (trace.Rig, bool) { return trace.Rig{}, false }
	}
	if b.openLines == nil {
		b.openLines = func(path string) (contact.Lines, error) { return port.OpenLines(path) }
	}
	b.ctx, b.stop = context.WithCancel(context.Background())
	return b
}

// Open starts the bench's goroutine.
func (b *Bench) Open() error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.closed || b.opened {
		return errors.New("open bench: it is open or was closed already")
	}
	b.opened = true
	b.loops.Add(1)
	go b.loop()
	return nil
}

// Close ends the instruments, closes an open run as interrupted with what it has, and opens the
// contact. It returns once nothing of the bench runs any more; the recorder may be closed then.
func (b *Bench) Close() error {
	b.mu.Lock()
	if b.closed {
		b.mu.Unlock()
		return nil
	}
	b.closed = true
	has, wire, repeats := b.contact != nil, b.wire, b.repeats
	b.mu.Unlock()
	if repeats != nil {
		repeats.cancel(errors.New(whyProgram))
	}
	// The contact before all else, while there is still a run to mark it in.
	var errs []error
	if has {
		errs = append(errs, b.openContact(whyProgram))
	}
	if repeats != nil {
		<-repeats.done
	}
	b.mu.Lock()
	for _, in := range b.instruments {
		errs = append(errs, in.src.Close())
	}
	b.mu.Unlock()

	// The instruments first, so that their last samples are in the inboxes; then the loop.
	b.ears.Wait()
	b.stop()
	b.loops.Wait()

	b.mu.Lock()
	now := b.clock.NowNS()
	b.drive.open, b.heldBack = false, false // nobody is left to open it but Close itself, below
	b.take(now)
	if b.run != nil {
		b.finish(now, trace.RunInterrupted, "the program was ended")
	}
	b.setMode(Idle)
	b.wakeViewers()
	b.mu.Unlock()
	switch {
	case wire != nil:
		b.useMu.Lock()
		errs = append(errs, b.dropContact())
		b.useMu.Unlock()
	case has:
		errs = append(errs, b.openContact(whyProgram))
	}
	return errors.Join(errs...)
}

// loop is the bench's goroutine: it takes what the instruments brought and keeps the deadlines.
func (b *Bench) loop() {
	defer b.loops.Done()
	for {
		b.mu.Lock()
		now := b.clock.NowNS()
		next := b.step(now)
		b.mu.Unlock()
		if b.actOnContact() {
			continue
		}
		// A timer may be early; the least wait keeps an early one from being set again and again.
		timer := b.clock.NewTimer(time.Duration(max(next-now, 1e6)))
		select {
		case <-b.ctx.Done():
		case <-b.inbox:
		case <-b.poke:
		case <-timer.C():
		}
		timer.Stop()
		if b.ctx.Err() != nil {
			return
		}
	}
}

// idleStepNS is how often the bench looks round when nothing comes in: the state must be fresh, and
// an unfinished column must not stay hidden.
const idleStepNS = 50e6

// step takes what came in, keeps the deadlines, tells the viewers, and says when to look again; b.mu
// is held.
func (b *Bench) step(now int64) (nextNS int64) {
	b.take(now)
	if b.run != nil {
		b.keepEnd(now)
	}
	b.keepGuard(now)
	b.wakeViewers()
	next := now + idleStepNS
	if b.run != nil {
		if at := b.run.deadlineNS(b.watchNS); at > now && at < next {
			next = at
		}
	}
	return b.keepContact(now, next)
}

// setMode changes the mode and tells so.
func (b *Bench) setMode(m Mode) {
	if b.mode != m {
		b.mode = m
		b.publish(Event{Kind: EventBench, Mode: m, AtNS: b.clock.NowNS()})
	}
}

// tellInstrument publishes a change of an instrument's state.
func (b *Bench) tellInstrument(in *instrument) {
	if in.status.State == in.said {
		return
	}
	in.said = in.status.State
	s := in.state()
	b.publish(Event{Kind: EventInstrument, AtNS: b.clock.NowNS(), Text: fmt.Sprintf("%s: %s", in.spec.Name, s.Say)})
}

// AddInstrument opens an instrument and listens to it from now on.
func (b *Bench) AddInstrument(spec wire.Spec) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.closed {
		return refuse(CodeState, "", "the bench is closed")
	}
	for _, in := range b.instruments {
		if in.spec.Name == spec.Name {
			return refuse(CodeState, "give it another name", "there is an instrument called %s already", spec.Name)
		}
	}
	if err := b.sharesPort(spec.Name, spec.Port); err != nil {
		return err
	}
	src, err := b.open(spec)
	if err != nil {
		return err
	}
	in := b.attach(spec, src)
	b.ears.Add(1)
	go func() {
		defer b.ears.Done()
		listen(b.ctx, in.src, in.box)
	}()
	return nil
}

// attach makes room for what a source will bring; b.mu is held.
func (b *Bench) attach(spec wire.Spec, src Source) *instrument {
	in := &instrument{spec: spec, src: src}
	for _, ch := range src.Channels() {
		c := &channel{Channel: ch, columns: newColumnRing(), pre: prerecord{limit: prerecordCap}, right: spec.Calibrations[ch.Quantity]}
		in.channels = append(in.channels, c)
		b.channels = append(b.channels, c)
	}
	in.box = newInbox(len(in.channels), b.inbox)
	in.spare = make([][]trace.Sample, len(in.channels))
	b.instruments = append(b.instruments, in)
	b.changed = true
	return in
}

// Calibrate changes what makes an instrument's readings of one quantity right; no calibration takes it
// back. It holds for what is received from now on, and for the next run: while one is awaited or recorded
// its settings stay as they are.
func (b *Bench) Calibrate(name string, q trace.Quantity, c trace.Calibration) error {
	if err := c.Validate(); err != nil {
		return refuse(CodeRange, "", "calibration: %s", err)
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.mode != Idle {
		return refuse(CodeState, "disarm it or end the run first", "the bench is %s", b.mode)
	}
	for _, in := range b.instruments {
		if in.spec.Name != name {
			continue
		}
		for _, ch := range in.channels {
			if ch.Quantity != q {
				continue
			}
			b.take(b.clock.NowNS()) // what came before counts as it did
			ch.right = c
			right := maps.Clone(in.spec.Calibrations) // the old map may be in a run's record
			if right == nil {
				right = map[trace.Quantity]trace.Calibration{}
			}
			if right[q] = c; !c.Known() {
				delete(right, q)
			}
			in.spec.Calibrations = right
			b.changed = true
			b.wakeViewers()
			return nil
		}
		return refuse(CodeNotFound, "calibrate what it does measure", "%s measures no %s", name, q)
	}
	return refuse(CodeNotFound, "the instruments are listed in the state", "there is no instrument called %s", name)
}

// RemoveInstrument closes an instrument; what it measured of an open run stays.
func (b *Bench) RemoveInstrument(name string) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	for i, in := range b.instruments {
		if in.spec.Name != name {
			continue
		}
		b.take(b.clock.NowNS())
		b.instruments = append(b.instruments[:i:i], b.instruments[i+1:]...)
		for _, c := range in.channels {
			c.gone = true
		}
		b.changed = true
		return in.src.Close()
	}
	return refuse(CodeNotFound, "the instruments are listed in the state", "there is no instrument called %s", name)
}

// forgetful is the recorder of a bench without one: it only counts the runs.
type forgetful struct{ runs int64 }

func (f *forgetful) Begin(trace.RunStart) (int64, error) { f.runs++; return f.runs, nil }
func (f *forgetful) Append(int64, trace.Batch)           {}
func (f *forgetful) Marks(int64, []trace.Mark)           {}
func (f *forgetful) Amend(int64, trace.Settings)         {}
func (f *forgetful) End(int64, trace.RunEnd)             {}
func (f *forgetful) Trouble() (string, uint64)           { return "", 0 }
