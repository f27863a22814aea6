package file_test

import (
	"errors"
	"math"
	"math/big"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"letthrough/capture/file"
	"letthrough/capture/trace"
)

func frameRate(t testing.TB, name string) file.FrameRate {
	t.Helper()
	r, err := file.ParseFrameRate(name)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func notes(t testing.TB, fps, text string) (file.Trace, error) {
	t.Helper()
	return file.ReadTimecode(strings.NewReader(text), "tin.txt", frameRate(t, fps))
}

// The instants of labels, as exact fractions. Drop-frame rule: SMPTE ST 12-1, from memory; that 01:05:00;02
// follows 01:04:59;29, and that an hour's labels are 108 fewer than 30 a second give, is printed in several
// descriptions of it.
func TestTimecodeTellsTheInstant(t *testing.T) {
	for _, c := range []struct {
		fps, code string
		num, den  int64 // s
	}{
		{"25", "00:00:00:00", 0, 1},
		{"25", "00:00:01:00", 1, 1},
		{"25", "00:01:12:07", 72*25 + 7, 25},
		{"24", "01:00:00:12", 3600*24 + 12, 24},
		{"30", "00:00:10:15", 21, 2},
		{"50", "00:00:00:49", 49, 50},
		{"60", "23:59:59:59", 86400*60 - 1, 60},
		{"23.976", "00:00:01:00", 24 * 1001, 24000},
		{"29.97", "01:00:00:00", 108000 * 1001, 30000}, // without dropping: 3603.6 s
		{"29.97", "01:00:00;00", 107892 * 1001, 30000}, // dropping: 108 labels fewer
		{"29.97", "00:00:59;29", 1799 * 1001, 30000},
		{"29.97", "00:01:00;02", 1800 * 1001, 30000},
		{"29.97", "01:04:59;29", (107892 + 1800 + 4*1798 - 1) * 1001, 30000},
		{"29.97", "01:05:00;02", (107892 + 1800 + 4*1798) * 1001, 30000},
		{"29.97", "00:09:59;29", (10*1800 - 9*2 - 1) * 1001, 30000},
		{"29.97", "00:10:00;00", (10*1800 - 9*2) * 1001, 30000},
		{"59.94", "00:00:59;59", 3599 * 1001, 60000},
		{"59.94", "00:01:00;04", 3600 * 1001, 60000},
		{"25", "1:2:3:4", (3723*25 + 4), 25},
	} {
		got, err := frameRate(t, c.fps).Parse(c.code)
		want, _ := new(big.Rat).Mul(big.NewRat(c.num, c.den), big.NewRat(1e9, 1)).Float64()
		if err != nil || got != int64(math.Round(want)) {
			t.Errorf("%s at %s: %d ns, %v; want %.0f", c.code, c.fps, got, err, want)
		}
	}
}

// Every label that drop-frame counting has names the frame after the one before it, over a day.
func TestDropFrameLabelsFollowEachOther(t *testing.T) {
	for _, c := range []struct {
		fps        string
		frames     int
		drop, rate int
	}{{"29.97", 30, 2, 30000}, {"59.94", 60, 4, 60000}} {
		r := frameRate(t, c.fps)
		n := int64(0)
		for m := range 3 * 60 {
			for s := range 60 {
				for f := range c.frames {
					code := strings.Join([]string{two(m / 60), two(m % 60), two(s)}, ":") + ";" + two(f)
					got, err := r.Parse(code)
					if s == 0 && f < c.drop && m%10 != 0 {
						if err == nil {
							t.Fatalf("%s: there is no such frame, and it was read as %d ns", code, got)
						}
						continue
					}
					want, _ := new(big.Rat).Mul(big.NewRat(n*1001, int64(c.rate)), big.NewRat(1e9, 1)).Float64()
					if err != nil || math.Abs(float64(got)-want) > 1 {
						t.Fatalf("%s is %d ns, %v; want frame %d", code, got, err, n)
					}
					n++
				}
			}
		}
	}
}

func two(n int) string { return string([]byte{'0' + byte(n/10), '0' + byte(n%10)}) }

func TestReadTimecode(t *testing.T) {
	for name, c := range map[string]struct{ fps, text, want string }{
		"blanks":          {"25", "00:00:00:00 0.00\n00:00:02:05   4.51\n", "0 0; 2200000000 4.51"},
		"tab":             {"25", "00:00:01:00\t4.5\n", "1000000000 4.5"},
		"comma":           {"25", "00:00:01:00,4.5\n", "1000000000 4.5"},
		"comma twice":     {"25", "00:00:01:00,4,5\n", "1000000000 4.5"},
		"semicolon":       {"25", "00:00:01:00;4,5\r\n", "1000000000 4.5"},
		"dropped":         {"29.97", "00:01:00;02; 4,5\n", "60060000000 4.5"},
		"heading":         {"25", "# Tin, second try\nTime code;Current\n\n00:00:01:00;4,5 # it jumped\n", "1000000000 4.5"},
		"heading in mA":   {"25", "time,current (mA)\n00:00:01:00,512.3\n", "1000000000 0.5123"},
		"unit":            {"25", "00:00:01:00 512.3 mA\n00:00:02:00 4 A\n", "1000000000 0.5123; 2000000000 4"},
		"over":            {"25", "00:00:01:00 OL\n00:00:02:00 -OL\n00:00:03:00 ----\n", "1000000000 +Inf f1; 2000000000 -Inf f1; 3000000000 +Inf f1"},
		"goes back":       {"25", "00:00:02:00 1\n00:00:01:00 2\n", "2000000000 1; 1000000000 2"},
		"past midnight":   {"25", "23:59:59:00 1\n00:00:01:00 2\n", "86399000000000 1; 86401000000000 2"},
		"byte-order mark": {"25", "\xef\xbb\xbf00:00:01:00 4.5", "1000000000 4.5"},
	} {
		t.Run(name, func(t *testing.T) {
			got, err := notes(t, c.fps, c.text)
			if err != nil || pairs(got.Current) != c.want {
				t.Errorf("%q: %s, %v; want %s", c.text, pairs(got.Current), err, c.want)
			}
		})
	}
	got, err := notes(t, "25", "00:00:01:00 4,51\n00:00:02:00 4,5\n")
	if err != nil || got.ResolutionA != 0.01 {
		t.Errorf("display count %g, %v; want 0.01 A", got.ResolutionA, err)
	}
}

// What is no note is refused with file, line, what was expected and what stood there.
func TestReadTimecodeRefuses(t *testing.T) {
	for name, c := range map[string]struct{ fps, text, want string }{
		"too many frames": {"25", "00:00:01:24 1\n00:00:01:25 1\n", `tin.txt, line 2: want frames 00 to 24 at 25 frames a second, got "00:00:01:25 1"`},
		"minutes":         {"25", "00:60:01:24 1\n", `tin.txt, line 1: want minutes 00 to 59`},
		"hours":           {"25", "24:00:01:24 1\n", `tin.txt, line 1: want hours 00 to 23`},
		"no frames":       {"25", "00:00:01 1\n", `tin.txt, line 1: want a time code hh:mm:ss:ff, got "00:00:01 1"`},
		"dropped frame":   {"29.97", "00:01:00;01 1\n", `tin.txt, line 1: want a frame from 02 on`},
		"drop at 25":      {"25", "00:01:00;05 1\n", `tin.txt, line 1: want : before the frames: at 25 frames a second no frame numbers are dropped`},
		"both kinds":      {"29.97", "00:01:01;05 1\n00:01:02:05 1\n", `tin.txt, line 2: want the one kind of time code`},
		"no current":      {"25", "00:00:01:05\n", `tin.txt, line 1: want a current after the time code, got nothing`},
		"word":            {"25", "00:00:01:05 4.5\n00:00:02:05 lots\n", `tin.txt, line 2: want a current after the time code, got "lots"`},
		"two numbers":     {"25", "00:00:01:05 4.5 3\n", `want a current after the time code, got "4.5 3"`},
		"absurd":          {"25", "00:00:01:05 4500000\n", `want a current of at most 100000 A`},
		"second heading":  {"25", "time current\nagain\n00:00:01:05 4.5\n", `tin.txt, line 2: want a time code`},
		"empty":           {"25", "# nothing\n", `tin.txt: want lines such as`},
		"no text":         {"25", "\x00\x01\x02", `tin.txt, line 1: want a time code and a current, or a heading`},
		"long line":       {"25", strings.Repeat("x", 5000), `tin.txt, line 1: want a time code and a current, got over 4096 bytes`},
	} {
		t.Run(name, func(t *testing.T) {
			got, err := notes(t, c.fps, c.text)
			if err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("%q: %v, %s; want %q", c.text, err, pairs(got.Current), c.want)
			}
		})
	}
	if _, err := file.ParseFrameRate("26"); err == nil || !strings.Contains(err.Error(), "23.976, 24, 25, 29.97, 30, 50, 59.94, 60") {
		t.Errorf("26 frames a second: %v", err)
	}
}

// FuzzReadTimecode: whatever is read are finite times from 0 on and believable currents, and whatever is
// refused is refused with a *file.Error of one line.
func FuzzReadTimecode(f *testing.F) {
	f.Fuzz(func(t *testing.T, rate uint8, text []byte) {
		names := []string{"23.976", "24", "25", "29.97", "30", "50", "59.94", "60"}
		got, err := notes(t, names[int(rate)%len(names)], string(text))
		if err != nil {
			var e *file.Error
			if !errors.As(err, &e) || strings.ContainsAny(err.Error(), "\n\x00") {
				t.Fatalf("%q is no *file.Error of one line", err)
			}
			return
		}
		if len(got.Current) == 0 || len(got.Current) > strings.Count(string(text), "\n")+1 {
			t.Fatalf("%d readings of %q", len(got.Current), text)
		}
		for _, s := range got.Current {
			if s.AtNS < 0 || math.IsNaN(s.Value) || s.Flags&trace.Over == 0 && math.Abs(s.Value) > 1e5 {
				t.Fatalf("%+v of %q", s, text)
			}
		}
	})
}

// The seeds are there: an empty folder would test nothing.
func TestTimecodeSeedsAreThere(t *testing.T) {
	seeds, err := filepath.Glob("testdata/fuzz/FuzzReadTimecode/*")
	if err != nil || len(seeds) < 4 {
		t.Fatalf("%d seeds, %v", len(seeds), err)
	}
}

// The example on the help page is read as the page says.
func TestHelpPageTellsTheTruthAboutNotes(t *testing.T) {
	text, err := os.ReadFile("../../static/help/files.md")
	if err != nil {
		t.Fatal(err)
	}
	example := regexp.MustCompile("(?s)```notes\n(.*?)```").FindSubmatch(text)
	if example == nil {
		t.Fatal("the example is gone")
	}
	got, err := notes(t, "25", string(example[1]))
	if want := "70000000000 0; 72280000000 4.51; 74400000000 +Inf f1; 76000000000 0"; err != nil || pairs(got.Current) != want {
		t.Errorf("reads as %s, %v; want %s", pairs(got.Current), err, want)
	}
}
