package web

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/chromedp/chromedp"

	"letthrough/capture"
	"letthrough/capture/file"
	"letthrough/capture/trace"
)

// The chirp that the page sounds is the one that the program finds: what the browser's own script makes is
// put into noise and looked for.
func TestBrowserChirpIsFoundInARecording(t *testing.T) {
	ts := newTestServer(t)
	tb := openTab(t, 1440, 900)
	tb.open(ts.url)
	for _, rate := range []int{44100, 48000} {
		for k, want := range []float64{0.25, 0.75, 2} {
			samples := eval[[]float64](tb, fmt.Sprintf(`import("/assets/scripts/tones.js").then((m) => [...m.samplesOf(m.CHIRPS[%d].notes, %d, 0.05)])`, k, rate))
			rnd := rand.New(rand.NewPCG(uint64(k), 3))
			var wav bytes.Buffer
			n := 2 * rate
			wav.WriteString("RIFF")
			for _, v := range []any{uint32(36 + 4*n), []byte("WAVEfmt "), uint32(16), uint16(3), uint16(1), uint32(rate), uint32(4 * rate), uint16(4), uint16(32), []byte("data"), uint32(4 * n)} {
				_ = binary.Write(&wav, binary.LittleEndian, v)
			}
			for i := range n {
				v := 0.1 * rnd.NormFloat64()
				if j := i - rate; j >= 0 && j < len(samples) {
					v += samples[j]
				}
				_ = binary.Write(&wav, binary.LittleEndian, float32(v))
			}
			c, err := file.FindChirp(&wav)
			if err != nil || math.Abs(c.AtS-1) > 0.001 || c.AfterS != want {
				t.Errorf("%d Hz, chirp %d: found %+v, %v; it is at 1 s, %g s after the onset", rate, k, c, err, want)
			}
		}
	}
}

func TestBrowserSoundsAtWhatHappens(t *testing.T) {
	ts := newTestServer(t)
	tb := openTab(t, 1440, 900)
	tb.open(ts.url)
	tb.until("the page", `globalThis.letthrough?.model.state`)
	tb.press("s")
	tb.until("the switches", `document.querySelector("#sounds-dialog[open]")`)
	tb.shot("sounds")
	tb.mustBeAccessible("Bench, sounds")
	for _, id := range []string{"onset", "cut_off", "retry_on", "countdown"} {
		tb.do(chromedp.Click(chromedp.CSS("#sound-" + id)))
	}
	tb.until("something to be heard", `letthrough.sounds.played.some((p) => p.name === "cut_off tried") && letthrough.sounds.context.state === "running"`)
	tb.press("\x1b")
	if got := eval[string](tb, `document.querySelector("#show-sounds").textContent`); got != "Sounds: 5 on S" {
		t.Errorf("the button says %q", got)
	}

	// Opened again in the middle of a run, it keeps its switches and is silent about what is past.
	armTin(ts.bench)
	playTin(ts.bench, 3, 1)
	tb.open(ts.url)
	tb.until("the cut-off to be shown", `document.querySelector("#events [data-kind=cut_off]") && document.querySelector("#sound-onset").checked`)
	if n := eval[int](tb, `letthrough.sounds.played.length`); n != 0 {
		t.Errorf("%d sounds of what had happened before", n)
	}
	tb.press("?") // sound is allowed after a first key
	tb.press("\x1b")
	tb.until("sound to be allowed", `letthrough.sounds.context?.state === "running"`)

	// Marks as they come: an onset heard at once is followed by its chirp after a quarter of a second.
	now := eval[float64](tb, `letthrough.sounds.aheadS + performance.now() / 1000`)
	zero := int64((now + 1) * 1e9)
	ts.bench.setState(func(s *capture.State) { s.NowAtS = now + 1 })
	tb.until("the bench's clock", fmt.Sprintf(`letthrough.sounds.aheadS + performance.now() / 1000 > %g`, now+0.95))
	mark := func(id int, kind trace.MarkKind) {
		ts.bench.publish(capture.Event{Kind: capture.EventMark, Run: 3, AtNS: zero, OpenedNS: int64(104.9e9), ZeroNS: &zero, Mark: &trace.Mark{ID: id, Kind: kind, Provisional: true, By: trace.Detector}})
	}
	mark(90, trace.Onset)
	tb.until("the chirp", `letthrough.sounds.played.some((p) => p.name.startsWith("onset"))`)
	if got := eval[float64](tb, `(() => { const p = letthrough.sounds.played.find((p) => p.name.startsWith("onset")), after = {"onset up": 0.25, "onset down": 0.75, "onset up and down": 2}[p.name]; return p.atMS / 1000 - after + letthrough.sounds.aheadS; })()`); math.Abs(got-float64(zero)/1e9) > 0.05 {
		t.Errorf("the chirp says that the onset was at %.3f s, it was at %.3f s", got, float64(zero)/1e9)
	}
	mark(91, trace.CutOff)
	mark(92, trace.RetryOn)
	tb.until("the tones", `["cut_off", "retry_on"].every((name) => letthrough.sounds.played.some((p) => p.name === name))`)
	tb.mustBeClean()
}
