package file_test

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"testing/iotest"
	"unicode/utf8"

	"letthrough/capture/file"
	"letthrough/capture/trace"

	"pgregory.net/rapid"
)

func read(text string, opt file.CSVOptions) (file.Trace, error) {
	return file.ReadCSV(strings.NewReader(text), "tin.csv", opt)
}

// pairs is what most tests compare: time in ns, value, flags.
func pairs(s []trace.Sample) string {
	var b strings.Builder
	for _, x := range s {
		fmt.Fprintf(&b, "%d %v", x.AtNS, x.Value)
		if x.Flags != 0 {
			fmt.Fprintf(&b, " f%d", x.Flags)
		}
		b.WriteString("; ")
	}
	return strings.TrimSuffix(b.String(), "; ")
}

func TestReadCSV(t *testing.T) {
	tests := map[string]struct {
		text             string
		opt              file.CSVOptions
		current, voltage string
	}{
		"trace CSV":            {"time_s,current_a\n0,0.01\n0.001,4.5\n", file.CSVOptions{}, "0 0.01; 1000000 4.5", ""},
		"with voltage":         {"time_s,current_a,voltage_v\n0,1,12.5\n", file.CSVOptions{}, "0 1", "0 12.5"},
		"flags":                {"time_s,current_a,flags\n0,10,over\n1,2,gap\n2,3,\n3,,over\n4,4,over gap\n", file.CSVOptions{}, "0 10 f1; 1000000000 2 f2; 2000000000 3; 3000000000 +Inf f1; 4000000000 4 f3", ""},
		"flags with voltage":   {"time_s,current_a,voltage_v,flags\n0,,11.9,over\n1,2,12,gap\n2,3,60,voltage_over\n3,,5,\n", file.CSVOptions{}, "0 +Inf f1; 1000000000 2 f2; 2000000000 3", "0 11.9; 1000000000 12 f2; 2000000000 60 f1; 3000000000 5"},
		"CRLF and no last end": {"time_s,current_a\r\n0,1\r\n1,2", file.CSVOptions{}, "0 1; 1000000000 2", ""},
		"byte-order mark":      {"\ufefftime_s,current_a\n0,1\n", file.CSVOptions{}, "0 1", ""},
		"empty lines":          {"\n\ntime_s,current_a\n\n0,1\n\r\n1,2\n\n", file.CSVOptions{}, "0 1; 1000000000 2", ""},
		"remarks before":       {"# bench of the club\n#\ntime_s,current_a\n0,1\n", file.CSVOptions{}, "0 1", ""},
		"quoted fields":        {"\"time_s\",\"current_a\"\n\"0\",\"1.5\"\n1,\"2\"\n2,3\n", file.CSVOptions{}, "0 1.5; 1000000000 2; 2000000000 3", ""},
		"line break in quotes": {"time_s,note,current_a\n0,\"a \"\"b\"\"\nc,d\",1\n1,,2\n", file.CSVOptions{}, "0 1; 1000000000 2", ""},
		"milliseconds":         {"time_ms,current_mA\n1.5,512.3\n", file.CSVOptions{}, "1500000 0.5123", ""},
		"brackets":             {"Time (ms);I [mA];U [mV]\n1,5;250;12000\n", file.CSVOptions{}, "1500000 0.25", "1500000 12"},
		"slash":                {"t / µs\tCurrent / uA\n3\t7\n", file.CSVOptions{}, "3000 7e-06", ""},
		"kilovolts":            {"t,i,voltage_kV\n0,1,0.012\n", file.CSVOptions{}, "0 1", "0 12"},
		"decimal comma":        {"time_s;current_a\n0,25;-1,5\n0.5;2.5\n", file.CSVOptions{}, "250000000 -1.5; 500000000 2.5", ""},
		"marks mixed, one way": {"time_s;current_a\n0;1,5\n1;2.5\n2;0.512\n3;1234.500\n4;1,25\n5;OL\n", file.CSVOptions{}, "0 1.5; 1000000000 2.5; 2000000000 0.512; 3000000000 1234.5; 4000000000 1.25; 5000000000 +Inf f1", ""},
		"points only":          {"time_s;current_a\n0;4.500\n1;O.L\n2;4.501\n", file.CSVOptions{}, "0 4.5; 1000000000 +Inf f1; 2000000000 4.501", ""},
		"each column its mark": {"time_s;current_a\n1.001;4,500\n1.002;4,501\n", file.CSVOptions{}, "1001000000 4.5; 1002000000 4.501", ""},
		"over among commas":    {"time_s;current_a\n0;4,500\n1;9.9E37\n", file.CSVOptions{}, "0 4.5; 1000000000 +Inf f1", ""},
		"CR alone":             {"time_s,current_a\r0,1\r1,2\r", file.CSVOptions{}, "0 1; 1000000000 2", ""},
		"CR alone, no end":     {"# x\r\rtime_s,current_a\r0,1\r1,\"2\"", file.CSVOptions{}, "0 1; 1000000000 2", ""},
		"Latin-1 header":       {"time (\xb5s);I [\xb5A];caf\xe9\n3;7;x\n", file.CSVOptions{}, "3000 7e-06", ""},
		"columns by name":      {"Sample,Clock (s),Shunt (mA),Case (mA)\n1,0.5,100,7\n", file.CSVOptions{TimeColumn: "Clock (s)", CurrentColumn: "shunt"}, "500000000 0.1", ""},
		"columns by number":    {"a,b,c\n1,0.5,100\n", file.CSVOptions{TimeColumn: "2", CurrentColumn: "3"}, "500000000 100", ""},
		"no header":            {"0.5,100\n1,101\n", file.CSVOptions{TimeColumn: "1", CurrentColumn: "2"}, "500000000 100; 1000000000 101", ""},
		"units only":           {"s,A,V\n0,1,2\n", file.CSVOptions{}, "0 1", "0 2"},
		"other columns":        {"no,time_s,temp,current_a,remark\n1,0,20,5,x\n", file.CSVOptions{}, "0 5", ""},
		"over-range words":     {"time_s,current_a\n0,OL\n1,-OL\n2,O.L\n3,----\n4,9.9E37\n5,overload\n6,-9.9e+37\n", file.CSVOptions{}, "0 +Inf f1; 1000000000 -Inf f1; 2000000000 +Inf f1; 3000000000 +Inf f1; 4000000000 +Inf f1; 5000000000 +Inf f1; 6000000000 -Inf f1", ""},
		"spaces around":        {"time_s, current_a\n 0 ,\t1.5 \n", file.CSVOptions{}, "0 1.5", ""},
		"exponents and signs":  {"time_s,current_a\n1e-3,+1.5E2\n-1e0,-0\n", file.CSVOptions{}, "1000000 150; -1000000000 -0", ""},
		"time is exact":        {"time_s,current_a\n1759999999.123456789,1\n0.1234567895,2\n-0.0000000005,3\n", file.CSVOptions{}, "1759999999123456789 1; 123456790 2; -1 3", ""},
		"times that go back":   {"time_s,current_a\n2,1\n1,2\n", file.CSVOptions{}, "2000000000 1; 1000000000 2", ""},
	}
	for name, test := range tests {
		t.Run(name, func(t *testing.T) {
			for how, r := range map[string]io.Reader{"whole": strings.NewReader(test.text), "byte by byte": iotest.OneByteReader(strings.NewReader(test.text))} {
				got, err := file.ReadCSV(r, "tin.csv", test.opt)
				if err != nil {
					t.Fatalf("%s: %v", how, err)
				}
				if pairs(got.Current) != test.current || pairs(got.Voltage) != test.voltage {
					t.Errorf("%s: current %s, voltage %s; want %s and %s", how, pairs(got.Current), pairs(got.Voltage), test.current, test.voltage)
				}
			}
		})
	}
}

func TestReadCSVSaysWhatIsWrong(t *testing.T) {
	long := "time_s,current_a\n0,1\n1,\"" + strings.Repeat("x", 2<<20)
	tests := map[string]struct {
		text string
		opt  file.CSVOptions
		want []string
	}{
		"empty file":             {"", file.CSVOptions{}, []string{"empty file"}},
		"empty lines only":       {"\n\n", file.CSVOptions{}, []string{"empty lines"}},
		"header only":            {"time_s,current_a\n", file.CSVOptions{}, []string{"a header and nothing else"}},
		"header without an end":  {"time_s,current_a", file.CSVOptions{}, []string{"a header and nothing else"}},
		"no header":              {"0,1\n1,2\n", file.CSVOptions{}, []string{"line 1", "want a header", "--time-column 1"}},
		"no number":              {"time_s,current_a\n0,1\n1,abc\n", file.CSVOptions{}, []string{"line 3", "column current_a", "want a number", `"abc"`}},
		"no time":                {"time_s,current_a\n0,1\nnoon,2\n", file.CSVOptions{}, []string{"line 3", "column time_s", `"noon"`}},
		"NaN":                    {"time_s,current_a\n0,nan\n", file.CSVOptions{}, []string{"line 2", "want a number", `"nan"`}},
		"hexadecimal":            {"time_s,current_a\n0,0x10\n", file.CSVOptions{}, []string{"line 2", "want a number"}},
		"underscores":            {"time_s,current_a\n0,1_000\n", file.CSVOptions{}, []string{"want a number"}},
		"two points":             {"time_s,current_a\n0,1.2.3\n", file.CSVOptions{}, []string{"want a number"}},
		"point among commas":     {"time_s;current_a\n0;1,5\n1;4.500\n", file.CSVOptions{}, []string{"tin.csv, line 3, column current_a", "line 2 has a decimal comma", `got "4.500"`, "one mark"}},
		"point before commas":    {"time_s;current_a\n0;4.500\n1;1,5\n", file.CSVOptions{}, []string{"tin.csv, line 2, column current_a", "line 3 has a decimal comma", `got "4.500"`}},
		"comma among points":     {"time_s;current_a\n0;1.5\n1;2\n2;-4,500\n", file.CSVOptions{}, []string{"line 4", "line 2 has a decimal point", `got "-4,500"`}},
		"mixed in time":          {"time_ms;current_a\n999,5;1\n1.000;2\n", file.CSVOptions{}, []string{"line 3, column time_ms", `got "1.000"`}},
		"mixed in voltage":       {"time_s;current_a;voltage_v\n0;1;9,5\n1;2;\"12.000\"\n", file.CSVOptions{}, []string{"line 3, column voltage_v", `got "12.000"`}},
		"mixed with exponents":   {"time_s;current_a\n0;1,5e0\n1;4.500\n", file.CSVOptions{}, []string{"line 3", `got "4.500"`}},
		"thousands":              {"time_s;current_a\n0;1.234,5\n", file.CSVOptions{}, []string{"want a number"}},
		"decimal comma as field": {"time_s,current_a\n0,1,5\n", file.CSVOptions{}, []string{"line 2", "want 2 fields", "got 3"}},
		"field missing":          {"time_s,current_a\n0,1\n1\n", file.CSVOptions{}, []string{"line 3", "want 2 fields", "got 1"}},
		"blank without a flag":   {"time_s,current_a,flags\n0,,\n", file.CSVOptions{}, []string{"line 2", "got nothing"}},
		"unknown flag":           {"time_s,current_a,flags\n0,1,odd\n", file.CSVOptions{}, []string{"line 2", "column flags", "over, gap", `"odd"`}},
		"beyond all floats":      {"time_s,current_a\n0,1e999\n", file.CSVOptions{}, []string{"want a number"}},
		"beyond all times":       {"time_s,current_a\n1e20,1\n", file.CSVOptions{}, []string{"292 years"}},
		"no current":             {"time_s,temperature\n0,1\n", file.CSVOptions{}, []string{"line 1", "column of current", `"temperature"`, "--current-column"}},
		"two currents":           {"time_s,I1 (A),I2 (A)\n0,1,2\n", file.CSVOptions{}, []string{"one column of current", "I1", "I2", "--current-column"}},
		"named column missing":   {"time_s,current_a\n0,1\n", file.CSVOptions{CurrentColumn: "shunt"}, []string{`"shunt"`, "current_a"}},
		"number too large":       {"time_s,current_a\n0,1\n", file.CSVOptions{CurrentColumn: "3"}, []string{"from 1 to 2"}},
		"one column for both":    {"time_s,current_a\n0,1\n", file.CSVOptions{TimeColumn: "2", CurrentColumn: "2"}, []string{"unit of time"}},
		"one number for both":    {"0,1\n", file.CSVOptions{TimeColumn: "2", CurrentColumn: "2"}, []string{"the same for both"}},
		"unknown unit":           {"time_s,shunt (counts)\n0,1\n", file.CSVOptions{CurrentColumn: "2"}, []string{"unit of current", `"counts"`}},
		"quote in a field":       {"time_s,current_a\n0,1\n1,2\"3\n", file.CSVOptions{}, []string{"line 3", "quote"}},
		"text after a quote":     {"time_s,current_a\n0,\"1\" \n", file.CSVOptions{}, []string{"line 2", "closing quote"}}, // RFC 4180, erratum 5714
		"quote never closed":     {long, file.CSVOptions{}, []string{"line 3", "never closed"}},
		"binary":                 {"MZ\x00\x01\x02", file.CSVOptions{}, []string{"binary", "byte 2"}},
		"UTF-16":                 {"\xff\xfet\x00", file.CSVOptions{}, []string{"UTF-16"}},
		"no text in a number":    {"time_s,current_a\n0,\xff\xfe\n", file.CSVOptions{}, []string{"line 2", "fffe"}},
		"line after quoted one":  {"time_s,note,current_a\n0,\"a\nb\",1\n1,,x\n", file.CSVOptions{}, []string{"line 4", `"x"`}},
	}
	for name, test := range tests {
		t.Run(name, func(t *testing.T) {
			got, err := read(test.text, test.opt)
			var e *file.Error
			if !errors.As(err, &e) || len(got.Current) != 0 {
				t.Fatalf("got %d samples and %v, want none and a *file.Error", len(got.Current), err)
			}
			for _, want := range append(test.want, "tin.csv") {
				if !strings.Contains(err.Error(), want) {
					t.Errorf("%q does not say %q", err, want)
				}
			}
			if !utf8.ValidString(err.Error()) || strings.ContainsAny(err.Error(), "\n\x00") {
				t.Errorf("%q is not one clean line", err)
			}
		})
	}
}

func TestReadOpensWhatIsATrace(t *testing.T) {
	dir := t.TempDir()
	write := func(name, content string) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(content), 0o644); err != nil {
			t.Fatal(err)
		}
		return path
	}
	got, err := file.Read(write("tin.csv", "time_s,current_a\n0,1\n"), file.Options{})
	if err != nil || pairs(got.Current) != "0 1" {
		t.Errorf("got %s, %v", pairs(got.Current), err)
	}
	for name, path := range map[string]string{
		"a folder":      dir,
		"no such file":  filepath.Join(dir, "none.csv"),
		"an empty file": write("empty.csv", ""),
	} {
		_, err := file.Read(path, file.Options{})
		if err == nil || !strings.Contains(err.Error(), name) || !strings.HasPrefix(err.Error(), path) {
			t.Errorf("%s: got %v, want it said with the name of the file", name, err)
		}
	}
	broken := iotest.ErrReader(errors.New("cable pulled"))
	if _, err := file.ReadCSV(broken, "usb.csv", file.CSVOptions{}); err == nil || !strings.Contains(err.Error(), "cable pulled") {
		t.Errorf("a failing disk gives %v, want its own words", err)
	}
}

func TestResolutionIsTheLastPlaceWritten(t *testing.T) {
	for text, want := range map[string]float64{
		"time_s,current_a\n0,1.25\n1,2\n":         0.01,
		"time_s,current_mA\n0,512.3\n":            0.0001,
		"time_s,current_a\n0,5\n":                 1,
		"time_s,current_a\n0,0.123456789012345\n": 0,
		"time_s,current_a\n0,1.5e-3\n":            0,
		"time_s,current_a\n0,1.5\n1,9.9E37\n":     0.1,
	} {
		got, err := read(text, file.CSVOptions{})
		if err != nil || got.ResolutionA != want {
			t.Errorf("%q: got %v, %v; want %v", text, got.ResolutionA, err, want)
		}
	}
}

func TestNumbersAreRoundedOnce(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		digits := rapid.StringMatching(`[0-9]{1,20}(\.[0-9]{0,20})?(e[-+]?[0-9]{1,2})?`).Draw(rt, "number")
		got, err := read("time_s,current_mA\n0,"+digits+"\n", file.CSVOptions{})
		mantissa, exp, _ := strings.Cut(digits, "e")
		e, _ := strconv.Atoi(exp)
		want, wantErr := strconv.ParseFloat(mantissa+"e"+strconv.Itoa(e-3), 64)
		if wantErr != nil {
			if err == nil {
				rt.Fatalf("%s mA is read as %v, want an error", digits, got.Current[0].Value)
			}
			return
		}
		if err != nil || got.Current[0].Value != want {
			rt.Fatalf("%s mA is read as %+v, %v; want %v", digits, got.Current, err, want)
		}
	})
}

func anyTrace(rt *rapid.T) file.Trace {
	value := rapid.OneOf(rapid.Float64(), rapid.Map(rapid.IntRange(-9999, 9999), func(i int) float64 { return float64(i) / 1000 }), rapid.Just(math.Inf(1)), rapid.Just(math.Inf(-1)))
	channel := func(name string, least int) []trace.Sample {
		s := make([]trace.Sample, rapid.IntRange(least, 60).Draw(rt, name))
		at := rapid.OneOf(rapid.Int64Range(-5e9, 5e9), rapid.Int64Range(math.MinInt64/2, math.MaxInt64/2)).Draw(rt, "start")
		for i := range s {
			s[i] = trace.Sample{AtNS: at, Value: value.Draw(rt, "value"), Flags: trace.Flags(rapid.IntRange(0, 3).Draw(rt, "flags"))}
			if math.IsInf(s[i].Value, 0) {
				s[i].Flags |= trace.Over
			}
			at += rapid.Int64Range(0, 2).Draw(rt, "step")
		}
		return s
	}
	return file.Trace{Current: channel("currents", 1), Voltage: channel("voltages", 0)}
}

func TestWrittenTraceReadsBackBitForBit(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		in := anyTrace(rt)
		var b bytes.Buffer
		if err := file.WriteCSV(&b, in); err != nil {
			rt.Fatal(err)
		}
		out, err := read(b.String(), file.CSVOptions{})
		if err != nil || pairs(out.Current) != pairs(in.Current) || pairs(out.Voltage) != pairs(in.Voltage) {
			rt.Fatalf("%v\n%s\nreads as %s and %s, want %s and %s", err, b.String(), pairs(out.Current), pairs(out.Voltage), pairs(in.Current), pairs(in.Voltage))
		}
	})
}

func TestWriteCSVIsRFC4180(t *testing.T) {
	in := file.Trace{
		Current: []trace.Sample{{AtNS: 0, Value: 0.25}, {AtNS: 1_500_000, Value: math.Inf(1), Flags: trace.Over}, {AtNS: 2_000_000, Value: math.NaN()}, {AtNS: 3_000_000, Value: -1e-9}},
		Voltage: []trace.Sample{{AtNS: 0, Value: 12}, {AtNS: 1_000_000, Value: 11.5, Flags: trace.Gap}},
	}
	var b bytes.Buffer
	if err := file.WriteCSV(&b, in); err != nil {
		t.Fatal(err)
	}
	want := "time_s,current_a,voltage_v,flags\r\n0,0.25,12,\r\n0.001,,11.5,gap\r\n0.0015,,,over\r\n0.003,-1e-09,,gap\r\n"
	if b.String() != want {
		t.Errorf("got %q, want %q", b.String(), want)
	}
	rows, err := csv.NewReader(&b).ReadAll()
	if err != nil || len(rows) != 5 {
		t.Errorf("encoding/csv reads %d rows, %v; want 5", len(rows), err)
	}
	full := errors.New("disk full")
	if err := file.WriteCSV(failingWriter{full}, in); !errors.Is(err, full) {
		t.Errorf("a failing disk gives %v, want its own error", err)
	}
	err = file.WriteCSVRows(io.Discard, in.Channels(), func(yield func(trace.Batch, error) bool) { yield(trace.Batch{}, full) })
	if !errors.Is(err, full) {
		t.Errorf("a failing source gives %v, want its own error", err)
	}
}

type failingWriter struct{ err error }

func (w failingWriter) Write([]byte) (int, error) { return 0, w.err }

// A file from an old system, larger than what is read at once.
func TestReadCSVWithCRAlonePastTheFirstBlock(t *testing.T) {
	var b strings.Builder
	b.WriteString("time_ms,current_a,remark\r")
	const rows = 60_000
	for i := range rows {
		fmt.Fprintf(&b, "%d,1.5,abcdef\r", i)
	}
	got, err := read(b.String(), file.CSVOptions{})
	if err != nil || len(got.Current) != rows || got.Current[rows-1].AtNS != (rows-1)*1_000_000 {
		t.Fatalf("%d rows, %v", len(got.Current), err)
	}
	_, err = read(b.String()+"x,2,y\r", file.CSVOptions{})
	if err == nil || !strings.Contains(err.Error(), fmt.Sprintf("line %d, column time_ms", rows+2)) {
		t.Fatalf("%v", err)
	}
}

// Whatever stands in a column, in whatever order, what is read is the one thing that it can mean.
func TestMixedDecimalMarksNeverReadAsAThousandth(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		cells := rapid.SliceOfN(rapid.StringMatching(`-?[0-9]{1,4}[.,][0-9]{1,4}`), 1, 6).Draw(t, "cells")
		text, has, groups := "time_s;current_a\n", map[byte]bool{}, false
		for i, c := range cells {
			text += fmt.Sprintf("%d;%s\n", i, c)
			head, tail, _ := strings.Cut(strings.TrimPrefix(strings.ReplaceAll(c, ",", "."), "-"), ".")
			has[c[strings.IndexAny(c, ".,")]] = true
			groups = groups || len(tail) == 3 && len(head) <= 3 && head[0] != '0'
		}
		got, err := read(text, file.CSVOptions{})
		if refused := len(has) == 2 && groups; refused != (err != nil) {
			t.Fatalf("%q: %v", text, err)
		}
		for i := range got.Current {
			if want, _ := strconv.ParseFloat(strings.ReplaceAll(cells[i], ",", "."), 64); got.Current[i].Value != want {
				t.Fatalf("%q: row %d is %v", text, i, got.Current[i].Value)
			}
		}
	})
}
