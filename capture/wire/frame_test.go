package wire_test

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"letthrough/capture/trace"
	"letthrough/capture/wire"
)

// frameFile writes a description and gives its path.
func frameFile(tb testing.TB, text string) string {
	tb.Helper()
	path := filepath.Join(tb.TempDir(), "meter.frame")
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		tb.Fatal(err)
	}
	return path
}

// told is what a decoder made of some bytes: its readings, else why there are none.
func told(d wire.Decoder, rs []wire.Reading) string {
	var out []string
	for _, r := range rs {
		unit := d.Channels()[r.Channel].Unit()
		switch {
		case math.IsInf(r.Value, 0):
			out = append(out, strings.TrimSpace("over range "+map[bool]string{true: "-"}[r.Value < 0]))
		case r.Flags&trace.Over != 0:
			out = append(out, fmt.Sprintf("%v %s over", r.Value, unit))
		default:
			out = append(out, fmt.Sprintf("%v %s", r.Value, unit))
		}
	}
	if len(rs) == 0 {
		return d.Counts().LastReason
	}
	return strings.Join(out, ", ")
}

// chars makes a frame of 16 characters from its parts, as the manual writes it.
func chars(head, unit, signDecimals, digits string) string {
	return "\x02" + head + unit + signDecimals + digits + "\r"
}

// The frame of 16 characters: Lutron DM-9962SD manual p. 17 (the example "1234 -> 00001234" and the table of
// units), the two displays as in the YK-2005LX manual p. 20. The bytes of the first two rows are those
// worked out in the project's table of checks from that manual.
func TestSixteenCharacters(t *testing.T) {
	for _, c := range []struct{ name, options, frame, want string }{
		{"DCAmperes", "", string(unhex(t, "02 34 31 33 36 30 32 30 30 30 30 31 32 33 34 0D")), "12.34 A"},
		{"DCMilliamperes", "", chars("41", "37", "11", "00000055"), "-0.0055 A"},
		{"DCMicroamperes", "", chars("41", "35", "00", "00001234"), "0.001234 A"},
		{"NoPoint", "", chars("41", "36", "00", "00001234"), "1234 A"},
		{"ThreeDecimals", "", chars("41", "36", "03", "00001234"), "1.234 A"},
		{"MinusZero", "", chars("41", "36", "13", "00000000"), "0 A"},
		{"Volts", "channel=voltage", chars("41", "34", "02", "00001234"), "12.34 V"},
		{"Millivolts", "unit=V", chars("41", "18", "01", "00001234"), "0.1234 V"},
		{"FullScale", "fullscale=10", chars("41", "36", "02", "00001000"), "10 A over"},
		{"LowerDisplay", "current=lower", chars("42", "36", "02", "00001234"), "12.34 A"},
		{"VoltsAreNoAmperes", "", chars("41", "34", "02", "00001234"), "the meter shows volts; turn it to DC amperes"},
		{"AmperesAreNoVolts", "channel=voltage", chars("41", "36", "02", "00001234"), "the meter shows amperes; turn it to DC volts"},
		{"ACAmperes", "", chars("41", "52", "02", "00001234"), "the meter shows AC amperes; turn it to DC amperes"},
		{"ACMilliamperes", "", chars("41", "53", "02", "00001234"), "the meter shows AC milliamperes; turn it to DC amperes"},
		{"ACVolts", "channel=voltage", chars("41", "50", "02", "00001234"), "the meter shows AC volts; turn it to DC volts"},
		{"Kiloohms", "", chars("41", "39", "02", "00001234"), "the meter shows kiloohms; turn it to DC amperes"},
		{"Diode", "", chars("41", "46", "02", "00001234"), "the meter shows the diode test; turn it to DC amperes"},
		{"Picofarads", "", chars("41", "A4", "02", "00001234"), "the meter shows picofarads; turn it to DC amperes"},
		{"DegreesCelsius", "", chars("41", "01", "01", "00000235"), "the meter shows degrees Celsius; turn it to DC amperes"},
		{"UnitInNoTable", "", chars("41", "99", "02", "00001234"), `a code that no line "unit" or "other" names: byte 3 is 39, byte 4 is 39`},
		{"SignInNoTable", "", chars("41", "36", "22", "00001234"), "a code that is neither plus nor minus: byte 5 is 32"},
		{"DecimalsInNoTable", "", chars("41", "36", "04", "00001234"), `a code that no line "decimals" names: byte 6 is 34`},
		{"NoDigit", "", chars("41", "36", "02", "0000:234"), "a code that is no digit: digit 5, in byte 11"},
		{"BlankIsNoDigit", "", chars("41", "36", "02", "    1234"), "a code that is no digit: digit 1, in byte 7"},
		{"NoSuchDisplay", "", chars("43", "36", "02", "00001234"), "no display of the description fits these codes"},
		{"WrongEnd", "", strings.TrimSuffix(chars("41", "36", "02", "00001234"), "\r") + "A", "a frame that ends in 41, not in 0D: a byte was lost or came wrong"},
		{"WrongSecondByte", "", chars("51", "36", "02", "00001234"), "bytes that are no frame as the description says"},
		{"OtherDisplayIsNotRead", "", chars("42", "36", "02", "00001234"), ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			good := chars("41", "36", "02", "00000001") + chars("42", "36", "02", "00000001")
			if strings.Contains(c.options, "V") || strings.Contains(c.options, "voltage") {
				good = strings.ReplaceAll(good, "36", "34")
			}
			d := mustFormat(t, "frame", "kind=ascii-16&"+c.options)
			d.Decode(nil, []byte(good))
			n := d.Counts().Garbled
			if got := told(d, d.Decode(nil, []byte(c.frame))); got != c.want {
				t.Errorf("%q: %q, want %q", c.frame, got, c.want)
			}
			wrong := strings.Contains(c.want, "meter shows") || strings.Contains(c.want, "code") || strings.Contains(c.want, "frame")
			if got := d.Counts().Garbled - n; (got == 1) != wrong || got > 1 {
				t.Errorf("%d garbled: %+v", got, d.Counts())
			}
		})
	}
}

func TestBothDisplaysInTurn(t *testing.T) {
	d := mustFormat(t, "frame", "kind=ascii-16&current=lower&voltage=upper&fullscale=5")
	rs := d.Decode(nil, []byte(chars("41", "34", "02", "00001234")+chars("42", "37", "01", "00012345")))
	if got := told(d, rs); got != "12.34 V, 1.2345 A" || len(d.Channels()) != 2 || rs[0].End != rs[1].End {
		t.Errorf("%q on %v: %+v", got, d.Channels(), rs)
	}
	// A display that is said again before the other's next reading counts as last said; one that is garbled
	// leaves the other's pace alone.
	two, three := chars("41", "34", "02", "00000200"), chars("41", "34", "02", "00000300")
	bad := chars("41", "99", "02", "00000300")
	rs = d.Decode(nil, []byte(two+three+bad+chars("42", "37", "01", "00012345")))
	if got := told(d, rs); got != "3 V, 1.2345 A" || rs[0].Missed != 0 || rs[0].Flags != 0 {
		t.Errorf("%q: %+v", got, rs)
	}
	d.Decode(nil, []byte(two))
	d.Lost() // what waited is as old as the loss
	if got := told(d, d.Decode(nil, []byte(chars("42", "37", "01", "00012345")))); got != "1.2345 A" {
		t.Errorf("%q after a loss", got)
	}
	d.Decode(nil, []byte(three))
	d.Decode(nil, []byte(chars("41", "38", "02", "00001234")))
	if c := d.(wire.Advising).Advice(); c != "the meter shows ohms; turn it to DC volts" {
		t.Errorf("advice %q", c)
	}
	d.Decode(nil, []byte(chars("42", "37", "01", "00012345"))) // the other display is right all the time
	if c := d.(wire.Advising).Advice(); c != "the meter shows ohms; turn it to DC volts" {
		t.Errorf("advice %q", c)
	}
	d.Decode(nil, []byte(chars("41", "34", "02", "00001234")))
	if c := d.(wire.Advising).Advice(); c != "" {
		t.Errorf("advice %q after a good frame", c)
	}
}

// The eleven bytes (the codes of functions and the halves 3 are the maker's note, as the table of checks has
// them) with what the note does not say filled in by a description of one's own.
func TestElevenBytesCompleted(t *testing.T) {
	own := frameFile(t, "like lcd-11\ndecimals 3 when 5.0-3=0\ndecimals 2 when 5.0-3=1\nminus when 7.2\nother alternating current when 8.2\nbaud 2400\n")
	for _, c := range []struct{ frame, want string }{
		{"12345" + "0" + "9" + "00\r\n", "12.345 A"},
		{"12345" + "1" + "8" + "40\r\n", "-0.12345 A"},
		{"00042" + "0" + "7" + "00\r\n", "4.2e-08 A"},
		{"12345" + "0" + "1" + "00\r\n", "the meter shows volts; turn it to DC amperes"},
		{"12345" + "0" + "9" + "04\r\n", "the meter shows alternating current; turn it to DC amperes"},
		{"12345" + "0" + "4" + "00\r\n", "the meter shows ohms; turn it to DC amperes"},
		{"12345" + "0" + "<" + "00\r\n", "the meter shows hertz; turn it to DC amperes"},
		{"12345" + "0" + ">" + "00\r\n", `a code that no line "unit" or "other" names: byte 6 is 3E`},
		{"123:5" + "0" + "9" + "00\r\n", "a code that is no digit: digit 4, in byte 3"},
		{"1234E" + "0" + "9" + "00\r\n", "byte 4 is 45, expected is 30 in the bits F0"},
	} {
		d := mustFormat(t, "frame", "file="+own)
		d.Decode(nil, []byte("00000"+"0"+"9"+"00\r\n"))
		if got := told(d, d.Decode(nil, []byte(c.frame))); got != c.want {
			t.Errorf("%q: %q, want %q", c.frame, got, c.want)
		}
	}
	s, err := wire.ParseSpec("m=frame:/dev/null?file=" + own)
	if err != nil || s.Opened().Baud != 2400 {
		t.Errorf("%v, %+v", err, s.Opened())
	}
	_, err = wire.ParseSpec("m=frame:/dev/null?kind=lcd-11")
	if err == nil || !strings.Contains(err.Error(), `begins with the line "like lcd-11"`) || !strings.Contains(err.Error(), `lcd-11.frame:`) {
		t.Errorf("alone: %v", err)
	}
}

// Fourteen bytes of an invented layout: the high half counts 1 to E, the low half holds the display's
// segments, four digits of which each is spread over two bytes.
const segments14 = `
length 14
expect 0.4-7=1 1.4-7=2 2.4-7=3 3.4-7=4 4.4-7=5 5.4-7=6 6.4-7=7
expect 7.4-7=8 8.4-7=9 9.4-7=A 10.4-7=B 11.4-7=C 12.4-7=D 13.4-7=E
digits segments 1.0-2+2.0-3 3.0-2+4.0-3 5.0-2+6.0-3 7.0-2+8.0-3
minus when 1.3
decimals 3 when 3.3 !5.3 !7.3
decimals 2 when !3.3 5.3 !7.3
decimals 1 when !3.3 !5.3 7.3
decimals 0 when !3.3 !5.3 !7.3
other alternating current when 0.3
other kiloohms when 11.1 10.0
unit mA when 11.0 9.3 !9.2
unit uA when 11.0 9.2 !9.3
unit A when 11.0 !9.3 !9.2
over digits 0L L
code 67 9
`

// segment14 makes such a frame from the segment codes of its digits; lamps are bits by byte.
func segment14(codes [4]byte, lamps map[int]byte) []byte {
	var b [14]byte
	for i := range b {
		b[i] = byte(i+1) << 4
	}
	for i, c := range codes {
		b[1+2*i] |= c & 7
		b[2+2*i] |= c >> 3
	}
	for at, bits := range lamps {
		b[at] |= bits
	}
	return b[:]
}

// The codes of seven segments: universal convention, bit 0 = a to bit 6 = g, as the table of checks has
// them; the order of the segments after the drawing that every maker of displays prints.
func TestSegments(t *testing.T) {
	amps := map[int]byte{11: 1}
	with := func(more map[int]byte) map[int]byte {
		out := map[int]byte{11: 1}
		for at, b := range more {
			out[at] |= b
		}
		return out
	}
	path := frameFile(t, segments14)
	for i, c := range []struct {
		codes [4]byte
		lamps map[int]byte
		want  string
	}{
		{[4]byte{0x3F, 0x06, 0x5B, 0x4F}, amps, "123 A"},
		{[4]byte{0x66, 0x6D, 0x7D, 0x07}, amps, "4567 A"},
		{[4]byte{0x7F, 0x6F, 0x3F, 0x3F}, with(map[int]byte{3: 8}), "8.9 A"},
		{[4]byte{0x00, 0x06, 0x5B, 0x4F}, with(map[int]byte{5: 8}), "1.23 A"},
		{[4]byte{0x00, 0x06, 0x5B, 0x4F}, with(map[int]byte{1: 8, 7: 8, 9: 8}), "-0.0123 A"},
		{[4]byte{0x06, 0x67, 0x5B, 0x4F}, with(map[int]byte{9: 4}), "0.001923 A"},
		{[4]byte{0x00, 0x3F, 0x38, 0x00}, amps, "over range"},
		{[4]byte{0x00, 0x00, 0x38, 0x00}, with(map[int]byte{1: 8}), "over range -"},
		{[4]byte{0x3F, 0x38, 0x00, 0x00}, map[int]byte{11: 2, 10: 1}, "the meter shows kiloohms; turn it to DC amperes"},
		{[4]byte{0x06, 0x5B, 0x4F, 0x66}, with(map[int]byte{0: 8}), "the meter shows alternating current; turn it to DC amperes"},
		{[4]byte{0x00, 0x00, 0x00, 0x00}, amps, "digits with a blank or a sign among them, or none at all"},
		{[4]byte{0x06, 0x00, 0x5B, 0x4F}, amps, "digits with a blank or a sign among them, or none at all"},
		{[4]byte{0x06, 0x5B, 0x4F, 0x00}, amps, "digits with a blank or a sign among them, or none at all"},
		{[4]byte{0x40, 0x06, 0x5B, 0x4F}, amps, "a code that is no digit"}, // a minus where none can be
		{[4]byte{0x79, 0x50, 0x50, 0x06}, amps, "a code that is no digit: digit 1, in byte 1"},
		{[4]byte{0x06, 0x5B, 0x4F, 0x66}, with(map[int]byte{3: 8, 5: 8}), `a code that no line "decimals" names: byte 3 is 4B, byte 5 is 6F, byte 7 is 86`},
		{[4]byte{0x06, 0x5B, 0x4F, 0x66}, nil, `a code that no line "unit" or "other" names: byte 9 is A0, byte 11 is C0`},
		{[4]byte{0x06, 0x5B, 0x4F, 0x66}, with(map[int]byte{9: 12}), `a code that no line "unit" or "other" names: byte 9 is AC, byte 11 is C1`},
	} {
		d := mustFormat(t, "frame", "file="+path)
		d.Decode(nil, segment14([4]byte{0x3F, 0x3F, 0x3F, 0x3F}, amps))
		if got := told(d, d.Decode(nil, segment14(c.codes, c.lamps))); got != c.want {
			t.Errorf("row %d: %q, want %q", i, got, c.want)
		}
	}
}

// Digits as characters with their point and sign among them.
func TestDigitsWithPointAndSign(t *testing.T) {
	path := frameFile(t, `
length 11
end 0D
expect 0="D"
digits ascii 1-7
blank 20
decimals digits
minus digits
unit A  when 8-9=" A"
unit mA when 8-9="mA"
other kiloohms when 8-9="k "
over digits O.L "0 L"
`)
	for _, c := range []struct{ frame, want string }{
		{"D  1.234 A\r", "1.234 A"},
		{"D -1.234 A\r", "-1.234 A"},
		{"D+12.50mmA\r", "a code that is no digit: digit 7, in byte 7"},
		{"D+12.500mA\r", "0.0125 A"},
		{"D-  1234mA\r", "-1.234 A"},
		{"D1.2.345 A\r", "two points among the digits"},
		{"D  1-234 A\r", "a code that is no digit"},
		{"D  1.23  A\r", "digits with a blank or a sign among them, or none at all"},
		{"D      - A\r", "digits with a blank or a sign among them, or none at all"},
		{"D  O.L   A\r", "over range"},
		{"D -O.L   A\r", "over range -"},
		{"D   0 L  A\r", "over range"},
		{"D  O.L  k \r", "the meter shows kiloohms; turn it to DC amperes"},
		{"D  O1L   A\r", "a code that is no digit"},
	} {
		d := mustFormat(t, "frame", "file="+path)
		d.Decode(nil, []byte("D   0.00 A\r"))
		if got := told(d, d.Decode(nil, []byte(c.frame))); got != c.want {
			t.Errorf("%q: %q, want %q", c.frame, got, c.want)
		}
	}
}

// Sums worked out by hand.
func TestFrameChecksums(t *testing.T) {
	for _, c := range []struct{ kind, right, wrong, reason string }{
		{"sum8", "A0 12 34 E6 00", "A0 12 34 E7 00", "the checksum is E7, the bytes make E6"},
		{"neg8", "A0 12 34 1A 00", "A0 12 35 1A 00", "the checksum is 1A, the bytes make 19"},
		{"xor8", "A0 12 34 86 00", "A0 13 34 86 00", "the checksum is 86, the bytes make 87"},
		{"sum16be", "F0 98 99 02 21", "F0 98 99 21 02", "the checksum is 21 02, the bytes make 02 21"},
		{"sum16le", "F0 98 99 21 02", "F0 98 99 21 03", "the checksum is 21 03, the bytes make 21 02"},
	} {
		start := c.right[:2]
		path := frameFile(t, "length 5\nstart "+start+"\nchecksum "+c.kind+" over 0-2 at 3\ndigits packed 1-2\ndecimals 3\nminus never\nunit none\n")
		d := mustFormat(t, "frame", "unit=A&file="+path)
		if rs := d.Decode(nil, unhex(t, c.right)); len(rs) != 1 || d.Counts().Garbled != 0 {
			t.Errorf("%s: %v, %+v", c.kind, rs, d.Counts())
		}
		if rs := d.Decode(nil, unhex(t, c.wrong)); len(rs) != 0 || d.Counts().LastReason != c.reason {
			t.Errorf("%s: %v, %q, want %q", c.kind, rs, d.Counts().LastReason, c.reason)
		}
	}
}

// The page's own example: its description is loaded and its bytes are read as it says.
func TestHelpPageFramesTellsTheTruth(t *testing.T) {
	b, err := os.ReadFile(filepath.Join("..", "..", "static", "help", "frames.md"))
	if err != nil {
		t.Fatal(err)
	}
	page := string(b)
	block := func(begin string) string {
		i := strings.Index(page, begin)
		if i < 0 {
			t.Fatalf("the page has no line %q", begin)
		}
		var out strings.Builder
		for line := range strings.Lines(page[i:]) {
			if strings.TrimSpace(line) != "" && !strings.HasPrefix(line, "    ") {
				break
			}
			out.WriteString(line)
		}
		return out.String()
	}
	completed := frameFile(t, block("    like     lcd-11"))
	mustFormat(t, "frame", "file="+completed)
	path := frameFile(t, block("    about    an invented meter"))
	_, table, _ := strings.Cut(page, "| bytes | are read as |\n| --- | --- |\n")
	rows := 0
	for row := range strings.SplitSeq(table, "\n") {
		cells := strings.Split(strings.Trim(row, "|"), "|")
		if len(cells) != 2 {
			break
		}
		rows++
		d := mustFormat(t, "frame", "voltage=below&file="+path)
		d.Decode(nil, unhex(t, "B5 02 06 DB 4F 66 10 12 05 44"))
		got := told(d, d.Decode(nil, unhex(t, strings.Trim(cells[0], " `"))))
		if d.Counts().Garbled > 0 {
			got = d.Counts().LastReason
		}
		if want := strings.TrimSpace(cells[1]); got != want {
			t.Errorf("%s: %q, the page says %q", cells[0], got, want)
		}
	}
	if rows != 7 {
		t.Errorf("%d rows were read, want 7", rows)
	}
	for _, key := range wire.FrameKeyNames() {
		if !strings.Contains(page, "`"+key+"`") {
			t.Errorf("the key %s is not on the page", key)
		}
	}
	for _, kind := range wire.FrameKinds() {
		if !strings.Contains(page, "\n| `"+kind+"` |") {
			t.Errorf("the kind %s is not in the page's list", kind)
		}
	}
	_, err = wire.ParseSpec("m=frame:/dev/null?file=" + frameFile(t, "length 10\n\n\n\n\n\nexpect 12=00\n"))
	if want := strings.TrimSpace(block("    meter.frame:7:")); err == nil || !strings.HasSuffix(err.Error(), want) {
		t.Errorf("%v, the page says %q", err, want)
	}
}

// What is said reaches a person at once, as the stream's warning, and goes when the meter is right again.
func TestWhatTheMeterShowsIsSaidAtOnce(t *testing.T) {
	s, err := wire.ParseSpec("m=frame:/dev/null?kind=ascii-16")
	if err != nil {
		t.Fatal(err)
	}
	st, err := wire.NewStream(s)
	if err != nil {
		t.Fatal(err)
	}
	for i, c := range []struct{ unit, want string }{
		{"36", ""}, {"39", "the meter shows kiloohms; turn it to DC amperes"}, {"52", "the meter shows AC amperes; turn it to DC amperes"}, {"36", ""},
	} {
		st.Feed([]byte(chars("41", c.unit, "02", "00001234")), int64(i)*200*ms)
		if got := st.Status().Warning; got != c.want {
			t.Errorf("frame %d: %q, want %q", i, got, c.want)
		}
	}
}
