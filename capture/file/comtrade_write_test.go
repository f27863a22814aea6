package file_test

import (
	"bytes"
	"encoding/hex"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"letthrough/capture/file"
	"letthrough/capture/trace"

	"pgregory.net/rapid"
)

var comtradeKinds = []string{file.ASCII, file.Binary, file.Binary32, file.Float32}

// writeComtrade writes a trace and gives configuration and data.
func writeComtrade(t interface{ Fatal(...any) }, run file.ComtradeRun, tr file.Trace) (cfg, dat string) {
	var c, d bytes.Buffer
	if err := file.WriteComtrade(&c, &d, run, tr.Channels(), tr.Batches()); err != nil {
		t.Fatal(err)
	}
	return c.String(), d.String()
}

func samples(from, step int64, values ...float64) []trace.Sample {
	var s []trace.Sample
	for i, v := range values {
		s = append(s, trace.Sample{AtNS: from + int64(i)*step, Value: v})
	}
	return s
}

// The record is that of the standard's BINARY32 as in the check values (IEEE C37.111-2013); BINARY
// and ASCII of the same readings follow from its layouts.
func TestComtradeRecordsAreThoseOfTheStandard(t *testing.T) {
	tr := file.Trace{Current: samples(0, 1, -760), Voltage: samples(0, 1, 1274)}
	run := file.ComtradeRun{Marks: []trace.Mark{{Kind: trace.Onset, By: trace.Detector}}}
	for kind, want := range map[string]string{
		file.Binary32: "010000000000000008fdfffffa0400000100",
		file.Binary:   "010000000000000008fdfa040100",
		file.Float32:  "010000000000000000003ec400409f440100",
		file.ASCII:    hex.EncodeToString([]byte("1,0,-760,1274,1\r\n")),
	} {
		run.Data = kind
		cfg, dat := writeComtrade(t, run, tr)
		if got := hex.EncodeToString([]byte(dat)); got != want {
			t.Errorf("%s: %s, want %s", kind, got, want)
		}
		if !strings.Contains(cfg, "3,2A,1D\r\n") || !strings.Contains(cfg, "1,onset,,detector,0\r\n") {
			t.Errorf("%s: configuration %s", kind, cfg)
		}
	}
}

func TestComtradeConfigurationLineByLine(t *testing.T) {
	tr := file.Trace{Current: samples(-2_000_000, 1_000_000, 0, 0.25, 4.497, 4.49)}
	onset := int64(-500_000)
	run := file.ComtradeRun{Data: "binary", Station: "club, west", Recorder: "shunt", Unit: "Tin", OnsetNS: &onset,
		Started: time.Date(2026, 4, 1, 19, 30, 0, 5_000_000, time.FixedZone("", -19800))}
	cfg, _ := writeComtrade(t, run, tr)
	want := "club_ west,shunt,1999\r\n1,1A,0D\r\n1,current,,Tin,A,0.001,0,0,-4497,4497,1,1,P\r\n0\r\n1\r\n1000,4\r\n" +
		"01/04/2026,19:30:00.003000\r\n01/04/2026,19:30:00.004500\r\nBINARY\r\n1\r\n"
	if cfg != want {
		t.Errorf("configuration\n%s\nwant\n%s", cfg, want)
	}
	run.Data = "float32"
	cfg, _ = writeComtrade(t, run, tr)
	if want := strings.Replace(strings.Replace(want, "1999", "2013", 1), "BINARY\r\n1\r\n", "FLOAT32\r\n1\r\n-5h30,-5h30\r\nF,3\r\n", 1); cfg != want {
		t.Errorf("configuration\n%s\nwant\n%s", cfg, want)
	}
	got, err := comtrade(cfg, "\x01\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00", file.ComtradeOptions{})
	if err == nil {
		t.Errorf("one record of four was read as %v", got)
	}
}

func TestComtradeUnevenTimesHaveNoRate(t *testing.T) {
	tr := file.Trace{Current: []trace.Sample{{AtNS: 0, Value: 1}, {AtNS: 1_000_000, Value: 2}, {AtNS: 2_500_000, Value: 3}}}
	for _, kind := range comtradeKinds {
		cfg, dat := writeComtrade(t, file.ComtradeRun{Data: kind}, tr)
		if !strings.Contains(cfg, "\r\n0\r\n0,3\r\n") || !strings.Contains(cfg, kind+"\r\n500\r\n") {
			t.Errorf("%s: want no rate and stamps of 500 us:\n%s", kind, cfg)
		}
		if got, err := comtrade(cfg, dat, file.ComtradeOptions{}); err != nil || pairs(got.Current) != pairs(tr.Current) {
			t.Errorf("%s: read back %s, %v", kind, pairs(got.Current), err)
		}
	}
}

// What is written is read back: samples, flags, marks from outside and the time of day.
func TestComtradeReadsBackAsWritten(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var tr file.Trace
		digits := rapid.IntRange(0, 4).Draw(t, "digits")
		step := rapid.SampledFrom([]int64{1000, 333_333, 1_000_000, 100_000_000}).Draw(t, "step_ns")
		even := rapid.Bool().Draw(t, "even")
		n := rapid.IntRange(1, 60).Draw(t, "n")
		reading := func(at int64, label string) trace.Sample {
			s := trace.Sample{AtNS: at, Value: float64(rapid.IntRange(-32_000, 32_000).Draw(t, label)) / math.Pow10(digits)}
			switch rapid.IntRange(0, 9).Draw(t, "special") {
			case 0:
				s.Flags = trace.Over
				s.Value = math.Inf(rapid.SampledFrom([]int{-1, 1}).Draw(t, "sign"))
			case 1:
				s.Flags = trace.Gap
			case 2:
				s.Flags = trace.Over
			}
			return s
		}
		at := int64(0)
		for i := range n {
			if i == 0 || rapid.IntRange(0, 4).Draw(t, "both") > 0 {
				tr.Current = append(tr.Current, reading(at, "current"))
			} else {
				tr.Voltage = append(tr.Voltage, reading(at, "voltage"))
			}
			if rapid.Bool().Draw(t, "voltage too") && len(tr.Current) > 0 && tr.Current[len(tr.Current)-1].AtNS == at {
				tr.Voltage = append(tr.Voltage, reading(at, "voltage"))
			}
			at += step
			if !even {
				at += rapid.Int64Range(0, step/1000).Draw(t, "late") * 1000 // finer ones need more than 32 bits of a long trace
			}
		}
		run := file.ComtradeRun{Data: rapid.SampledFrom(comtradeKinds).Draw(t, "data"), Started: time.Date(2026, 2, 3, 4, 5, 6, 7000, time.UTC)}
		last := max(tr.Current[len(tr.Current)-1].AtNS, 0)
		run.Marks = []trace.Mark{{Kind: trace.Onset, T: 0, By: trace.Detector}, {Kind: trace.Removed, T: float64(last) / 1e9, By: trace.Contact},
			{Kind: trace.Note, T: 0, By: trace.Hand, Withdrawn: true}}
		check := func(how string, got file.Trace, err error) {
			if err != nil {
				t.Fatalf("%s: %v", how, err)
			}
			if pairs(got.Current) != pairs(tr.Current) || pairs(got.Voltage) != pairs(tr.Voltage) {
				t.Fatalf("%s:\ncurrent %s\nwant    %s\nvoltage %s\nwant    %s", how, pairs(got.Current), pairs(tr.Current), pairs(got.Voltage), pairs(tr.Voltage))
			}
			if len(got.Marks) != 1 || got.Marks[0].Kind != trace.Removed || got.Marks[0].By != trace.Contact || math.Abs(got.Marks[0].T-float64(last)/1e9) > 1e-9 {
				t.Fatalf("%s: marks %+v", how, got.Marks)
			}
			if !got.Started.Equal(run.Started) {
				t.Fatalf("%s: started %v, want %v", how, got.Started, run.Started)
			}
		}
		cfg, dat := writeComtrade(t, run, tr)
		got, err := comtrade(cfg, dat, file.ComtradeOptions{})
		check(run.Data, got, err)
		var both bytes.Buffer
		if err := file.WriteCFF(&both, run, tr.Channels(), tr.Batches()); err != nil {
			t.Fatal(err)
		}
		got, err = file.ReadCFF(&both, "x.cff", file.ComtradeOptions{})
		check("combined "+run.Data, got, err)
	})
}

// Readings that are no short decimals are rounded, by no more than is promised, and the limits in
// the configuration enclose them all.
func TestComtradeRoundsNoMoreThanPromised(t *testing.T) {
	var tr file.Trace
	for i := range 1000 {
		tr.Current = append(tr.Current, trace.Sample{AtNS: int64(i) * 1_000_000, Value: 3 + 2*math.Sin(float64(i)/math.Pi)})
	}
	for kind, most := range map[string]float64{file.ASCII: 4.1 / 2e12, file.Binary: 4.1 / 65534 / 2, file.Binary32: 4.1 / 4294967294 / 2, file.Float32: 5.0 / (1 << 24)} {
		cfg, dat := writeComtrade(t, file.ComtradeRun{Data: kind}, tr)
		got, err := comtrade(cfg, dat, file.ComtradeOptions{})
		if err != nil {
			t.Fatal(err)
		}
		var id, ph, comp, unit string
		var n, skew, a, b, lo, hi float64
		line := strings.ReplaceAll(strings.Split(cfg, "\r\n")[2], ",", " ")
		line = strings.ReplaceAll(line, "  ", " - ")
		line = strings.ReplaceAll(line, "  ", " - ")
		if _, err := fmt.Sscan(strings.Replace(line, "current - A", "current - - A", 1), &n, &id, &ph, &comp, &unit, &a, &b, &skew, &lo, &hi); err != nil {
			t.Fatalf("%q: %v", line, err)
		}
		for i, s := range got.Current {
			want := tr.Current[i]
			if s.AtNS != want.AtNS || math.Abs(s.Value-want.Value) > most {
				t.Fatalf("%s: %+v, want %+v to within %g", kind, s, want, most)
			}
			if raw := (s.Value - b) / a; raw < lo-0.5 || raw > hi+0.5 || s.Value < lo || s.Value > hi {
				t.Fatalf("%s: %g (raw %g) is outside %g to %g", kind, s.Value, raw, lo, hi)
			}
		}
	}
}

func TestComtradeRefusesWhatIsNoTrace(t *testing.T) {
	var out bytes.Buffer
	if err := file.WriteComtrade(&out, &out, file.ComtradeRun{Data: "morse"}, nil, nil); err == nil || !strings.Contains(err.Error(), "BINARY32") {
		t.Errorf("unknown data: %v", err)
	}
	tr := file.Trace{Voltage: samples(0, 1, 1)}
	if err := file.WriteCFF(&out, file.ComtradeRun{}, tr.Channels(), tr.Batches()); err == nil || !strings.Contains(err.Error(), "current") {
		t.Errorf("no current: %v", err)
	}
	if out.Len() > 0 {
		t.Errorf("%d bytes were written of what was refused", out.Len())
	}
}

func TestComtradeFilesAreFoundFromEitherHalf(t *testing.T) {
	dir := t.TempDir()
	tr := file.Trace{Current: samples(0, 1_000_000, 0.1, 0.2, 4.1)}
	cfg, dat := writeComtrade(t, file.ComtradeRun{Data: file.Binary}, tr)
	for name, content := range map[string]string{"x.cfg": cfg, "x.dat": dat} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(content), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	for _, name := range []string{"x.cfg", "x.dat"} {
		got, err := file.Read(filepath.Join(dir, name), file.Options{})
		if err != nil || !reflect.DeepEqual(got.Current, tr.Current) {
			t.Errorf("%s: %v, %v", name, pairs(got.Current), err)
		}
	}
}

// A 16-bit code times its step is not always the nearest number to a decimal, and has more places than
// 16 bits hold in tenths: it goes out as the code it was.
func TestComtradeKeepsCodesOfSixteenBits(t *testing.T) {
	var tr file.Trace
	for i := range 1000 {
		tr.Current = append(tr.Current, trace.Sample{AtNS: int64(i) * 1_000_000, Value: float64(i*32-16_000) * 0.0005})
	}
	for _, kind := range comtradeKinds {
		cfg, dat := writeComtrade(t, file.ComtradeRun{Data: kind}, tr)
		got, err := comtrade(cfg, dat, file.ComtradeOptions{})
		if err != nil {
			t.Fatal(err)
		}
		for i, s := range got.Current {
			if want := tr.Current[i].Value; math.Abs(s.Value-want) > 4e-16*math.Abs(want) {
				t.Fatalf("%s: sample %d is %v, want %v:\n%s", kind, i, s.Value, want, cfg)
			}
		}
	}
}
