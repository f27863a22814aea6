package wire_test

import (
	"bufio"
	"bytes"
	"fmt"
	"math"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"letthrough/capture/trace"
	"letthrough/capture/wire"
)

// optionSets are the settings that the properties are tried with.
var optionSets = []string{
	"", "time=us", "time=ms&wrap=24", "time=s", "current=2&voltage=3&time=us", "unit=mA&fullscale=10",
	"checksum=xor", "decimal=comma", "delimiter=space&time=us", "channel=voltage&delimiter=tab", "current=2", "checksum=none&voltage=2", "delimiter=none",
}

// decodeCut decodes data in pieces of the given sizes, over and over.
func decodeCut(d wire.Decoder, data []byte, sizes ...int) []wire.Reading {
	var rs []wire.Reading
	for i := 0; len(data) > 0; i++ {
		n := min(max(1, sizes[i%len(sizes)]), len(data))
		rs = d.Decode(rs, data[:n])
		data = data[n:]
	}
	return rs
}

// checkSplit is the property: any cutting of the bytes gives the same readings and counts, and nothing
// but believable numbers comes out. Byte by byte the one-pass reader is never used, so this also holds
// it to the careful one.
func checkSplit(tb rapid.TB, options string, data []byte, sizes ...int) {
	a, b, c := mustDecoder(tb, options), mustDecoder(tb, options), mustDecoder(tb, options)
	whole := a.Decode(nil, bytes.Clone(data))
	single := decodeCut(b, data, 1)
	pieces := decodeCut(c, data, sizes...)
	for name, other := range map[string]struct {
		rs []wire.Reading
		n  wire.Counts
	}{"byte by byte": {single, b.Counts()}, "pieces": {pieces, c.Counts()}} {
		if len(other.rs) != len(whole) || other.n != a.Counts() {
			tb.Fatalf("%s: %d readings %+v\nwhole: %d readings %+v\noptions %q\n%q", name, len(other.rs), other.n, len(whole), a.Counts(), options, data)
		}
		for i, r := range whole {
			o := other.rs[i]
			r.End, o.End = 0, 0
			if math.Float64bits(r.Value) != math.Float64bits(o.Value) || r.DeviceNS != o.DeviceNS || r.Missed != o.Missed || r.Channel != o.Channel || r.Flags != o.Flags {
				tb.Fatalf("%s: reading %d is %+v, whole %+v\noptions %q\n%q", name, i, o, r, options, data)
			}
		}
	}
	for _, r := range whole {
		believable := math.Abs(r.Value) <= 1e5 || math.IsInf(r.Value, 0) && r.Flags&trace.Over != 0
		if !believable || r.DeviceNS < 0 || r.End < 0 || r.End > len(data) || int(r.Channel) >= len(a.Channels()) {
			tb.Fatalf("reading %+v from %q", r, data)
		}
	}
}

func FuzzText(f *testing.F) {
	f.Fuzz(func(t *testing.T, option byte, size byte, data []byte) {
		checkSplit(t, optionSets[int(option)%len(optionSets)], data, int(size), 3, 17)
	})
}

func TestAnyCuttingGivesTheSameReadings(t *testing.T) {
	field := rapid.OneOf(
		rapid.StringMatching(`[-+]?[0-9]{1,4}\.[0-9]{1,6}`),
		rapid.StringMatching(`[0-9]{1,6}`),
		rapid.StringMatching(`-?[0-9]{1,3},[0-9]{3}`),
		rapid.StringMatching(`[0-9]{1,3}\.[0-9]{1,2} ?[mu]?[AV]`),
		rapid.StringMatching(`[IUt](_mA)? ?[:=] ?-?[0-9]{1,3}\.[0-9]{1,2} ?[mu]?[AV]?`),
		rapid.StringMatching(`\{"[iut]": ?[0-9.]{1,4}(,"[iut]":[0-9]{1,3})?\}`),
		rapid.SampledFrom([]string{"OL", "-OL", "----", "9.9E37", "nan", "", "abc", "1.2.3", "12abc", "-", "x*y", "0", "-0.0", "1e3", "123456789012345678901234567890"}),
	)
	rapid.Check(t, func(t *rapid.T) {
		options := rapid.SampledFrom(optionSets).Draw(t, "options")
		delimiter := rapid.SampledFrom([]string{",", ";", "\t", " ", ", "}).Draw(t, "delimiter")
		end := rapid.SampledFrom([]string{"\n", "\r\n", "\r"}).Draw(t, "end")
		columns := rapid.IntRange(1, 4).Draw(t, "columns")
		var b strings.Builder
		for range rapid.IntRange(0, 40).Draw(t, "lines") {
			n := columns
			if rapid.IntRange(0, 9).Draw(t, "odd") == 0 {
				n = rapid.IntRange(1, 5).Draw(t, "n")
			}
			var fs []string
			for range n {
				fs = append(fs, field.Draw(t, "field"))
			}
			line := strings.Join(fs, delimiter)
			if rapid.IntRange(0, 3).Draw(t, "sum") == 0 || options == "checksum=xor" {
				line = strings.TrimSpace(sum(line))
			}
			b.WriteString(line + end)
		}
		data := []byte(b.String())
		for range rapid.IntRange(0, 3).Draw(t, "damages") {
			if len(data) > 0 {
				data[rapid.IntRange(0, len(data)-1).Draw(t, "at")] = rapid.Byte().Draw(t, "byte")
			}
		}
		checkSplit(t, options, data, rapid.SliceOfN(rapid.IntRange(1, 60), 1, 8).Draw(t, "sizes")...)
	})
}

func TestPlainNumbersAreBitEqualToParseFloat(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := mustDecoder(t, "time=us")
		d.Decode(nil, []byte("5\n1,1.5\n2,1.5\n"))
		s := rapid.StringMatching(`-?[0-9]{1,5}\.[0-9]{0,16}`).Draw(t, "number")
		rs := d.Decode(nil, []byte("3,"+s+"\n"))
		want, err := strconv.ParseFloat(s, 64)
		if err != nil || len(rs) != 1 || math.Float64bits(rs[0].Value) != math.Float64bits(want) {
			t.Fatalf("%s: got %v, want %v (%v)", s, rs, want, err)
		}
	})
}

// stream is a board's output: time in us and current, 16 bytes a line.
func stream(n int) []byte {
	var b bytes.Buffer
	x := uint32(7)
	for i := range n {
		x = x*1664525 + 1013904223
		fmt.Fprintf(&b, "%d,%d.%04d\n", 10_000_000+100*i, 1+x>>31, x>>8%10000)
	}
	return b.Bytes()
}

func BenchmarkText(b *testing.B) {
	const lines = 100_000
	data := stream(lines)
	perSample := func(b *testing.B) {
		b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/lines, "ns/sample")
	}
	for _, size := range []int{len(data), 4096, 160} {
		b.Run(fmt.Sprintf("chunks=%d", size), func(b *testing.B) {
			d := mustDecoder(b, "time=us")
			rs := d.Decode(make([]wire.Reading, 0, lines), data)
			b.SetBytes(int64(len(data)))
			b.ReportAllocs()
			for b.Loop() {
				for rest := data; len(rest) > 0; {
					n := min(size, len(rest))
					rs = d.Decode(rs[:0], rest[:n])
					rest = rest[n:]
				}
			}
			perSample(b)
		})
	}
	b.Run("careful", func(b *testing.B) { // the same with units: every line goes the slow way
		d := mustDecoder(b, "time=us")
		units := bytes.ReplaceAll(data, []byte("\n"), []byte(" A\n"))
		rs := d.Decode(make([]wire.Reading, 0, lines), units)
		b.ReportAllocs()
		for b.Loop() {
			rs = d.Decode(rs[:0], units)
		}
		perSample(b)
	})
	b.Run("plain-way", func(b *testing.B) {
		rs := make([]wire.Reading, 0, lines)
		b.SetBytes(int64(len(data)))
		b.ReportAllocs()
		for b.Loop() {
			rs = rs[:0]
			sc := bufio.NewScanner(bytes.NewReader(data))
			for sc.Scan() {
				f := strings.Split(sc.Text(), ",")
				at, err := strconv.ParseInt(f[0], 10, 64)
				v, err2 := strconv.ParseFloat(f[1], 64)
				if err != nil || err2 != nil || len(f) != 2 {
					b.Fatal(sc.Text())
				}
				rs = append(rs, wire.Reading{Value: v, DeviceNS: at * 1000})
			}
		}
		perSample(b)
	})
}
