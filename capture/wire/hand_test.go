package wire_test

import (
	"fmt"
	"math"
	"path/filepath"
	"strings"
	"testing"

	"letthrough/capture/trace"
	"letthrough/capture/wire"
)

func hand(t testing.TB, arg string) *wire.Hand {
	t.Helper()
	s, err := wire.ParseSpec(arg)
	if err != nil {
		t.Fatal(err)
	}
	h, err := wire.NewHand(s)
	if err != nil {
		t.Fatal(err)
	}
	return h
}

func entryTold(r wire.Reading, err error) string {
	switch {
	case err != nil:
		return "refused: " + err.Error()
	case r.Flags&trace.Over != 0:
		return fmt.Sprintf("over %v", r.Value)
	}
	return fmt.Sprint(r.Value)
}

func TestHandReadsWhatAPersonTypes(t *testing.T) {
	for _, c := range []struct{ spec, entries, want string }{
		{"meter=hand:page", "4.51", "4.51"},
		{"meter=hand:page", "4,51", "4.51"},
		{"meter=hand:page", " 4,51 ", "4.51"},
		{"meter=hand:page", "-0,02", "-0.02"},
		{"meter=hand:page", ",5", "0.5"},
		{"meter=hand:page", "4", "4"},
		{"meter=hand:page", "4,51|", "4.51|4.51"},
		{"meter=hand:page", "4,51||", "4.51|4.51|4.51"},
		{"meter=hand:page", "", "refused: there is no reading yet that could be repeated"},
		{"meter=hand:page", "OL", "over +Inf"},
		{"meter=hand:page", "-o.l", "over -Inf"},
		{"meter=hand:page", "over", "over +Inf"},
		{"meter=hand:page", "----", "over +Inf"},
		{"meter=hand:page", "*|", "over +Inf|over +Inf"},
		{"meter=hand:page", "512 mA", "0.512"},
		{"meter=hand:page?unit=mA", "512|512 A|OL", "0.512|512|over +Inf"},
		{"meter=hand:page?fullscale=10", "10,0", "over 10"},
		{"volts=hand:page?channel=voltage", "12,3 V|3 A", "12.3|refused: a unit of another quantity than this channel's"},
		{"meter=hand:page", "4.5.1", "refused: a number with two marks: nothing may stand between its thousands"},
		{"meter=hand:page", "1.234,5", "refused: a number with two marks: nothing may stand between its thousands"},
		{"meter=hand:page", "4 51", "refused: something follows the number"},
		{"meter=hand:page", "45x", "refused: something follows the number"},
		{"meter=hand:page", "vier", "refused: no number"},
		{"meter=hand:page", "/", "refused: no number"},
		{"meter=hand:page", "4e1", "refused: a power of ten, which no display shows"},
		{"meter=hand:page", "451000000", "refused: an absurd number"},
		{"meter=hand:page", "4\x00", "refused: a byte that no line of text has"},
		{"meter=hand:page", strings.Repeat("1", 65), "refused: over 64 characters in one reading"},
		{"meter=hand:page", "4,51|lots|", "4.51|refused: no number|4.51"},
	} {
		h := hand(t, c.spec)
		var got []string
		for e := range strings.SplitSeq(c.entries, "|") {
			got = append(got, entryTold(h.Entry(e)))
		}
		if g := strings.Join(got, "|"); g != c.want {
			t.Errorf("%s, %q: %s, want %s", c.spec, c.entries, g, c.want)
		}
		refused := int64(strings.Count(c.want, "refused"))
		if n := h.Counts(); n.Garbled != refused || n.Readings != int64(len(got))-refused {
			t.Errorf("%s, %q: counts %+v", c.spec, c.entries, n)
		}
	}
}

// However lines end, each is one reading, and only an empty one repeats.
func TestHandReadsLines(t *testing.T) {
	for text, want := range map[string]string{
		"0,1\n4,5\n":       "[0.1 4.5]",
		"0,1\r\n4,5\r\n":   "[0.1 4.5]",
		"0,1\r4,5\r":       "[0.1 4.5]",
		"0,1\n\n4,5\n":     "[0.1 0.1 4.5]",
		"0,1\r\n\r\n4,5":   "[0.1 0.1]",
		"0,1\nvier\n4,5\n": "[0.1 4.5]",
	} {
		var got []float64
		for _, r := range hand(t, "meter=hand:page").Decode(nil, []byte(text)) {
			got = append(got, r.Value)
		}
		if fmt.Sprint(got) != want {
			t.Errorf("%q: %v, want %s", text, got, want)
		}
	}
}

func TestHandTakesBack(t *testing.T) {
	h := hand(t, "meter=hand:page")
	for _, e := range []string{"4,51", "45"} {
		if _, err := h.Entry(e); err != nil {
			t.Fatal(err)
		}
	}
	h.TakeBack()
	if got := entryTold(h.Entry("")); got != "4.51" {
		t.Errorf("after taking 45 back, Enter alone repeats %s", got)
	}
	if n := h.Counts().Readings; n != 2 {
		t.Errorf("%d readings", n)
	}
}

func TestHandSpec(t *testing.T) {
	for arg, want := range map[string]string{
		"meter=hand:/dev/ttyS0":            "NAME=hand:page or NAME=hand:terminal",
		"meter=hand:page?stamp=0":          "stamp",
		"meter=hand:page?stamp=soon":       "stamp",
		"meter=hand:page?checksum=xor":     "checksum is unknown to format hand",
		"meter=hand:page?averaging=nearly": "averaging",
	} {
		if _, err := wire.ParseSpec(arg); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v, want %q", arg, err, want)
		}
	}
	for arg, want := range map[string][2]float64{ // stamp, averaging, s
		"meter=hand:page":                             {trace.HandU, trace.DisplayUpdateS},
		"meter=hand:terminal":                         {1, trace.DisplayUpdateS},
		"meter=hand:page?averaging=0.25":              {trace.HandU, 0.25},
		"meter=hand:terminal?stamp=500ms&averaging=0": {0.5, 0},
		"shunt=text:/dev/ttyS0?averaging=0.1":         {0, 0.1},
	} {
		s, err := wire.ParseSpec(arg)
		if err != nil {
			t.Fatal(err)
		}
		var set trace.Settings
		s.Apply(&set)
		if set.StampUS != want[0] || set.AveragingS == nil || *set.AveragingS != want[1] {
			t.Errorf("%s: stamp %g, averaging %v; want %v", arg, set.StampUS, set.AveragingS, want)
		}
	}
}

// FuzzHand: lines cut anywhere give the same readings; each is a believable number or over-range, and
// every line is a reading or garbled.
func FuzzHand(f *testing.F) {
	f.Fuzz(func(t *testing.T, text []byte, cut uint16) {
		whole, parts := hand(t, "meter=hand:page"), hand(t, "meter=hand:page")
		a := whole.Decode(nil, text)
		n := int(cut) % (len(text) + 1)
		b := parts.Decode(parts.Decode(nil, text[:n]), text[n:])
		if len(a) != len(b) || whole.Counts() != parts.Counts() {
			t.Fatalf("%q cut at %d: %d readings %+v, whole %d %+v", text, n, len(b), parts.Counts(), len(a), whole.Counts())
		}
		for i, r := range a {
			if r.Value != b[i].Value || math.IsNaN(r.Value) || r.Flags&trace.Over == 0 && math.Abs(r.Value) > 1e5 {
				t.Fatalf("%q: reading %d is %v, cut %v", text, i, r.Value, b[i].Value)
			}
		}
		if c := whole.Counts(); c.Readings != int64(len(a)) || c.Garbled > 0 && c.LastReason == "" {
			t.Fatalf("%q: %d readings, counts %+v", text, len(a), c)
		}
	})
}

func TestHandSeedsAreThere(t *testing.T) {
	if seeds, err := filepath.Glob("testdata/fuzz/FuzzHand/*"); err != nil || len(seeds) < 4 {
		t.Fatalf("%d seeds, %v", len(seeds), err)
	}
}
