package wire_test

import (
	"context"
	"io"
	"log/slog"
	"math"
	"testing"
	"time"

	"letthrough/capture/port"
	"letthrough/capture/sim"
	"letthrough/capture/trace"
	"letthrough/capture/wire"
)

// readMeter reads a simulated meter on a pseudo-terminal until enough says so.
func readMeter(t *testing.T, o sim.StandOptions, options string, during func(*sim.Stand), enough func(c, v []trace.Sample, s wire.Status) bool) (c, v []trace.Sample, s wire.Status) {
	t.Helper()
	clock := sim.NewClock(1)
	stand, err := sim.NewStand(clock, o)
	if err != nil {
		t.Fatal(err)
	}
	defer stand.Close()
	spec, err := wire.ParseSpec("meter=frame:" + stand.Path() + "?" + options)
	if err != nil {
		t.Fatal(err)
	}
	st, err := wire.NewStream(spec)
	if err != nil {
		t.Fatal(err)
	}
	link, err := port.Open(port.Spec{Path: spec.Port, Baud: spec.Opened().Baud}, port.Options{Now: clock.NowNS, Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	defer link.Close()
	if during != nil {
		during(stand)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
	defer cancel()
	got := map[trace.Channel][]trace.Sample{}
	amps, volts := trace.Channel{Instrument: "meter", Quantity: trace.Current}, trace.Channel{Instrument: "meter", Quantity: trace.Voltage}
	for !enough(got[amps], got[volts], st.Status()) {
		chunk, err := link.Next(ctx, 0)
		if err == io.EOF {
			break
		}
		if err != nil {
			t.Fatalf("%v after %d samples, %+v", err, len(got[amps]), st.Status())
		}
		if chunk.LostBytes > 0 || chunk.Reopened {
			st.Lost()
		}
		collect(got, st.Feed(chunk.Data, chunk.AtNS))
	}
	return got[amps], got[volts], st.Status()
}

func TestMetersOnAPseudoTerminal(t *testing.T) {
	example, _ := exampleFrames(t)
	closed := func(s *sim.Stand) {
		if err := s.Contact().Close(); err != nil {
			t.Error(err)
		}
	}
	believable := func(t *testing.T, c []trace.Sample) {
		t.Helper()
		last := int64(math.MinInt64) // the regular rate may place the first a little before the start
		for i, s := range c {
			if s.AtNS <= last || math.Abs(s.Value) > 1 {
				t.Fatalf("sample %d: %+v after %d", i, s, last)
			}
			last = s.AtNS
		}
	}
	ends := func(t *testing.T, c []trace.Sample) {
		t.Helper()
		if v := c[len(c)-1].Value; math.Abs(v-0.58) > 0.03 {
			t.Errorf("last value %g A, want about 0.58", v)
		}
	}
	many := func(n int) func(c, _ []trace.Sample, _ wire.Status) bool {
		return func(c, _ []trace.Sample, _ wire.Status) bool { return len(c) >= n }
	}

	t.Run("SixteenCharacters", func(t *testing.T) {
		o := fern(true)
		o.Encoder, o.Faults = sim.SixteenCharacters{}, sim.Faults{Split: true}
		c, v, s := readMeter(t, o, "kind=ascii-16&voltage=lower", closed, many(300))
		believable(t, c)
		ends(t, c)
		if len(v) < 299 || s.Counts.Garbled != 0 || s.State != "" {
			t.Errorf("%d volts, %+v", len(v), s)
		}
	})
	t.Run("Segments", func(t *testing.T) {
		o := fern(true)
		o.Encoder = sim.SegmentMeter{}
		c, v, s := readMeter(t, o, "file="+example+"&voltage=below", closed, many(300))
		believable(t, c)
		ends(t, c)
		if len(v) != len(c) || s.Counts.Garbled != 0 {
			t.Errorf("%d volts, %d amperes, %+v", len(v), len(c), s)
		}
	})
	t.Run("ManyFramesInOneWrite", func(t *testing.T) {
		o := fern(false)
		o.Encoder, o.Burst = sim.SegmentMeter{}, 50*time.Millisecond
		c, _, s := readMeter(t, o, "file="+example, closed, many(300))
		believable(t, c)
		if s.Counts.Garbled != 0 {
			t.Errorf("%+v", s)
		}
	})
	t.Run("BadLine", func(t *testing.T) {
		o := fern(false)
		o.Encoder, o.Faults = sim.SegmentMeter{}, sim.Faults{LoseByte: 0.002, FlipByte: 0.002, RepeatLine: 0.05, Split: true, NoiseAtOpen: 300}
		c, _, s := readMeter(t, o, "file="+example, closed, func(c, _ []trace.Sample, s wire.Status) bool { return len(c) >= 1000 && s.Counts.Garbled >= 10 })
		believable(t, c)
		ends(t, c)
		if s.Counts.LastReason == "" {
			t.Errorf("%+v", s)
		}
	})
	t.Run("OpenedInTheMiddle", func(t *testing.T) {
		o := fern(false)
		o.Encoder, o.Faults = sim.SixteenCharacters{}, sim.Faults{NoiseAtOpen: 11}
		c, _, s := readMeter(t, o, "kind=ascii-16", nil, many(20))
		believable(t, c)
		if s.Counts.Garbled != 0 || s.Counts.Partial != 1 {
			t.Errorf("%+v", s.Counts)
		}
	})
	t.Run("SwitchedOffAndOn", func(t *testing.T) {
		o := fern(false)
		o.Encoder, o.Faults = sim.SegmentMeter{}, sim.Faults{RestartAtS: []float64{0.3, 0.6}}
		c, _, s := readMeter(t, o, "file="+example, closed, many(1000))
		believable(t, c)
		ends(t, c)
		if s.Counts.Garbled == 0 || s.Counts.Garbled > 8 {
			t.Errorf("%+v: two greetings are no frames", s.Counts)
		}
	})
	t.Run("LateAndSilent", func(t *testing.T) {
		o := fern(false)
		o.Encoder, o.Burst, o.Faults = sim.SixteenCharacters{}, 16*time.Millisecond, sim.Faults{Silent: []sim.Span{{FromS: 0.3, ToS: 0.5}}}
		c, _, s := readMeter(t, o, "kind=ascii-16", closed, many(600))
		believable(t, c)
		if s.Counts.Garbled != 0 {
			t.Errorf("%+v", s.Counts)
		}
	})
	t.Run("OverRange", func(t *testing.T) {
		o := fern(false)
		o.Meter.FullScaleA, o.Encoder = 0.3, sim.SegmentMeter{}
		c, _, s := readMeter(t, o, "file="+example, closed, func(_, _ []trace.Sample, s wire.Status) bool { return s.State == "over_range" })
		if n := len(c); s.Counts.Over == 0 || c[n-1].Flags&trace.Over == 0 {
			t.Errorf("%+v", s)
		}
	})
	t.Run("WrongKind", func(t *testing.T) {
		o := fern(false)
		o.Encoder = sim.SixteenCharacters{}
		c, _, s := readMeter(t, o, "file="+example, closed, func(_, _ []trace.Sample, s wire.Status) bool { return s.Counts.Garbled > 20 })
		if len(c) > 0 || s.State != "garbled" || s.Counts.LastGarbled == "" {
			t.Errorf("%d samples, %+v", len(c), s)
		}
	})
}

// What the simulated meters say, by hand from the documents of their frames.
func TestSimulatedMetersAgainstTheirDocuments(t *testing.T) {
	for _, c := range []struct {
		e    sim.Encoder
		r    sim.Reading
		want string
	}{
		{sim.SixteenCharacters{}, sim.Reading{CurrentA: 12.34}, chars("41", "36", "03", "00012340")},
		{sim.SixteenCharacters{}, sim.Reading{CurrentA: -0.0055}, chars("41", "37", "12", "00000550")},
		{sim.SixteenCharacters{}, sim.Reading{CurrentA: 1, VoltageV: 12.05, HasVoltage: true}, chars("41", "36", "03", "00001000") + chars("42", "34", "02", "00001205")},
		{sim.SegmentMeter{}, sim.Reading{CurrentA: 1.234, VoltageV: 12.05, HasVoltage: true}, "\xB5\x02\x06\xDB\x4F\x66\x10\x12\x05\x44"},
		{sim.SegmentMeter{}, sim.Reading{CurrentA: math.Inf(1), Over: true, VoltageV: 12.05}, "\xB5\x02\x00\x3F\x38\x00\x10\x12\x05\xB7"},
	} {
		if got := string(c.e.Encode(nil, c.r)); got != c.want {
			t.Errorf("%T %+v: % X, want % X", c.e, c.r, got, c.want)
		}
	}
}
