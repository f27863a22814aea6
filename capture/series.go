package capture

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strings"
	"time"

	"letthrough/capture/trace"
	"letthrough/capture/words"
)

// SeriesKeeper keeps series, so that one that was stopped, or cut short with the program, can go on. What
// was done is known from the runs.
type SeriesKeeper interface {
	BeginSeries(ctx context.Context, s trace.Series) (trace.Series, error)
	TurnSeries(ctx context.Context, id int64, state, reason string) error
	Series(ctx context.Context, id int64) (trace.Series, []trace.SeriesRun, error)
}

// SeriesRequest says what is to be repeated, and how often.
type SeriesRequest struct {
	Arm   ArmRequest
	N     int
	RestS *float64 // that the unit rests between two runs at least; nil: 60 s
}

const (
	// defaultUnitRestS is how long a unit rests between two runs where nobody says (common practice, no
	// source): its protection and its winding cool, too, and nothing here knows them.
	defaultUnitRestS = 60
	// seriesCountdownS is counted before each closing, time to take one's hands away.
	seriesCountdownS = 3
	// baselineS is listened before each closing: the detector takes its baseline from up to 2 s.
	baselineS = 2.5
)

// The stages of a series.
const (
	stageRest    = "resting"
	stageClosing = "closing"
	stageRun     = "running"
)

// SeriesState tells how a series goes on.
type SeriesState struct {
	ID      int64    `json:"id"`
	Unit    string   `json:"unit"`
	Rig     string   `json:"rig"`
	N       int      `json:"n"`
	Done    int      `json:"done"`
	Stage   string   `json:"stage"`     // resting, closing, running
	NextInS *float64 `json:"next_in_s"` // until the contact closes next, as far as that is known; null while a run is open
	Text    string   `json:"text"`
}

// repeating is a series that is going on.
type repeating struct {
	series trace.Series
	arm    ArmRequest
	cancel context.CancelCauseFunc
	done   chan struct{}

	// With b.mu held.
	count  int // runs that count
	place  int // of the last run
	first  trace.Behaviour
	stage  string
	nextNS int64 // when the contact closes next; 0: not known
	rests  string
}

// ended is what a series wants to know of the run that ended last; b.mu is held.
type ended struct {
	run       int64
	state     trace.RunState
	behaviour trace.Behaviour
	opened    string // why the contact was opened the first time
	alarm     bool   // a part of the rig was used up
	onset     bool
	lost      int64
	holdS     float64
}

var errStopped = errors.New("stopped by a person")

// StartSeries repeats a test by itself with pauses in which rig and unit cool. It stops at the first
// anomaly: another behaviour than that of the first run, the guard's alarm, lost readings, no onset.
func (b *Bench) StartSeries(q SeriesRequest) (int64, error) {
	if b.keeper == nil {
		return 0, refuse(CodeState, "", "no store keeps a series")
	}
	s := trace.Series{
		Unit: q.Arm.Unit.Name, Output: q.Arm.Output, Setting: q.Arm.Setting, Rig: q.Arm.Rig, Note: q.Arm.Note,
		Procedure: q.Arm.Procedure, N: q.N, RestS: defaultUnitRestS,
	}
	if q.RestS != nil {
		s.RestS = *q.RestS
	}
	settings, err := q.Arm.settings()
	if err != nil {
		return 0, err
	}
	s.Procedure, s.HoldS = settings.Procedure, settings.HoldS
	q.Arm.HoldS = &s.HoldS
	if err := s.Validate(); err != nil {
		return 0, refuse(CodeRange, "", "%s", err)
	}
	if s.Procedure == trace.Ramp || s.Procedure == trace.Steps {
		return 0, refuse(CodeRange, "a series is of short, overload or carry", "procedure: the load of a %s is raised by hand, so it does not repeat by itself", s.Procedure)
	}
	if err := b.mayRepeat(); err != nil {
		return 0, err
	}
	if s, err = b.keeper.BeginSeries(b.ctx, s); err != nil {
		return 0, err
	}
	return s.ID, b.repeat(s, q.Arm, nil)
}

// ResumeSeries goes on with a series that was stopped, or cut short with the program. unit is the unit as the
// store knows it now.
func (b *Bench) ResumeSeries(id int64, unit trace.Unit) error {
	if b.keeper == nil {
		return refuse(CodeState, "", "no store keeps a series")
	}
	if err := b.mayRepeat(); err != nil {
		return err
	}
	s, runs, err := b.keeper.Series(b.ctx, id)
	if err != nil {
		return err
	}
	if s.State == trace.SeriesComplete {
		return refuse(CodeState, "begin another", "series %d is complete", id)
	}
	if err := b.keeper.TurnSeries(b.ctx, id, trace.SeriesOpen, ""); err != nil {
		return err
	}
	return b.repeat(s, ArmRequest{Unit: unit, Output: s.Output, Setting: s.Setting, Rig: s.Rig, Note: s.Note, Procedure: s.Procedure, HoldS: &s.HoldS}, runs)
}

// mayRepeat says why no series can begin now.
func (b *Bench) mayRepeat() error {
	b.mu.Lock()
	defer b.mu.Unlock()
	switch {
	case b.closed:
		return refuse(CodeState, "", "the bench is closed")
	case b.contact == nil:
		return refuse(CodeState, "hang a contact on a port, or repeat the test by hand", "no contact is configured, so nothing repeats by itself")
	case b.repeats != nil:
		return refuse(CodeState, "stop it first", "series %d is going on", b.repeats.series.ID)
	case b.mode != Idle:
		return refuse(CodeState, "disarm it or end the run first", "the bench is %s", b.mode)
	}
	if b.wire != nil && (b.wire.state == ContactRefused || b.wire.state == ContactAway) {
		return b.wire.mayClose()
	}
	return nil
}

// repeat starts the goroutine of a series.
func (b *Bench) repeat(s trace.Series, arm ArmRequest, runs []trace.SeriesRun) error {
	ctx, cancel := context.WithCancelCause(b.ctx)
	r := &repeating{series: s, arm: arm, cancel: cancel, done: make(chan struct{}), stage: stageRest}
	for _, done := range runs {
		r.take(done)
	}
	b.mu.Lock()
	if b.closed || b.repeats != nil {
		b.mu.Unlock()
		cancel(errStopped)
		return refuse(CodeState, "stop it first", "another series is going on")
	}
	b.repeats = r
	b.kick()
	b.mu.Unlock()
	go func() {
		defer close(r.done)
		defer cancel(nil)
		b.runSeries(ctx, r)
	}()
	return nil
}

// StopSeries stops the series. The contact is opened; a run that is open ends its hold with that and keeps
// what it has.
func (b *Bench) StopSeries() error {
	b.mu.Lock()
	r := b.repeats
	b.mu.Unlock()
	if r == nil {
		return refuse(CodeState, "", "no series is going on")
	}
	r.cancel(errStopped)
	err := b.openContact("the series was stopped")
	<-r.done
	return err
}

// runSeries runs what is left of a series, and says in the store how it ended.
func (b *Bench) runSeries(ctx context.Context, r *repeating) {
	err := b.repeatAll(ctx, r)
	if err != nil {
		if errO := b.openContact("the series was stopped: " + err.Error()); errO != nil {
			b.log.Error("open the contact", "err", errO)
		}
		if b.State().Bench == Armed {
			_ = b.Disarm() // somebody else was quicker
		}
	}
	state, reason := trace.SeriesComplete, ""
	if err != nil {
		state, reason = trace.SeriesStopped, err.Error()
	}
	// What became of it is kept, also where the program is about to end.
	keep, done := context.WithTimeout(context.WithoutCancel(ctx), 5*time.Second)
	defer done()
	if err := b.keeper.TurnSeries(keep, r.series.ID, state, reason); err != nil {
		b.log.Error("keep how the series ended", "series", r.series.ID, "err", err)
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	b.repeats = nil
	b.lastSeries = r.told(b.clock.NowNS())
	b.lastSeries.Stage, b.lastSeries.NextInS = state, nil
	b.lastSeries.Text = r.endText(reason)
	b.publish(Event{Kind: EventSeries, AtNS: b.clock.NowNS(), Text: b.lastSeries.Text})
	b.kick()
}

func (b *Bench) repeatAll(ctx context.Context, r *repeating) error {
	for r.count < r.series.N {
		if err := b.rest(ctx, r); err != nil {
			return err
		}
		e, err := b.once(ctx, r)
		if err != nil {
			return err
		}
		odd := e.anomaly(r)
		b.mu.Lock()
		r.take(trace.SeriesRun{Place: r.place, State: e.state, Behaviour: e.behaviour, HoldS: e.holdS})
		b.mu.Unlock()
		if odd != nil {
			return odd
		}
	}
	return nil
}

// take counts a run in that was made.
func (r *repeating) take(done trace.SeriesRun) {
	r.place = max(r.place, done.Place)
	if r.series.Counts(done) {
		r.count++
		if r.first == "" {
			r.first = done.Behaviour
		}
	}
}

// anomaly says why the series must not go on after a run, or nil.
func (e ended) anomaly(r *repeating) error {
	switch {
	case e.alarm:
		return fmt.Errorf("run %d: a part of the rig has used up what it stands", e.run)
	case e.state != trace.RunComplete:
		return fmt.Errorf("run %d: it was %s", e.run, e.state)
	case e.opened != whyHold:
		return fmt.Errorf("run %d: the contact was opened before the hold was over: %s", e.run, e.opened)
	case !e.onset && r.first == trace.Latching:
		return fmt.Errorf("run %d: no onset was seen: a unit that stays off has to be switched off and on before it is tested again", e.run)
	case !e.onset:
		return fmt.Errorf("run %d: no onset was seen", e.run)
	case e.behaviour == trace.BehaviourUnsure || e.behaviour == trace.None:
		return fmt.Errorf("run %d: %s", e.run, did(e.behaviour))
	case e.lost > 0:
		return fmt.Errorf("run %d: %d readings were lost", e.run, e.lost)
	case r.first != "" && e.behaviour != r.first:
		return fmt.Errorf("run %d: %s, the first run of the series: %s", e.run, did(e.behaviour), did(r.first))
	}
	return nil
}

// did says a behaviour within a sentence.
func did(b trace.Behaviour) string {
	s := words.Behaviour(b)
	return strings.ToLower(s[:1]) + s[1:]
}

// rest waits until every part of the rig is ready for another hold, the unit has had its rest, the contact is
// ready and readings come.
func (b *Bench) rest(ctx context.Context, r *repeating) error {
	until := b.clock.NowNS()
	if r.count > 0 {
		until += trace.NS(r.series.RestS)
	}
	quiet := b.clock.NowNS() + trace.NS(baselineS)
	var waits int64 // since when it is only waited for the contact and the readings
	for {
		changed := b.Changed()
		b.mu.Lock()
		now := b.clock.NowNS()
		r.stage, r.rests = stageRest, ""
		at := until
		if r.count > 0 {
			r.rests = "the unit rests"
		}
		if g := b.watched.guard; g != nil {
			if s, part := g.Recovery(); s > 0 && now+trace.NS(s) > at {
				at, r.rests = now+trace.NS(s), part+" cools"
			}
		}
		at = max(at, quiet)
		r.nextNS = at + trace.NS(seriesCountdownS)
		why := b.mayClose(now)
		b.mu.Unlock()
		if now >= at {
			if why == nil {
				return nil
			}
			if waits == 0 {
				waits = now
			}
			if now-waits > int64(10*b.lossNS) {
				return why
			}
		}
		if err := b.waitFor(ctx, changed, max(at, now+int64(idleStepNS))); err != nil {
			return err
		}
	}
}

// once arms the bench, closes the contact after a countdown and waits for the run to end.
func (b *Bench) once(ctx context.Context, r *repeating) (ended, error) {
	b.mu.Lock()
	r.place++
	r.stage = stageClosing
	arm := r.arm
	arm.series, arm.place = r.series.ID, r.place
	was := b.lastEnd.run
	b.mu.Unlock()
	if err := b.Arm(arm); err != nil {
		return ended{}, err
	}
	if err := b.CloseContactIn(seriesCountdownS); err != nil {
		return ended{}, err
	}
	for {
		changed := b.Changed()
		b.mu.Lock()
		now := b.clock.NowNS()
		e, mode, counting := b.lastEnd, b.mode, b.drive.closeNS != 0 || b.drive.due || b.drive.closed
		if b.run != nil {
			r.stage, r.nextNS = stageRun, 0
		} else if at := b.drive.closeNS; at != 0 {
			r.nextNS = at
		}
		b.mu.Unlock()
		switch {
		case e.run != was:
			return e, nil
		case mode == Armed && !counting:
			return ended{}, errors.New("the countdown was stopped")
		case mode == Idle:
			return ended{}, errors.New("the bench was disarmed")
		}
		if err := b.waitFor(ctx, changed, now+int64(idleStepNS)); err != nil {
			return ended{}, err
		}
	}
}

// waitFor waits for a change, or an instant of the bench.
func (b *Bench) waitFor(ctx context.Context, changed <-chan struct{}, untilNS int64) error {
	t := b.clock.NewTimer(time.Duration(max(untilNS-b.clock.NowNS(), int64(time.Millisecond))))
	defer t.Stop()
	select {
	case <-changed:
	case <-t.C():
	case <-ctx.Done():
	}
	if ctx.Err() != nil {
		if err := context.Cause(ctx); errors.Is(err, errStopped) {
			return err
		}
		return errors.New(whyProgram)
	}
	return nil
}

// told is the series as the state tells it; b.mu is held.
func (r *repeating) told(now int64) *SeriesState {
	s := &SeriesState{ID: r.series.ID, Unit: r.series.Unit, Rig: r.series.Rig, N: r.series.N, Done: r.count, Stage: r.stage}
	if r.nextNS != 0 {
		s.NextInS = ptr(float64(max(r.nextNS-now, 0)) / 1e9)
	}
	s.Text = fmt.Sprintf("%d of %d done", r.count, r.series.N)
	switch {
	case r.stage == stageRun:
		s.Text = fmt.Sprintf("run %d of %d", r.count+1, r.series.N)
	case s.NextInS != nil:
		s.Text += fmt.Sprintf(", next in %d s", int(math.Ceil(*s.NextInS)))
		if r.stage == stageRest && r.rests != "" {
			s.Text += ": " + r.rests
		}
	}
	return s
}

func (r *repeating) endText(reason string) string {
	if reason == "" {
		return fmt.Sprintf("Series %d is complete: %d runs of %s.", r.series.ID, r.count, r.series.Unit)
	}
	return fmt.Sprintf("Series %d was stopped after %d of %d: %s.", r.series.ID, r.count, r.series.N, reason)
}
