package web

import (
	"encoding/binary"
	"math"
	"testing"

	"pgregory.net/rapid"

	"letthrough/capture"
	"letthrough/capture/trace"
)

// frame is a binary message as a viewer reads it, by the layout of the help page alone.
type frame struct {
	kind    byte
	channel int
	lost    uint32
	t0, dt  float64
	t       []float64
	lo, hi  []float32
	flags   []byte
}

func readFrame(t interface{ Fatalf(string, ...any) }, b []byte) frame {
	le := binary.LittleEndian
	if len(b) < 32 || b[0] != 'L' || b[1] != 'T' || b[2] != 1 || le.Uint16(b[6:]) != 0 {
		t.Fatalf("frame begins with %x, want LT 1", b[:min(len(b), 8)])
	}
	n := int(le.Uint32(b[8:]))
	if len(b) != 32+13*n {
		t.Fatalf("frame of %d columns has %d bytes, want %d", n, len(b), 32+13*n)
	}
	f := frame{
		kind: b[3], channel: int(le.Uint16(b[4:])), lost: le.Uint32(b[12:]),
		t0: math.Float64frombits(le.Uint64(b[16:])), dt: math.Float64frombits(le.Uint64(b[24:])), flags: b[32+12*n:],
	}
	for i := range n {
		f.t = append(f.t, f.t0+float64(math.Float32frombits(le.Uint32(b[32+4*i:]))))
		f.lo = append(f.lo, math.Float32frombits(le.Uint32(b[32+4*n+4*i:])))
		f.hi = append(f.hi, math.Float32frombits(le.Uint32(b[32+8*n+4*i:])))
	}
	return f
}

func TestFrameBytes(t *testing.T) {
	// A message written out by hand, so that a change of layout cannot pass unseen.
	got := encodeFrame(frameBacklog, 258, 7, []capture.Column{
		{AtNS: 1_500_000_000, WidthNS: 1_000_000, Min: 1, Max: 2, Flags: trace.Over},
		{AtNS: 1_501_000_000, WidthNS: 1_000_000, Min: -1, Max: 0, Flags: trace.Gap},
	})
	want := []byte{
		'L', 'T', 1, 1, 2, 1, 0, 0, 2, 0, 0, 0, 7, 0, 0, 0,
		0, 0, 0, 0, 0, 0, 0xf8, 0x3f, // 1.5
		0xfc, 0xa9, 0xf1, 0xd2, 0x4d, 0x62, 0x50, 0x3f, // 0.001
		0, 0, 0, 0, 0x6f, 0x12, 0x83, 0x3a, // 0, 0.001
		0, 0, 0x80, 0x3f, 0, 0, 0x80, 0xbf, // 1, -1
		0, 0, 0, 0x40, 0, 0, 0, 0, // 2, 0
		1, 2,
	}
	if string(got) != string(want) {
		t.Fatalf("got  %x\nwant %x", got, want)
	}
}

// columnsGen makes columns as the bench does: times rise, some hold an infinity, some follow a gap.
func columnsGen(t *rapid.T) []capture.Column {
	n := rapid.IntRange(0, 300).Draw(t, "n")
	at := rapid.Int64Range(-1e15, 1e15).Draw(t, "start")
	widths := []int64{0, 1e6, 64e6}
	w := rapid.IntRange(0, 2).Draw(t, "width")
	out := make([]capture.Column, n)
	for i := range out {
		if rapid.IntRange(0, 40).Draw(t, "change") == 0 && w > 0 {
			w--
		}
		at += max(widths[w], rapid.Int64Range(1, 5e6).Draw(t, "step"))
		lo := rapid.Float32Range(-20, 20).Draw(t, "lo")
		hi := lo + rapid.Float32Range(0, 5).Draw(t, "more")
		c := capture.Column{AtNS: at, WidthNS: widths[w], Min: lo, Max: hi}
		switch rapid.IntRange(0, 20).Draw(t, "kind") {
		case 0:
			c.Flags = trace.Gap
		case 1:
			c.Flags, c.Max = trace.Over, float32(math.Inf(1))
		}
		out[i] = c
	}
	return out
}

func TestFramesCarryEveryColumn(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		cols := columnsGen(t)
		frames := encodeFrames(frameBacklog, 3, 9, cols)
		var i int
		for k, b := range frames {
			f := readFrame(t, b)
			if wantKind := byte(min(k, 1)) ^ 1; f.kind != wantKind {
				t.Fatalf("frame %d: kind %d, want %d", k, f.kind, wantKind)
			}
			if k == 0 && f.lost != 9 || k > 0 && f.lost != 0 {
				t.Fatalf("frame %d: lost %d", k, f.lost)
			}
			for j := range f.t {
				c := cols[i]
				if at := float64(c.AtNS) / 1e9; math.Abs(f.t[j]-at) > 1e-5 {
					t.Fatalf("column %d: t %v, want %v", i, f.t[j], at)
				}
				if f.lo[j] != c.Min || f.hi[j] != c.Max || f.flags[j] != byte(c.Flags) || f.dt != float64(c.WidthNS)/1e9 {
					t.Fatalf("column %d: %v %v %v %v, want %+v", i, f.lo[j], f.hi[j], f.flags[j], f.dt, c)
				}
				i++
			}
		}
		if i != len(cols) {
			t.Fatalf("%d columns arrived, want %d", i, len(cols))
		}
	})
}

func TestThinHidesNothing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		cols := columnsGen(t)
		most := rapid.IntRange(1, 120).Draw(t, "most")
		gaps := 0
		for _, c := range cols {
			if c.Flags&trace.Gap != 0 {
				gaps++
			}
		}
		before := append([]capture.Column(nil), cols...)
		out := thin(cols, most)
		if len(out) > most+gaps+1 {
			t.Fatalf("%d columns of %d, want at most %d and one a gap (%d)", len(out), len(cols), most, gaps)
		}
		for i := range cols {
			if cols[i] != before[i] {
				t.Fatalf("column %d of the input was changed", i)
			}
		}
		var gapsLeft int
		for i, c := range out {
			if c.Flags&trace.Gap != 0 {
				gapsLeft++
			}
			if i > 0 && c.AtNS <= out[i-1].AtNS {
				t.Fatalf("column %d is not after the one before", i)
			}
		}
		if gapsLeft != gaps {
			t.Fatalf("%d gaps left of %d", gapsLeft, gaps)
		}
		for _, c := range cols { // every column lies inside the last one that begins before it
			k := len(out) - 1
			for k > 0 && out[k].AtNS > c.AtNS {
				k--
			}
			o := out[k]
			if o.Min > c.Min || o.Max < c.Max || o.Flags&c.Flags != c.Flags || len(out) < len(cols) && o.AtNS+o.WidthNS < c.AtNS {
				t.Fatalf("%+v is not inside %+v", c, o)
			}
		}
	})
}

func TestThinKeepsOnePeak(t *testing.T) {
	cols := make([]capture.Column, 10000)
	for i := range cols {
		cols[i] = capture.Column{AtNS: int64(i) * 1e6, Min: 1, Max: 1}
	}
	cols[7777].Max = 42
	var peak float32
	for _, c := range thin(cols, 100) {
		peak = max(peak, c.Max)
	}
	if peak != 42 {
		t.Fatalf("peak = %v, want 42", peak)
	}
}

func FuzzFrameOfAnyColumns(f *testing.F) {
	f.Fuzz(func(t *testing.T, at, width int64, lo, hi float32, flags, n uint8, lost uint64) {
		cols := make([]capture.Column, n)
		for i := range cols {
			cols[i] = capture.Column{AtNS: at + int64(i)*1000, WidthNS: width, Min: lo, Max: hi, Flags: trace.Flags(flags)}
		}
		got := readFrame(t, encodeFrame(frameAppend, int(n), lost, cols))
		if len(got.t) != int(n) || got.channel != int(n) || uint64(got.lost) != min(lost, math.MaxUint32) {
			t.Fatalf("%d columns of channel %d, lost %d: want %d, %d, %d", len(got.t), got.channel, got.lost, n, n, lost)
		}
	})
}
