package wire_test

import (
	"bytes"
	"errors"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"pgregory.net/rapid"

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
// and what was broken counts once. It is one reading that is missing, or, where displays take turns, nobody
// knows, and it is a gap.
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
				if len(rs) != (3+extra)*per || d.Counts().Garbled != 1 || rs[len(rs)-1].Value != d.Decode(nil, f)[per-1].Value || rs[0].Value != want || (rs[per].Missed == 1) == (n < 2) || (rs[per].Flags&trace.Gap != 0) != (n < 2) {
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
		if c := d.Counts(); c.Garbled != 3 || rs[per].Flags&trace.Gap == 0 || rs[per].Missed != 0 || c.LastGarbled != wire.Printable(bad) {
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
