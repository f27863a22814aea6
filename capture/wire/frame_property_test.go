package wire_test

import (
	"bytes"
	"context"
	"errors"
	"io"
	"log/slog"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"letthrough/capture/port"
	"letthrough/capture/sim"
	"letthrough/capture/trace"
	"letthrough/capture/wire"
)

// exampleFrames writes the help page's example and the fourteen bytes of segments to files.
func exampleFrames(tb testing.TB) (example, segments string) {
	tb.Helper()
	b, err := os.ReadFile(filepath.Join("..", "..", "static", "help", "frames.md"))
	if err != nil {
		tb.Fatal(err)
	}
	_, text, ok := strings.Cut(string(b), "    about    an invented meter")
	text, _, ok2 := strings.Cut(text, "\nWith it")
	if !ok || !ok2 {
		tb.Fatal("the page's example is gone")
	}
	return frameFile(tb, "about"+text), frameFile(tb, segments14)
}

// frameSets are the descriptions that the properties are tried with, and a whole frame of each.
func frameSets(tb testing.TB) (options []string, whole [][]byte) {
	example, segments := exampleFrames(tb)
	return []string{"kind=ascii-16", "kind=ascii-16&current=lower&voltage=upper", "file=" + example + "&voltage=below", "file=" + segments},
		[][]byte{
			[]byte(chars("41", "36", "02", "00001234")), []byte(chars("42", "37", "01", "00012345")),
			unhex(tb, "B5 02 06 DB 4F 66 10 12 05 44"), segment14([4]byte{0x06, 0x5B, 0x4F, 0x66}, map[int]byte{3: 8, 11: 1}),
		}
}

// checkFrames is the property: any cutting gives the same readings and counts.
func checkFrames(tb rapid.TB, options string, data []byte, sizes ...int) {
	checkCuts(tb, options, func() wire.Decoder { return mustFormat(tb, "frame", options) }, data, sizes...)
}

func checkCuts(tb rapid.TB, options string, decoder func() wire.Decoder, data []byte, sizes ...int) {
	a, b, c := decoder(), decoder(), decoder()
	whole := a.Decode(nil, bytes.Clone(data))
	for name, other := range map[string]struct {
		d  wire.Decoder
		rs []wire.Reading
	}{"byte by byte": {b, decodeCut(b, data, 1)}, "pieces": {c, decodeCut(c, data, sizes...)}} {
		if len(other.rs) != len(whole) || other.d.Counts() != a.Counts() {
			tb.Fatalf("%s: %d readings %+v\nwhole: %d readings %+v\n%s\n%q", name, len(other.rs), other.d.Counts(), len(whole), a.Counts(), options, data)
		}
		for i, r := range whole {
			o := other.rs[i]
			r.End, o.End = 0, 0
			if math.Float64bits(r.Value) != math.Float64bits(o.Value) || r.Missed != o.Missed || r.Channel != o.Channel || r.Flags != o.Flags {
				tb.Fatalf("%s: reading %d is %+v, whole %+v\n%q", name, i, o, r, data)
			}
		}
	}
	for i, r := range whole {
		believable := math.Abs(r.Value) <= 1e5 || math.IsInf(r.Value, 0) && r.Flags&trace.Over != 0
		if !believable || r.End < 1 || r.End > len(data) || i > 0 && r.End < whole[i-1].End || int(r.Channel) >= len(a.Channels()) {
			tb.Fatalf("reading %+v from %q", r, data)
		}
	}
}

func TestAnyCuttingOfFramesGivesTheSameReadings(t *testing.T) {
	options, frames := frameSets(t)
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(0, len(options)-1).Draw(t, "description")
		var data []byte
		for range rapid.IntRange(0, 20).Draw(t, "frames") {
			f := bytes.Clone(frames[n])
			switch rapid.IntRange(0, 5).Draw(t, "what") {
			case 0:
				f[rapid.IntRange(0, len(f)-1).Draw(t, "at")] ^= byte(rapid.IntRange(1, 255).Draw(t, "by"))
			case 1:
				i := rapid.IntRange(0, len(f)-1).Draw(t, "lost")
				f = append(f[:i], f[i+1:]...)
			case 2:
				f = append(f, rapid.SliceOfN(rapid.Byte(), 0, 40).Draw(t, "noise")...)
			}
			data = append(data, f...)
		}
		checkFrames(t, options[n], data, rapid.IntRange(1, 40).Draw(t, "a"), rapid.IntRange(1, 7).Draw(t, "b"), 17)
	})
}

// Wherever one byte is lost, added or the port opened, every whole frame after it is read, nothing else is,
// and what was broken counts once.
func TestFramesAreFoundAgain(t *testing.T) {
	options, frames := frameSets(t)
	for n, o := range options {
		f := frames[n]
		for i := range f {
			lost := append(bytes.Clone(f[:i]), f[i+1:]...)
			added := append(append(bytes.Clone(f[:i]), 0x81), f[i:]...)
			for what, broken := range map[string][]byte{"lost": lost, "added": added} {
				d := mustFormat(t, "frame", o)
				rs := d.Decode(nil, slicesOf(f, broken, f, f))
				want := d.Decode(nil, f)[0].Value
				extra := 0 // a byte before a frame leaves the frame whole
				if what == "added" && i == 0 {
					extra = 1
				}
				per := len(d.Decode(nil, f))
				if len(rs) != (3+extra)*per || d.Counts().Garbled != 1 || rs[len(rs)-1].Value != d.Decode(nil, f)[per-1].Value || rs[0].Value != want || rs[per].Missed != 1 {
					t.Fatalf("%s: byte %d %s: %d readings, %+v", o, i, what, len(rs), d.Counts())
				}
			}
			d := mustFormat(t, "frame", o)
			d.Decode(nil, f)
			per := int(d.Counts().Readings)
			d = mustFormat(t, "frame", o)
			rs := d.Decode(nil, slicesOf(f[i:], f, f))
			whole := map[bool]int{true: 3, false: 2}[i == 0]
			partial := map[bool]int64{true: 0, false: 1}[i == 0]
			if len(rs) != whole*per || d.Counts().Garbled != 0 || d.Counts().Partial != partial {
				t.Fatalf("%s: opened at byte %d: %d readings, %+v", o, i, len(rs), d.Counts())
			}
			d.Decode(nil, f[:i])
			d.Lost()
			rs = d.Decode(nil, slicesOf(f[i:], f, f))
			if len(rs) != whole*per || rs[0].Flags&trace.Gap == 0 || rs[per].Flags&trace.Gap != 0 || d.Counts().Garbled != 0 {
				t.Fatalf("%s: lost at byte %d: %d readings, %+v", o, i, len(rs), d.Counts())
			}
		}
	}
}

func slicesOf(parts ...[]byte) []byte { return bytes.Join(parts, nil) }

// Bad frames in a row count one by one, each with its own bytes.
func TestBadFramesCountOneByOne(t *testing.T) {
	options, frames := frameSets(t)
	for n, o := range options[:3] {
		bad := bytes.Clone(frames[n])
		bad[len(bad)-1] ^= 0x40
		d := mustFormat(t, "frame", o)
		rs := d.Decode(nil, slicesOf(frames[n], bad, bad, bad, frames[n]))
		per := len(rs) / 2
		if c := d.Counts(); c.Garbled != 3 || rs[per].Missed != 3 || c.LastGarbled != wire.Printable(bad) {
			t.Errorf("%s: %+v, missed %d", o, c, rs[per].Missed)
		}
	}
}

// A mebibyte of noise: bounded memory, no number (but what looks like a frame to the last bit), and the
// first frame after it is read.
func TestFramesAfterAMebibyteOfNoise(t *testing.T) {
	options, frames := frameSets(t)
	noise := make([]byte, 1<<20)
	rng := rand.New(rand.NewPCG(3, 5))
	for i := range noise {
		noise[i] = byte(rng.Uint32())
	}
	for n, o := range options {
		d := mustFormat(t, "frame", o)
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		rs := d.Decode(nil, noise)
		if len(rs) > 0 {
			t.Errorf("%s: %+v", o, rs[0])
		}
		runtime.GC()
		runtime.ReadMemStats(&after)
		if grown := int64(after.HeapAlloc) - int64(before.HeapAlloc); grown > 1<<19 {
			t.Errorf("%s: %d bytes more", o, grown)
		}
		if c := d.Counts(); c.Garbled < 1<<20/64 || len(c.LastGarbled) > 300 {
			t.Errorf("%s: %+v", o, c)
		}
		// The first frame only shows where frames begin.
		if rs = d.Decode(nil, frames[n]); len(rs) != 0 {
			t.Errorf("%s: %+v", o, rs)
		}
		if rs = d.Decode(nil, frames[n]); len(rs) == 0 {
			t.Errorf("%s: no reading after the noise", o)
		}
	}
}

func FuzzFrame(f *testing.F) {
	options, frames := frameSets(f)
	f.Fuzz(func(t *testing.T, option, size byte, data []byte, right bool) {
		n := int(option) % len(options)
		if right { // something whole around what is broken
			data = slicesOf(frames[n], data, frames[n])
		}
		checkFrames(t, options[n], data, int(size), 3, 17)
	})
}

// Whatever a description says, it is refused with a line, or reads any bytes alike however they are cut.
func FuzzFrameDescription(f *testing.F) {
	f.Add([]byte(wholeDescription), []byte("\xAA\x00\x12\x34\x01\x0A\x00\x55"))
	f.Add([]byte(segments14), segment14([4]byte{0x3F, 0x06, 0x5B, 0x4F}, map[int]byte{11: 1}))
	f.Add([]byte("like lcd-11\ndecimals 2\nminus never\n"), []byte("123450900\r\n"))
	f.Fuzz(func(t *testing.T, text, data []byte) {
		spec := wire.Spec{Unit: "A", Options: map[string]string{}}
		if _, err := wire.FramesOf(spec, text); err != nil {
			var e *wire.DescriptionError
			if errors.As(err, &e) && (e.Line < 1 || e.Want == "" || e.Got == "") || e == nil && !strings.Contains(err.Error(), "option unit") {
				t.Fatalf("no line in %q", err)
			}
			return
		}
		checkCuts(t, string(text), func() wire.Decoder {
			d, err := wire.FramesOf(spec, text)
			if err != nil {
				t.Fatal(err)
			}
			return d
		}, slicesOf(data, data), 5, 1)
	})
}

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
		last := int64(-1)
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

func TestFramesAllocateNothing(t *testing.T) {
	for _, c := range frameBenches(t) {
		d := mustFormat(t, "frame", c.options)
		rs := d.Decode(nil, c.data)
		if n := testing.AllocsPerRun(20, func() { rs = d.Decode(rs[:0], c.data) }); n != 0 || len(rs) == 0 {
			t.Errorf("%s: %g allocations, %d readings", c.name, n, len(rs))
		}
	}
}

type frameBench struct {
	name, options string
	data          []byte
}

func frameBenches(tb testing.TB) (out []frameBench) {
	options, frames := frameSets(tb)
	for i, name := range []string{"ascii-16", "two displays", "segments and checksum", "segments in nibbles"} {
		out = append(out, frameBench{name, options[i], bytes.Repeat(frames[i], 100)})
	}
	return out
}

func BenchmarkFrame(b *testing.B) {
	for _, c := range frameBenches(b) {
		b.Run(strings.ReplaceAll(c.name, " ", "_"), func(b *testing.B) {
			d := mustFormat(b, "frame", c.options)
			rs := d.Decode(nil, c.data)
			b.SetBytes(int64(len(c.data)))
			b.ReportAllocs()
			b.ResetTimer()
			for range b.N {
				rs = d.Decode(rs[:0], c.data)
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N*len(rs)), "ns/sample")
		})
	}
}
