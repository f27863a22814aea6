package file_test

import (
	"bytes"
	"fmt"
	"math"
	"regexp"
	"strings"
	"testing"

	"letthrough/capture/file"
	"letthrough/capture/trace"
)

// recording makes a run of samples of the current.
func recording(s []trace.Sample, marks ...trace.Mark) trace.Recording {
	tr := file.Trace{Current: s}
	rec := trace.Recording{Channels: tr.Channels(), Batches: tr.Batches()}
	rec.End.Derivation.Marks = marks
	return rec
}

func captions(t *testing.T, rec trace.Recording, opt file.CaptionOptions) (vtt, srt string) {
	t.Helper()
	var a, b bytes.Buffer
	if err := file.WriteWebVTT(&a, rec, opt); err != nil {
		t.Fatal(err)
	}
	if err := file.WriteSubRip(&b, rec, opt); err != nil {
		t.Fatal(err)
	}
	return a.String(), b.String()
}

func TestCaptionsShowReadingAndPhase(t *testing.T) {
	rec := recording(samples(7_000_000_000, 100_000_000, 0, 0.001, 4.2, 4.1, 4.1, 0, 0, 0),
		trace.Mark{Kind: trace.CutOff, T: 7.45}, trace.Mark{Kind: trace.Onset, T: 7.15}, trace.Mark{Kind: trace.RetryOn, T: 7.3, Withdrawn: true})
	vtt, srt := captions(t, rec, file.CaptionOptions{RateHz: 2, Phase: func(p trace.Phase) string { return "<" + string(p) + ">" }})
	want := "WEBVTT\n\n1\n00:00:00.000 --> 00:00:00.150\n0.001 A\n&lt;idle&gt;\n\n" +
		"2\n00:00:00.150 --> 00:00:00.450\n4.200 A\n&lt;fault&gt;\n\n" +
		"3\n00:00:00.450 --> 00:00:00.500\n4.100 A\n&lt;off&gt;\n\n" + // no reading fell into it: the last one stands
		"4\n00:00:00.500 --> 00:00:00.700\n0.000 A\n&lt;off&gt;\n\n"
	if vtt != want {
		t.Errorf("WebVTT\n%s\nwant\n%s", vtt, want)
	}
	same := regexp.MustCompile(`(\d)\.(\d{3})( -->|\n)`).ReplaceAllString(strings.TrimPrefix(want, "WEBVTT\n\n"), "$1,$2$3")
	same = strings.NewReplacer("&lt;", "<", "&gt;", ">").Replace(same)
	if srt != same {
		t.Errorf("SubRip\n%s\nwant\n%s", srt, same)
	}
}

// Vectors of the carry: 74.815 s, 0.9996 s, 3 599 999 500 us and 360 000 s. Formats: W3C WebVTT
// (hours two digits or more, three digits of milliseconds after a full stop); SubRip as the archivists'
// description of the format has it (no standard exists).
func TestCaptionTimesCarry(t *testing.T) {
	for _, c := range []struct {
		ns   int64
		want string
	}{{74_815_000_000, "00:01:14.815"}, {999_600_000, "00:00:01.000"}, {3_599_999_500_000, "01:00:00.000"}, {359_999_999_600_000, "100:00:00.000"}} {
		rec := recording([]trace.Sample{{AtNS: 0, Value: 1}, {AtNS: c.ns, Value: 1}})
		vtt, srt := captions(t, rec, file.CaptionOptions{})
		if want := " --> " + c.want + "\n"; !strings.Contains(vtt, want) {
			t.Errorf("%d ns in WebVTT: %s, want %s", c.ns, vtt, want)
		}
		if want := " --> " + strings.Replace(c.want, ".", ",", 1) + "\n"; !strings.Contains(srt, want) {
			t.Errorf("%d ns in SubRip: %s, want %s", c.ns, srt, want)
		}
	}
}

func TestCaptionsMoveWithTheirOffset(t *testing.T) {
	rec := recording(samples(0, 1_000_000_000, 1, 2, 3))
	for offset, want := range map[float64][]string{
		61.5: {"00:01:01.500 --> 00:01:02.500\n1.0 A", "00:01:02.500 --> 00:01:03.500\n2.0 A", "00:01:03.500 --> 00:01:04.500\n3.0 A"},
		-1.5: {"00:00:00.000 --> 00:00:00.500\n2.0 A", "00:00:00.500 --> 00:00:01.500\n3.0 A"}, // what lies before the video is not shown
	} {
		vtt, _ := captions(t, rec, file.CaptionOptions{OffsetS: offset, StepA: 0.1, RateHz: 1})
		for _, w := range want {
			if !strings.Contains(vtt, w) {
				t.Errorf("offset %g: %s, want %q", offset, vtt, w)
			}
		}
		if got := strings.Count(vtt, "-->"); got != len(want) {
			t.Errorf("offset %g: %d cues, want %d", offset, got, len(want))
		}
	}
}

func TestCaptionsWithoutALanguage(t *testing.T) {
	rec := recording([]trace.Sample{{AtNS: 0, Value: math.Inf(1), Flags: trace.Over}, {AtNS: 1e9, Value: 10, Flags: trace.Over}, {AtNS: 2e9}, {AtNS: 3e9}},
		trace.Mark{Kind: trace.Onset, T: 0})
	vtt, _ := captions(t, rec, file.CaptionOptions{RateHz: 1, StepA: 0.01})
	for _, want := range []string{"I &gt; max\nI \u2191\n", "\u2265 10.00 A\nI \u2191\n"} {
		if !strings.Contains(vtt, want) {
			t.Errorf("%s\nwant %q", vtt, want)
		}
	}
}

// A peak of one sample is in the captions at any rate, and cues follow each other without overlap.
func TestCaptionsHideNoPeak(t *testing.T) {
	s := samples(0, 1_000_000, make([]float64, 10_000)...)
	s[4321].Value = 9.999
	for _, hz := range []float64{0.1, 1, 5, 25, 29.97, 60} {
		vtt, _ := captions(t, recording(s), file.CaptionOptions{RateHz: hz})
		if !strings.Contains(vtt, "9.999 A") {
			t.Errorf("at %g a second the peak is gone", hz)
		}
		times := regexp.MustCompile(`(\S+) --> (\S+)`).FindAllStringSubmatch(vtt, -1)
		for i, m := range times {
			if m[1] >= m[2] || i > 0 && times[i-1][2] != m[1] {
				t.Fatalf("at %g a second cue %d is %s", hz, i, m[0])
			}
		}
	}
}

func TestCaptionsRefuse(t *testing.T) {
	var out bytes.Buffer
	for want, opt := range map[string]file.CaptionOptions{"61 a second": {RateHz: 61}, "NaN a second": {RateHz: math.NaN()}, "offset of +Inf": {OffsetS: math.Inf(1)}} {
		if err := file.WriteWebVTT(&out, recording(samples(0, 1, 1)), opt); err == nil || !strings.Contains(fmt.Sprint(err), want) {
			t.Errorf("%+v: %v, want %q", opt, err, want)
		}
	}
	if err := file.WriteSubRip(&out, trace.Recording{}, file.CaptionOptions{}); err == nil {
		t.Error("a run without current has captions")
	}
	if out.Len() > 0 {
		t.Errorf("%d bytes of what was refused", out.Len())
	}
}
