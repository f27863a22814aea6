package capture

import (
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"letthrough/capture/trace"
	"letthrough/capture/wire"
)

// typing is a bench whose only instrument is a person, and a way to type at an instant of its clock.
func typing(t *testing.T, spec string) (b *Bench, rec *memory, clock *handClock, enter func(atS float64, text string)) {
	t.Helper()
	rec, clock = &memory{}, &handClock{}
	b = New(Options{Clock: clock, Recorder: rec})
	if err := b.Open(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := b.Close(); err != nil {
			t.Error(err)
		}
	})
	s, err := wire.ParseSpec(spec)
	if err != nil {
		t.Fatal(err)
	}
	if err := b.AddInstrument(s); err != nil {
		t.Fatal(err)
	}
	return b, rec, clock, func(atS float64, text string) {
		t.Helper()
		const took = 0.8 // s, from the first key to Enter
		clock.set(trace.NS(atS + took))
		if _, err := b.TypeReading("", text, time.Duration(trace.NS(took))); err != nil {
			t.Fatal(err)
		}
	}
}

// A whole short test by hand: zeros, Space as the contact closes, readings, Removed. The readings are kept
// with the moment their typing began, and every duration is as wide as such stamps make it.
func TestATestTypedByHand(t *testing.T) {
	b, rec, clock, enter := typing(t, "meter=hand:page?averaging=0.4&resolution=0.01&accuracy=0.8%+3")
	hold := 20.0
	if err := b.Arm(ArmRequest{Unit: tin, HoldS: &hold}); err != nil {
		t.Fatal(err)
	}
	enter(10, "0,00")
	enter(12, "") // the same once more
	clock.set(13.5e9)
	if _, _, err := b.Mark(trace.Applied, ""); err != nil {
		t.Fatal(err)
	}
	enter(14, "4,51")
	enter(16, "4,32")
	enter(18, "4,30")
	enter(20, "0")
	for at := 22.0; at < 33; at += 2 {
		enter(at, "")
	}
	clock.set(36e9)
	await(t, b, "the end of the hold and the last reading", func(s State) bool {
		return s.Watching && s.Instruments[0].Latest[0].Samples == 12
	})
	clock.set(50e9)
	st := await(t, b, "the end of the run", func(s State) bool { return s.LastRun != nil && s.Instruments[0].State == Silent })
	if in := st.Instruments[0]; in.State != Silent || !strings.HasPrefix(in.Say, "nothing typed for") {
		t.Errorf("afterwards it is %s: %s", in.State, in.Say)
	}

	ended := rec.ends[*st.LastRun]
	if u := ended.Settings.StampUS; u != trace.HandU {
		t.Errorf("stamps are known to %g s, want %g", u, trace.HandU)
	}
	var at []float64
	for _, s := range rec.data[trace.Channel{Instrument: "meter", Quantity: trace.Current}] {
		at = append(at, s.At())
	}
	if len(at) != 12 || math.Abs(at[2]-at[1]-2) > 1e-9 {
		t.Errorf("kept at %v, want the moments of the first keys, 2 s apart", at)
	}
	d := ended.Derivation
	if d.Behaviour != trace.BehaviourUnsure || d.ApparentBehaviour != trace.Latching {
		t.Errorf("%s, looks like %s", d.Behaviour, d.ApparentBehaviour)
	}
	f, _ := d.Figures.Get("time_to_cutoff_s")
	if most := 8 + math.Sqrt2*trace.HandU + 0.8; f.Bound != trace.AtMost || math.Abs(f.Value-most) > 1e-6 {
		t.Errorf("cut off %s %g, want at most %g", f.Bound, f.Value, most)
	}
}

// The newest reading can be taken back until the next one, and for three seconds; then it stays.
func TestATypedReadingIsTakenBack(t *testing.T) {
	b, _, clock, enter := typing(t, "meter=hand:page")
	if _, err := b.TakeBack("meter"); err == nil {
		t.Error("nothing was taken back")
	}
	enter(10, "0,01")
	enter(12, "45")
	if got, err := b.TakeBack("meter"); err != nil || got.Value != 45 {
		t.Fatalf("took back %+v, %v", got, err)
	}
	enter(14, "4,5")
	enter(16, "")
	st := await(t, b, "two kept readings", func(s State) bool {
		typed := s.Instruments[0].Typed
		return len(typed) == 3 && typed[1].Kept && !typed[2].Kept
	})
	if v := st.Instruments[0].Typed; *v[0].Value != 0.01 || *v[1].Value != 4.5 || *v[2].Value != 4.5 {
		t.Errorf("kept %v %v %v", *v[0].Value, *v[1].Value, *v[2].Value)
	}
	clock.set(20.5e9)
	await(t, b, "the last one to be kept", func(s State) bool { return s.Instruments[0].Typed[2].Kept })
	var refused *Error
	if _, err := b.TakeBack("meter"); !errors.As(err, &refused) || refused.Code != CodeState {
		t.Errorf("a recorded reading was taken back: %v", err)
	}
}

// What is no reading is refused with what is allowed, counted and shown, and never a sample.
func TestTypedNonsenseIsCountedAndNeverANumber(t *testing.T) {
	b, _, clock, enter := typing(t, "meter=hand:page")
	enter(10, "0,01")
	clock.set(12e9)
	var refused *Error
	if _, err := b.TypeReading("meter", "4..5", 0); !errors.As(err, &refused) || refused.Code != CodeRange || !strings.Contains(refused.Hint, "4,51") {
		t.Errorf("4..5: %v", err)
	}
	st := await(t, b, "the state garbled", func(s State) bool { return s.Instruments[0].State == Garbled })
	if in := st.Instruments[0]; in.Garbled != 1 || in.LastGarbled != "4..5" || len(in.Typed) != 1 {
		t.Errorf("%+v", in)
	}
	enter(13, "OL")
	st = await(t, b, "over range", func(s State) bool { return s.Instruments[0].State == OverRange })
	if in := st.Instruments[0]; in.Typed[1].Value != nil || in.Typed[1].Flags[0] != "over" {
		t.Errorf("%+v", in.Typed)
	}
	clock.set(30e9)
	await(t, b, "silence", func(s State) bool { return s.Instruments[0].State == Silent })

	for _, c := range []struct {
		instrument string
		ago        time.Duration
		code       Code
	}{{"meter", -1, CodeRange}, {"meter", 2 * time.Minute, CodeRange}, {"meter", 25 * time.Second, CodeRange}, {"nobody", 0, CodeNotFound}} {
		if _, err := b.TypeReading(c.instrument, "1", c.ago); !errors.As(err, &refused) || refused.Code != c.code {
			t.Errorf("%s, %s ago: %v, want %s", c.instrument, c.ago, err, c.code)
		}
	}
}

func TestOnlyAHandIsTypedFor(t *testing.T) {
	b, _, _, _ := live(t, trace.Current)
	var refused *Error
	for name, code := range map[string]Code{"board": CodeState, "": CodeState, "nobody": CodeNotFound} {
		if _, err := b.TypeReading(name, "1", 0); !errors.As(err, &refused) || refused.Code != code {
			t.Errorf("%q: %v, want %s", name, err, code)
		}
	}
}

// What was typed last is not lost when the program ends.
func TestClosingKeepsTheLastTypedReading(t *testing.T) {
	b, rec, clock, enter := typing(t, "meter=hand:page")
	hold := 20.0
	if err := b.Arm(ArmRequest{Unit: tin, HoldS: &hold}); err != nil {
		t.Fatal(err)
	}
	enter(10, "0")
	enter(12, "0")
	clock.set(13.5e9)
	if _, _, err := b.Mark(trace.Applied, ""); err != nil {
		t.Fatal(err)
	}
	enter(14, "4,5")
	if err := b.Close(); err != nil {
		t.Fatal(err)
	}
	kept := rec.data[trace.Channel{Instrument: "meter", Quantity: trace.Current}]
	if n := len(kept); n == 0 || kept[n-1].Value != 4.5 {
		t.Errorf("kept %v", kept)
	}
}
