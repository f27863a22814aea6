package file_test

import (
	"encoding/hex"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"letthrough/capture/file"
)

// config makes a configuration: channels as "id,unit,a,b", so many status channels, the lines of
// sampling rates, the kind of data.
func config(year string, analogue []string, status int, rates, firstSample, format string) string {
	var b strings.Builder
	line := func(f string, args ...any) { fmt.Fprintf(&b, f+"\r\n", args...) }
	if year == "" {
		line("club,bench")
	} else {
		line("club,bench,%s", year)
	}
	line("%d,%dA,%dD", len(analogue)+status, len(analogue), status)
	for i, a := range analogue {
		f := strings.Split(a, ",")
		line("%d,%s,,,%s,%s,%s,0,-32767,32767,1,1,P", i+1, f[0], f[1], f[2], f[3])
	}
	for i := range status {
		line("%d,S%d,,,0", i+1, i+1)
	}
	line("50")
	for _, r := range strings.Split(rates, ";") {
		line("%s", r)
	}
	line("01/04/2026,19:30:%s", firstSample)
	line("01/04/2026,19:30:%s", firstSample)
	line("%s", format)
	if year != "" {
		line("1")
	}
	return b.String()
}

func unhex(t *testing.T, s string) string {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(s, " ", ""))
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

func comtrade(cfg, dat string, opt file.ComtradeOptions) (file.Trace, error) {
	return file.ReadComtrade(strings.NewReader(cfg), strings.NewReader(dat), "x.cfg", "x.dat", opt)
}

// The sample record below is that of IEEE C37.111-1999 (attribution from memory); its two encodings
// say the same. Record and byte layouts: IEEE C37.111, as in the notes of the python-comtrade
// project's samples.
func TestReadComtradeVectors(t *testing.T) {
	six := []string{"IA,A,1,0", "VA,V,1,0", "C3,A,1,0", "C4,A,1,0", "C5,A,1,0", "C6,A,1,0"}
	zeros := func(n int, width int) string { // records before the fifth
		var b strings.Builder
		for i := range n {
			b.WriteString(string([]byte{byte(i + 1), 0, 0, 0, byte(i), 0, 0, 0}))
			b.WriteString(strings.Repeat("\x00", width-8))
		}
		return b.String()
	}
	type vector struct {
		cfg, dat         string
		opt              file.ComtradeOptions
		current, voltage string
	}
	tests := map[string]vector{
		"FLOAT32":  {config("2013", []string{"I,A,1,0", "U,V,1,0"}, 1, "1;1000,1", "00.000000", "FLOAT32"), unhex(t, "01 00 00 00 00 00 00 00 CD CC CC 3E 00 00 48 41 01 00"), file.ComtradeOptions{}, "0 0.4000000059604645", "0 12.5"},
		"BINARY32": {config("2013", []string{"I,A,1,0", "U,V,1,0"}, 1, "1;1000,1", "00.000000", "BINARY32"), unhex(t, "01 00 00 00 00 00 00 00 08 FD FF FF FA 04 00 00 01 00"), file.ComtradeOptions{}, "0 -760", "0 1274"},
		"BINARY of 4 and 16 channels": {config("1999", []string{"VA,kV,0.000361849,0", "VB,kV,1,0", "I1,A,1,0", "I2,A,1,0"}, 16, "1;1000,1", "00.000000", "BINARY"),
			unhex(t, "01 00 00 00 00 00 00 00 6D 9E BF F0 4E 6C 19 30 00 00"), file.ComtradeOptions{CurrentChannel: "i2"}, "0 12313", "0 -9038.626171"},
		"ASCII with a and b": {config("1999", []string{"IA,A,0.1138916015625,0.05694580078125", "IB,A,0.1138916015625,0.05694580078125"}, 6, "1;1200,1", "00.000000", "ASCII"),
			"1,72500,-83,68,0,0,0,0,0,0\r\n", file.ComtradeOptions{CurrentChannel: "2"}, "0 7.80157470703125", ""},
		"rates change": {config("1999", []string{"I,mA,1,0"}, 0, "2;1000,2;10,4", "00.000000", "ASCII"), "1,0,1\n2,0,2\n3,0,3\n4,0,4\n", file.ComtradeOptions{},
			"0 0.001; 1000000 0.002; 2000000 0.003; 102000000 0.004", ""},
		"stamps count without a rate": {config("1999", []string{"I,A,1,0"}, 0, "0;0,3", "00.000000", "ASCII"), "1,0,1\n2,72500,2\n3,72501,3\n", file.ComtradeOptions{},
			"0 1; 72500000 2; 72501000 3", ""},
		"stamps in nanoseconds": {config("2013", []string{"I,A,1,0"}, 0, "0;0,2", "00.000000000", "ASCII"), "1,0,1\n2,72500,2\n", file.ComtradeOptions{},
			"0 1; 72500 2", ""},
		"missing readings": {config("1999", []string{"I,A,1,0", "U,V,1,0"}, 0, "1;1000,3", "00.000000", "ASCII"), "1,,1,5\n2,,,6\n3,,3,\n", file.ComtradeOptions{},
			"0 1; 2000000 3 f2", "0 5; 1000000 6"},
		"missing in 1991": {config("", []string{"I,A,1,0"}, 0, "1;1000,2", "00.000000", "ASCII"), "1,0,999999\n2,1,7\n\x1a", file.ComtradeOptions{}, "1000000 7 f2", ""},
		"missing in BINARY": {config("1999", []string{"I,A,1,0"}, 0, "1;1000,2", "00.000000", "BINARY"),
			unhex(t, "01 00 00 00 00 00 00 00 00 80  02 00 00 00 FF FF FF FF 07 00"), file.ComtradeOptions{}, "1000000 7 f2", ""},
	}
	fifth := vector{cfg: config("1999", six, 6, "0;0,5", "00.000000", "ASCII")}
	for i := range 4 {
		fifth.dat += fmt.Sprintf("%d,%d,0,0,0,0,0,0,0,0,0,0,0,0\r\n", i+1, i)
	}
	fifth.dat += "5,667,-760,1274,72,61,-140,-502,0,0,0,0,1,1\r\n"
	fifth.current, fifth.voltage = "0 0; 1000 0; 2000 0; 3000 0; 667000 -760", "0 0; 1000 0; 2000 0; 3000 0; 667000 1274"
	tests["ASCII, the standard's record"] = fifth
	fifth.cfg = config("1999", six, 6, "0;0,5", "00.000000", "BINARY")
	fifth.dat = zeros(4, 22) + unhex(t, "05 00 00 00 9B 02 00 00 08 FD FA 04 48 00 3D 00 74 FF 0A FE 30 00")
	tests["BINARY, the standard's record"] = fifth
	for name, test := range tests {
		t.Run(name, func(t *testing.T) {
			got, err := comtrade(test.cfg, test.dat, test.opt)
			if err != nil {
				t.Fatal(err)
			}
			if pairs(got.Current) != test.current || pairs(got.Voltage) != test.voltage {
				t.Errorf("current %s, voltage %s; want %s and %s", pairs(got.Current), pairs(got.Voltage), test.current, test.voltage)
			}
		})
	}
}

// Bytes of a record of so many analogue and status channels (IEEE C37.111).
func TestComtradeRecordSizes(t *testing.T) {
	for _, c := range []struct{ analogue, status, binary, wide int }{{1, 0, 10, 12}, {2, 1, 14, 18}, {6, 6, 22, 34}, {8, 16, 26, 42}, {8, 17, 28, 44}} {
		for format, size := range map[string]int{"BINARY": c.binary, "BINARY32": c.wide, "FLOAT32": c.wide} {
			var channels []string
			for i := range c.analogue {
				channels = append(channels, fmt.Sprintf("I%d,A,1,0", i))
			}
			cfg := config("2013", channels, c.status, "1;1000,2", "00.000000", format)
			record := func(n byte, size int) string { return string([]byte{n, 0, 0, 0}) + strings.Repeat("\x00", size-4) }
			if _, err := comtrade(cfg, record(1, size)+record(2, size), file.ComtradeOptions{}); err != nil {
				t.Errorf("%s of %d and %d channels, %d bytes a record: %v", format, c.analogue, c.status, size, err)
			}
			if _, err := comtrade(cfg, record(1, size+2)+record(2, size+2), file.ComtradeOptions{}); err == nil {
				t.Errorf("%s of %d and %d channels takes records of %d bytes", format, c.analogue, c.status, size+2)
			}
		}
	}
}

func TestReadComtradeSaysWhatIsWrong(t *testing.T) {
	one := []string{"I,A,1,0"}
	good := config("1999", one, 0, "1;1000,2", "00.000000", "ASCII")
	rows := "1,0,1\n2,1000,2\n"
	tests := map[string]struct {
		cfg, dat string
		opt      file.ComtradeOptions
		want     []string
	}{
		"empty configuration":        {"", rows, file.ComtradeOptions{}, []string{"x.cfg, line 1", "end of the file"}},
		"a million channels":         {"a,b,1999\n999999,999999A,0D\n1,I,,,A,1,0,0,0,0,1,1,P\n", rows, file.ComtradeOptions{}, []string{"x.cfg, line 4", "analogue channel", "end of the file"}},
		"more channels than that":    {"a,b,1999\n99999999,99999999A,0D\n", rows, file.ComtradeOptions{}, []string{"line 2", "999999"}},
		"numbers that do not add up": {"a,b,1999\n3,1A,1D\n", rows, file.ComtradeOptions{}, []string{"line 2", "want 2 channels"}},
		"no A behind the number":     {"a,b,1999\n1,1,0D\n", rows, file.ComtradeOptions{}, []string{"line 2", "A behind it"}},
		"factor is no number":        {strings.Replace(good, "A,1,0,", "A,one,0,", 1), rows, file.ComtradeOptions{}, []string{"line 3", "factor a", `"one"`}},
		"unknown kind of data":       {strings.Replace(good, "ASCII", "MORSE", 1), rows, file.ComtradeOptions{}, []string{"BINARY32", `"MORSE"`}},
		"rate of zero":               {strings.Replace(good, "1000,2", "0,2", 1), rows, file.ComtradeOptions{}, []string{"rate above 0"}},
		"no current":                 {config("1999", []string{"U,V,1,0"}, 0, "1;1000,2", "00.000000", "ASCII"), rows, file.ComtradeOptions{}, []string{"channel in amperes", `"U" in "V"`}},
		"channel not there":          {good, rows, file.ComtradeOptions{CurrentChannel: "IB"}, []string{`"IB"`, `"I" in "A"`}},
		"channel of another unit":    {config("1999", []string{"I,A,1,0", "T,K,1,0"}, 0, "1;1000,2", "00.000000", "ASCII"), rows, file.ComtradeOptions{CurrentChannel: "T"}, []string{"column T", `"K"`}},
		"one channel for both":       {good, rows, file.ComtradeOptions{VoltageChannel: "I"}, []string{"voltage in V"}},
		"no data":                    {good, "", file.ComtradeOptions{}, []string{"x.dat", "empty file"}},
		"cut short":                  {good, "1,0,1\n", file.ComtradeOptions{}, []string{"x.dat", "want 2 records", "got 1"}},
		"too long":                   {good, rows + "3,2000,3\n", file.ComtradeOptions{}, []string{"want 2 records", "got 3"}},
		"record out of order":        {good, "1,0,1\n3,0,1\n", file.ComtradeOptions{}, []string{"x.dat, line 2", "want record 2"}},
		"value is no number":         {good, "1,0,1\n2,0,x\n", file.ComtradeOptions{}, []string{"x.dat, line 2, column 3", `"x"`}},
		"field too many":             {good, "1,0,1,5\n", file.ComtradeOptions{}, []string{"line 1", "want 3 fields"}},
		"no stamp and no rate":       {config("1999", one, 0, "0;0,1", "00.000000", "ASCII"), "1,,1\n", file.ComtradeOptions{}, []string{"line 1, column 2", "no sampling rate"}},
		"half a record":              {config("1999", one, 0, "1;1000,1", "00.000000", "BINARY"), "\x01\x00\x00\x00\x00\x00\x00\x00\x00", file.ComtradeOptions{}, []string{"records of 10 bytes", "byte 0"}},
		"binary out of order":        {config("1999", one, 0, "1;1000,1", "00.000000", "BINARY"), "\x07\x00\x00\x00\x00\x00\x00\x00\x00\x00", file.ComtradeOptions{}, []string{"want record 1 at byte 0", "got 7"}},
		"nothing but missing ones":   {good, "1,0,\n2,1,\n", file.ComtradeOptions{}, []string{"samples of the current"}},
	}
	for name, test := range tests {
		t.Run(name, func(t *testing.T) {
			_, err := comtrade(test.cfg, test.dat, test.opt)
			var e *file.Error
			if !errors.As(err, &e) {
				t.Fatalf("got %v, want a *file.Error", err)
			}
			for _, want := range test.want {
				if !strings.Contains(err.Error(), want) {
					t.Errorf("%q does not say %q", err, want)
				}
			}
		})
	}
}

func TestReadFindsBothHalvesOfARecord(t *testing.T) {
	dir := t.TempDir()
	write := func(name, content string) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(content), 0o644); err != nil {
			t.Fatal(err)
		}
		return path
	}
	cfg := config("1999", []string{"I,A,0.5,0"}, 0, "1;1000,2", "00.000000", "ASCII")
	dat := "1,0,1\r\n2,1000,2\r\n"
	const want = "0 0.5; 1000000 1"
	binary := config("2013", []string{"I,A,0.5,0"}, 0, "1;1000,2", "00.000000", "BINARY")
	records := "\x01\x00\x00\x00\x00\x00\x00\x00\x01\x00\x02\x00\x00\x00\x00\x00\x00\x00\x02\x00"
	for name, path := range map[string]string{
		"configuration": write("a.cfg", cfg), "data": write("a.dat", dat), "capitals": write("B.CFG", cfg),
		"combined":         write("c.cff", "--- file type: CFG ---\r\n"+cfg+"--- file type: INF ---\r\n--- file type: DAT ASCII ---\r\n"+dat),
		"combined, binary": write("d.cff", "--- file type: CFG ---\r\n"+binary+"--- file type: HDR ---\r\nhello\r\n--- file type: DAT BINARY: 20 ---\r\n"+records),
	} {
		write("B.DAT", dat)
		got, err := file.Read(path, file.Options{})
		if err != nil || pairs(got.Current) != want {
			t.Errorf("%s: got %s, %v; want %s", name, pairs(got.Current), err, want)
		}
	}
	for path, says := range map[string]string{
		write("alone.cfg", cfg):                                   "other half",
		write("e.cff", "--- file type: CFG ---\r\n"+cfg):          "DAT: no",
		write("f.cff", "--- file type: DAT BINARY: 999 ---\r\nx"): "want 999 bytes",
		write("g.txt", cfg):                                       "other half",
		write("plain.dat", "time_s,current_a\n0,x\n"):             "want a number",
	} {
		if _, err := file.Read(path, file.Options{}); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("%s: got %v, want it to say %q", path, err, says)
		}
	}
}

func FuzzReadComtrade(f *testing.F) {
	f.Fuzz(func(t *testing.T, cfg, dat []byte) {
		got, err := comtrade(string(cfg), string(dat), file.ComtradeOptions{})
		var e *file.Error
		if err != nil && !errors.As(err, &e) {
			t.Fatalf("%v is no *file.Error", err)
		}
		for _, s := range append(got.Current, got.Voltage...) {
			if math.IsNaN(s.Value) || math.IsInf(s.Value, 0) {
				t.Fatalf("%+v is no reading", s)
			}
		}
		if _, err := file.ReadCFF(strings.NewReader(string(cfg)+string(dat)), "x.cff", file.ComtradeOptions{}); err != nil && !errors.As(err, &e) {
			t.Fatalf("%v is no *file.Error", err)
		}
	})
}

// IEEE C37.111-1999, 5.3.4: primary and secondary are the ratings of the transformer before the channel,
// PS the side that a*x + b is of.
func TestComtradeTellsOfTheSecondarySide(t *testing.T) {
	const dat = "1,0,450,1200\r\n2,1000,451,1200\r\n"
	for name, c := range map[string]struct{ current, voltage, want string }{
		"both primary":          {"10,1,P", "100,1,P", ""},
		"ratio one":             {"1,1,S", "5,5,s", ""},
		"no ratio":              {"0,0,S", "x,1,S", ""},
		"current secondary":     {"10,1,S", "100,1,P", `secondary_side: channel "I" holds values of the secondary side, and they are read so; on the primary side they are 10 times as large (ratio 10:1)`},
		"voltage secondary":     {"10,1,P", "100,0.5,s", `secondary_side: channel "U" holds values of the secondary side, and they are read so; on the primary side they are 200 times as large (ratio 100:0.5)`},
		"form without the tail": {"", "", ""},
	} {
		t.Run(name, func(t *testing.T) {
			cfg := config("1999", []string{"I,A,0.01,0", "U,V,0.01,0"}, 0, "1;1000,2", "00.000000", "ASCII")
			for i, tail := range []string{c.current, c.voltage} {
				lines := strings.Split(cfg, "\r\n")
				lines[2+i] = strings.TrimSuffix(lines[2+i], ",1,1,P")
				if tail != "" {
					lines[2+i] += "," + tail
				}
				cfg = strings.Join(lines, "\r\n")
			}
			got, err := comtrade(cfg, dat, file.ComtradeOptions{})
			if err != nil || pairs(got.Current) != "0 4.5; 1000000 4.51" {
				t.Fatalf("%v %s", err, pairs(got.Current))
			}
			var said []string
			for _, w := range got.Warnings {
				said = append(said, w.Code+": "+w.Text)
			}
			if strings.Join(said, "; ") != c.want {
				t.Errorf("said %q, want %q", said, c.want)
			}
		})
	}
}
