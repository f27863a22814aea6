package capture

import (
	"time"

	"letthrough/capture/trace"
)

// EventKind says what an event tells.
type EventKind string

// The kinds of events.
const (
	EventRun        EventKind = "run"        // a run opened or ended
	EventMark       EventKind = "mark"       // a mark is new, confirmed, moved or withdrawn
	EventFigures    EventKind = "figures"    // figures so far, or at last
	EventBench      EventKind = "bench"      // the bench's mode changed
	EventInstrument EventKind = "instrument" // an instrument's state changed
	EventGuard      EventKind = "guard"      // how near the rig is to its limit
	EventSeries     EventKind = "series"     // a series ended
	EventContact    EventKind = "contact"    // the contact moved, counts down, or is not used
)

// Event is one line of the bench's log. What it points at is never changed afterwards.
type Event struct {
	Seq      uint64 // from 1
	Kind     EventKind
	Run      int64  // 0: none
	AtNS     int64  // bench time; of a mark: its instant
	OriginNS int64  // the run's time 0 on the bench's time base
	ZeroNS   *int64 // bench time of the run's onset; nil before there is one
	OpenedNS int64  // bench time at which the run opened

	Mark *trace.Mark // EventMark; T on the run's own time base
	// Figures of an EventFigures, marks on the run's own time base; nil in an event that newer
	// figures of the same run have replaced.
	Figures   *trace.Derivation
	Settings  trace.Settings  // EventFigures, EventRun
	RunState  trace.RunState  // EventRun; of EventFigures RunOpen while the hold goes on
	Unit      trace.Unit      // EventRun
	Procedure trace.Procedure // EventRun
	Started   time.Time       // EventRun: time of day at OriginNS
	Mode      Mode            // EventBench
	Guard     *Guard          // EventGuard
	Text      string          // EventInstrument: name and state in words; EventContact: what became of it
}

// eventsKept is how many events a viewer may lag behind before it misses one. The bench makes at most
// some tens a second.
const eventsKept = 4096

// publish numbers an event and wakes the viewers; b.mu is held.
func (b *Bench) publish(e Event) {
	e.Seq = b.events.n + 1
	if r := b.run; r != nil && e.Run == r.id {
		e.OriginNS, e.OpenedNS = r.originNS, r.openedNS
		if at, ok := r.onsetNS(); ok {
			e.ZeroNS = &at
		}
	}
	if e.Kind == EventFigures {
		// Ten a second, each with all marks so far: only the newest are worth their memory.
		if old := b.events.at(b.figuresAt); old != nil && old.Run == e.Run {
			old.Figures = nil
		}
		b.figuresAt = e.Seq
	}
	b.events.push(e)
	b.changed = true
}

// Changed gives a channel that is closed at the next change of anything. Take it, then pull what is
// new, then wait for it: nothing is missed.
func (b *Bench) Changed() <-chan struct{} {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.wake
}

// wakeViewers closes the channel of Changed if anything changed; b.mu is held.
func (b *Bench) wakeViewers() {
	if b.changed {
		close(b.wake)
		b.wake = make(chan struct{})
		b.changed = false
	}
}

// Events gives the events after a number, the newest number, and how many of those asked for are no
// longer kept.
func (b *Bench) Events(after uint64) (evs []Event, last, missed uint64) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.events.since(after, nil)
}

// Columns appends the columns of a channel after a number to dst, and gives the newest number and how
// many of those asked for are no longer kept. A channel that does not exist has none.
func (b *Bench) Columns(channel int, after uint64, dst []Column) (cols []Column, last, missed uint64) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if channel < 0 || channel >= len(b.channels) {
		return dst, 0, 0
	}
	return b.channels[channel].columns.fine.since(after, dst)
}

// idleWindowNS is what a new viewer gets to see while no run is open.
const idleWindowNS = 10e9

// Window gives what a new viewer needs of a channel, the open run with its pre-record or else the
// last 10 s, and the number to go on from with Columns. Of a run that is longer than what is kept at
// full resolution, the older part comes in wider columns.
func (b *Bench) Window(channel int) (cols []Column, last uint64) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if channel < 0 || channel >= len(b.channels) {
		return nil, 0
	}
	from := b.clock.NowNS() - idleWindowNS
	if b.run != nil {
		from = b.run.originNS
	}
	return b.channels[channel].columns.window(from)
}

// ChannelInfo names a channel for viewers.
type ChannelInfo struct {
	trace.Channel
	Unit string `json:"unit"` // A or V
}

// Channels lists every channel since the program began; its index is the number Columns wants, and
// never changes, also when an instrument is removed.
func (b *Bench) Channels() []ChannelInfo {
	b.mu.Lock()
	defer b.mu.Unlock()
	out := make([]ChannelInfo, len(b.channels))
	for i, c := range b.channels {
		out[i] = ChannelInfo{Channel: c.Channel, Unit: c.Quantity.Unit()}
	}
	return out
}
