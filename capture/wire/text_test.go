package wire_test

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"letthrough/capture/trace"
	"letthrough/capture/wire"
)

func mustDecoder(tb rapid.TB, options string) wire.Decoder {
	tb.Helper()
	arg := "x=text:/dev/null"
	if options != "" {
		arg += "?" + options
	}
	s, err := wire.ParseSpec(arg)
	if err != nil {
		tb.Fatalf("spec: %v", err)
	}
	f, _ := wire.FindFormat(s.Format)
	d, err := f.New(s)
	if err != nil {
		tb.Fatalf("decoder: %v", err)
	}
	return d
}

// show writes readings as a test wants to read them: "1.5 2@100 OL".
func show(rs []wire.Reading, timed bool) string {
	var out []string
	for _, r := range rs {
		s := fmt.Sprint(r.Value)
		if r.Channel > 0 {
			s = fmt.Sprintf("ch%d:%s", r.Channel, s)
		}
		if timed {
			s += fmt.Sprintf("@%d", r.DeviceNS)
		}
		if r.Flags&trace.Over != 0 {
			s += "!"
		}
		if r.Flags&trace.Gap != 0 {
			s = "gap:" + s
		}
		out = append(out, s)
	}
	return strings.Join(out, " ")
}

// lead is what a stream loses at its beginning: a line that may have been cut off, and one to compare the
// next with.
func lead(line string) string { return "5\n" + line + "\n" }

func TestTextReads(t *testing.T) {
	for name, c := range map[string]struct {
		options, in, want string
	}{
		"PlainNumber":         {"", lead("1.5") + "1.5\n2.5\n", "1.5 2.5"},
		"WholeNumber":         {"", lead("1") + "3\n4\n", "3 4"},
		"Signs":               {"", lead("1.5") + "-1.5\n+2.5\n", "-1.5 2.5"},
		"NoLeadingDigit":      {"", lead("1.5") + ".5\n-.25\n", "0.5 -0.25"},
		"Exponent":            {"", lead("1.5") + "+1.2345E-03\n-2.5e0\n", "0.0012345 -2.5"},
		"CRLF":                {"", "5\r\n1.5\r\n2.5\r\n3.5\r\n", "2.5 3.5"},
		"CR":                  {"", "5\r1.5\r2.5\r3.5\r", "2.5 3.5"},
		"LeadingSpaces":       {"", lead("1.5") + "   1.5\n  12.5  \n", "1.5 12.5"},
		"MilliAmperes":        {"", lead("512.3 mA") + "512.3 mA\n1.2345 A\n", "0.5123 1.2345"},
		"UnitWithoutSpace":    {"", lead("512.3mA") + "512.3mA\n1.2345A\n", "0.5123 1.2345"},
		"MicroUTF8":           {"", lead("5.5 A") + "512.5 µA\n512.5 \u03bcA\n512.5 uA\n512.5 \xb5A\n", "0.0005125 0.0005125 0.0005125 0.0005125"},
		"NanoAndKilo":         {"", lead("5.5 A") + "5.5 nA\n0.0015 kA\n", "5.5e-09 1.5"},
		"DC":                  {"", lead("5.5 ADC") + "5.5 ADC\n6.5 mA DC\n", "5.5 0.0065"},
		"UnitOption":          {"unit=mA", lead("512.3") + "512.3\n1.5 A\n", "0.5123 1.5"},
		"Volts":               {"channel=voltage", lead("12.5 V") + "12.5 V\n500 mV\n", "12.5 0.5"},
		"VoltsByUnit":         {"unit=mV", lead("12500") + "12500\n", "12.5"},
		"Labels":              {"", lead("I=0.51A U=12.1V") + "I=0.51A U=12.1V\nI=-1.5A U=0.1V\n", "0.51 -1.5"},
		"LabelsApart":         {"voltage=2", lead("I: 0.51 A, U: 12.1 V") + "I: 0.51 A, U: 12.1 V\nI: - 512.3 mA DC, U: 0.1 V\n", "0.51 ch1:12.1 -0.5123 ch1:0.1"},
		"LabelsOtherOrder":    {"", lead("U=12.1V I=0.51A") + "U=12.1V I=0.51A\n", "0.51"},
		"LabelsWithUnits":     {"", lead("current_mA=512.3;bus_V=12.1") + "current_mA=512.3;bus_V=12.1\n", "0.5123"},
		"LabelsInBrackets":    {"voltage=1&current=2", lead("Voltage (mV): 12100, Current [mA]: 512.3") + "Voltage (mV): 12100, Current [mA]: 512.3\n", "ch1:12.1 0.5123"},
		"LabelsOfWords":       {"", lead("Load current: 0.51 A, Bus voltage: 12 V") + "Load current: 0.51 A, Bus voltage: 12 V\n", "0.51"},
		"LabelUnknownByUnit":  {"", lead("Meas: 0.51 A") + "Meas: 0.51 A\nMeas: OL A\n", "0.51 +Inf!"},
		"LabelUnknownNamed":   {"current=2", lead("n=7 ch1=0.51") + "n=7 ch1=0.51\n", "0.51"},
		"LabelsDecimalComma":  {"", lead("I: 0,512, U: 12,1") + "I: 0,512, U: 12,1\n", "0.512"},
		"LabelsOver":          {"", lead("I=0.5A U=12V") + "I=OL U=12V\n", "+Inf!"},
		"LabelsSpacedSigns":   {"", lead("I = 0.5 A U = 12 V") + "I = 0.5 A U = 12 V\n", "0.5"},
		"LabelsSum":           {"checksum=xor", "5\n" + sum("I=0.5A") + sum("I=0.5A") + sum("I=0.75A"), "0.5 0.75"},
		"TimeThenLabels":      {"time=ms", lead("1234 I=0.51 U=12.1") + "1235 I=0.51 U=12.1\n", "0.51@1235000000"},
		"JSON":                {"", lead(`{"t":1234,"i":0.511,"u":12.1}`) + `{"t":1234,"i":0.512,"u":12.1}` + "\n", "0.512"},
		"JSONTimed":           {"time=ms&voltage=3", lead(`{"t":1234,"i":0.511,"u":12.1}`) + ` { "t" : 1236.5 , "i" : -5.11e-1 , "u" : 12.1 } ` + "\n", "-0.511@1236500000 ch1:12.1@1236500000"},
		"JSONOtherOrder":      {"time=us", lead(`{"u":12.1,"current_mA":511,"left":7,"time_us":1234}`) + `{"u":12.1,"current_mA":511,"left":7,"time_us":1237}` + "\n", "0.511@1237000"},
		"JSONWords":           {"", lead(`{"id":"a;b\"c","ok":true,"i":0.5,"x":null}`) + `{"id":"a;b\"c","ok":true,"i":0.5,"x":null}` + "\n", "0.5"},
		"JSONTextValue":       {"", lead(`{"I":"511 mA"}`) + `{"I":"511 mA"}` + "\n", "0.511"},
		"DecimalComma":        {"", "5\n0,512\n0,513\n0,514\n0,515\n0,516\n1,517\n", "0.516 1.517"},
		"DecimalCommaUnit":    {"", "5\n512,3 mA\n512,3 mA\n512,3 mA\n512,3 mA\n512,3 mA\n", "0.5123"},
		"DecimalCommaSaid":    {"decimal=comma", lead("0,512") + "0,513\n", "0.513"},
		"TwoColumnsNoPoint":   {"", "5\n1,2\n10,25\n3,999\n4,7\n", "3 4"},
		"Comma":               {"time=us", lead("100,1.5") + "200,1.25\n300,1.125\n", "1.25@200000 1.125@300000"},
		"CommaSpace":          {"time=us", lead("100, 1.5") + "200, 1.25 A\n300,  125 mA\n", "1.25@200000 0.125@300000"},
		"CommaWholeNumbers":   {"time=ms&unit=mA", lead("100,1500") + "200,1250\n", "1.25@200000000"},
		"Semicolon":           {"time=ms", lead("100;1.5") + "200;1.25\n", "1.25@200000000"},
		"SemicolonComma":      {"time=ms", lead("100;1,5") + "200;1,234\n", "1.234@200000000"},
		"Tab":                 {"time=s", lead("0.001\t1.5") + "0.002\t1.25\n1.5\t2.5\n", "1.25@2000000 2.5@1500000000"},
		"Spaces":              {"time=us", lead("100 1.5") + "200 1.25\n 300  1.125 A\n", "1.25@200000 1.125@300000"},
		"SpacesComma":         {"time=us", lead("100 1,5") + "200 1,25\n", "1.25@200000"},
		"TimeFraction":        {"time=ms", lead("0.125,1") + "1.0625,2\n", "2@1062500"},
		"TimeBelowNanosecond": {"time=s", lead("0.5,1") + "1.0000000019,2\n", "2@1000000001"},
		"SecondColumn":        {"current=2", lead("7.5,1.5") + "8.5,2.5\n", "2.5"},
		"CurrentAndVoltage":   {"time=us&current=2&voltage=3", lead("100,1.5,12.5") + "200,1.25,12.25\n", "1.25@200000 ch1:12.25@200000"},
		"VoltageFirst":        {"time=us&current=3&voltage=2", lead("100,12.5,1.5") + "200,12.25,1.25\n", "ch1:12.25@200000 1.25@200000"},
		"CurrentByDefault":    {"time=us&voltage=3", lead("100,1.5,12.5") + "200,1.25,12.25\n", "1.25@200000 ch1:12.25@200000"},
		"VoltageOnly":         {"time=us&channel=voltage", lead("100,12.5") + "200,12.25\n", "12.25@200000"},
		"UnusedColumns":       {"current=2", lead("I,1.5,x") + "I,2.5,y z\nI,3.5,23.5 °C\n", "2.5 3.5"},
		"Checksum":            {"", "5\n1.5*2a\n" + sum("2.5") + sum("$3.5"), "2.5 3.5"},
		"ChecksumSaid":        {"checksum=xor&time=us", "5\n" + sum("100,1.5") + sum("200,2.5"), "2.5@200000"},
		"ChecksumLowerCase":   {"checksum=xor", "5\n" + sum("1.5") + strings.ToLower(sum("2.55")), "2.55"},
		"Overload":            {"", lead("1.5") + "OL\n-OL\nO.L\n0L\n.OL\nOVER\nOVLD\n----\nOL A\n  --.-- mA\n", "+Inf! -Inf! +Inf! +Inf! +Inf! +Inf! +Inf! +Inf! +Inf! +Inf!"},
		"OverloadFirst":       {"", lead("OL") + "OL\n0.512\n", "+Inf! 0.512"},
		"OverloadThenComma":   {"", lead("OL") + "OL\n0,512\n", "+Inf! 0.512"},
		"OverloadTimed":       {"time=us", lead("100,1.5") + "200,OL\n300,-O.L\n", "+Inf!@200000 -Inf!@300000"},
		"Infinity":            {"", lead("1.5") + "9.9E37\n-9.90000E+37\n", "+Inf! -Inf!"},
		"FullScale":           {"fullscale=5", lead("1.5") + "4.999\n5\n-5.1\n", "4.999 5! -5.1!"},
		"FullScaleOfCurrent":  {"fullscale=5&voltage=2", lead("1.5,12.5") + "1.5,12.5\n6.5,12.5\n", "1.5 ch1:12.5 6.5! ch1:12.5"},
		"NegativeZero":        {"", lead("1.5") + "-0.0\n", "-0"},
		"ManyDigits":          {"", lead("1.5") + "1.23456789012345678901\n0.00000000000000000001\n", "1.2345678901234567 1e-20"},
		"Headers":             {"time=us", "ime_us,current_a\ntime_us,current_a\nboard ready v1.2\n100,1.5\n200,2.5\n", "2.5@200000"},
		"Comments":            {"", lead("1.5") + "# a note, 7\n2.5\n  #3.5\n3.5\n", "2.5 3.5"},
		"EmptyLines":          {"", lead("1.5") + "\n\n2.5\n   \n3.5\n", "2.5 3.5"},
		"Wrap":                {"time=us&wrap=16", lead("65534,1.5") + "65535,2.5\n0,3.5\n", "2.5@65535000 3.5@0"},
	} {
		t.Run(name, func(t *testing.T) {
			d := mustDecoder(t, c.options)
			_, timed := d.Time()
			rs := d.Decode(nil, []byte(c.in))
			if got := fixSigns(show(rs, timed)); got != fixSigns(c.want) {
				t.Errorf("got  %s\nwant %s\ncounts %+v", got, c.want, d.Counts())
			}
			if n := d.Counts(); n.Garbled != 0 {
				t.Errorf("garbled %d (%s: %s), want none", n.Garbled, n.LastGarbled, n.LastReason)
			}
		})
	}
}

// fixSigns puts the flag behind the time, whichever way a case wrote it.
func fixSigns(s string) string {
	var out []string
	for w := range strings.FieldsSeq(s) {
		if strings.Contains(w, "!@") {
			w = strings.Replace(w, "!@", "@", 1) + "!"
		}
		out = append(out, w)
	}
	return strings.Join(out, " ")
}

// sum writes a line with its checksum, computed here the long way.
func sum(line string) string {
	x := 0
	for _, c := range strings.TrimPrefix(line, "$") {
		x ^= int(c)
	}
	return fmt.Sprintf("%s*%02X\n", line, x)
}

func TestTextRefuses(t *testing.T) {
	for name, c := range map[string]struct {
		options, bad, reason string
	}{
		"TwoPoints":          {"", "1.2.3", "follows the number"},
		"LettersBehind":      {"", "12abc", "follows the number"},
		"MoreColumns":        {"time=us", "300,2,7 extra", "columns"},
		"FewerColumns":       {"time=us", "300", "columns"},
		"LostLineEnd":        {"time=us", "300,1.5400,1.5", "columns"},
		"EmptyField":         {"time=us", "300,", "no number"},
		"SignAlone":          {"", "-", "no number"},
		"PointAlone":         {"", ".", "no number"},
		"NaN":                {"", "nan", "no number"},
		"Inf":                {"", "inf", "no number"},
		"Infinity":           {"", "-Infinity", "no number"},
		"Hex":                {"", "0x1p4", "follows the number"},
		"Underscore":         {"", "1_000", "follows the number"},
		"SCPINaN":            {"", "9.91E37", "no number"},
		"Absurd":             {"", "1.5E12", "absurd"},
		"AbsurdExponent":     {"", "1.5E99999", "absurd"},
		"JustOver":           {"", "100001", "absurd"},
		"TooManyDigits":      {"", strings.Repeat("1", 60), "absurd too many digits"},
		"OtherQuantity":      {"", "12.5 V", "another quantity"},
		"UnknownUnit":        {"", "12.5 W", "follows the number"},
		"PrefixAlone":        {"", "12.5 m", "follows the number"},
		"NUL":                {"", "1\x00.5", "byte"},
		"LeadingNUL":         {"", "\x001.5", "byte"},
		"Escape":             {"", "1.5\x1b[2J", "byte"},
		"HighBytes":          {"", "1.5\xff\xfe", "follows the number"},
		"DecimalComma":       {"", "1,5", "columns number"},
		"Thousands":          {"decimal=comma", "1.234,5", "follows the number"},
		"TimeNegative":       {"time=us", "-300,1.5", "time"},
		"TimeLetters":        {"time=us", "3o0,1.5", "time"},
		"TimeEmpty":          {"time=us", ",1.5", "time"},
		"TimeBeyondWrap":     {"time=us&wrap=16", "65536,1.5", "time"},
		"TimeTooLarge":       {"time=us", "99999999999999999999,1.5", "time"},
		"TimeHuge":           {"time=s", "9300000000,1.5", "time"},
		"ChecksumWrong":      {"checksum=xor", "1.5*00", "checksum"},
		"ChecksumMissing":    {"checksum=xor", "1.5", "checksum"},
		"ChecksumUnexpected": {"", "1.5*00", "checksum"},
		"OneOfTwoValues":     {"voltage=2", "1.5,x", "no number"},
		"LongLine":           {"", strings.Repeat("7", 4097), "4096"},
	} {
		t.Run(name, func(t *testing.T) {
			d := mustDecoder(t, c.options)
			good := map[string]string{"time=us": "100,1.5", "time=s": "100,1.5", "time=us&wrap=16": "100,1.5", "voltage=2": "1.5,2.5", "decimal=comma": "1,5"}[c.options]
			if good == "" {
				good = "1.5"
			}
			if c.options == "checksum=xor" {
				good = strings.TrimSpace(sum("1.5"))
			}
			rs := d.Decode(nil, []byte("5\n"+good+"\n"+good+"\n"))
			before := len(rs)
			rs = d.Decode(rs[:0], []byte(c.bad+"\n"))
			if before == 0 || len(rs) != 0 {
				t.Errorf("%q became %s", c.bad, show(rs, false))
			}
			n := d.Counts()
			found := false
			for w := range strings.FieldsSeq(c.reason) {
				found = found || strings.Contains(n.LastReason, w)
			}
			if n.Garbled != 1 || !found {
				t.Errorf("garbled %d, reason %q; want 1 and %q", n.Garbled, n.LastReason, c.reason)
			}
			if strings.ContainsFunc(n.LastGarbled, func(r rune) bool { return r < ' ' || r == 0x7F }) || n.LastGarbled == "" || len(n.LastGarbled) > 4*48+3 {
				t.Errorf("shown bytes %q are unsafe, empty or too long", n.LastGarbled)
			}
			// The next good line is read, and says that one is missing.
			rs = d.Decode(rs[:0], []byte(good+"\n"))
			if len(rs) == 0 || rs[0].Missed != 1 {
				t.Errorf("after the garbled line: %+v, want a reading with one missed", rs)
			}
		})
	}
}

func TestTextCounts(t *testing.T) {
	t.Run("NoiseIsNeverANumber", func(t *testing.T) {
		d := mustDecoder(t, "")
		noise := make([]byte, 1<<16)
		x := uint32(1)
		for i := range noise {
			x = x*1664525 + 1013904223
			noise[i] = byte(x >> 24)
		}
		rs := d.Decode(nil, noise)
		if len(rs) != 0 || d.Counts().Garbled < 100 {
			t.Errorf("%d readings, %d garbled; want none and very many", len(rs), d.Counts().Garbled)
		}
	})
	t.Run("MiBWithoutLineEnd", func(t *testing.T) {
		d := mustDecoder(t, "")
		d.Decode(nil, []byte(lead("1.5")+"1.5\n"))
		long := []byte(strings.Repeat("1", 1<<20))
		rs := d.Decode(nil, long)
		rs = d.Decode(rs, []byte("\n2.5\n"))
		if got := show(rs, false); got != "gap:2.5" || d.Counts().Garbled != 1 {
			t.Errorf("got %q, garbled %d; want gap:2.5 and 1", got, d.Counts().Garbled)
		}
		d = mustDecoder(t, "") // and so from the opening on
		d.Decode(nil, long)
		if n := d.Counts(); n.Garbled != 1 || n.LastReason == "" {
			t.Errorf("garbled %d from the opening on, want 1: %+v", n.Garbled, n)
		}
	})
	t.Run("LostBytesCostTheCutLine", func(t *testing.T) {
		d := mustDecoder(t, "")
		rs := d.Decode(nil, []byte(lead("1.5")+"1.5\n12"))
		d.Lost()
		rs = d.Decode(rs, []byte("34.5\n2.5\n3.5\n"))
		if got := show(rs, false); got != "1.5 gap:2.5 3.5" || d.Counts().Partial != 2 {
			t.Errorf("got %q, partial %d; want 1.5 gap:2.5 3.5 and 2", got, d.Counts().Partial)
		}
	})
	t.Run("AnotherProgramOnTheBoardIsLearned", func(t *testing.T) {
		d := mustDecoder(t, "")
		d.Decode(nil, []byte(lead("1.5")+"1.5\n"))
		rs := d.Decode(nil, []byte(strings.Repeat("1.5;7\n", 16)))
		if len(rs) != 0 {
			t.Fatalf("got %s before the search began again", show(rs, false))
		}
		rs = d.Decode(nil, []byte(strings.Repeat("2.5;7\n", 3)))
		if got := show(rs, false); got != "gap:2.5 2.5" {
			t.Errorf("got %q, want gap:2.5 2.5", got)
		}
	})
	t.Run("EverythingIsCounted", func(t *testing.T) {
		d := mustDecoder(t, "time=us")
		d.Decode(nil, []byte("tial\nhead,er\n100,1.5\n200,1.5\n#c\n300,x\n400,OL\n"))
		want := wire.Counts{Readings: 2, Partial: 1, Sniffed: 1, Headers: 1, Comments: 1, Garbled: 1, Over: 1, LastGarbled: "300,x", LastReason: "no number"}
		if got := d.Counts(); got != want {
			t.Errorf("got  %+v\nwant %+v", got, want)
		}
	})
	t.Run("WordsWithoutEndAreGarbled", func(t *testing.T) {
		d := mustDecoder(t, "")
		d.Decode(nil, []byte(strings.Repeat("hello\n", 100)))
		if n := d.Counts(); n.Headers > 10 || n.Garbled < 89 {
			t.Errorf("%d headers, %d garbled; want at most 10 headers", n.Headers, n.Garbled)
		}
	})
}

func TestPrintable(t *testing.T) {
	if got, want := wire.Printable([]byte("a\x00\x1b\"é\n\\\"")), `a\x00\x1b"\u00e9\n\\"`; got != want {
		t.Errorf("got %s, want %s", got, want)
	}
	if got := wire.Printable(make([]byte, 1000)); len(got) > 4*48+len("…") {
		t.Errorf("%d bytes shown, want at most 48 escaped", len(got))
	}
}

func TestReadingsAreBitEqualToParseFloat(t *testing.T) {
	d := mustDecoder(t, "")
	rs := d.Decode(nil, []byte(lead("1.5")+"1.5\n"))
	for _, c := range []struct {
		in   string
		want float64
	}{
		{"0.1", 0.1}, {"123456.789e-3", 123.456789}, {"512.3 mA", 0.5123}, {"4.35 mA", 0.00435}, {"0.3 uA", 0.3e-6},
		{"99999.9999999999", 99999.9999999999}, {"1.7976931348623157", 1.7976931348623157}, {"4.9e-324", 4.9e-324}, {"2.2250738585072011e-308", 2.2250738585072011e-308},
	} {
		rs = d.Decode(rs[:0], []byte(c.in+"\n"))
		if len(rs) != 1 || math.Float64bits(rs[0].Value) != math.Float64bits(c.want) {
			t.Errorf("%s: got %v, want %v", c.in, rs, c.want)
		}
	}
}

func TestTextReadsASignThatStandsApart(t *testing.T) {
	for name, c := range map[string]struct{ options, line, want string }{
		"Minus":                {"", "- 0.512 A", "-0.512"},
		"MinusAndManyBlanks":   {"", "-   0.512", "-0.512"},
		"Plus":                 {"", "+ 0.512 A", "0.512"},
		"BehindAWord":          {"current=2", "DC - 0.512 A", "-0.512"},
		"AfterATime":           {"time=ms", "17 - 0.512 A", "-0.512"},
		"InATabbedColumn":      {"current=2", "x\t- 0.512 A", "-0.512"},
		"NotTakenForAColumn":   {"current=2", "- 0.512 A", ""},
		"TwoSignsAreNoNumber":  {"", "- -0.512", ""},
		"ASignAloneIsNoNumber": {"", "- A", ""},
	} {
		d := mustDecoder(t, c.options)
		in := lead(c.line) + c.line + "\n" + c.line + "\n"
		rs := d.Decode(nil, []byte(in))
		got := ""
		if len(rs) > 0 {
			got = fmt.Sprint(rs[len(rs)-1].Value)
		}
		if got != c.want {
			t.Errorf("%s: %q is read as %q, want %q (%s)", name, c.line, got, c.want, d.Counts().LastReason)
		}
	}
}

func TestTextTakesNoColumnWithoutUnitWhereAnotherHasIt(t *testing.T) {
	for _, c := range []struct {
		options, line string
		refused       bool
	}{
		{"", "1,000.5 mA", true},
		{"", "7;1.234 A", true},
		{"current=2", "7;1.234 A", false},
		{"", "1.234 A;7", false},
		{"", "1.234;12.5 V", false},
		{"time=ms", "18;1.234 A", false},
		{"", "OL;1.234 A", false},
	} {
		d := mustDecoder(t, c.options)
		rs := d.Decode(nil, []byte("5\n"+strings.Repeat(c.line+"\n", 8)))
		if refused := len(rs) == 0; refused != c.refused {
			t.Errorf("%q with %q: %d readings, %s", c.line, c.options, len(rs), d.Counts().LastReason)
		}
		if c.refused && !strings.Contains(d.Counts().LastReason, "column 2 has the unit") {
			t.Errorf("%q: %s", c.line, d.Counts().LastReason)
		}
	}
}

// What a label says must not be read as something else.
func TestTextHeedsLabels(t *testing.T) {
	for name, c := range map[string]struct {
		options, line, reason string
	}{
		"OnlyVolts":         {"", `{"u":12.1}`, "no label says which column is the current; current=1"},
		"UnknownLabel":      {"", `{"temp":25.1}`, "no label says"},
		"VoltsNamedCurrent": {"current=2", `{"i":0.5,"u":12.1}`, `column 2 is labelled "u", which is no current`},
		"TimeNamedCurrent":  {"current=1", `{"t":5,"i":0.5}`, `column 1 is labelled "t", which is no current`},
		"NoTime":            {"time=ms", `{"i":5,"u":12.1}`, "no label says that a column is the time"},
		"OtherTimeUnit":     {"time=ms", `{"t_us":5,"i":0.5}`, `the label "t_us" has another unit`},
		"TwoTimes":          {"time=ms", `{"t":5,"time":5,"i":0.5}`, "two columns are labelled as a time"},
		"TwoCurrents":       {"", `{"load_current":0.5,"current":0.6}`, "two columns are labelled as a current; current=2"},
		"TwoUnits":          {"", "x: 0.5 A, y: 0.6 A", "two columns have the unit of a current"},
		"TooFew":            {"current=3", `{"i":0.5}`, "fewer columns"},
		"WrongUnit":         {"", `{"i":"0.5 V"}`, "another quantity"},
		"Nested":            {"", `{"a":{"i":0.5}}`, "lists or objects"},
		"List":              {"", `{"i":[0.5]}`, "lists or objects"},
		"Cut":               {"", `{"i":0.5`, "no whole JSON object"},
		"NoMember":          {"", `{}`, "no whole JSON object"},
		"Behind":            {"", `{"i":0.5}x`, "no whole JSON object"},
		"NoValue":           {"", `{"i":}`, "no whole JSON object"},
		"NoName":            {"", `{i:0.5}`, "no whole JSON object"},
		"Null":              {"", `{"i":null}`, "no number"},
		"CommaInJSON":       {"", `{"i":0,5}`, "no whole JSON object"},
		"Thousands":         {"", "7;I=1,000.5 mA", "thousands"},
	} {
		t.Run(name, func(t *testing.T) {
			d := mustDecoder(t, c.options)
			rs := d.Decode(nil, []byte("5\n"+strings.Repeat(c.line+"\n", 20)))
			if len(rs) != 0 || !strings.Contains(d.Counts().LastReason, c.reason) {
				t.Errorf("%q became %s; said %q, want %q", c.line, show(rs, false), d.Counts().LastReason, c.reason)
			}
		})
	}
}

func TestTextHoldsToLabels(t *testing.T) {
	for _, c := range []struct{ good, bad, reason string }{
		{"I=0.5A U=12V", "0.5A 12V", "labels"},
		{"I=0.5A U=12V", "U=12V I=0.5A", "other labels"},
		{"I=0.5A U=12V", "=0.5A U=12V", "labels"},
		{"I=0.5A U=12V", "I=0.5A =12V", "labels"},
		{`{"i":0.5}`, `{"I":0.5}`, "other labels"},
		{`{"i":0.5}`, `i:0.5`, "other labels"},
		{`{"i":0.5}`, `{"i":0.5`, "JSON"},
		{"0.5", "I=0.5", "no number"},
	} {
		d := mustDecoder(t, "")
		rs := d.Decode(nil, []byte("5\n"+c.good+"\n"+c.good+"\n"+c.bad+"\n"+c.good+"\n"))
		if n := d.Counts(); show(rs, false) != "0.5 0.5" || n.Garbled != 1 || !strings.Contains(n.LastReason, c.reason) {
			t.Errorf("%s and %s: %s, %+v", c.good, c.bad, show(rs, false), n)
		}
		// A board with another program: sixteen lines later its lines are read.
		rs = d.Decode(nil, []byte(strings.Repeat("0.75\n", 40)))
		if len(rs) == 0 || rs[len(rs)-1].Value != 0.75 {
			t.Errorf("after %s plain numbers are not read: %+v", c.good, d.Counts())
		}
	}
}

// A comma between thousands made 0.0005 A of 1,000.5 mA.
func TestTextReadsNoPartOfANumberWithThousands(t *testing.T) {
	for _, c := range []struct {
		options, lines, want, reason string
	}{
		{"current=2", "1,000.5 mA\n1,000.5 mA\n1,234.5 mA\n", "", "between thousands"},
		{"current=2&unit=mA", "-1,000.5\n-1,000.5\n-1,000.5\n", "", "between thousands"},
		{"unit=mA", "1,234.5\n1,234.5\n1,234.5\n", "", "between thousands"},
		{"voltage=3", "0.5,1,234.5\n0.5,1,234.5\n0.5,1,234.5\n", "", "between thousands"},
		{"current=2&delimiter=comma", "1,234.5 mA\n1,234.5 mA\n", "0.2345", ""},
		{"current=2", "1,34.5 mA\n2,34.5 mA\n3,234.5 mA\n", "0.0345 0.2345", ""},
		{"current=2", "1,34.5 mA\n2,234.5 mA\n3,234.5 mA\n", "0.2345 0.2345", ""},
		{"time=ms", "1,234.5\n2,234.5\n", "234.5@2000000", ""},
		{"current=1&voltage=2", "1,234.5\n1,234.5\n", "1 ch1:234.5", ""},
	} {
		d := mustDecoder(t, c.options)
		rs := d.Decode(nil, []byte("5\n"+c.lines))
		if got := show(rs, strings.Contains(c.options, "time")); got != c.want || !strings.Contains(d.Counts().LastReason, c.reason) || (c.reason == "") != (d.Counts().Garbled == 0) {
			t.Errorf("%s with %q: %s, %+v", c.lines, c.options, got, d.Counts())
		}
	}
}
