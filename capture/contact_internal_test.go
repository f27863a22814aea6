package capture

import (
	"errors"
	"math"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"github.com/creack/pty"
	"pgregory.net/rapid"

	"letthrough/capture/contact"
	"letthrough/capture/port"
	"letthrough/capture/trace"
	"letthrough/capture/wire"
)

// relay is an isolated relay across RTS and DTR with a second pole on CTS, and the port it hangs on.
type relay struct {
	mu       sync.Mutex
	rts, dtr bool
	gone     error
	stuck    bool // the second pole stays where it is
	pole     bool
	opened   int
	back     int // times the port was given back
}

var errUnplugged = errors.New("input/output error")

func (r *relay) open(string) (contact.Lines, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.gone != nil {
		return nil, &port.OpenError{Path: "/dev/relay", What: "no such port", Gone: true}
	}
	r.opened++
	r.rts, r.dtr = true, true
	return r, nil
}

func (r *relay) on() bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.rts && !r.dtr
}

func (r *relay) set(line *bool, raised bool) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.gone != nil {
		return r.gone
	}
	*line = raised
	if !r.stuck {
		r.pole = r.rts && !r.dtr
	}
	return nil
}

func (r *relay) SetRTS(raised bool) error { return r.set(&r.rts, raised) }
func (r *relay) SetDTR(raised bool) error { return r.set(&r.dtr, raised) }

func (r *relay) Inputs() (cts, dsr bool, err error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.pole, !r.pole, r.gone
}

func (r *relay) Close() error {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.back++
	r.rts, r.dtr = false, false
	if !r.stuck {
		r.pole = false
	}
	return nil
}

func (r *relay) change(f func(*relay)) {
	r.mu.Lock()
	defer r.mu.Unlock()
	f(r)
}

// wiredStand is a stand whose contact hangs on a port.
func wiredStand(t *testing.T, line string) (*stand, *relay) {
	t.Helper()
	r := &relay{}
	s := newStand(t, Options{OpenLines: r.open})
	t.Cleanup(func() { _ = s.b.Close() })
	s.play(0, 1, 1000, 20, never)
	spec, err := contact.ParseSpec(line)
	if err != nil {
		t.Fatal(err)
	}
	if err := s.b.UseContact(spec, false); err != nil {
		t.Fatal(err)
	}
	return s, r
}

// readyStand is one that was checked, at 4 s.
func readyStand(t *testing.T, line string) (*stand, *relay) {
	t.Helper()
	s, r := wiredStand(t, line)
	s.play(1, 4, 1000, 20, never)
	if st := s.b.State().ContactIs; st.State != ContactReady {
		t.Fatalf("after 3 s without current the contact is %s (%s), want ready", st.State, st.Say)
	}
	return s, r
}

// look lets the lines be looked at.
func (s *stand) look() {
	s.b.mu.Lock()
	w := s.b.wire
	s.b.mu.Unlock()
	s.b.lookAt(w)
}

func (s *stand) removedBecause(want string) {
	s.t.Helper()
	for _, m := range s.rec.outside() {
		if m.Kind == trace.Removed && m.By == trace.Contact {
			if !strings.Contains(m.Text, want) {
				s.t.Errorf("the contact was opened because %q, want %q", m.Text, want)
			}
			return
		}
	}
	s.t.Errorf("no removed mark by the contact in %+v", s.rec.outside())
}

// closeNow closes the contact of an armed bench.
func (s *stand) closeNow(r *relay) {
	s.t.Helper()
	if err := s.b.DriveContact(true); err != nil {
		s.t.Fatal(err)
	}
	if !r.on() {
		s.t.Fatal("the relay is off")
	}
}

func TestEveryCauseOpensTheContact(t *testing.T) {
	flows := retrying(4, 1e9)
	for name, c := range map[string]struct {
		cause func(*stand, *relay)
		why   string
	}{
		"the hold is over": {func(s *stand, _ *relay) { s.play(4, 14.1, 1000, 20, flows) }, "hold is over"},
		"a command":        {func(s *stand, _ *relay) { _ = s.b.DriveContact(false) }, "command"},
		"the run is ended": {func(s *stand, _ *relay) { s.play(4, 6, 1000, 20, flows); _ = s.b.End(); s.step(6.01) }, "ended"},
		"the short is marked as removed": {func(s *stand, _ *relay) {
			s.play(4, 6, 1000, 20, flows)
			_, _, _ = s.b.Mark(trace.Removed, "")
			s.step(6.01)
		}, "removed"},
		"readings stay away": {func(s *stand, _ *relay) {
			s.play(4, 6, 1000, 20, flows)
			s.step(7.9)
			if st := s.b.State(); st.Contact != "closed" {
				t.Errorf("after 1.9 s without a reading the contact is %s", st.Contact)
			}
			s.step(8.1)
		}, "no reading of the current for 2.1"},
		"the instrument is unplugged": {func(s *stand, _ *relay) {
			s.play(4, 6, 1000, 20, flows)
			s.in.box.tell(SourceStatus{State: Unplugged})
			s.step(6.05)
		}, "no reading"},
		"the instrument is removed": {func(s *stand, _ *relay) {
			s.play(4, 6, 1000, 20, flows)
			_ = s.b.RemoveInstrument("board")
			s.step(6.05)
		}, "no reading"},
		"the program ends":    {func(s *stand, _ *relay) { s.play(4, 6, 1000, 20, flows); _ = s.b.OpenContactAtExit() }, "program ends"},
		"the bench is closed": {func(s *stand, _ *relay) { s.play(4, 6, 1000, 20, flows); _ = s.b.Close() }, "program ends"},
		"its port is gone": {func(s *stand, r *relay) {
			s.play(4, 6, 1000, 20, flows)
			r.change(func(r *relay) { r.gone, r.rts, r.dtr = errUnplugged, false, false })
			s.look()
		}, "port is gone"},
	} {
		t.Run(name, func(t *testing.T) {
			s, r := readyStand(t, "/dev/relay")
			s.arm(10)
			s.closeNow(r)
			c.cause(s, r)
			if st := s.b.State(); r.on() || st.Contact == "closed" {
				t.Errorf("relay on %v, state says %s", r.on(), st.Contact)
			}
			s.removedBecause(c.why)
		})
	}
}

func TestAContactWithoutAHoldIsOpenedAfterFiveSeconds(t *testing.T) {
	t.Run("on an idle bench", func(t *testing.T) {
		s, r := readyStand(t, "/dev/relay")
		s.closeNow(r)
		s.play(4, 8.9, 1000, 20, never)
		if !r.on() {
			t.Fatal("opened before its time")
		}
		s.play(8.9, 9.1, 1000, 20, never)
		if st := s.b.State().ContactIs; r.on() || !strings.Contains(st.Why, "5 s") {
			t.Errorf("relay on %v after 5 s, because %q", r.on(), st.Why)
		}
	})
	t.Run("after the hold", func(t *testing.T) {
		s, r := readyStand(t, "/dev/relay")
		s.arm(3)
		s.closeNow(r)
		s.play(4, 8, 1000, 20, never)
		s.closeNow(r)
		s.play(8, 13.1, 1000, 20, never)
		if r.on() {
			t.Error("closed once more to see whether the unit recovers, it stays closed")
		}
	})
	t.Run("or at once where the run ends before", func(t *testing.T) {
		s, r := readyStand(t, "/dev/relay")
		s.arm(3)
		s.closeNow(r)
		s.play(4, 16.5, 1000, 20, never)
		s.closeNow(r)
		s.play(16.5, 17.5, 1000, 20, never)
		if st := s.b.State(); r.on() || st.Bench != Idle || st.ContactIs.Why != whyRunOver {
			t.Errorf("relay on %v on a bench that is %s, opened because %q", r.on(), st.Bench, st.ContactIs.Why)
		}
	})
	t.Run("when it is disarmed", func(t *testing.T) {
		s, r := readyStand(t, "/dev/relay")
		s.arm(3)
		s.b.mu.Lock()
		s.b.drive.closed = true
		s.b.mu.Unlock()
		_ = r.SetDTR(false)
		if err := s.b.Disarm(); err != nil {
			t.Fatal(err)
		}
		s.step(4.01)
		if r.on() {
			t.Error("disarmed, it stays closed")
		}
	})
}

func TestAContactIsRefused(t *testing.T) {
	dir := t.TempDir()
	master, slave, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	defer master.Close()
	defer slave.Close()
	link := filepath.Join(dir, "link")
	if err := os.Symlink(slave.Name(), link); err != nil {
		t.Fatal(err)
	}
	armed := func(s *stand) { s.arm(3) }
	shares := func(s *stand) {
		s.b.mu.Lock()
		s.in.spec.Port = slave.Name()
		s.b.mu.Unlock()
	}
	for name, c := range map[string]struct {
		before func(*stand)
		port   string
		says   string
	}{
		"on a pseudo-terminal":                 {nil, link, "no modem lines"},
		"on the measuring port":                {shares, slave.Name(), "port of instrument board"},
		"on the measuring port through a link": {shares, link, "port of instrument board"},
		"on a port that is not there":          {nil, filepath.Join(dir, "none"), "no such port"},
		"in the middle of a test":              {armed, link, "bench is armed"},
	} {
		t.Run(name, func(t *testing.T) {
			s := newStand(t, Options{}) // the real lines of the serial library
			t.Cleanup(func() { _ = s.b.Close() })
			s.play(0, 1, 1000, 20, never)
			if c.before != nil {
				c.before(s)
			}
			err := s.b.UseContact(contact.Spec{Port: c.port, Drive: true}, false)
			if err == nil || !strings.Contains(err.Error(), c.says) {
				t.Errorf("err = %v, want it to say %q", err, c.says)
			}
			if s.b.HasContact() {
				t.Error("the bench has a contact")
			}
		})
	}
	t.Run("and so is an instrument on its port", func(t *testing.T) {
		s, _ := wiredStand(t, slave.Name())
		err := s.b.AddInstrument(wire.Spec{Name: "other", Port: link})
		if err == nil || !strings.Contains(err.Error(), "port of the contact") {
			t.Errorf("err = %v", err)
		}
	})
}

func TestClosingIsRefused(t *testing.T) {
	for name, c := range map[string]struct {
		before func(*stand, *relay)
		says   string
	}{
		"while it is being checked": {func(s *stand, _ *relay) { _ = s.b.CheckContact() }, "being checked"},
		"without readings":          {func(s *stand, _ *relay) { s.step(5.2) }, "no reading of the current has come for 1.2"},
		"without an instrument":     {func(s *stand, _ *relay) { _ = s.b.RemoveInstrument("board") }, "no instrument measures current"},
		"while its port is away": {func(s *stand, r *relay) {
			r.change(func(r *relay) { r.gone = errUnplugged })
			s.look()
		}, "its port does not answer"},
		"where it is only sensed": {func(s *stand, _ *relay) {
			if err := s.b.UseContact(contact.Spec{Port: "/dev/relay", Sense: contact.SenseCTS}, false); err != nil {
				t.Fatal(err)
			}
		}, "only sensed"},
		"where there is none": {func(s *stand, _ *relay) { _ = s.b.RemoveContact() }, "no contact is configured"},
	} {
		t.Run(name, func(t *testing.T) {
			s, r := readyStand(t, "/dev/relay")
			c.before(s, r)
			for what, err := range map[string]error{"at once": s.b.DriveContact(true), "counting": s.b.CloseContactIn(3)} {
				if err == nil || !strings.Contains(err.Error(), c.says) || r.on() {
					t.Errorf("%s: err %v, relay on %v; want it to say %q", what, err, r.on(), c.says)
				}
			}
		})
	}
	s, _ := readyStand(t, "/dev/relay")
	for _, after := range []float64{-1, 61, math.NaN(), math.Inf(1)} {
		if err := s.b.CloseContactIn(after); err == nil || !strings.Contains(err.Error(), "after_s") {
			t.Errorf("a countdown of %g s: %v", after, err)
		}
	}
}

// The lines hold the contact open when the port is opened. Where current flows all the same the wiring is
// wrong, or the contact welded.
func TestAContactThatConductsWhenItsPortIsOpenedIsRefused(t *testing.T) {
	steady := func(level, from float64) func(float64) float64 {
		return func(at float64) float64 {
			if at >= from {
				return level
			}
			return 0
		}
	}
	for name, c := range map[string]struct {
		current func(float64) float64
		state   string
	}{
		"at once":                            {steady(4.2, 1), ContactRefused},
		"1.9 s later":                        {steady(4.2, 2.9), ContactRefused},
		"in pulses of 60 ms":                 {func(at float64) float64 { return map[bool]float64{true: 12}[math.Mod(at, 0.62) < 0.06] }, ContactRefused},
		"before already: a welded contact":   {steady(3, 0), ContactRefused},
		"reversed":                           {steady(-3, 1), ContactRefused},
		"not by the noise of a meter":        {steady(0.02, 0), ContactReady},
		"not by one that begins 2.1 s later": {steady(4.2, 3.1), ContactReady},
	} {
		t.Run(name, func(t *testing.T) {
			s, r := wiredStand(t, "/dev/relay")
			s.play(1, 4, 1000, 20, c.current)
			s.look()
			st := s.b.State()
			if st.ContactIs.State != c.state {
				t.Fatalf("the contact is %s (%s), want %s", st.ContactIs.State, st.ContactIs.Say, c.state)
			}
			if c.state != ContactRefused {
				return
			}
			if st.Contact != "refused" || r.back == 0 || st.ContactIs.Do == "" || !strings.Contains(st.ContactIs.Say, "A flowed") {
				t.Errorf("contact %s, port given back %d times: %s %s", st.Contact, r.back, st.ContactIs.Say, st.ContactIs.Do)
			}
			if err := s.b.DriveContact(true); err == nil || r.on() {
				t.Errorf("a refused contact was closed: %v", err)
			}
			// Somebody has looked.
			if err := s.b.CheckContact(); err != nil {
				t.Fatal(err)
			}
			s.play(4, 7, 1000, 20, never)
			if st := s.b.State().ContactIs; st.State != ContactReady {
				t.Errorf("after it was mended the contact is %s (%s)", st.State, st.Say)
			}
		})
	}
}

// The check means nothing while nobody is looking: the port is opened once more when readings come.
func TestTheCheckWaitsForReadings(t *testing.T) {
	r := &relay{}
	s := newStand(t, Options{OpenLines: r.open})
	t.Cleanup(func() { _ = s.b.Close() })
	if err := s.b.UseContact(contact.Spec{Port: "/dev/relay", Drive: true}, false); err != nil {
		t.Fatal(err)
	}
	s.step(10)
	if st := s.b.State().ContactIs; st.State != ContactChecking {
		t.Fatalf("without a reading the contact is %s", st.State)
	}
	s.play(10, 10.5, 1000, 20, never)
	s.look()
	if r.opened != 2 {
		t.Fatalf("the port was opened %d times, want once more now that readings come", r.opened)
	}
	s.play(10.5, 12, 1000, 20, never)
	if st := s.b.State().ContactIs; st.State != ContactChecking {
		t.Errorf("1.5 s after that the contact is %s", st.State)
	}
	s.play(12, 12.7, 1000, 20, never)
	if st := s.b.State().ContactIs; st.State != ContactReady {
		t.Errorf("2.2 s after that the contact is %s", st.State)
	}
}

func TestCountdown(t *testing.T) {
	t.Run("closes when it is over", func(t *testing.T) {
		s, r := readyStand(t, "/dev/relay")
		s.arm(5)
		if err := s.b.CloseContactIn(3); err != nil {
			t.Fatal(err)
		}
		s.play(4, 6.9, 1000, 20, never)
		if st := s.mode(Armed); r.on() || st.ContactIs.ClosesInS == nil || math.Abs(*st.ContactIs.ClosesInS-0.1) > 0.05 {
			t.Fatalf("0.1 s before its end: relay on %v, closes in %v", r.on(), st.ContactIs.ClosesInS)
		}
		s.play(6.9, 7.05, 1000, 20, never)
		if st := s.mode(Recording); !r.on() || st.ContactIs.ClosesInS != nil {
			t.Errorf("after its end: relay on %v, closes in %v", r.on(), st.ContactIs.ClosesInS)
		}
	})
	for name, stop := range map[string]func(*stand){
		"is stopped by opening":        func(s *stand) { _ = s.b.DriveContact(false) },
		"is stopped by disarming":      func(s *stand) { _ = s.b.Disarm() },
		"is stopped by lost readings":  func(s *stand) { s.step(6.1) },
		"is stopped by the end of all": func(s *stand) { _ = s.b.Close() },
		"is stopped by a pulled adapter": func(s *stand) {
			s.b.mu.Lock()
			r := s.b.wire.lines.(*relay)
			s.b.mu.Unlock()
			r.change(func(r *relay) { r.gone = errUnplugged })
			s.look()
		},
	} {
		t.Run(name, func(t *testing.T) {
			s, r := readyStand(t, "/dev/relay")
			s.arm(5)
			if err := s.b.CloseContactIn(3); err != nil {
				t.Fatal(err)
			}
			s.play(4, 5, 1000, 20, never)
			stop(s)
			s.play(6.5, 9, 1000, 20, never)
			if st := s.b.State().ContactIs; r.on() || st.ClosesInS != nil {
				t.Errorf("relay on %v, closes in %v", r.on(), st.ClosesInS)
			}
		})
	}
}

func TestASensedContactMarks(t *testing.T) {
	s, r := wiredStand(t, "/dev/relay?drive=no&sense=cts")
	s.look()
	s.arm(5)
	unit := retrying(3.0003, 7)
	at := 1.0
	play := func(to float64) {
		for ; at < to-1e-9; at += 0.01 {
			s.play(at, at+0.01, 1000, 5, unit)
			s.look()
		}
	}
	play(3)
	r.change(func(r *relay) { r.pole = true })
	play(7)
	r.change(func(r *relay) { r.pole = false })
	play(8)
	marks := s.rec.outside()
	if len(marks) != 2 || marks[0].Kind != trace.Applied || marks[1].Kind != trace.Removed {
		t.Fatalf("marks %+v, want applied and removed", marks)
	}
	origin := float64(s.rec.starts[0].OriginNS) / 1e9
	for i, want := range []float64{3, 7} {
		m := marks[i]
		if m.By != trace.Contact || math.Abs(m.T+origin-want) > m.U || m.U > 0.06 || m.U < 0.005 {
			t.Errorf("%s at %.4f ± %.4f s by %s, the pole moved at %g s", m.Kind, m.T+origin, m.U, m.By, want)
		}
	}
	if st := s.b.State(); st.Contact != "none" || st.ContactIs.Sensed != "open" || !st.Removed {
		t.Errorf("contact %s, sensed %s, removed %v", st.Contact, st.ContactIs.Sensed, st.Removed)
	}
	play(18)
	e := s.ended(1)
	again := s.rec.again(t, e.Settings)
	for _, f := range again.Figures {
		if g, _ := e.Derivation.Figures.Get(f.Key); g != f {
			t.Errorf("live %+v\nagain %+v", g, f)
		}
	}
	if got := e.Derivation.Behaviour; got != trace.AutoRetry {
		t.Errorf("behaviour %s", got)
	}
}

// What was shown live is what anybody gets who derives the stored samples again, however the pole and the
// readings lie to each other.
func TestLiveFiguresOfASensedContactAreThoseOfTheStoredSamples(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		r := &relay{}
		s := newStand(t, Options{OpenLines: r.open})
		defer s.b.Close()
		if err := s.b.UseContact(contact.Spec{Port: "/dev/relay", Sense: contact.SenseCTS}, false); err != nil {
			rt.Fatal(err)
		}
		s.look()
		rate := rapid.SampledFrom([]float64{20, 200, 1000}).Draw(rt, "rate")
		hold := rapid.Float64Range(2, 5).Draw(rt, "hold")
		onset := rapid.Float64Range(2.5, 3.5).Draw(rt, "onset")
		removed := onset + rapid.Float64Range(0.3, 6).Draw(rt, "removed")
		late := rapid.Float64Range(-0.01, 0.03).Draw(rt, "late")
		n := rapid.IntRange(1, 20).Draw(rt, "delivery")
		unit := retrying(onset, removed)
		s.play(0, 2, rate, n, unit)
		s.arm(hold)
		for at := 2.0; at < removed+hold+12 && s.b.State().Bench != Idle; at += 0.01 {
			s.play(at, at+0.01, rate, n, unit)
			r.change(func(r *relay) { r.pole = at >= onset+late && at < removed+late })
			s.look()
		}
		e := s.ended(1)
		again := s.rec.again(t, e.Settings)
		for _, f := range again.Figures {
			if g, _ := e.Derivation.Figures.Get(f.Key); g != f {
				rt.Errorf("live %+v\nagain %+v", g, f)
			}
		}
	})
}

func TestASensedShortThatNobodySeesIsNotResolved(t *testing.T) {
	s, r := wiredStand(t, "/dev/relay?drive=no&sense=dsr&closed=lowered")
	s.look()
	s.arm(3)
	r.change(func(r *relay) { r.pole = true })
	for at := 1.0; at < 1.1; at += 0.01 {
		s.play(at, at+0.01, 1000, 5, never)
		s.look()
	}
	s.mode(Recording)
	s.play(1.1, 15, 1000, 20, never)
	if got := s.ended(1).Derivation.Behaviour; got != trace.BehaviourUnsure {
		t.Errorf("behaviour %s, want not_resolved: the short is known to have been applied", got)
	}
}

func TestASecondPoleThatDisagrees(t *testing.T) {
	play := func(s *stand, from, to float64) {
		for at := from; at < to-1e-9; at += 0.01 {
			s.play(at, at+0.01, 1000, 5, never)
			s.look()
		}
	}
	t.Run("did not close", func(t *testing.T) {
		s, r := readyStand(t, "/dev/relay?sense=cts")
		s.look()
		s.arm(5)
		r.change(func(r *relay) { r.stuck = true })
		s.closeNow(r)
		play(s, 4, 5)
		if r.on() || s.b.State().Contact != "open" {
			t.Error("the contact stays closed although its second pole never closed")
		}
		s.removedBecause("second pole says that it did not close")
	})
	t.Run("welded", func(t *testing.T) {
		s, r := readyStand(t, "/dev/relay?sense=cts")
		s.look()
		s.arm(1)
		s.closeNow(r)
		play(s, 4, 4.9)
		r.change(func(r *relay) { r.stuck = true })
		play(s, 4.9, 6)
		st := s.b.State()
		if r.on() || st.Contact != "closed" || !strings.Contains(st.ContactIs.Trouble, "open it by hand now") {
			t.Errorf("relay on %v, contact %s, trouble %q", r.on(), st.Contact, st.ContactIs.Trouble)
		}
	})
	t.Run("opened by itself", func(t *testing.T) {
		s, r := readyStand(t, "/dev/relay?sense=cts")
		s.look()
		s.arm(5)
		s.closeNow(r)
		play(s, 4, 6)
		r.change(func(r *relay) { r.stuck, r.pole = true, false })
		play(s, 6, 6.1)
		if r.on() {
			t.Error("the contact is left closed although its second pole has opened")
		}
		s.removedBecause("sensed")
	})
}

// A contact that nobody drives in its place marks nothing twice.
func TestADrivenAndSensedContactMarksOnce(t *testing.T) {
	s, r := readyStand(t, "/dev/relay?sense=cts")
	s.look()
	s.arm(1)
	s.closeNow(r)
	for at := 4.0; at < 16; at += 0.01 {
		s.play(at, at+0.01, 500, 5, never)
		s.look()
	}
	if m := s.rec.outside(); len(m) != 2 {
		t.Errorf("marks %+v, want applied and removed once", m)
	}
}

func TestAnAdapterThatIsPulledAndComesBackIsCheckedAgain(t *testing.T) {
	s, r := readyStand(t, "/dev/relay")
	r.change(func(r *relay) { r.gone = errUnplugged })
	s.look()
	if st := s.b.State().ContactIs; st.State != ContactAway {
		t.Fatalf("the contact is %s", st.State)
	}
	r.change(func(r *relay) { r.gone = nil })
	s.b.contactMu.Lock()
	s.b.wire.retry = s.b.wire.retry.Add(-2 * reopenAfter)
	s.b.contactMu.Unlock()
	s.look()
	if st := s.b.State().ContactIs; st.State != ContactChecking {
		t.Fatalf("back again the contact is %s", st.State)
	}
	s.play(4, 7, 1000, 20, never)
	if st := s.b.State().ContactIs; st.State != ContactReady {
		t.Errorf("3 s later the contact is %s", st.State)
	}
}

func TestAContactThatDoesNotObeyIsSaid(t *testing.T) {
	s, r := readyStand(t, "/dev/relay")
	s.arm(5)
	s.closeNow(r)
	s.b.mu.Lock()
	s.b.contact = deaf{}
	s.b.mu.Unlock()
	s.play(4, 4.1, 1000, 20, never)
	if err := s.b.DriveContact(false); err == nil {
		t.Error("an opening that failed was told as done")
	}
	if st := s.b.State().ContactIs; !strings.Contains(st.Say, "does not obey") {
		t.Errorf("state says %q", st.Say)
	}
}

type deaf struct{}

func (deaf) Close() error { return errUnplugged }
func (deaf) Open() error  { return errUnplugged }
func (deaf) Closed() bool { return true }

// Closed once more after the hold to see whether the unit recovers: the hold stays as it was.
func TestClosingOnceMoreAfterTheHoldLeavesTheHold(t *testing.T) {
	s, r := readyStand(t, "/dev/relay")
	s.arm(3)
	s.closeNow(r)
	flows := func(float64) float64 { return map[bool]float64{true: 4}[r.on()] }
	s.play(4, 9, 1000, 20, flows)
	s.closeNow(r)
	s.play(9, 10, 1000, 20, flows)
	if err := s.b.DriveContact(false); err != nil {
		t.Fatal(err)
	}
	s.play(10, 20, 1000, 20, flows)
	e := s.ended(1)
	if math.Abs(e.Settings.HoldS-3) > 0.1 {
		t.Errorf("hold %g s, want the 3 s it was", e.Settings.HoldS)
	}
	again := s.rec.again(t, e.Settings)
	for _, f := range again.Figures {
		if g, _ := e.Derivation.Figures.Get(f.Key); g != f {
			t.Errorf("live %+v\nagain %+v", g, f)
		}
	}
}
