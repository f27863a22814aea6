package wire_test

import (
	"bytes"
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"hash/crc32"
	"log/slog"
	"math"
	"os"
	"strings"
	"testing"
	"time"

	"context"

	"pgregory.net/rapid"

	"letthrough/capture/port"
	"letthrough/capture/sim"
	"letthrough/capture/trace"
	"letthrough/capture/wire"
)

func mustFormat(tb rapid.TB, format, options string) wire.Decoder {
	s, err := wire.ParseSpec("b=" + format + ":/dev/null?" + options)
	if err != nil {
		tb.Fatal(err)
	}
	f, _ := wire.FindFormat(format)
	d, err := f.New(s)
	if err != nil {
		tb.Fatal(err)
	}
	return d
}

// The register tables of the makers' data sheets: shunt and bus registers with what the sheet says they
// are. The current register's own LSB is tried beside the shunt register's.
func TestCodesAgainstDataSheetTables(t *testing.T) {
	for _, c := range []struct {
		source, options string
		code            int
		want            float64 // A or V
		allow           float64
	}{
		{"INA219 SBOS448F table 3, shunt 07D0h", "lsb=10uV&shunt=0.002", 0x07D0, 10, 1e-12},
		{"INA219 SBOS448F table 3, current 2710h", "lsb=1mA", 0x2710, 10, 1e-12},
		{"INA219 SBOS448F table 3, bus 5D98h >> 3", "channel=voltage&voltagelsb=4mV", 0x5D98 >> 3, 11.98, 1e-12},
		{"INA226 SBOS547 table 1, shunt 1F40h", "lsb=2.5uV&shunt=0.002", 0x1F40, 10, 1e-12},
		{"INA226 SBOS547 table 1, current 2710h", "lsb=1mA", 0x2710, 10, 1e-12},
		{"INA226 SBOS547 table 1, bus 2570h", "channel=voltage&voltagelsb=1.25mV", 0x2570, 11.98, 1e-12},
		{"INA229 SLYS023A table 8-4, shunt 311040", "lsb=312.5nV&shunt=0.0162&bits=20", 311040, 6, 1e-12},
		{"INA229 SLYS023A table 8-4, shunt -311040", "lsb=312.5nV&shunt=0.0162&bits=20", -311040, -6, 1e-12},
		{"INA229 SLYS023A table 8-4, current 314572", "lsb=19.073486uA&bits=20", 314572, 6, 2e-5}, // truncated from 314572.8
		{"INA229 SLYS023A table 8-4, bus 245760", "channel=voltage&voltagelsb=195.3125uV&bits=20", 245760, 48, 1e-12},
		{"INA236 SBOSA81D table 8-4, shunt 4B00h", "lsb=2.5uV&shunt=0.008", 0x4B00, 6, 1e-12},
		{"INA236 SBOSA81D table 8-4, current 2EE0h", "lsb=500uA", 0x2EE0, 6, 1e-12},
		{"INA236 SBOSA81D table 8-4, bus 1D4Ch", "channel=voltage&voltagelsb=1.6mV", 0x1D4C, 12, 1e-12},
		{"INA237-Q1 table 8-4, shunt 19440", "lsb=5uV&shunt=0.0162", 19440, 6, 1e-12},
		{"INA237-Q1 table 8-4, current 19660", "lsb=305.17578125uA", 19660, 5.9997, 5e-5},
		{"INA237-Q1 table 8-4, bus 15360", "channel=voltage&voltagelsb=3.125mV", 15360, 48, 1e-12},
	} {
		lines := mustFormat(t, "codes", c.options).Decode(nil, fmt.Appendf(nil, "0\n1\n2\n%d\n", c.code))
		packets := mustFormat(t, "codes", c.options+"&form=packets").Decode(nil, packet(packetOf{width: 4, codes: []int{c.code}}))
		for name, rs := range map[string][]wire.Reading{"lines": lines, "packets": packets} {
			if len(rs) == 0 {
				t.Errorf("%s, %s: no reading", c.source, name)
				continue
			}
			if got := rs[len(rs)-1].Value; math.Abs(got-c.want) > c.allow*(1+math.Abs(c.want)) {
				t.Errorf("%s, %s: %.9g, want %g", c.source, name, got, c.want)
			}
		}
	}
}

// packetOf is a packet written from the specification, apart from the simulator's.
type packetOf struct {
	flags, channels, width byte
	sequence               uint16
	base, interval         uint32
	codes                  []int
}

func packet(p packetOf) []byte {
	if p.channels == 0 {
		p.channels = 1
	}
	if p.width == 0 {
		p.width = 2
	}
	if p.interval == 0 {
		p.interval = 50_000
	}
	b := []byte{0xA5, 0x5A, 1, p.flags, byte(p.sequence), byte(p.sequence >> 8), p.channels, p.width}
	b = binary.LittleEndian.AppendUint16(b, uint16(len(p.codes)/int(p.channels)))
	b = append(b, 0, 0)
	b = binary.LittleEndian.AppendUint32(b, p.base)
	b = binary.LittleEndian.AppendUint32(b, p.interval)
	for _, c := range p.codes {
		for i := range p.width {
			b = append(b, byte(c>>(8*i)))
		}
	}
	return binary.LittleEndian.AppendUint32(b, crc32.ChecksumIEEE(b))
}

func TestPackets(t *testing.T) {
	const options = "form=packets&lsb=1mA"
	two := func(seq uint16, base uint32, flags byte) []byte {
		return packet(packetOf{flags: flags, sequence: seq, base: base, codes: []int{1000, -2000}})
	}
	t.Run("RowsHaveTheirOwnTimes", func(t *testing.T) {
		d := mustFormat(t, "codes", options+"&voltagelsb=10mV")
		rs := d.Decode(nil, packet(packetOf{channels: 2, base: 7, codes: []int{1500, 1200, -1500, 1100}}))
		want := []wire.Reading{
			{Value: 1.5, DeviceNS: 7000, End: 24}, {Value: 12, DeviceNS: 7000, End: 24, Channel: 1},
			{Value: -1.5, DeviceNS: 57000, End: 28}, {Value: 11, DeviceNS: 57000, End: 28, Channel: 1},
		}
		if fmt.Sprint(rs) != fmt.Sprint(want) {
			t.Errorf("%+v\nwant %+v", rs, want)
		}
	})
	t.Run("TimeWrapsWithinAPacket", func(t *testing.T) {
		d := mustFormat(t, "codes", options)
		rs := d.Decode(nil, packet(packetOf{base: math.MaxUint32, codes: []int{1, 2}}))
		if len(rs) != 2 || rs[1].DeviceNS != math.MaxUint32*1000+50_000-1000<<32 {
			t.Errorf("%+v", rs)
		}
	})
	t.Run("LostPacketsAreCounted", func(t *testing.T) {
		d := mustFormat(t, "codes", options)
		rs := d.Decode(nil, two(65534, 0, 0))
		rs = d.Decode(rs, two(65535, 100, 0))
		rs = d.Decode(rs, two(3, 500, 0)) // 0, 1 and 2 are missing
		n := d.Counts()
		if len(rs) != 6 || n.LostPackets != 3 || rs[4].Flags != trace.Gap || rs[5].Flags != 0 || rs[2].Flags != 0 {
			t.Errorf("%+v, %+v", rs, n)
		}
	})
	t.Run("ARestartLosesNothing", func(t *testing.T) {
		for _, flags := range []byte{0, 1} {
			d := mustFormat(t, "codes", options)
			rs := d.Decode(d.Decode(nil, two(900, 5_000_000, 0)), two(0, 100, flags))
			if n := d.Counts(); n.LostPackets != 0 || len(rs) != 4 || rs[2].Flags != trace.Gap {
				t.Errorf("%+v, %+v", rs, n)
			}
		}
	})
	t.Run("SentTwice", func(t *testing.T) {
		d := mustFormat(t, "codes", options)
		rs := d.Decode(d.Decode(nil, two(5, 100, 0)), two(5, 100, 0))
		if n := d.Counts(); len(rs) != 2 || n.Duplicates != 2 {
			t.Errorf("%+v, %+v", rs, n)
		}
	})
	t.Run("EndsOfTheRange", func(t *testing.T) {
		d := mustFormat(t, "codes", options)
		rs := d.Decode(nil, packet(packetOf{codes: []int{32767, -32768, 32766}}))
		if len(rs) != 3 || rs[0].Flags != trace.Over || rs[1].Flags != trace.Over || rs[2].Flags != 0 || d.Counts().Over != 2 {
			t.Errorf("%+v", rs)
		}
	})
	for name, spoil := range map[string]func(b []byte) []byte{
		"FlippedBit":  func(b []byte) []byte { b[21] ^= 4; return b },
		"LostByte":    func(b []byte) []byte { return append(b[:22:22], b[23:]...) },
		"OtherBytes":  func([]byte) []byte { return []byte("12345,1.234\n") },
		"NewVersion":  func(b []byte) []byte { b[2] = 2; return b },
		"LongerCount": func(b []byte) []byte { b[9] = 3; return b },
		"TornSync":    func([]byte) []byte { return []byte{0xA5, 0xA5, 0x5A, 0xA5} },
	} {
		t.Run(name, func(t *testing.T) {
			d := mustFormat(t, "codes", options)
			stream := append(two(1, 0, 0), spoil(two(2, 100, 0))...)
			for i := range uint16(200) {
				stream = append(stream, two(3+i, 200+100*uint32(i), 0)...)
			}
			rs := d.Decode(nil, stream)
			if n := d.Counts(); len(rs) != 402 || n.Garbled != 1 || n.LostPackets != 1 || n.LastGarbled == "" {
				t.Errorf("%d readings, %+v; want 402, one stretch garbled, one packet lost", len(rs), n)
			}
		})
	}
}

func TestCodeLines(t *testing.T) {
	for _, c := range []struct{ options, lines, want string }{
		{"lsb=1mA&time=us", "1,5\n2,1500\n3,-1500\n", "1.5 A, -1.5 A"},
		{"lsb=1mA&time=us&voltagelsb=1.25mV", "1,5,6\n2,1500,9584\n3,1501,9584\n", "1.5 A, 11.98 V, 1.5010000000000001 A, 11.98 V"},
		{"lsb=1mA", "5\n32767\n-32768\n", "32.767 A over, -32.768 A over"},
		{"lsb=1mA", "5\n1.5\n40000\n7\n", "0.007 A"},
		{"lsb=1mA&fullscale=1", "5\n999\n1000\n", "0.999 A, 1 A over"},
	} {
		d := mustFormat(t, "codes", c.options)
		got := say(d, d.Decode(nil, []byte("0\n"+strings.Split(c.lines, "\n")[0]+"\n"+c.lines)))
		if !strings.HasSuffix(got, c.want) {
			t.Errorf("%q with %s: %s, want %s (%+v)", c.lines, c.options, got, c.want, d.Counts())
		}
	}
}

func TestCodesOptionsAreChecked(t *testing.T) {
	for _, c := range []struct{ options, want string }{
		{"", "lsb is missing"}, {"lsb=2.5uV", "shunt is missing"}, {"lsb=5", "its unit"}, {"lsb=1mA&shunt=1", "one of the two"},
		{"lsb=1mA&bits=64", "8 to 32"}, {"lsb=1uV&shunt=0", "ohms"}, {"lsb=1uV&shunt=NaN", "ohms"}, {"lsb=1mA&form=x", "text, packets"},
		{"lsb=1mA&voltage=2", "voltagelsb is missing"}, {"lsb=1mA&form=packets&time=us", "form=text"}, {"lsb=1mA&unit=mA", "lsb= gives"},
		{"lsb=1mA&voltagelsb=1mA", "volts"}, {"channel=voltage&voltagelsb=1mV&voltage=x", "column"},
	} {
		if _, err := wire.ParseSpec("b=codes:p?" + c.options); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%q: %v, want %q", c.options, err, c.want)
		}
	}
	s, err := wire.ParseSpec("b=codes:p?lsb=2.5uV&shunt=0.002")
	if err != nil {
		t.Fatal(err)
	}
	var set trace.Settings
	if s.Apply(&set); math.Abs(set.ResolutionA-0.00125) > 1e-15 {
		t.Errorf("resolution %g A, want one code's", set.ResolutionA)
	}
}

func checkCodes(tb rapid.TB, options string, data []byte, sizes ...int) {
	run := func(sizes ...int) ([]wire.Reading, wire.Counts) {
		d := mustFormat(tb, "codes", options)
		rs := decodeCut(d, data, sizes...)
		return rs, d.Counts()
	}
	whole, wn := run(max(1, len(data)))
	for _, s := range [][]int{{1}, sizes} {
		rs, n := run(s...)
		if len(rs) != len(whole) || n != wn {
			tb.Fatalf("cut %v: %d readings %+v\nwhole: %d readings %+v\n%q", s, len(rs), n, len(whole), wn, data)
		}
		for i := range rs {
			rs[i].End, whole[i].End = 0, 0
			if rs[i] != whole[i] {
				tb.Fatalf("cut %v: %+v, whole %+v", s, rs[i], whole[i])
			}
		}
	}
}

func FuzzCodes(f *testing.F) {
	options := []string{"form=packets&lsb=1mA", "form=packets&lsb=1mA&voltagelsb=1mV", "lsb=1mA", "lsb=2.5uV&shunt=0.002&time=us&bits=20"}
	f.Fuzz(func(t *testing.T, option, size byte, data []byte, right bool) {
		if right { // something whole around what is broken
			p := packet(packetOf{codes: []int{1, 2, 3, 4}, channels: 2})
			data = append(append(bytes.Clone(p), data...), p...)
		}
		checkCodes(t, options[int(option)%len(options)], data, int(size), 3, 17)
	})
}

func TestPacketsFromAPseudoTerminal(t *testing.T) {
	u, _ := sim.Find("Fern")
	clock := sim.NewClock(1)
	stand, err := sim.NewStand(clock, sim.StandOptions{Meter: sim.DefaultMeter(20_000), Units: []sim.Unit{u},
		Encoder: &sim.Packets{Rows: 64, Width: 2, LSBA: 0.0005, LosePart: 0.02},
		Faults:  sim.Faults{Split: true, FlipByte: 2e-5, LoseByte: 2e-5, NoiseAtOpen: 300}})
	if err != nil {
		t.Fatal(err)
	}
	defer stand.Close()
	spec, err := wire.ParseSpec("b=codes:" + stand.Path() + "?form=packets&lsb=0.5mA")
	if err != nil {
		t.Fatal(err)
	}
	st, err := wire.NewStream(spec)
	if err != nil {
		t.Fatal(err)
	}
	link, err := port.Open(port.Spec{Path: spec.Port}, port.Options{Now: clock.NowNS, Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	defer link.Close()
	if err := stand.Contact().Close(); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
	defer cancel()
	got := map[trace.Channel][]trace.Sample{}
	ch := trace.Channel{Instrument: "b", Quantity: trace.Current}
	for len(got[ch]) < 30_000 || st.Status().Counts.LostPackets < 5 {
		c, err := link.Next(ctx, 0)
		if err != nil {
			t.Fatalf("%v, %+v", err, st.Status())
		}
		collect(got, st.Feed(c.Data, c.AtNS))
	}
	gaps, last := 0, int64(0)
	for i, s := range got[ch] {
		if s.Flags&trace.Gap != 0 {
			gaps++
		} else if d := s.AtNS - last; i > 0 && (d < 45_000 || d > 55_000) {
			t.Fatalf("sample %d comes %d ns after the one before", i, d)
		}
		if math.Abs(s.Value) > 20 {
			t.Fatalf("sample %d: %+v", i, s)
		}
		last = s.AtNS
	}
	if v := got[ch][len(got[ch])-1].Value; gaps < 5 || math.Abs(v-0.58) > 0.03 {
		t.Errorf("%d gaps, last %g A", gaps, v)
	}
	if s := st.Status(); math.Abs(s.RateHz-20_000) > 400 {
		t.Errorf("%+v", s)
	}
}

// The packet in the specification is one that the decoder reads.
func TestPacketOfTheHelpPage(t *testing.T) {
	page, err := os.ReadFile("../../static/help/boards.md")
	if err != nil {
		t.Fatal(err)
	}
	_, example, ok := strings.Cut(string(page), "One whole packet:\n\n")
	if !ok {
		t.Fatal("the example packet is gone")
	}
	example, _, _ = strings.Cut(example, "\n\n")
	b, err := hex.DecodeString(strings.Join(strings.Fields(example), ""))
	if err != nil {
		t.Fatal(err)
	}
	if c := crc32.ChecksumIEEE([]byte("123456789")); !strings.Contains(string(page), fmt.Sprintf("%08X", c)) {
		t.Errorf("the page does not give %08X as the check value", c)
	}
	d := mustFormat(t, "codes", "form=packets&lsb=2.5uV&shunt=0.002")
	if got := say(d, d.Decode(nil, b)); got != "10 A, 9.99875 A, -10 A" {
		t.Errorf("%s, %+v, CRC %08X", got, d.Counts(), crc32.ChecksumIEEE(b[:len(b)-4]))
	}
}

func BenchmarkPackets(b *testing.B) {
	const n = 64
	codes := make([]int, n)
	var data []byte
	for i := range 500 {
		for k := range codes {
			codes[k] = (i*n + k) % 30000
		}
		data = append(data, packet(packetOf{sequence: uint16(i), base: uint32(i * n * 50), codes: codes})...)
	}
	d := mustFormat(b, "codes", "form=packets&lsb=2.5uV&shunt=0.002")
	var rs []wire.Reading
	b.ReportAllocs()
	samples := 0
	for b.Loop() {
		for rest := data; len(rest) > 0; {
			k := min(4096, len(rest))
			rs = d.Decode(rs[:0], rest[:k])
			samples += len(rs)
			rest = rest[k:]
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(samples), "ns/sample")
}
