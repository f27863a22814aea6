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

// talk is a conversation with an instrument that must be asked, by a clock of its own.
type talk struct {
	tb  rapid.TB
	d   wire.Asker
	now int64
}

func mustTalk(tb rapid.TB, format, options string) *talk {
	s, err := wire.ParseSpec("meter=" + format + ":/dev/null?" + options)
	if err != nil {
		tb.Fatalf("%s: %v", options, err)
	}
	f, _ := wire.FindFormat(format)
	d, err := f.New(s)
	if err != nil {
		tb.Fatal(err)
	}
	return &talk{tb: tb, d: d.(wire.Asker), now: 1000 * ms}
}

// ask gives the next query; it lets so much time pass as is needed, at most the given.
func (k *talk) ask(most int64) string {
	for until := k.now + most; ; k.now += 5 * ms {
		if q := k.d.Ask(nil, k.now); len(q) > 0 {
			return string(q)
		}
		if k.now >= until {
			return ""
		}
	}
}

func (k *talk) expect(query, answer string) []wire.Reading {
	if h, ok := k.tb.(interface{ Helper() }); ok {
		h.Helper()
	}
	if q := k.ask(5000 * ms); q != query {
		k.tb.Fatalf("asked %q, want %q", q, query)
	}
	k.now += 10 * ms
	return k.d.Decode(nil, []byte(answer))
}

// greeted is a conversation that has got to the first reading.
func greeted(tb rapid.TB, options string) *talk {
	k := mustTalk(tb, "scpi", options)
	k.expect("*IDN?\n", "Maker,Model 1,0,2.3\r\n")
	k.expect("SYST:ERR?\n", "+0,\"No error\"\r\n")
	return k
}

// Published readings: HP 34401A manual p. 159, the number examples of a Hioki DT4250 manual p. 4, and the
// special values of SCPI-1999 as several makers' manuals print them.
func TestSCPIAnswers(t *testing.T) {
	for _, c := range []struct{ options, answer, want string }{
		{"", "+1.23456789E-03\n", "0.00123456789 A"},
		{"", "12\r\n", "12 A"},
		{"", "-.00002\n", "-2e-05 A"},
		{"", "+13.234\n", "13.234 A"},
		{"", "-9.90000000E+37\n", "over -"},
		{"", "9.9E37\n", "over +"},
		{"", "9.900000302096328e37\n", "over +"}, // single precision
		{"", "+9.91E+37\n", "garbled"},
		{"", "9.909999530030929e37\n", "garbled"},
		{"", "9,9E37\n", "garbled"}, // printed with a comma in one manual: two fields
		{"", "1.2.3\n", "garbled"},
		{"", "1e200\n", "garbled"},
		{"", "OL\n", "over +"},
		{"", "1.5 V\n", "garbled"},
		{"unit=mA", "512.5\n", "0.5125 A"},
		{"voltage=2", "1.5,12.25\n", "1.5 A, 12.25 V"},
		{"current=2", "7,1.5\n", "1.5 A"},
		{"voltage=2", "1.5\n", "garbled"},
		{"query=MEAS:CURR?;:MEAS:VOLT?&voltage=2", "1.5;12.25\n", "1.5 A, 12.25 V"},
		{"channel=voltage", "12.25\n", "12.25 V"},
		{"fullscale=10", "10.5\n", "10.5 A over"},
	} {
		k := greeted(t, c.options)
		query := "MEAS:CURR:DC?\n"
		if strings.Contains(c.options, "channel=voltage") {
			query = "MEAS:VOLT:DC?\n"
		}
		if _, q, ok := strings.Cut(c.options, "query="); ok {
			query, _, _ = strings.Cut(q, "&")
			query += "\n"
		}
		rs := k.expect(query, c.answer)
		got := say(k.d, rs)
		if len(rs) == 0 && k.d.Counts().Garbled == 1 && k.d.Counts().LastReason != "" {
			got = "garbled"
		}
		if got != c.want {
			t.Errorf("%q with %q: %s, want %s", c.answer, c.options, got, c.want)
		}
	}
}

// say writes readings as a table can hold them.
func say(d wire.Decoder, rs []wire.Reading) string {
	var out []string
	for _, r := range rs {
		v := fmt.Sprint(r.Value)
		unit := d.Channels()[r.Channel].Unit()
		switch {
		case math.IsInf(r.Value, 1):
			out = append(out, "over +")
		case math.IsInf(r.Value, -1):
			out = append(out, "over -")
		case r.Flags&trace.Over != 0:
			out = append(out, v+" "+unit+" over")
		default:
			out = append(out, v+" "+unit)
		}
	}
	return strings.Join(out, ", ")
}

func TestSCPIConversation(t *testing.T) {
	t.Run("SetsUpAndReportsErrors", func(t *testing.T) {
		k := mustTalk(t, "scpi", "setup=*CLS|CONF:CURR:DC 10&query=READ?&end=crlf")
		k.expect("*IDN?\r\n", "Maker,Model,0,1\n")
		k.expect("*CLS\r\n", "")
		k.expect("CONF:CURR:DC 10\r\n", "")
		k.expect("SYST:ERR?\r\n", "-113,\"Undefined header\"\n")
		k.expect("SYST:ERR?\r\n", "0,\"No error\"\n")
		if rs := k.expect("READ?\r\n", "1.5\n"); len(rs) != 1 {
			t.Errorf("%v", rs)
		}
		i := k.d.(wire.Introduced)
		if i.Identity() != "Maker,Model,0,1" || !strings.Contains(i.Complaint(), "Undefined header") {
			t.Errorf("identity %q, complaint %q", i.Identity(), i.Complaint())
		}
	})
	t.Run("LateAnswerIsNobodys", func(t *testing.T) {
		k := greeted(t, "")
		k.expect("MEAS:CURR:DC?\n", "")
		k.now += 2100 * ms
		if q := k.ask(0); q != "" {
			t.Fatalf("asked %q before the line was quiet", q)
		}
		k.d.Decode(nil, []byte("7.5\n")) // late, while the line is left to fall quiet
		if q := k.ask(5000 * ms); q != "*IDN?\n" {
			t.Fatalf("asked %q, want a greeting", q)
		}
		if rs := k.d.Decode(nil, []byte("8.5\n")); len(rs) != 0 { // later still
			t.Fatalf("%v", rs)
		}
		k.expect("*IDN?\n", "Maker,Model 1,0,2.3\r\n")
		k.expect("SYST:ERR?\n", "0,\"No error\"\r\n")
		if rs := k.expect("MEAS:CURR:DC?\n", "2.5\n"); len(rs) != 1 || rs[0].Value != 2.5 || rs[0].Missed == 0 {
			t.Errorf("%+v", rs)
		}
		if n := k.d.Counts().TimedOut; n != 1 {
			t.Errorf("%d timed out, want 1", n)
		}
	})
	t.Run("BrokenAnswerIsFollowedByAGreeting", func(t *testing.T) {
		k := greeted(t, "")
		if rs := k.expect("MEAS:CURR:DC?\n", "+1.2#4\n"); len(rs) != 0 {
			t.Fatal(rs)
		}
		k.expect("*IDN?\n", "Maker,Model 1,0,2.3\n")
	})
	t.Run("KnowsNeitherIDNNorErrors", func(t *testing.T) {
		k := mustTalk(t, "scpi", "query=VAL?")
		k.expect("*IDN?\n", "")
		k.expect("SYST:ERR?\n", "")
		for range 3 {
			if rs := k.expect("VAL?\n", "1.5\n"); len(rs) != 1 {
				t.Fatalf("%v %+v", rs, k.d.Counts())
			}
		}
		k.expect("VAL?\n", "nonsense\n")
		if rs := k.expect("VAL?\n", "1.5\n"); len(rs) != 1 {
			t.Fatalf("%v", rs)
		}
	})
	t.Run("TalkerIsNoReading", func(t *testing.T) {
		k := mustTalk(t, "scpi", "")
		for range 100 {
			k.now += 50 * ms
			k.d.Ask(nil, k.now)
			if rs := k.d.Decode(nil, []byte(strings.Repeat("1.234\n", 20))); len(rs) != 0 {
				t.Fatal(rs)
			}
		}
		if k.d.Counts().Garbled == 0 {
			t.Error("nothing garbled")
		}
	})
	t.Run("ReopenedIsSetUpAgain", func(t *testing.T) {
		k := greeted(t, "setup=")
		k.d.Lost()
		k.expect("*IDN?\n", "Maker,Model 1,0,2.3\n")
		k.expect("SYST:ERR?\n", "0,\"\"\n")
		if rs := k.expect("MEAS:CURR:DC?\n", "1\n"); len(rs) != 1 || rs[0].Flags != trace.Gap {
			t.Errorf("%+v, want a gap", rs)
		}
	})
}

func TestPolledOptionsAreChecked(t *testing.T) {
	for _, c := range []struct{ spec, want string }{
		{"scpi:p?query=*RST", "query"}, {"scpi:p?query=A%0AB?", "query"}, {"scpi:p?end=x", "lf, crlf, cr"},
		{"scpi:p?timeout=0", "timeout"}, {"scpi:p?current=1&voltage=1", "same number"}, {"scpi:p?setup=A%01", "setup"},
		{"modbus:p?address=0", "1 to 247"}, {"modbus:p?function=6", "3 to 4"}, {"modbus:p?type=int8", "float32, int16"},
		{"modbus:p?order=acbd", "abcd, cdab"}, {"modbus:p?register=65535", "65534"}, {"modbus:p?scale=0", "other than 0"},
		{"modbus:p?scale=NaN", "other than 0"}, {"modbus:p?voltage=2&channel=voltage", "already"},
	} {
		if _, err := wire.ParseSpec("m=" + c.spec); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q", c.spec, err, c.want)
		}
	}
}

// checkPolled is the split property of an asked instrument: answers cut in any way give the same.
func checkPolled(tb rapid.TB, format, options string, answers [][]byte, sizes ...int) {
	run := func(sizes []int) (rs []wire.Reading, n wire.Counts) {
		k := mustTalk(tb, format, options)
		for _, a := range answers {
			k.ask(3000 * ms)
			k.now += 10 * ms
			k.d.Decode(nil, nil)
			got := decodeCut(k.d, a, sizes...)
			rs = append(rs, got...)
		}
		return rs, k.d.Counts()
	}
	whole, wn := run([]int{1 << 20})
	for _, s := range [][]int{{1}, sizes} {
		rs, n := run(s)
		if len(rs) != len(whole) || n != wn {
			tb.Fatalf("cut %v: %d readings %+v\nwhole: %d readings %+v\n%q", s, len(rs), n, len(whole), wn, answers)
		}
		for i := range rs {
			rs[i].End, whole[i].End = 0, 0
			if math.Float64bits(rs[i].Value) != math.Float64bits(whole[i].Value) || rs[i].Flags != whole[i].Flags || rs[i].Missed != whole[i].Missed {
				tb.Fatalf("cut %v: %+v, whole %+v", s, rs[i], whole[i])
			}
		}
	}
	for _, r := range whole {
		if !(math.Abs(r.Value) <= 1e5 || math.IsInf(r.Value, 0) && r.Flags&trace.Over != 0) {
			tb.Fatalf("unbelievable %+v of %q", r, answers)
		}
	}
}

func FuzzSCPI(f *testing.F) {
	f.Add("A,B,0,1\r\n", "0,\"No error\"\n", []byte("1.5\n2.5\n"), byte(3))
	f.Add("A,B,0,1\r\n", "-113,\"Undefined header\"\n", []byte("9.91E37\n"), byte(1))
	f.Add("", "", []byte("\x00\xff\n"), byte(2))
	f.Fuzz(func(t *testing.T, idn, errs string, data []byte, size byte) {
		checkPolled(t, "scpi", "", [][]byte{[]byte(idn), []byte(errs), data, []byte("1.5\n"), data, []byte("2.5\n")}, int(size), 2)
	})
}

// A program that was ended while it waited leaves an answer on the way, and the next one to open the port
// greets into it. Taken for the instrument's name it made every later greeting fail for good.
func TestSCPIStaleAnswerIsNoName(t *testing.T) {
	for _, stale := range []string{"+1.50400000E-03\n", "0,\"No error\"\n", "1.5,12.25\n"} {
		k := mustTalk(t, "scpi", "")
		k.expect("*IDN?\n", stale)
		k.d.Decode(nil, []byte("Maker,Model 1,0,2.3\n")) // of the greeting that met the older answer
		k.expect("*IDN?\n", "Maker,Model 1,0,2.3\n")
		k.expect("SYST:ERR?\n", "0,\"No error\"\n")
		if got := say(k.d, k.expect("MEAS:CURR:DC?\n", "1.25\n")); got != "1.25 A" {
			t.Errorf("after %q: %s, want 1.25 A", stale, got)
		}
		if id := k.d.(interface{ Identity() string }).Identity(); id != "Maker,Model 1,0,2.3" {
			t.Errorf("after %q the instrument is called %q", stale, id)
		}
	}
}

// A name that was never the instrument's, or is no longer, is given up after some greetings.
func TestSCPIAnotherNameIsBelievedInTheEnd(t *testing.T) {
	k := greeted(t, "")
	k.expect("MEAS:CURR:DC?\n", "1.2.3\n")
	for range 40 {
		switch q := k.ask(5000 * ms); q {
		case "*IDN?\n":
			k.now += 10 * ms
			k.d.Decode(nil, []byte("Other,Model 2,0,1\n"))
		case "SYST:ERR?\n":
			k.now += 10 * ms
			k.d.Decode(nil, []byte("0,\"No error\"\n"))
		default:
			k.now += 10 * ms
			if got := say(k.d, k.d.Decode(nil, []byte("1.25\n"))); !strings.Contains(got, "1.25 A") {
				t.Errorf("%q answers %s", q, got)
			}
			return
		}
	}
	t.Error("40 questions later no reading was asked for")
}
