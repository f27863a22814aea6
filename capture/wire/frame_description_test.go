package wire_test

import (
	"errors"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"letthrough/capture/trace"
	"letthrough/capture/wire"
)

const wholeDescription = `about  a test
length 8
start  AA
end    55
digits packed 2-3
decimals 1 when 4=01
decimals 2 when 4=02
unit A  when 5=0A
unit mA when 5=0B
other ohms when 5=0C
minus when 6.0
over when 6.1
`

// Each row changes one line of a description that is right (was == "": adds one).
func TestDescriptionsWithAHole(t *testing.T) {
	for _, c := range []struct{ name, was, is, want string }{
		{"UnknownKey", "", "digts packed 2", `:13: expected one of the keys like, about, baud, line, dtr, rts, length, start, end, expect, checksum, display, digits, code, blank, minus, plus, decimals, unit, other, over; found "digts"`},
		{"KeyWithoutValue", "start  AA", "start", `:3: expected something behind "start"; found nothing`},
		{"SecondLength", "", "length 9", `:13: expected one line "length" only; the first is meter.frame:2; found a second one`},
		{"NoLength", "length 8\n", "", `:2: expected the line "length" before "start"; found "start"`},
		{"LengthIsNoNumber", "length 8", "length eight", `:2: expected how many bytes a frame has: 2 to 64; found "eight"`},
		{"LengthTooLarge", "length 8", "length 65", "2 to 64"},
		{"BadByte", "start  AA", "start AG", `:3: expected bytes in hex, such as 0D 0A, or as text, such as "4"; found "AG"`},
		{"HalfAByte", "start  AA", "start A", "expected bytes in hex"},
		{"StartTooLong", "start  AA", "start 0102030405060708 09", ":3: expected at most the 8 bytes of a frame; found 9 bytes"},
		{"StartOverTheDigits", "start  AA", "start AA010203", ":5: expected digits in bits of their own; found byte 2, which start, end or expect fixes"},
		{"ByteOutOfRange", "", "over when 8.0", `:13: expected bytes from 0 to 7, for a frame has 8; found "8.0", which names byte 8`},
		{"BitOutOfRange", "", "over when 6.8", `expected bits from 0 (worth 1) to 7 (worth 128); found "6.8"`},
		{"RangeBackwards", "digits packed 2-3", "digits packed 3-2", `:5: expected the lower byte first; found "3-2"`},
		{"HugeByte", "", "over when 99999999999999999999.1", "expected a byte such as 3"},
		{"MissingDigits", "digits packed 2-3\n", "", `:11: expected a line "digits"; found the end of the description`},
		{"MissingDecimals", "decimals 1 when 4=01\ndecimals 2 when 4=02\n", "", `expected a line "decimals" ("decimals 0" if it has none); found the end`},
		{"MissingUnit", "unit A  when 5=0A\nunit mA when 5=0B\n", "", `expected a line "unit" ("unit none" if frames do not say it)`},
		{"MissingMinus", "minus when 6.0\n", "", `expected a line "minus" ("minus never" if it cannot be)`},
		{"DigitsTwice", "", "digits packed 2", `:13: expected one line "digits" a display; found a second one`},
		{"DigitsOverlap", "digits packed 2-3", "digits packed 2-3 3", ":5: expected each digit in bits of its own; found byte 3 twice"},
		{"DigitsOnStart", "digits packed 2-3", "digits packed 0-1", ":5: expected digits in bits of their own; found byte 0, which start, end or expect fixes"},
		{"DigitsOnUnit", "digits packed 2-3", "digits packed 2-5", ":6: expected conditions on bits that no digit uses; found byte 4, where digits stand"},
		{"DigitsOfNoCode", "digits packed 2-3", "digits roman 2-3", `:5: expected ascii, nibble, packed or segments, then bytes; found "roman 2-3"`},
		{"TooManyDigits", "digits packed 2-3", "digits packed 0-7 0-7 0-7", "expected at most 15 digits"},
		{"SegmentsOfSixBits", "digits packed 2-3", "digits segments 2.0-5", `found "2.0-5", which is 6 bits`},
		{"SameUnitCode", "unit mA when 5=0B", "unit mA when 5=0A", ":9: expected codes that no other line for the same thing can fit; found codes that fit line 8 too"},
		{"UnitsThatBothFit", "unit mA when 5=0B", "unit mA when 6.2", "found codes that fit line 8 too"},
		{"SameDecimals", "decimals 2 when 4=02", "decimals 2 when 4.0", "found codes that fit line 6 too"},
		{"OtherHidesUnit", "other ohms when 5=0C", "other ohms when 5=0B", ":10: expected codes of their own for what is no current or voltage; found codes that also fit line 9, unit mA"},
		{"OtherTwice", "", "other kiloohms when 5=0C", ":13: expected codes that no line above names; found codes that fit line 10 already"},
		{"OtherWithoutWords", "other ohms when 5=0C", "other when 5=0C", "expected what the meter shows, in words"},
		{"OtherAlways", "other ohms when 5=0C", "other ohms", "expected what the meter shows, in words"},
		{"OhmsAsAUnit", "other ohms when 5=0C", "unit ohm when 5=0C", `goes on a line "other"`},
		{"PlusIsMinus", "", "plus when 6.2", ":13: expected codes for plus that cannot be minus; found codes that fit line 11 too"},
		{"NeverAndMinus", "", "minus never", ":13: expected one way to tell the sign"},
		{"NeverHolds", "", "over when 0=AB", ":13: expected conditions that can hold; found a byte that start, end or expect fix at another value"},
		{"ContradictsItself", "", "over when 6=01 6.1", `:13: expected conditions that can hold together: byte 6 is asked for two values; found "6.1"`},
		{"ExpectContradictsStart", "", "expect 0=AB", ":13: expected what can stand in one frame"},
		{"CodeTooShort", "unit A  when 5=0A", "unit A when 5-6=0A", `:8: expected a code of 2 bytes`},
		{"CodeTooLarge", "unit A  when 5=0A", "unit A when 5.0-3=1F", "expected a hex number of 4 bits"},
		{"ByteWithoutCode", "unit A  when 5=0A", "unit A when 5", "expected a condition"},
		{"NotOfAByte", "unit A  when 5=0A", "unit A when !5", "expected a condition"},
		{"NoConditions", "unit A  when 5=0A", "unit A when", `expected conditions behind "when"; found nothing`},
		{"ChecksumOverNoByte", "", "checksum sum8 over 1-8 at 7", `expected bytes from 0 to 7`},
		{"ChecksumOverItself", "end    55", "checksum sum8 over 1-7 at 7", ":4: expected a checksum outside the bytes that it is over; found byte 7 on both sides"},
		{"ChecksumOnTheEnd", "", "checksum sum8 over 1-6 at 7", ":13: expected a checksum in bytes of its own; found byte 7"},
		{"ChecksumTooWide", "end    55", "checksum sum16be over 1-6 at 7", ":4: expected a checksum of two bytes within 0 to 7"},
		{"ChecksumOfNoKind", "end    55", "checksum crc over 1-6 at 7", "of the kinds sum8, neg8, xor8, sum16be, sum16le"},
		{"ChecksumBesideDigits", "start  AA\nend    55", "checksum sum8 over 4-6 at 7", "something that tells where a frame ends"},
		{"ConditionOnChecksum", "end    55", "checksum sum8 over 1-6 at 7\nover when 7.0", ":5: expected conditions on other bytes; found byte 7, which holds the checksum"},
		{"NoEnd", "end    55\n", "", `expected something that tells where a frame ends ("start" and "end" that differ, "expect", or "checksum")`},
		{"EndIsStart", "end    55", "end AA", "with a byte lost, the next frame's first byte, such as AA, would pass for its last"},
		{"OneQuotationMark", "start  AA", `start "A`, `:3: expected a second quotation mark on the line; found "start "A"`},
		{"ControlCharacter", "start  AA", "start \x1b", `:3: expected characters that can be seen; found "\x1b"`},
		{"NotUTF8", "start  AA", "start \xff", ":3: expected text in UTF-8"},
		{"CodeTwice", "", "code 7 7\ncode 07 8", ":14: expected each code once; found 07 a second time"},
		{"LikeNothing", "about  a test", "like nothing", `:1: expected the name of one shipped description: ascii-16, lcd-11; found "nothing"`},
		{"LikeTooLate", "", "like ascii-16", `:13: expected "like" on the first line`},
		{"DisplayTwice", "", "display a when 1=00\ndisplay a when 1=01", `:14: expected another name for each display`},
		{"DisplaysOverlap", "", "display a\ndisplay b", "which display a reads in the same frame"},
		{"PointAmongPackedDigits", "decimals 1 when 4=01\ndecimals 2 when 4=02\n", "decimals digits\n", "which alone can have a point among them"},
		{"OverWordIsANumber", "", "over digits 123", "expected a word with something in it that is no digit"},
		{"NoneBesideUnits", "unit mA when 5=0B", "unit none when 5=0B", `expected "unit none" alone`},
		{"Baud", "about  a test", "baud 49", "expected a whole number from 50 to 20000000"},
		{"Line", "about  a test", "line 9N1", "such as 8N1 or 7O1"},
		{"RTS", "about  a test", "rts maybe", "expected on or off"},
		{"TooManyLines", "", strings.Repeat("#\n", 1000), ":1001: expected at most 1000 lines"},
		{"TooLong", "", "# " + strings.Repeat("x", 1<<16), "expected at most 65536 bytes"},
	} {
		t.Run(c.name, func(t *testing.T) {
			text := wholeDescription + c.is + "\n"
			if c.was != "" {
				if !strings.Contains(wholeDescription, c.was) {
					t.Fatalf("no line %q", c.was)
				}
				text = strings.Replace(wholeDescription, c.was, c.is, 1)
			}
			_, err := wire.ParseSpec("m=frame:/dev/null?file=" + frameFile(t, text))
			var e *wire.DescriptionError
			if !errors.As(err, &e) || !strings.Contains(err.Error(), c.want) || !strings.Contains(err.Error(), "meter.frame:"+strconv.Itoa(e.Line)+": ") {
				t.Errorf("%v\nwant %q", err, c.want)
			}
		})
	}
	if _, err := wire.ParseSpec("m=frame:/dev/null?file=" + frameFile(t, wholeDescription)); err != nil {
		t.Errorf("the whole one: %v", err)
	}
}

func TestFrameOptions(t *testing.T) {
	folder := filepath.Join(t.TempDir(), "folder.frame")
	if err := os.Mkdir(folder, 0o700); err != nil {
		t.Fatal(err)
	}
	none := frameFile(t, "length 4\nstart 01\nend 02\ndigits packed 1-2\ndecimals 2\nminus never\nunit none\n")
	for _, c := range []struct{ options, want string }{
		{"", "give one of the options kind=NAME (shipped: ascii-16, lcd-11) and file=PATH"},
		{"kind=ascii-16&file=" + none, "give one of the options"},
		{"kind=ascii-17", "option kind=ascii-17: allowed: ascii-16, lcd-11"},
		{"kind=../frames/ascii-16", "allowed: ascii-16, lcd-11"},
		{"file=/etc/passwd", "option file=/etc/passwd: allowed: a path that ends in .frame"},
		{"file=/nowhere/my.frame", "option file=/nowhere/my.frame: no such file or directory"},
		{"file=" + folder, "not a file"},
		{"kind=ascii-16&current=middle", "option current=middle: allowed: one of the displays upper, lower"},
		{"kind=ascii-16&current=upper&voltage=upper", "name the same display upper"},
		{"kind=ascii-16&query=x", "option query is unknown to format frame"},
		{"file=" + none, "give unit=A or mA, as the meter shows"},
		{"file=" + none + "&channel=current&unit=V", "contradicts channel=current"},
	} {
		_, err := wire.ParseSpec("m=frame:/dev/null?" + c.options)
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q", c.options, err, c.want)
		}
	}
	for _, c := range []struct{ options, want string }{
		{"unit=A", "12.34 A"}, {"unit=mA", "0.01234 A"}, {"unit=mV", "0.01234 V"}, {"unit=V&fullscale=10", "12.34 V over"},
	} {
		d := mustFormat(t, "frame", "file="+none+"&"+c.options)
		if got := told(d, d.Decode(nil, []byte("\x01\x12\x34\x02"))); got != c.want {
			t.Errorf("%s: %q, want %q", c.options, got, c.want)
		}
	}
}

// The resolution follows from the description where it is one and the same in every range, and only there.
func TestFrameResolution(t *testing.T) {
	head := "length 6\nstart 01\nend 02\ndigits packed 1-2\nminus never\n"
	for _, c := range []struct {
		name, lines, options string
		want                 float64
	}{
		{"Fixed", "decimals 2\nunit A\n", "", 0.01},
		{"FixedMilli", "decimals 1\nunit mA\n", "", 0.0001},
		{"FixedByOption", "decimals 1\nunit none\n", "unit=mA", 0.0001},
		{"OtherUnitIsVolts", "decimals 2\nunit A when 3=01\nunit mV when 3=02\n", "", 0.01},
		{"RangesWithUnits", "decimals 2\nunit A when 3=01\nunit mA when 3=02\n", "", 0},
		{"RangesWithDecimals", "decimals 2 when 3=01\ndecimals 1 when 3=02\nunit A\n", "", 0},
		{"Stated", "decimals 2 when 3=01\ndecimals 1 when 3=02\nunit A\n", "resolution=0.1", 0.1},
		{"Voltage", "decimals 2\nunit V\n", "channel=voltage", 0},
	} {
		s, err := wire.ParseSpec("m=frame:/dev/null?file=" + frameFile(t, head+c.lines) + "&" + c.options)
		if err != nil {
			t.Fatal(err)
		}
		var set trace.Settings
		s.Apply(&set)
		if set.ResolutionA != c.want {
			t.Errorf("%s: %g A, want %g", c.name, set.ResolutionA, c.want)
		}
	}
}

// A file that is changed after it was read changes nothing until the program is started anew.
func TestDescriptionIsReadOnce(t *testing.T) {
	path := frameFile(t, "length 4\nstart 01\nend 02\ndigits packed 1-2\ndecimals 2\nminus never\nunit A\n")
	s, err := wire.ParseSpec("m=frame:/dev/null?accuracy=1%+2&averaging=0.3&file=" + path)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, []byte("broken"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := wire.NewStream(s); err != nil {
		t.Error(err)
	}
	var set trace.Settings
	if s.Apply(&set); set.ResolutionA != 0.01 || set.AveragingS == nil || set.Accuracy == (trace.Accuracy{}) {
		t.Errorf("%+v", set)
	}
}

func TestFrameLine(t *testing.T) {
	head := "length 4\nstart 01\nend 02\ndigits packed 1-2\ndecimals 2\nminus never\nunit A\n"
	s, err := wire.ParseSpec("m=frame:/dev/null?file=" + frameFile(t, "baud 2400\nline 7O2\ndtr on\nrts off\n"+head))
	if err != nil {
		t.Fatal(err)
	}
	if l := s.Opened(); l.Baud != 2400 || l.Line != "7O2" || l.DTR == nil || !*l.DTR || l.RTS == nil || *l.RTS {
		t.Errorf("%+v", l)
	}
	s.Baud = 4800 // what the user says counts
	if l := s.Opened(); l.Baud != 4800 || l.Line != "7O2" {
		t.Errorf("%+v", l)
	}
	if s, _ = wire.ParseSpec("m=frame:/dev/null?kind=ascii-16"); s.Opened().Baud != 9600 {
		t.Errorf("%+v", s.Opened())
	}
	if s, _ = wire.ParseSpec("m=frame:/dev/null?baud=1200&line=8E1&kind=ascii-16"); s.Opened().Baud != 1200 || s.Opened().Line != "8E1" {
		t.Errorf("%+v", s.Opened())
	}
}
