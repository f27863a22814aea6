package capture

import (
	"fmt"
	"math"

	"letthrough/capture/port"
	"letthrough/capture/trace"
	"letthrough/capture/words"
)

// Contact is a driven contact: the switch that puts the short on and takes it off. Close and Open
// return once the command is given; a contact that is already there is no error. Open is also called
// where the contact is open already: nobody may rely on what was remembered.
type Contact interface {
	Close() error
	Open() error
	Closed() bool
}

// contactU is the expanded uncertainty of a driven contact's instant, seconds: relays operate within
// some 10 to 20 ms (common practice, no source).
const contactU = 0.02

const (
	// looseNS is how long the contact stays closed at most where no hold ends it: on an idle bench, and
	// after the hold, when it is closed once more to see whether the unit has recovered.
	looseNS = 5e9
	// maxCountdownS bounds a countdown.
	maxCountdownS = 60
	// defaultLossNS is for how long readings may stay away while the contact is closed, in real time. Of a
	// slower meter it is lossReadings of its intervals, and of one whose readings are typed lossTypedNS.
	defaultLossNS = 2e9
	lossReadings  = 5
	lossTypedNS   = 30e9
)

// Why the contact was opened, as its mark and the state say it.
const (
	whyCommand  = "on command"
	whyHold     = "the hold is over"
	whyEnded    = "the run was ended"
	whyMarked   = "the short was marked as removed"
	whyDisarmed = "the bench was disarmed"
	whyRunOver  = "the run is over"
	whyLoose    = "nothing ends its hold: it is closed for 5 s at most"
	whyProgram  = "the program ends"
)

// driving is what the bench knows of a contact that it drives; b.mu is held.
type driving struct {
	closed  bool
	sinceNS int64 // it was closed
	closeNS int64 // the countdown ends; 0: none runs
	due     bool  // the countdown is over: the bench's goroutine closes the contact
	open    bool  // the bench's goroutine opens the contact
	why     string
	trouble string // it did not obey; somebody has to look
}

// HasContact tells whether the program drives the contact.
func (b *Bench) HasContact() bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.contact != nil
}

// DriveContact closes or opens the contact and marks it in the run; closing it opens the run of an
// armed bench. It is closed only while somebody would see what comes of it. Opening also ends a countdown.
func (b *Bench) DriveContact(closed bool) error {
	if closed {
		return b.closeContact(false)
	}
	return b.openContact(whyCommand)
}

// CloseContactIn closes the contact after a countdown, which opening the contact ends. 0 closes it now.
func (b *Bench) CloseContactIn(afterS float64) error {
	if math.IsNaN(afterS) || afterS < 0 || afterS > maxCountdownS {
		return refuse(CodeRange, fmt.Sprintf("a countdown is 0 to %d s", maxCountdownS), "after_s: %g is out of range", afterS)
	}
	if afterS == 0 {
		return b.closeContact(false)
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	now := b.clock.NowNS()
	if err := b.mayClose(now); err != nil {
		return err
	}
	if b.drive.closed {
		return nil
	}
	b.drive.closeNS = now + trace.NS(afterS)
	b.tellContact(fmt.Sprintf("the contact closes in %s", words.Duration(afterS)))
	b.kick()
	return nil
}

// mayClose says why the contact must not be closed now; b.mu is held.
func (b *Bench) mayClose(now int64) error {
	switch {
	case b.closed:
		return refuse(CodeState, "", "the bench is closed")
	case b.contact == nil && b.wire != nil:
		return refuse(CodeState, "close it by hand", "the contact is only sensed, the program does not drive it")
	case b.contact == nil:
		return refuse(CodeNotFound, "close it by hand", "no contact is configured")
	}
	if b.wire != nil {
		if err := b.wire.mayClose(); err != nil {
			return err
		}
	}
	if err := b.spent(); err != nil {
		return err
	}
	c := b.currentChannel()
	if c == nil {
		return refuse(CodeState, "add an instrument first", "no instrument measures current, so nobody would see what happens")
	}
	// Half the time is enough not to begin with.
	if forS, lost := b.lostFor(c, now, b.lossAfterNS(c)/2); lost {
		return refuse(CodeState, "close the contact once readings come", "no reading of the current has come for %s, so nobody would see what happens", words.Duration(forS))
	}
	return nil
}

// currentChannel is the channel that the current is watched on: that of the plan, else the first.
func (b *Bench) currentChannel() *channel {
	if b.plan != nil {
		return b.plan.current
	}
	for _, in := range b.instruments {
		for _, c := range in.channels {
			if c.Quantity == trace.Current {
				return c
			}
		}
	}
	return nil
}

// lossAfterNS is for how long a channel may bring nothing before its readings count as lost.
func (b *Bench) lossAfterNS(c *channel) int64 {
	if in := b.ownerOf(c); in != nil && in.spec.ByHand() {
		return lossTypedNS
	}
	return max(b.lossNS, int64(lossReadings*c.columns.stepNS))
}

func (b *Bench) ownerOf(c *channel) *instrument {
	for _, in := range b.instruments {
		for _, own := range in.channels {
			if own == c {
				return in
			}
		}
	}
	return nil
}

// lostFor tells for how many seconds nothing has come from a channel, and whether that is too long.
func (b *Bench) lostFor(c *channel, now, limitNS int64) (forS float64, lost bool) {
	in := b.ownerOf(c)
	if in == nil {
		return 0, true // its instrument was removed
	}
	if c.samples == 0 {
		return 0, true
	}
	silent := now - c.columns.lastNS
	away := in.status.State == Unplugged || in.status.State == Reconnecting
	return float64(max(silent, 0)) / 1e9, silent > limitNS || away && silent > 0
}

// closeContact closes the contact now. At the end of a countdown it does so only where nobody has stopped
// that in the meantime.
func (b *Bench) closeContact(counted bool) error {
	b.contactMu.Lock()
	defer b.contactMu.Unlock()
	is := b.contact != nil && b.contact.Closed() // it only changes with contactMu held
	b.mu.Lock()
	if counted && !b.drive.due {
		b.mu.Unlock()
		return nil
	}
	now := b.clock.NowNS()
	err := b.mayClose(now)
	b.drive.closeNS, b.drive.due = 0, false
	if err == nil && !is {
		// Opening a run takes its time; the mark must not be that much before the contact.
		b.take(now)
		b.openPlanned(now)
	}
	b.mu.Unlock()
	if err != nil || is {
		return err
	}
	return b.move(trace.Applied, "", b.contact.Close)
}

// openContact opens the contact, and ends a countdown. It is told to open also where it counts as open.
func (b *Bench) openContact(why string) error {
	b.contactMu.Lock()
	defer b.contactMu.Unlock()
	b.mu.Lock()
	none := b.contact == nil
	if b.drive.closeNS != 0 || b.drive.due {
		b.drive.closeNS, b.drive.due = 0, false
		b.tellContact("the countdown was stopped: " + why)
		b.kick()
	}
	b.mu.Unlock()
	if none {
		return refuse(CodeNotFound, "open it by hand", "no contact is configured")
	}
	if !b.contact.Closed() {
		return b.contact.Open()
	}
	return b.move(trace.Removed, why, b.contact.Open)
}

// move drives the contact and marks it in the run; b.contactMu is held.
func (b *Bench) move(kind trace.MarkKind, why string, drive func() error) error {
	before := b.holdBackFrom()
	err := drive()
	now, is := b.clock.NowNS(), b.contact.Closed()
	took := now - before // it moved somewhere between the order and its return
	b.mu.Lock()
	defer b.mu.Unlock()
	b.heldBack, b.drive.closed = false, is
	if err != nil {
		b.drive.trouble = "the contact does not obey: " + err.Error()
		b.tellContact(b.drive.trouble)
		b.kick()
		return fmt.Errorf("drive the contact: %w", err)
	}
	b.drive.trouble, b.drive.why = "", why
	if kind == trace.Applied {
		b.drive.sinceNS = now
		b.tellContact("the contact is closed")
	} else {
		b.tellContact("the contact is open: " + why)
		if c := b.currentChannel(); c != nil && b.watched.guard != nil {
			if _, lost := b.lostFor(c, now, b.lossAfterNS(c)); lost {
				b.watched.guard.Rest(now) // nobody sees it, but nothing flows
			}
		}
	}
	if b.wire != nil {
		b.wire.commandNS = now
	}
	if b.run != nil {
		b.addMark(kind, trace.Contact, why, math.Hypot(contactU+float64(took)/2e9, b.offsetU()), before+took/2)
	}
	b.kick()
	return nil
}

// holdBackFrom leaves readings in the inboxes until the contact has moved and gives the instant. The
// detector must know of the contact, and of the hold that ends with it, before it sees what came of it:
// whoever derives the run again knows from the beginning.
func (b *Bench) holdBackFrom() int64 {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.heldBack = true
	return b.clock.NowNS()
}

// openBecause lets the bench's goroutine open the contact, even where it is open: it may be about to
// close, and whoever does that is waited for. Of several reasons the first is said. b.mu is held.
func (b *Bench) openBecause(why string) {
	if b.contact == nil || b.drive.open {
		return
	}
	b.drive.open, b.drive.why = true, why
	b.kick()
}

// keepContact opens a closed contact where it must not stay closed, and closes one whose countdown is
// over; b.mu is held. It gives when to look again.
func (b *Bench) keepContact(now, next int64) int64 {
	d := &b.drive
	if b.contact == nil || d.open {
		return next
	}
	if d.closeNS != 0 {
		if err := b.mayClose(now); err != nil {
			d.closeNS = 0
			b.tellContact("the countdown was stopped: " + err.Error())
		} else if now >= d.closeNS {
			d.closeNS, d.due = 0, true
		} else {
			next = min(next, d.closeNS)
		}
	}
	if !d.closed {
		return next
	}
	if c := b.currentChannel(); c == nil {
		b.openBecause("no instrument measures current any more")
	} else if forS, lost := b.lostFor(c, now, b.lossAfterNS(c)); lost {
		b.openBecause(fmt.Sprintf("no reading of the current for %s", words.Duration(forS)))
	}
	if b.run == nil || !b.run.hold {
		if now >= d.sinceNS+looseNS {
			b.openBecause(whyLoose)
		}
		next = min(next, max(now+1, d.sinceNS+looseNS))
	}
	return next
}

// actOnContact does what keepContact and the run have decided, outside the lock: a relay on modem lines
// takes its time. It tells whether there was anything to do.
func (b *Bench) actOnContact() (acted bool) {
	b.mu.Lock()
	open, due, why := b.drive.open, b.drive.due, b.drive.why
	b.mu.Unlock()
	if open {
		if err := b.openContact(why); err != nil {
			b.log.Error("open the contact", "why", why, "err", err)
		}
		b.mu.Lock()
		b.drive.open = false
		b.mu.Unlock()
		return true
	}
	if due {
		if err := b.closeContact(true); err != nil {
			b.mu.Lock()
			b.tellContact("the contact was not closed: " + err.Error())
			b.kick()
			b.mu.Unlock()
		}
	}
	return due
}

// tellContact publishes what became of the contact; b.mu is held.
func (b *Bench) tellContact(text string) {
	b.publish(Event{Kind: EventContact, AtNS: b.clock.NowNS(), Text: text})
}

// OpenContactAtExit opens the contact before anything else of the program ends.
func (b *Bench) OpenContactAtExit() error {
	if !b.HasContact() {
		return nil
	}
	return b.openContact(whyProgram)
}

// sharesPort refuses an instrument on the contact's port, through whatever links; b.mu is held.
func (b *Bench) sharesPort(instrument, path string) error {
	if b.wire == nil || !port.SameDevice(b.wire.spec.Port, path) {
		return nil
	}
	return refuse(CodeRange, "the contact hangs on a port of its own: give the instrument another", "%s is the port of the contact, and not one for instrument %s", path, instrument)
}
