package capture

import (
	"math"
	"strings"
	"testing"

	"letthrough/capture/contact"
	"letthrough/capture/trace"
)

// bench1 has a shunt that stands 7.07 A for 5 s from cold, and 3.16 A for ever.
var bench1 = trace.Rig{Name: "bench1", Parts: []trace.RigPart{
	{Kind: "shunt", Name: "shunt", Ohm: 0.1, RatedW: 1, OverloadFactor: 5, OverloadS: 5},
	{Kind: "fuse", Name: "fuse", RatedA: 10},
}}

func shelfOf(rigs ...trace.Rig) func(string) (trace.Rig, bool) {
	return func(name string) (trace.Rig, bool) {
		for _, r := range rigs {
			if strings.EqualFold(r.Name, name) {
				return r, true
			}
		}
		return trace.Rig{}, false
	}
}

func (s *stand) armOn(rig string, holdS float64) {
	s.t.Helper()
	if err := s.b.Arm(ArmRequest{Unit: tin, Rig: rig, HoldS: &holdS}); err != nil {
		s.t.Fatal(err)
	}
}

// guardedStand has a contact that is ready, at 4 s, and bench1 on the shelf.
func guardedStand(t *testing.T) (*stand, *relay) {
	t.Helper()
	r := &relay{}
	s := newStand(t, Options{OpenLines: r.open, Rig: shelfOf(bench1)})
	t.Cleanup(func() { _ = s.b.Close() })
	s.play(0, 1, 1000, 20, never)
	if err := s.b.UseContact(contact.Spec{Port: "/dev/relay", Drive: true}, false); err != nil {
		t.Fatal(err)
	}
	s.play(1, 4, 1000, 20, never)
	return s, r
}

func (s *stand) levels() (out []string) {
	events, _, _ := s.b.Events(0)
	for _, e := range events {
		if e.Kind == EventGuard && (len(out) == 0 || out[len(out)-1] != e.Guard.Level) {
			out = append(out, e.Guard.Level)
		}
	}
	return out
}

// shorted is current while the relay is on.
func shorted(r *relay, a float64) func(float64) float64 {
	return func(float64) float64 {
		if r.on() {
			return a
		}
		return 0
	}
}

func TestTheGuardOpensADrivenContactAtTheLimit(t *testing.T) {
	s, r := guardedStand(t)
	s.armOn("bench1", 30)
	s.closeNow(r)
	s.play(4, 8.5, 1000, 20, shorted(r, 7.0710678))
	st := s.mode(Recording)
	if g := st.Guard; g.Part != "shunt" || g.Level != "near" || g.SecondsLeft == nil || math.Abs(*g.SecondsLeft-0.5) > 0.03 || *g.Lasts || *g.HoldUses < 1 || g.OpenNow {
		t.Errorf("after 4.5 s: %+v", g)
	}
	s.play(8.5, 9.1, 1000, 20, shorted(r, 7.0710678))
	if r.on() {
		t.Fatal("the shunt has had its five seconds and the contact is closed")
	}
	if got := strings.Join(s.levels(), " "); !strings.HasPrefix(got, "well half near limit") {
		t.Errorf("levels told: %s", got)
	}
	s.removedBecause("guard: shunt")
	s.play(9.1, 10, 1000, 20, never)
	if g := s.b.State().Guard; g.OpenNow || g.RestS < 10 || !strings.HasPrefix(g.Text, "Rest: shunt") {
		t.Errorf("once it is open: %+v", g)
	}
	if err := s.b.DriveContact(true); err == nil || !strings.Contains(err.Error(), "used up") || r.on() {
		t.Errorf("closed although the shunt is used up: %v", err)
	}
	s.play(10, 20, 1000, 20, never)
	e := s.ended(1)
	if e.Derivation.Behaviour != trace.Sustained || math.Abs(e.Settings.HoldS-5) > 0.1 {
		t.Errorf("behaviour %s, hold %g s; want what was seen in the 5 s until the guard opened it", e.Derivation.Behaviour, e.Settings.HoldS)
	}
	for _, w := range e.Derivation.Warnings {
		if w.Code == "final_fall" {
			t.Errorf("the program opened it, and it asks: %s", w.Text)
		}
	}
	again := s.rec.again(t, e.Settings)
	for _, f := range again.Figures {
		if g, _ := e.Derivation.Figures.Get(f.Key); g != f {
			t.Errorf("live %+v\nagain %+v", g, f)
		}
	}
}

// A hand opens the contact when the guard says so, and marks nothing: whose the fall was is asked.
func TestAFallAfterTheGuardsAlarmIsAskedAbout(t *testing.T) {
	for name, c := range map[string]struct {
		mark      bool
		behaviour trace.Behaviour
	}{
		"and stays not resolved without an answer": {false, trace.BehaviourUnsure},
		"but not where it was marked":              {true, trace.Sustained},
	} {
		t.Run(name, func(t *testing.T) {
			s := newStand(t, Options{Rig: shelfOf(bench1)})
			s.armOn("bench1", 12)
			current := func(at float64) float64 {
				if at >= 3 && at < 9 {
					return 7.0710678
				}
				return 0
			}
			s.play(0, 8.5, 1000, 20, current)
			if g := s.b.State().Guard; !g.OpenNow || g.Level != "limit" || !strings.HasPrefix(g.Text, "Open the contact: the shunt") {
				t.Fatalf("after 5.5 s: %+v", g)
			}
			s.play(8.5, 9.2, 1000, 20, current)
			if c.mark {
				if _, _, err := s.b.Mark(trace.Removed, ""); err != nil {
					t.Fatal(err)
				}
			}
			s.play(9.2, 40, 1000, 20, never)
			e := s.ended(1)
			asks := false
			for _, w := range e.Derivation.Warnings {
				asks = asks || w.Code == "final_fall"
			}
			if e.Derivation.Behaviour != c.behaviour || asks == c.mark {
				t.Errorf("behaviour %s, asks %v", e.Derivation.Behaviour, asks)
			}
			if c.mark {
				return
			}
			if e.Settings.FinalFall != trace.FallAsked || s.rec.amends[len(s.rec.amends)-1].FinalFall != trace.FallAsked {
				t.Errorf("kept as %q: whoever derives it again does not ask", e.Settings.FinalFall)
			}
			if f := figure(t, e.Derivation, "time_to_cutoff_s"); f.Bound != trace.NotResolved {
				t.Errorf("cut off %v %g s, before anybody has answered", f.Bound, f.Value)
			}
			e.Settings.FinalFall = trace.FallOpened
			if got := s.rec.again(t, e.Settings).Behaviour; got != trace.Sustained {
				t.Errorf("answered, the behaviour is %s", got)
			}
		})
	}
}

func TestTheGuardIsQuietAndSaysWhy(t *testing.T) {
	bare := trace.Rig{Name: "bare", Parts: []trace.RigPart{{Kind: "other", Name: "clip"}}}
	for rig, says := range map[string]string{
		"":        "No rig is known",
		"nowhere": `no rig "nowhere" on the shelf`,
		"bare":    "No part of the rig has the ratings",
	} {
		s := newStand(t, Options{Rig: shelfOf(bench1, bare)})
		s.armOn(rig, 3)
		s.play(0, 4, 1000, 20, retrying(1, 1e9))
		if g := s.b.State().Guard; g.Level != "quiet" || !strings.Contains(g.Text, says) || g.Used != nil || g.SecondsLeft != nil {
			t.Errorf("rig %q: %+v, want it to say %q", rig, g, says)
		}
		if l := s.levels(); len(l) != 0 {
			t.Errorf("rig %q: levels %v were told", rig, l)
		}
	}
}

// What one run has warmed is warm in the next, also where another rig stood on the bench in between.
func TestARigStaysWarmBetweenRuns(t *testing.T) {
	other := trace.Rig{Name: "other", Parts: bench1.Parts}
	s := newStand(t, Options{Rig: shelfOf(bench1, other)})
	used := func() float64 { return *s.b.State().Guard.Used }
	s.armOn("bench1", 4)
	s.play(0, 6, 1000, 20, func(at float64) float64 {
		if at >= 2 && at < 5 {
			return 7
		}
		return 0
	})
	hot := used()
	if hot < 0.5 {
		t.Fatalf("after 3 s of 7 A %g is used", hot)
	}
	s.play(6, 17, 1000, 20, never)
	s.mode(Idle)
	if now := used(); now > hot*0.9 || now < hot*0.3 {
		t.Errorf("11 s later %g is used of %g before", now, hot)
	}
	s.armOn("other", 4)
	if now := used(); now != 0 {
		t.Errorf("the other rig is cold, and %g is used", now)
	}
	if err := s.b.Disarm(); err != nil {
		t.Fatal(err)
	}
	s.play(17, 20, 1000, 20, never)
	s.armOn("bench1", 4)
	if now := used(); now > hot*0.7 || now < hot*0.2 {
		t.Errorf("back on the bench %g is used of %g before", now, hot)
	}
	if rest, part := s.b.Recovery(); part != "shunt" || rest < 5 {
		t.Errorf("rests %g s for %q", rest, part)
	}
}

func TestTheGuardIsToldSomeTimesASecond(t *testing.T) {
	s := newStand(t, Options{Rig: shelfOf(bench1)})
	s.armOn("bench1", 10)
	s.play(0, 6, 1000, 20, retrying(1, 1e9))
	n := 0
	events, _, _ := s.b.Events(0)
	for _, e := range events {
		if e.Kind == EventGuard {
			n++
			if e.Run != 1 {
				t.Errorf("told of run %d", e.Run)
			}
		}
	}
	if n < 20 || n > 60 {
		t.Errorf("told %d times in 5 s of a run", n)
	}
}

func TestTheStateSaysWhetherCautionsWereRead(t *testing.T) {
	s := newStand(t, Options{CautionsRead: func(rig string) bool { return rig == "known" }})
	if st := s.b.State(); st.CautionsRead != nil {
		t.Errorf("of nothing armed: %v", *st.CautionsRead)
	}
	s.armOn("known", 3)
	if st := s.b.State(); st.CautionsRead == nil || !*st.CautionsRead {
		t.Error("of a rig whose cautions were read the state says they were not")
	}
	if err := s.b.Disarm(); err != nil {
		t.Fatal(err)
	}
	s.armOn("new", 3)
	if st := s.b.State(); st.CautionsRead == nil || *st.CautionsRead {
		t.Error("of another rig the state says they were")
	}
	s.b.CautionsRead("New")
	if st := s.b.State(); !*st.CautionsRead {
		t.Error("read meanwhile, the state does not know it")
	}
}

// The run stands on the rig as it was when the bench was armed, and keeps it part by part.
func TestARunKeepsTheRigThatItWasArmedOn(t *testing.T) {
	shelf := trace.Rig{Name: "bench1", Parts: []trace.RigPart{{Kind: "fuse", Name: "fuse", RatedA: 10}}}
	s := newStand(t, Options{Rig: func(name string) (trace.Rig, bool) {
		r := shelf
		r.Parts = append([]trace.RigPart(nil), shelf.Parts...)
		return r, name == "bench1"
	}})
	t.Cleanup(func() { _ = s.b.Close() })
	s.play(0, 3, 1000, 20, never)
	s.armOn("bench1", 1)
	shelf.Parts[0].RatedA = 2
	s.play(3, 16, 1000, 20, func(at float64) float64 {
		if at > 4 && at < 4.5 {
			return 5
		}
		return 0
	})
	if len(s.rec.starts) != 1 || s.rec.starts[0].Built == nil || s.rec.starts[0].Built.Parts[0].RatedA != 10 {
		t.Fatalf("%d runs, of %+v", len(s.rec.starts), s.rec.starts)
	}
	s.armOn("elsewhere", 1)
	s.play(16, 30, 1000, 20, func(at float64) float64 {
		if at > 18 && at < 18.5 {
			return 5
		}
		return 0
	})
	if len(s.rec.starts) != 2 || s.rec.starts[1].Built != nil || s.rec.starts[1].Rig != "elsewhere" {
		t.Errorf("%d runs, of %+v", len(s.rec.starts), s.rec.starts)
	}
}
