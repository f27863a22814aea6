package capture

import (
	"errors"
	"fmt"
	"math"
	"time"

	"letthrough/capture/contact"
	"letthrough/capture/port"
	"letthrough/capture/trace"
	"letthrough/capture/words"
)

// The states of a contact on a port.
const (
	ContactChecking = "checking" // whether current flows although the lines hold it open
	ContactReady    = "ready"
	ContactRefused  = "refused" // it is not used until somebody has looked
	ContactAway     = "away"    // its port is not there; it is opened again by itself
)

const (
	// checkNS is for how long nothing may flow after the port was opened.
	checkNS = 2e9
	// checkLevelA counts as flowing, A, as an onset of a unit whose rating is unknown does; at least
	// checkCounts of the display.
	checkLevelA = 0.05
	checkCounts = 3
	// checkBlockNS is averaged over: the noise of a single reading is no current.
	checkBlockNS = 50e6

	lookSensed  = 10 * time.Millisecond  // between two looks at a line that is sensed
	lookDriven  = 100 * time.Millisecond // between two looks whether the port is still there
	reopenAfter = time.Second
	// settlesNS bounds for how long readings are held back while a sensed line moves.
	settlesNS = 100e6
)

// wired is a contact on the lines of a port.
type wired struct {
	spec contact.Spec
	stop chan struct{}
	done chan struct{}

	// With contactMu held.
	lines    contact.Lines   // nil while away or refused
	driven   *contact.Driven // nil where it is only sensed
	sensed   *contact.Sensed // nil where it is not
	lookedNS int64           // the last look that went well
	retry    time.Time       // of real time: when the port is tried again

	// With mu held.
	state        string
	reason, hint string
	again        bool // the port is to be opened anew: nobody was looking when it was opened
	check        contactCheck
	commandNS    int64 // the last command
	sensedKnown  bool
	sensedClosed bool
	disagrees    bool
	movingNS     int64 // since when the sensed line moves; 0: it does not
}

// contactCheck watches the current after the port was opened.
type contactCheck struct {
	openedNS       int64
	firstNS, endNS int64 // of the readings since then; 0: none
	blockNS        int64 // begin of the block
	sum            float64
	n              int
}

func (w *wired) mayClose() error {
	switch w.state {
	case ContactReady:
		return nil
	case ContactChecking:
		return refuse(CodeState, "wait until it is ready", "the contact is being checked: for 2 s no current may flow while it is open")
	}
	return refuse(CodeState, w.hint, "the contact is not used: %s", w.reason)
}

// UseContact hangs the contact on a port in place of the one before. Where wait is set a port that is not
// there yet is waited for. It is refused where the port has no such lines, or is that of an instrument.
func (b *Bench) UseContact(spec contact.Spec, wait bool) error {
	b.useMu.Lock()
	defer b.useMu.Unlock()
	if err := b.mayUse(spec); err != nil {
		return err
	}
	if err := b.dropContact(); err != nil {
		b.log.Warn("give the contact's port back", "err", err)
	}
	w := &wired{spec: spec, stop: make(chan struct{}), done: make(chan struct{})}
	b.contactMu.Lock()
	err := b.openWired(w)
	if err != nil && !(wait && gone(err)) {
		b.contactMu.Unlock()
		return unusable(err)
	}
	b.mu.Lock()
	if b.closed {
		b.mu.Unlock()
		b.contactMu.Unlock()
		return errors.Join(refuse(CodeState, "", "the bench is closed"), w.leave())
	}
	b.wire = w
	if spec.Drive {
		b.contact = onLines{w}
	}
	b.drive = driving{}
	b.kick()
	b.mu.Unlock()
	b.contactMu.Unlock()
	go b.follow(w)
	return nil
}

// unusable says to a person why a port is no contact's.
func unusable(err error) error {
	if oe, ok := errors.AsType[*port.OpenError](err); ok {
		return refuse(CodeRange, oe.Hint, "%s: %s", oe.Path, oe.What)
	}
	return refuse(CodeRange, "look at the cable and at what else uses the port", "%s", err)
}

func gone(err error) bool {
	oe, ok := errors.AsType[*port.OpenError](err)
	return ok && oe.Gone
}

func (b *Bench) mayUse(spec contact.Spec) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	switch {
	case b.closed:
		return refuse(CodeState, "", "the bench is closed")
	case b.contact != nil && b.wire == nil:
		return refuse(CodeState, "", "this bench has a simulated contact already")
	case b.mode != Idle:
		return refuse(CodeState, "disarm it or end the run first", "the bench is %s", b.mode)
	}
	for _, in := range b.instruments {
		if port.SameDevice(in.spec.Port, spec.Port) {
			return refuse(CodeRange, "hang the contact on a port of its own: opening and closing the instrument's port would move it",
				"%s is the port of instrument %s", spec.Port, in.spec.Name)
		}
	}
	return nil
}

// openWired opens the port; contactMu is held. What keeps it from that stands in the contact's state.
func (b *Bench) openWired(w *wired) error {
	lines, err := b.openLines(w.spec.Port)
	if err == nil {
		if w.spec.Drive {
			w.driven, err = contact.NewDriven(lines)
		}
		if err == nil && w.spec.Sense != "" {
			_, _, err = lines.Inputs()
		}
		if err != nil {
			err = errors.Join(fmt.Errorf("contact: %w", err), lines.Close())
		}
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	now := b.clock.NowNS()
	if err != nil {
		w.state, w.reason, w.hint = ContactAway, err.Error(), "it is opened again by itself once it is there"
		if errors.Is(err, port.ErrNoLines) {
			w.state, w.hint = ContactRefused, "hang the contact on another port"
		}
		w.retry = time.Now().Add(reopenAfter)
		return err
	}
	w.lines, w.lookedNS = lines, now
	if w.spec.Sense != "" {
		w.sensed = contact.NewSensed(w.spec)
	}
	w.state, w.reason, w.hint, w.again = ContactReady, "", "", false
	if w.spec.Drive {
		w.state, w.check = ContactChecking, contactCheck{openedNS: now}
	}
	b.changed = true
	return nil
}

// leave opens the contact and gives the port back; contactMu is held, or nobody else knows of w.
func (w *wired) leave() error {
	var err error
	switch {
	case w.driven != nil:
		err = w.driven.Leave()
	case w.lines != nil:
		err = w.lines.Close()
	}
	w.lines, w.driven, w.sensed = nil, nil, nil
	return err
}

// onLines is the Contact that the lines make.
type onLines struct{ w *wired }

func (c onLines) Close() error {
	if c.w.driven == nil {
		return contact.ErrGone
	}
	return c.w.driven.Close()
}

func (c onLines) Open() error {
	if c.w.driven == nil {
		return nil // the port was given back: both lines have dropped
	}
	return c.w.driven.Open()
}

func (c onLines) Closed() bool { return c.w.driven != nil && c.w.driven.Closed() }

// RemoveContact opens the contact and gives its port back. It is refused while the bench is armed or a run
// is open.
func (b *Bench) RemoveContact() error {
	b.useMu.Lock()
	defer b.useMu.Unlock()
	b.mu.Lock()
	mode := b.mode
	b.mu.Unlock()
	if mode != Idle {
		return refuse(CodeState, "disarm it or end the run first", "the bench is %s", mode)
	}
	return b.dropContact()
}

// dropContact ends a contact's goroutine and gives its port back; useMu is held.
func (b *Bench) dropContact() error {
	b.mu.Lock()
	w := b.wire
	b.mu.Unlock()
	if w == nil {
		return nil
	}
	close(w.stop)
	<-w.done
	b.contactMu.Lock()
	defer b.contactMu.Unlock()
	err := w.leave()
	b.mu.Lock()
	b.wire, b.contact, b.drive, b.heldBack = nil, nil, driving{}, false
	b.kick()
	b.mu.Unlock()
	return err
}

// CheckContact opens the port of a contact anew and checks it once more: somebody has looked at what was
// wrong with it.
func (b *Bench) CheckContact() error {
	b.useMu.Lock()
	defer b.useMu.Unlock()
	b.mu.Lock()
	w, mode := b.wire, b.mode
	b.mu.Unlock()
	switch {
	case w == nil:
		return refuse(CodeNotFound, "name its port first", "no contact on a port is configured")
	case mode != Idle:
		return refuse(CodeState, "disarm it or end the run first", "the bench is %s", mode)
	}
	b.contactMu.Lock()
	defer b.contactMu.Unlock()
	if err := w.leave(); err != nil {
		b.log.Warn("give the contact's port back", "err", err)
	}
	if err := b.openWired(w); err != nil {
		return unusable(err)
	}
	return nil
}

// follow is the goroutine that looks at a contact's lines.
func (b *Bench) follow(w *wired) {
	defer close(w.done)
	every := lookDriven
	if w.spec.Sense != "" {
		every = lookSensed
	}
	tick := time.NewTicker(every)
	defer tick.Stop()
	for {
		select {
		case <-w.stop:
			return
		case <-tick.C:
			b.lookAt(w)
		}
	}
}

// lookAt looks once at the lines of a contact: whether the port is there, and where a sensed pole stands.
func (b *Bench) lookAt(w *wired) {
	b.contactMu.Lock()
	defer b.contactMu.Unlock()
	b.mu.Lock()
	state, again := w.state, w.again
	b.mu.Unlock()
	switch {
	case w.lines != nil && (again || state == ContactRefused):
		if err := w.leave(); err != nil {
			b.log.Warn("give the contact's port back", "err", err)
		}
		if again {
			_ = b.openWired(w) // the state says why not
		}
		return
	case w.lines == nil:
		if state == ContactAway && time.Now().After(w.retry) {
			_ = b.openWired(w)
		}
		return
	}
	from := b.clock.NowNS()
	cts, dsr, err := w.lines.Inputs()
	to := b.clock.NowNS()
	if err != nil || w.driven != nil && w.driven.Gone() {
		b.lostContact(w, err)
		return
	}
	w.lookedNS = from
	if w.sensed == nil {
		return
	}
	change, changed := w.sensed.Look(from, to, cts, dsr)
	b.mu.Lock()
	defer b.mu.Unlock()
	b.sensedLook(w, to, change, changed)
}

// lostContact deals with a port that is gone: its lines have dropped with it, so the contact is open.
func (b *Bench) lostContact(w *wired, err error) {
	wasClosed := w.driven != nil && w.driven.Closed()
	_ = w.leave() // it fails, too, where the port is gone
	b.mu.Lock()
	defer b.mu.Unlock()
	w.state, w.reason, w.hint = ContactAway, "its port does not answer", "plug it in: it is opened again by itself"
	if err != nil {
		w.reason += " (" + err.Error() + ")"
	}
	w.retry = time.Now().Add(reopenAfter)
	b.heldBack, w.movingNS, w.sensedKnown = false, 0, false
	b.drive.closed, b.drive.closeNS, b.drive.due = false, 0, false
	now := b.clock.NowNS()
	if wasClosed {
		b.drive.why = "its port is gone"
		b.tellContact("the contact is open: its port is gone")
		if b.run != nil {
			span := now - max(w.lookedNS, b.drive.sinceNS) // somewhere since the last look
			b.addMark(trace.Removed, trace.Contact, b.drive.why, math.Hypot(contactU+float64(span)/2e9, b.offsetU()), now-span/2)
		}
	}
	b.kick()
}

// sensedLook takes what the sensed pole says; b.mu is held.
func (b *Bench) sensedLook(w *wired, now int64, c contact.Change, changed bool) {
	// While it moves nothing is taken from the inboxes: the mark must not be earlier than what the detector has
	// seen, and every reading that it takes meanwhile makes the mark later. A line that never settles holds
	// nothing up for ever.
	if w.sensed.Moving() {
		if w.movingNS == 0 {
			w.movingNS = now
		}
		b.heldBack = now-w.movingNS < settlesNS
	} else if w.movingNS != 0 {
		w.movingNS, b.heldBack = 0, false
	}
	if was := w.sensedKnown; !was || changed {
		w.sensedKnown, w.sensedClosed = true, w.sensed.Closed()
		b.changed = true
	}
	if changed {
		b.sensedChange(w, c)
	}
	b.compare(w, now)
}

// sensedChange marks what the second pole says, where it is not what the program has just done.
func (b *Bench) sensedChange(w *wired, c contact.Change) {
	defer b.kick()
	b.tellContact(map[bool]string{true: "the sensed contact has closed", false: "the sensed contact has opened"}[c.Closed])
	if w.spec.Drive && b.drive.closed == c.Closed {
		return
	}
	if c.Closed && b.mode == Armed {
		b.openPlanned(b.clock.NowNS())
	}
	if r := b.run; r != nil {
		kind := trace.Removed
		if c.Closed {
			kind = trace.Applied
		}
		// Not before what the detector has seen already: it could not take that back, and whoever derives the
		// run again would find other figures. What that costs is in the uncertainty.
		at := max(c.AtNS(), r.originNS+r.endNS)
		b.addMark(kind, trace.Contact, "sensed", math.Hypot(c.USOf(at), b.offsetU()), at)
	}
	if !c.Closed && w.spec.Drive {
		b.openBecause("its second pole has opened") // what was told to be closed is not left so
	}
}

// compare holds a driven contact against its sensed pole; b.mu is held.
func (b *Bench) compare(w *wired, now int64) {
	disagrees := w.spec.Drive && !w.sensed.Moving() && w.sensed.Closed() != b.drive.closed && now-w.commandNS > b.lossNS/4
	if disagrees == w.disagrees {
		return
	}
	w.disagrees = disagrees
	switch {
	case !disagrees:
		b.drive.trouble = ""
	case b.drive.closed:
		b.openBecause("its second pole says that it did not close")
	default:
		b.drive.trouble = "the contact was told to be open, and its second pole says that it is closed: open it by hand now"
		b.tellContact(b.drive.trouble)
	}
	b.kick()
}

// checkContact watches the current after the contact's port was opened; b.mu is held. Readings are as a
// person sees them.
func (b *Bench) checkContact(ch *channel, samples []trace.Sample) {
	w := b.wire
	if w == nil || w.state != ContactChecking || w.again || ch != b.currentChannel() {
		return
	}
	k := &w.check
	loss := b.lossAfterNS(ch)
	level := checkLevelA
	if in := b.ownerOf(ch); in != nil {
		var own trace.Settings
		in.spec.Apply(&own)
		level = max(level, checkCounts*own.ResolutionA)
	}
	for _, s := range samples {
		if s.AtNS < k.openedNS {
			continue
		}
		if k.firstNS == 0 && s.AtNS-k.openedNS > loss || k.endNS != 0 && s.AtNS-k.endNS > loss {
			w.again = true // nobody was looking when it was opened: once more, now that readings come
			return
		}
		if k.firstNS == 0 {
			k.firstNS, k.blockNS = s.AtNS, s.AtNS
		}
		k.endNS = s.AtNS
		k.sum, k.n = k.sum+s.Value, k.n+1
		over := s.Flags&trace.Over != 0
		if mean := math.Abs(k.sum / float64(k.n)); over || s.AtNS-k.blockNS >= checkBlockNS {
			if over || mean > level {
				b.refuseContact(w, mean, over, s.AtNS)
				return
			}
			k.blockNS, k.sum, k.n = s.AtNS, 0, 0
		}
		if s.AtNS-k.openedNS >= checkNS {
			w.state = ContactReady
			b.tellContact("the contact is ready")
			b.changed = true
			return
		}
	}
}

func (b *Bench) refuseContact(w *wired, meanA float64, over bool, atNS int64) {
	current := fmt.Sprintf("%.2f A", meanA)
	if over {
		current = "more than the instrument shows"
	}
	w.state = ContactRefused
	w.reason = fmt.Sprintf("%s flowed %s after its port was opened, when it has to be open", current, words.Duration(float64(atNS-w.check.openedNS)/1e9))
	w.hint = "take the unit off; with RTS and DTR both raised the relay has to be off: look at the wiring and for a welded contact, take standing loads off while it is checked, and check it again"
	b.tellContact("the contact is refused: " + w.reason)
	b.changed = true
}

// ContactState tells how the contact stands.
type ContactState struct {
	Port   string `json:"port"` // empty: none on a port
	Spec   string `json:"spec,omitempty"`
	Driven bool   `json:"driven"` // the program closes and opens it
	State  string `json:"state"`  // none, checking, ready, refused, away
	Say    string `json:"say"`    // in words
	Do     string `json:"do"`     // what a person can do about it
	Sensed string `json:"sensed"` // open or closed; empty: not sensed
	// A countdown: when it ends on the bench's time base, and how long that is; null: none runs.
	ClosesAtS *float64 `json:"closes_at_s"`
	ClosesInS *float64 `json:"closes_in_s"`
	Why       string   `json:"why"`     // it was opened the last time
	Trouble   string   `json:"trouble"` // it does not obey: somebody has to open it by hand
}

// contactState tells how the contact stands; b.mu is held.
func (b *Bench) contactState(now int64) ContactState {
	s := ContactState{Driven: b.contact != nil, State: "none", Why: b.drive.why, Trouble: b.drive.trouble}
	if b.contact != nil {
		s.State = ContactReady
	}
	if at := b.drive.closeNS; at != 0 {
		s.ClosesAtS, s.ClosesInS = ptr(float64(at)/1e9), ptr(float64(max(at-now, 0))/1e9)
	}
	w := b.wire
	if w != nil {
		s.Port, s.Spec, s.State, s.Do = w.spec.Port, w.spec.String(), w.state, w.hint
		if w.sensedKnown {
			s.Sensed = map[bool]string{true: "closed", false: "open"}[w.sensedClosed]
		}
	}
	s.Say = s.say(w)
	return s
}

func (s ContactState) say(w *wired) string {
	switch {
	case s.Trouble != "":
		return s.Trouble
	case s.State == "none":
		return "no contact: it is closed and opened by hand"
	case s.State == ContactChecking:
		return "being checked: no current may flow while it is open"
	case s.State == ContactRefused:
		return "not used: " + w.reason
	case s.State == ContactAway:
		return "its port is away: " + w.reason
	case !s.Driven:
		return "sensed: " + s.Sensed
	case s.Sensed != "":
		return "ready, its second pole says " + s.Sensed
	}
	return "ready"
}
