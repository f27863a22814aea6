package capture

import (
	"fmt"
	"iter"
	"reflect"
	"slices"
	"testing"

	"letthrough/capture/sim"
	"letthrough/capture/trace"
	"letthrough/capture/trip"
	"letthrough/capture/words"

	"pgregory.net/rapid"
)

var (
	replayCurrent = trace.Channel{Instrument: "shunt", Quantity: trace.Current}
	replayVoltage = trace.Channel{Instrument: "shunt", Quantity: trace.Voltage}
)

// storedTest is a test of the simulated shelf as a store gives it back, in chunks of this many samples.
type storedTest struct {
	set              trace.Settings
	unit             trace.Unit
	current, voltage []trace.Sample
	marks            []trace.Mark
	chunk            int
}

func playShelf(t testing.TB, unit string, sc sim.Scenario, rate float64) storedTest {
	t.Helper()
	u, err := sim.Find(unit)
	if err != nil {
		t.Fatal(err)
	}
	rec, err := sim.Record(u, sc, sim.Meter{RateHz: rate, NoiseA: 0.004, ResolutionA: 0.001, Voltage: true}, 3)
	if err != nil {
		t.Fatal(err)
	}
	// The contact's own marks are among the settings; these come beside them.
	marks := []trace.Mark{{ID: outsideMarks + 10, Kind: trace.Note, T: 1.5, By: trace.Hand, Text: "ready"}, {ID: outsideMarks + 11, Kind: trace.Removed, T: 12.9, U: trace.HandU, By: trace.Hand}}
	return storedTest{rec.Settings, u.Plate, rec.Current, rec.Voltage, marks, 700}
}

func (s storedTest) samples(read map[trace.Channel]int64) iter.Seq2[trace.Batch, error] {
	of := func(c trace.Channel, samples []trace.Sample) iter.Seq2[trace.Batch, error] {
		return func(yield func(trace.Batch, error) bool) {
			for part := range slices.Chunk(samples[read[c]:], s.chunk) {
				if !yield(trace.Batch{Channel: c, Samples: slices.Clone(part)}, nil) {
					return
				}
			}
		}
	}
	return trace.Merge(of(replayCurrent, s.current), of(replayVoltage, s.voltage))
}

func (s storedTest) replay(t testing.TB, clock Clock) *Replay {
	t.Helper()
	p, err := NewReplay(ReplayOptions{
		Clock: clock, Run: 7, Unit: s.unit, Settings: s.set, Marks: s.marks, Channels: []trace.Channel{replayCurrent, replayVoltage},
		EndNS: s.current[len(s.current)-1].AtNS, Samples: s.samples,
	})
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// stored is what the store says of it.
func (s storedTest) stored(t testing.TB) trace.Derivation {
	t.Helper()
	d, err := trip.Read(s.set, s.marks, s.samples(nil))
	if err != nil {
		t.Fatal(err)
	}
	out := d.Finish()
	words.Fill(&out, s.set)
	return out
}

// heard follows a replay as a page does.
type heard struct {
	marks   map[int]trace.Mark
	figures *trace.Derivation
	states  []trace.RunState
}

func (h *heard) take(p *Replay) {
	events, rewound := p.Events()
	if rewound || h.marks == nil {
		*h = heard{marks: map[int]trace.Mark{}}
	}
	for _, e := range events {
		switch e.Kind {
		case EventMark:
			if h.marks[e.Mark.ID] = *e.Mark; e.Mark.Withdrawn {
				delete(h.marks, e.Mark.ID)
			}
		case EventFigures:
			h.figures = e.Figures
		case EventRun:
			h.states = append(h.states, e.RunState)
		}
	}
}

func (h *heard) mustBe(t *testing.T, want trace.Derivation) {
	t.Helper()
	if h.figures == nil || !reflect.DeepEqual(*h.figures, want) {
		t.Fatalf("replayed %+v\nstored %+v", h.figures, want)
	}
	if len(h.marks) != len(want.Marks) {
		t.Errorf("%d marks were told, %d are stored", len(h.marks), len(want.Marks))
	}
	for _, m := range want.Marks {
		if got := h.marks[m.ID]; got != m {
			t.Errorf("told %+v, stored %+v", got, m)
		}
	}
	if !slices.Equal(h.states, []trace.RunState{trace.RunOpen, trace.RunComplete}) {
		t.Errorf("told states %v, want the run to open and to end", h.states)
	}
}

// The whole shelf, at every speed: what is found is what is stored.
func TestAReplayFindsWhatIsStoredAtEverySpeed(t *testing.T) {
	for _, u := range sim.Shelf() {
		s := playShelf(t, u.Plate.Name, sim.ShortTest(2, 11, 2), 500)
		want := s.stored(t)
		for _, speed := range []float64{0.1, 0.5, 1, 7, 100} {
			t.Run(fmt.Sprintf("%s at %g", u.Plate.Name, speed), func(t *testing.T) {
				clock := &handClock{}
				p := s.replay(t, clock)
				if err := p.SetSpeed(speed); err != nil {
					t.Fatal(err)
				}
				if err := p.Play(); err != nil {
					t.Fatal(err)
				}
				var h heard
				for now := int64(0); p.Standing().Playing; now += 16_700_000 {
					clock.set(now)
					if err := p.Advance(); err != nil {
						t.Fatal(err)
					}
					h.take(p)
				}
				h.mustBe(t, want)
				if s := p.Standing(); !s.Ended || s.AtS != s.EndS {
					t.Errorf("it stands at %+v, want the end", s)
				}
			})
		}
	}
}

// However somebody plays, pauses, steps, scrubs and loops: in the end it is what is stored, and on the way never
// more than what had been seen by then.
func TestAReplayIsTheSameHoweverOneLooks(t *testing.T) {
	s := playShelf(t, "Tin", sim.ShortTest(2, 11, 2), 400)
	want := s.stored(t)
	end := s.current[len(s.current)-1].AtNS
	rapid.Check(t, func(rt *rapid.T) {
		clock, now := &handClock{}, int64(0)
		p := s.replay(t, clock)
		var h heard
		for range rapid.IntRange(1, 25).Draw(rt, "moves") {
			var err error
			switch rapid.SampledFrom([]string{"play", "pause", "go", "step", "speed", "loop", "wait"}).Draw(rt, "does") {
			case "play":
				err = p.Play()
			case "pause":
				p.Pause()
			case "go":
				err = p.GoTo(rapid.Int64Range(-1e9, end+1e9).Draw(rt, "at"))
			case "step":
				err = p.Step(rapid.IntRange(-5, 5).Draw(rt, "by"))
			case "speed":
				err = p.SetSpeed(rapid.Float64Range(SlowestReplay, FastestReplay).Draw(rt, "speed"))
			case "loop":
				a := rapid.Int64Range(0, end).Draw(rt, "from")
				err = p.Loop(a, a+rapid.Int64Range(-1e9, 3e9).Draw(rt, "length"))
			case "wait":
				now += rapid.Int64Range(0, 2e9).Draw(rt, "wait")
				clock.set(now)
			}
			if err == nil {
				err = p.Advance()
			}
			if err != nil {
				rt.Fatal(err)
			}
			h.take(p)
			at := p.Standing().AtS
			if p.read[replayCurrent] == 0 && at > 0 {
				rt.Fatalf("it stands at %g s and has read nothing", at)
			}
			for _, m := range h.marks {
				if m.T > at+0.01 {
					rt.Fatalf("mark %s at %g s was told when the replay stood at %g s", m.Kind, m.T, at)
				}
			}
		}
		if err := p.Loop(0, 0); err != nil {
			rt.Fatal(err)
		}
		if err := p.GoTo(end); err != nil {
			rt.Fatal(err)
		}
		if err := p.Advance(); err != nil {
			rt.Fatal(err)
		}
		h.take(p)
		h.mustBe(t, want)
	})
}

func TestAReplayStepsFromSampleToSample(t *testing.T) {
	s := playShelf(t, "Slate", sim.ShortTest(1, 2, 1), 1000)
	p := s.replay(t, &handClock{})
	at := func() int64 { return p.atNS }
	if err := p.GoTo(s.current[1500].AtNS + 10); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ by, want int }{{1, 1501}, {1, 1502}, {-1, 1501}, {-2, 1499}, {5, 1504}, {-4, 1500}} {
		if err := p.Step(c.by); err != nil {
			t.Fatal(err)
		}
		if at() != s.current[c.want].AtNS {
			t.Fatalf("after a step by %d it stands at %d ns, want sample %d at %d ns", c.by, at(), c.want, s.current[c.want].AtNS)
		}
	}
	if err := p.Step(-1); err != nil || p.Standing().Playing {
		t.Errorf("a step: %v, playing %v", err, p.Standing().Playing)
	}
	for _, bad := range []float64{0, 0.09, 101, -1} {
		if err := p.SetSpeed(bad); err == nil {
			t.Errorf("speed %g was taken", bad)
		}
	}
	// At the end it plays from the beginning again; a loop comes back to its own.
	if err := p.GoTo(1 << 60); err != nil || !p.Standing().Ended {
		t.Fatalf("at the end: %v, %+v", err, p.Standing())
	}
	if err := p.Play(); err != nil || p.atNS != 0 || p.Standing().Ended {
		t.Errorf("played from the end: %v, %+v", err, p.Standing())
	}
	if err := p.Loop(1e9, 2e9); err != nil || p.atNS != 1e9 {
		t.Errorf("a loop: %v, %+v", err, p.Standing())
	}
	p.o.Clock.(*handClock).set(1.7e9)
	if err := p.Advance(); err != nil || p.atNS < 1e9 || p.atNS > 2e9 || !p.plays {
		t.Errorf("a loop after 1.7 s: %v, %+v", err, p.Standing())
	}
}

// A replay gives the columns of what was seen, as the bench does.
func TestAReplayShowsTheTraceUpToWhereItStands(t *testing.T) {
	s := playShelf(t, "Slate", sim.ShortTest(1, 2, 1), 500)
	p := s.replay(t, &handClock{})
	if err := p.GoTo(s.current[700].AtNS); err != nil {
		t.Fatal(err)
	}
	cols, last := p.Window(0)
	if len(cols) != 701 || cols[700].Max != float32(s.current[700].Value) {
		t.Fatalf("%d columns, want 701", len(cols))
	}
	if err := p.GoTo(s.current[710].AtNS); err != nil {
		t.Fatal(err)
	}
	if more, _, missed := p.Columns(0, last, nil); len(more) != 10 || missed != 0 {
		t.Errorf("%d further columns, %d missed: want 10", len(more), missed)
	}
	if st := p.State(); st.Bench != Replaying || *st.Run != 7 || st.ZeroAtS == nil || st.Unit.Name != "Slate" {
		t.Errorf("state %+v", st)
	}
	if c := p.Channels(); len(c) != 2 || c[1].Unit != "V" {
		t.Errorf("channels %+v", c)
	}
}
