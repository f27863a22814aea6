package capture

import (
	"errors"
	"math"
	"reflect"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"letthrough/capture/trace"
)

func TestOnsetWhileArmedOpensARunWithItsPreRecord(t *testing.T) {
	s := newStand(t, Options{})
	s.play(0, 8, 1000, 10, never)
	s.arm(30)
	s.play(8, 20.05, 1000, 10, retrying(20, 1e9))
	st := s.mode(Recording)
	if st.ZeroAtS == nil || math.Abs(*st.ZeroAtS-20) > 0.002 {
		t.Fatalf("zero at %v, want 20 s", st.ZeroAtS)
	}
	start := s.rec.starts[0]
	if got := float64(start.OriginNS) / 1e9; math.Abs(got-15) > 0.1 {
		t.Errorf("run begins at %.3f s, want 5 s before the onset at 20 s", got)
	}
	if want := wallZero.Add(15e9); start.Started.Sub(want).Abs() > 1e8 {
		t.Errorf("started %v, want about %v", start.Started, want)
	}
	kept := s.rec.data[s.src.channels[0]]
	if kept[0].AtNS != 0 {
		t.Errorf("first kept sample at %d ns of the run, want 0", kept[0].AtNS)
	}
	for i := 1; i < len(kept); i++ {
		if kept[i].AtNS-kept[i-1].AtNS != 1e6 {
			t.Fatalf("kept samples %d and %d are %d ns apart, want 1 ms: one is missing or came twice", i-1, i, kept[i].AtNS-kept[i-1].AtNS)
		}
	}
}

func TestRunEndsByTheClock(t *testing.T) {
	const onset, hold = 10, 12
	t.Run("at the end of the hold and the ten seconds after it", func(t *testing.T) {
		s := newStand(t, Options{})
		s.arm(hold)
		unit := retrying(onset, 1e9)
		s.play(0, onset+hold-0.01, 1000, 20, unit)
		if st := s.mode(Recording); st.Watching {
			t.Error("watching before the end of the hold")
		}
		s.play(onset+hold-0.01, onset+hold+0.02, 1000, 1, unit)
		if st := s.mode(Recording); !st.Watching {
			t.Error("not watching after the end of the hold")
		}
		s.play(onset+hold+0.02, onset+hold+9.98, 1000, 20, never)
		s.mode(Recording)
		s.play(onset+hold+9.98, onset+hold+10.02, 1000, 1, never)
		s.mode(Idle)
		e := s.ended(1)
		if e.State != trace.RunComplete || e.Derivation.Behaviour != trace.AutoRetry {
			t.Errorf("run ended %s as %s, want complete as auto_retry", e.State, e.Derivation.Behaviour)
		}
		if f := figure(t, e.Derivation, "time_to_cutoff_s"); math.Abs(f.Value-0.9) > 0.002 || f.Text == "" {
			t.Errorf("cut off after %v (%q), want 0.9 s in words", f.Value, f.Text)
		}
	})
	t.Run("although the instrument fell silent", func(t *testing.T) {
		s := newStand(t, Options{})
		s.arm(hold)
		s.play(0, onset+2, 1000, 20, retrying(onset, 1e9))
		for at := onset + 2.0; at < onset+hold+9.9; at += 0.05 {
			s.step(at)
		}
		s.mode(Recording)
		s.step(onset + hold + 10.1)
		s.mode(Idle)
		if e := s.ended(1); e.State != trace.RunComplete {
			t.Errorf("run ended %s, want complete", e.State)
		}
	})
	t.Run("ten seconds after a removal that came early", func(t *testing.T) {
		s := newStand(t, Options{})
		s.arm(hold)
		s.play(0, onset+4, 1000, 20, retrying(onset, onset+4))
		if _, _, err := s.b.Mark(trace.Removed, ""); err != nil {
			t.Fatal(err)
		}
		if st := s.mode(Recording); !st.Watching || !st.Removed {
			t.Errorf("watching %v, removed %v after the removal, want both", st.Watching, st.Removed)
		}
		s.play(onset+4, onset+14.1, 1000, 20, never)
		s.mode(Idle)
	})
	t.Run("with nothing seen, counted from the mark applied", func(t *testing.T) {
		s := newStand(t, Options{})
		s.arm(hold)
		s.play(0, 7, 1000, 20, never)
		if _, run, err := s.b.Mark(trace.Applied, ""); err != nil || run != 1 {
			t.Fatalf("mark applied: run %d, %v", run, err)
		}
		s.mode(Recording)
		s.play(7, 7+hold+9.9, 1000, 20, never)
		s.mode(Recording)
		s.play(7+hold+9.9, 7+hold+10.1, 1000, 20, never)
		s.mode(Idle)
		if e := s.ended(1); e.Derivation.Behaviour != trace.BehaviourUnsure {
			t.Errorf("behaviour %s, want not_resolved: the short is known to have been applied", e.Derivation.Behaviour)
		}
	})
	t.Run("by hand: first the hold, then the watch", func(t *testing.T) {
		s := newStand(t, Options{})
		s.arm(hold)
		s.play(0, onset+5, 1000, 20, retrying(onset, 1e9))
		if err := s.b.End(); err != nil {
			t.Fatal(err)
		}
		if st := s.mode(Recording); !st.Watching {
			t.Error("not watching after End")
		}
		s.play(onset+5, onset+6, 1000, 20, never)
		if err := s.b.End(); err != nil {
			t.Fatal(err)
		}
		s.mode(Idle)
		if e := s.ended(1); math.Abs(e.Settings.HoldS-5) > 0.01 {
			t.Errorf("kept hold %g s, want the 5 s it really was", e.Settings.HoldS)
		}
	})
	t.Run("later where the hold was extended", func(t *testing.T) {
		s := newStand(t, Options{})
		s.arm(hold)
		unit := retrying(onset, 1e9)
		s.play(0, onset+5, 1000, 20, unit)
		if err := s.b.Extend(hold + 8); err != nil {
			t.Fatal(err)
		}
		s.play(onset+5, onset+hold+7.9, 1000, 20, unit)
		if st := s.mode(Recording); st.Watching || *st.HoldS != hold+8 {
			t.Errorf("watching %v, hold %g s; want the extended hold to go on", st.Watching, *st.HoldS)
		}
		s.play(onset+hold+7.9, onset+hold+18.1, 1000, 20, never)
		s.mode(Idle)
		if e := s.ended(1); e.Settings.HoldS != hold+8 {
			t.Errorf("kept hold %g s, want %d s", e.Settings.HoldS, hold+8)
		}
	})
}

func TestWhatWasOverBeforeTheArmingIsNoPartOfTheTest(t *testing.T) {
	s := newStand(t, Options{})
	touch := func(at float64) float64 {
		if at >= 4 && at < 4.3 {
			return 3
		}
		return 0
	}
	s.play(0, 6, 1000, 20, touch)
	s.arm(10)
	s.mode(Armed)
	s.play(6, 7.02, 1000, 20, retrying(7, 1e9))
	s.mode(Recording)
	if got := s.rec.starts[0].OriginNS; got < 6e9 {
		t.Errorf("run begins at %d ns, want nothing from before the arming at 6 s", got)
	}
}

func TestArmingIntoAFaultKeepsItsBeginning(t *testing.T) {
	s := newStand(t, Options{})
	steady := func(at float64) float64 {
		if at >= 4 {
			return 3
		}
		return 0
	}
	s.play(0, 6, 1000, 20, steady)
	s.arm(10)
	st := s.mode(Recording)
	if st.ZeroAtS == nil || math.Abs(*st.ZeroAtS-4) > 0.01 {
		t.Errorf("zero at %v, want the onset at 4 s, two seconds before the arming", st.ZeroAtS)
	}
}

func TestASilentInstrumentsOldSamplesAreNoPartOfARun(t *testing.T) {
	s := newStand(t, Options{})
	s.play(0, 3, 1000, 20, never)
	s.step(100)
	s.arm(10)
	if _, _, err := s.b.Mark(trace.Applied, ""); err != nil {
		t.Fatal(err)
	}
	if got := s.rec.starts[0].OriginNS; got != 100e9 {
		t.Errorf("run begins at %g s, want 100 s: the readings of the first seconds are long past", float64(got)/1e9)
	}
}

// What was shown live must be what anybody gets who derives the stored samples again.
func TestLiveFiguresAreThoseOfTheStoredSamples(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		channels := []trace.Quantity{trace.Current, trace.Voltage}
		var o Options
		if rapid.Bool().Draw(rt, "driven contact") {
			o.Contact = &fakeContact{}
		}
		s := newStand(t, o, channels[:rapid.IntRange(1, 2).Draw(rt, "channels")]...)
		rate := rapid.SampledFrom([]float64{8, 100, 500}).Draw(rt, "rate")
		hold := rapid.Float64Range(4, 9).Draw(rt, "hold")
		onset := rapid.Float64Range(3, 7).Draw(rt, "onset")
		unit := retrying(onset, onset+hold+rapid.Float64Range(0, 2).Draw(rt, "late"))
		at := 0.0
		run := func(to float64) {
			n := rapid.IntRange(1, 60).Draw(rt, "delivery")
			s.play(at, to, rate, n, unit)
			at = to
		}
		run(2)
		s.arm(hold)
		drive := func(closed bool) {
			if err := s.b.DriveContact(closed); err != nil && o.Contact != nil {
				t.Fatal(err)
			}
		}
		if rapid.Bool().Draw(rt, "applied by hand") {
			run(onset - 0.4)
			if _, _, err := s.b.Mark(trace.Applied, ""); err != nil {
				t.Fatal(err)
			}
		} else if o.Contact != nil {
			run(onset - 0.1)
			drive(true)
		}
		run(onset + 2)
		if s.b.State().Run == nil {
			rt.Fatal("no run opened at the onset")
		}
		switch rapid.IntRange(0, 4).Draw(rt, "what happens") {
		case 0:
			if err := s.b.Extend(hold + 2); err != nil {
				t.Fatal(err)
			}
		case 1:
			if err := s.b.End(); err != nil {
				t.Fatal(err)
			}
		case 2:
			run(onset + 3)
			if _, _, err := s.b.Mark(trace.Removed, "early"); err != nil {
				t.Fatal(err)
			}
			if _, _, err := s.b.Mark(trace.Note, "a note"); err != nil {
				t.Fatal(err)
			}
		case 3:
			run(onset + 3)
			drive(false)
		}
		run(onset + hold + 13)
		if got := s.b.State().Bench; got != Idle {
			rt.Fatalf("bench is %s after the run, want idle", got)
		}
		e := s.ended(1)
		again := s.rec.again(t, e.Settings)
		for _, f := range again.Figures {
			if g, _ := e.Derivation.Figures.Get(f.Key); g != f {
				rt.Errorf("live %+v\nagain %+v", g, f)
			}
		}
		e.Derivation.Figures, again.Figures = nil, nil
		if !reflect.DeepEqual(e.Derivation, again) {
			rt.Errorf("live:\n%+v\nagain:\n%+v", e.Derivation, again)
		}
	})
}

func TestRefusalsSayWhatIsWrong(t *testing.T) {
	negative, nan, long := -3.0, math.NaN(), 1e6
	idle := func(s *stand) {}
	armed := func(s *stand) { s.arm(10) }
	recording := func(s *stand) {
		s.arm(10)
		if _, _, err := s.b.Mark(trace.Applied, ""); err != nil {
			s.t.Fatal(err)
		}
	}
	watching := func(s *stand) { recording(s); _ = s.b.End() }
	for _, c := range []struct {
		name string
		in   func(*stand)
		do   func(*Bench) error
		code Code
		says string
	}{
		{"negative hold", idle, func(b *Bench) error { return b.Arm(ArmRequest{Unit: tin, HoldS: &negative}) }, CodeRange, "hold_s: -3"},
		{"hold that is no number", idle, func(b *Bench) error { return b.Arm(ArmRequest{Unit: tin, HoldS: &nan}) }, CodeRange, "hold_s"},
		{"hold of days", idle, func(b *Bench) error { return b.Arm(ArmRequest{Unit: tin, HoldS: &long}) }, CodeRange, "86400"},
		{"unit without a name", idle, func(b *Bench) error { return b.Arm(ArmRequest{}) }, CodeRange, "name"},
		{"absurd rating", idle, func(b *Bench) error { return b.Arm(ArmRequest{Unit: trace.Unit{Name: "x", RatedCurrentA: 1e9}}) }, CodeRange, "rated_current_a"},
		{"unknown procedure", idle, func(b *Bench) error { return b.Arm(ArmRequest{Unit: tin, Procedure: "guess"}) }, CodeRange, "guess"},
		{"note of a novel", idle, func(b *Bench) error { return b.Arm(ArmRequest{Unit: tin, Note: strings.Repeat("x", 3000)}) }, CodeRange, "note"},
		{"arm twice", armed, func(b *Bench) error { return b.Arm(ArmRequest{Unit: tin}) }, CodeState, "armed"},
		{"arm while recording", recording, func(b *Bench) error { return b.Arm(ArmRequest{Unit: tin}) }, CodeState, "recording"},
		{"disarm idle", idle, (*Bench).Disarm, CodeState, "idle"},
		{"disarm recording", recording, (*Bench).Disarm, CodeState, "recording"},
		{"extend idle", idle, func(b *Bench) error { return b.Extend(60) }, CodeState, "idle"},
		{"extend to less", recording, func(b *Bench) error { return b.Extend(9) }, CodeRange, "no longer"},
		{"extend below nothing", recording, func(b *Bench) error { return b.Extend(-1) }, CodeRange, "out of range"},
		{"extend too late", watching, func(b *Bench) error { return b.Extend(60) }, CodeState, "over"},
		{"end idle", idle, (*Bench).End, CodeState, "idle"},
		{"end armed", armed, (*Bench).End, CodeState, "armed"},
		{"mark idle", idle, func(b *Bench) error { _, _, err := b.Mark(trace.Applied, ""); return err }, CodeState, "no run"},
		{"removed while armed", armed, func(b *Bench) error { _, _, err := b.Mark(trace.Removed, ""); return err }, CodeState, "no run"},
		{"mark of the detector's", recording, func(b *Bench) error { _, _, err := b.Mark(trace.CutOff, ""); return err }, CodeRange, "cut_off"},
		{"contact that is not there", armed, func(b *Bench) error { return b.DriveContact(true) }, CodeNotFound, "no contact"},
		{"instrument that is not there", idle, func(b *Bench) error { return b.RemoveInstrument("nil") }, CodeNotFound, "nil"},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := newStand(t, Options{})
			c.in(s)
			before := s.b.State().Bench
			err := c.do(s.b)
			var e *Error
			if !errors.As(err, &e) {
				t.Fatalf("got %v, want an Error", err)
			}
			if e.Code != c.code || !strings.Contains(e.Error(), c.says) {
				t.Errorf("got %s %q, want %s with %q in it", e.Code, e.Error(), c.code, c.says)
			}
			if after := s.b.State().Bench; after != before {
				t.Errorf("the refusal changed the bench from %s to %s", before, after)
			}
		})
	}
	t.Run("arm without an instrument", func(t *testing.T) {
		var e *Error
		if err := New(Options{Clock: &handClock{}}).Arm(ArmRequest{Unit: tin}); !errors.As(err, &e) || e.Code != CodeState {
			t.Errorf("got %v, want a refusal with %s", err, CodeState)
		}
	})
}

// fakeContact counts what it is told.
type fakeContact struct{ closed bool }

func (c *fakeContact) Close() error { c.closed = true; return nil }
func (c *fakeContact) Open() error  { c.closed = false; return nil }
func (c *fakeContact) Closed() bool { return c.closed }

func TestDrivenContactMarksAndIsOpenedAtTheEndOfTheHold(t *testing.T) {
	contact := &fakeContact{}
	s := newStand(t, Options{Contact: contact})
	s.play(0, 5, 1000, 20, never)
	s.arm(4)
	if err := s.b.DriveContact(true); err != nil {
		t.Fatal(err)
	}
	if st := s.mode(Recording); !contact.closed || st.Contact != "closed" {
		t.Fatalf("contact closed %v, state says %s", contact.closed, st.Contact)
	}
	s.play(5, 9.1, 1000, 20, retrying(5.01, 1e9))
	if contact.closed {
		t.Error("the contact is still closed after the hold")
	}
	s.play(9.1, 19.2, 1000, 20, never)
	s.mode(Idle)
	var kinds []trace.MarkKind
	for _, m := range s.rec.outside() {
		if m.By != trace.Contact {
			t.Errorf("mark %s by %s, want by contact", m.Kind, m.By)
		}
		kinds = append(kinds, m.Kind)
	}
	if want := []trace.MarkKind{trace.Applied, trace.Removed}; !reflect.DeepEqual(kinds, want) {
		t.Errorf("marks %v, want %v", kinds, want)
	}
}

func TestArmedAgainAfterARunWhereAsked(t *testing.T) {
	s := newStand(t, Options{})
	hold := 3.0
	if err := s.b.Arm(ArmRequest{Unit: tin, HoldS: &hold, Again: true}); err != nil {
		t.Fatal(err)
	}
	s.play(0, 20, 1000, 20, retrying(4, 6))
	s.mode(Armed)
	s.play(20, 26, 1000, 20, retrying(25, 28))
	if st := s.mode(Recording); *st.Run != 2 {
		t.Errorf("run %d is open, want 2", *st.Run)
	}
	if got := s.rec.starts[1].OriginNS; got < 17e9 {
		t.Errorf("second run begins at %g s, want nothing of the first, which ended at 17 s", float64(got)/1e9)
	}
}

func TestOnlyTheNewestFiguresOfARunAreKeptInTheLog(t *testing.T) {
	s := newStand(t, Options{})
	s.arm(3)
	s.play(0, 20, 1000, 20, retrying(4, 7))
	s.mode(Idle)
	events, _, _ := s.b.Events(0)
	told, kept := 0, 0
	for _, e := range events {
		if e.Kind == EventFigures {
			told++
			if e.Figures != nil {
				kept++
				if got := figure(t, *e.Figures, "time_to_cutoff_s"); got.Text == "" {
					t.Error("the figures kept are not the last ones: no cut-off in words")
				}
			}
		}
	}
	if told < 50 || kept != 1 {
		t.Errorf("figures told %d times, kept %d times; want many and 1", told, kept)
	}
}
