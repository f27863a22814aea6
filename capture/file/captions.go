package file

import (
	"bufio"
	"cmp"
	"fmt"
	"io"
	"iter"
	"math"
	"slices"
	"strconv"
	"strings"

	"letthrough/capture/trace"
)

// CaptionOptions say how a run becomes captions to lay over the video of its test.
type CaptionOptions struct {
	RateHz  float64 // cues a second, over 0 and at most 60; 0 is 5
	OffsetS float64 // where in the video the run's first kept sample is, seconds
	// Phase gives the words for a phase; nil: signs that need no language.
	Phase func(trace.Phase) string
	// StepA is the instrument's display count in amperes: readings are written to it. 0 is 0.001.
	StepA float64
}

// Limits of the options.
const (
	maxCaptionHz     = 60
	maxCaptionOffset = 360_000 // seconds: a hundred hours
)

// phaseSigns say a phase without words: current is there, held, gone, or back.
var phaseSigns = map[trace.Phase]string{
	trace.Idle: "", trace.Fault: "I \u2191", trace.Limiting: "I \u2192", trace.Off: "I \u2193", trace.Retry: "I \u21bb",
}

// cue is one caption. Times are nanoseconds in the video.
type cue struct {
	fromNS, toNS int64
	text         string
}

// WriteWebVTT writes captions as WebVTT (W3C). The time of a cue is rounded to the millisecond.
func WriteWebVTT(w io.Writer, rec trace.Recording, opt CaptionOptions) error {
	return writeCues(w, rec, opt, "WEBVTT\n\n", '.', strings.NewReplacer("&", "&amp;", "<", "&lt;", ">", "&gt;"))
}

// WriteSubRip writes the same captions as SubRip: a comma before the milliseconds, numbers from 1.
func WriteSubRip(w io.Writer, rec trace.Recording, opt CaptionOptions) error {
	return writeCues(w, rec, opt, "", ',', strings.NewReplacer())
}

// Validate says what is out of range, or nil.
func (opt CaptionOptions) Validate() error {
	if opt.RateHz != 0 && !(opt.RateHz > 0 && opt.RateHz <= maxCaptionHz) {
		return fmt.Errorf("captions: %g a second is out of range, allowed is over 0 to %d", opt.RateHz, maxCaptionHz)
	}
	if !(math.Abs(opt.OffsetS) <= maxCaptionOffset) {
		return fmt.Errorf("captions: an offset of %g s is out of range, allowed is up to %d s either way", opt.OffsetS, maxCaptionOffset)
	}
	return nil
}

func writeCues(w io.Writer, rec trace.Recording, opt CaptionOptions, head string, point byte, escape *strings.Replacer) error {
	if err := opt.Validate(); err != nil {
		return err
	}
	if opt.RateHz == 0 {
		opt.RateHz = 5
	}
	b := bufio.NewWriterSize(w, 64<<10)
	b.WriteString(head) // the writer keeps the first error until Flush
	n := 0
	var line []byte
	for c, err := range cuesOf(rec, opt) {
		if err != nil {
			return err
		}
		from, to := milliseconds(c.fromNS), milliseconds(c.toNS)
		if from = max(from, 0); to <= from {
			continue
		}
		n++
		line = strconv.AppendInt(line[:0], int64(n), 10)
		line = append(line, '\n')
		line = appendCueTime(line, from, point)
		line = append(line, " --> "...)
		line = appendCueTime(line, to, point)
		line = append(line, '\n')
		line = append(line, escape.Replace(c.text)...)
		line = append(line, "\n\n"...)
		b.Write(line)
	}
	if err := b.Flush(); err != nil {
		return fmt.Errorf("write captions: %w", err)
	}
	return nil
}

// milliseconds rounds half up, in whole numbers.
func milliseconds(ns int64) int64 {
	ms := ns / 1e6
	if rest := ns % 1e6; rest >= 5e5 {
		ms++
	} else if rest < -5e5 {
		ms--
	}
	return ms
}

// appendCueTime writes hh:mm:ss.ttt; hours take as many digits as they need, at least two.
func appendCueTime(b []byte, ms int64, point byte) []byte {
	return fmt.Appendf(b, "%02d:%02d:%02d%c%03d", ms/3_600_000, ms/60_000%60, ms/1000%60, point, ms%1000)
}

// cuesOf gives the captions of a run: a new one at every tick of the rate and at every change of
// phase, the same text following itself in one. A cue shows the reading furthest from zero that fell
// into it, so that no peak goes unseen; where none fell into it, the last one before.
func cuesOf(rec trace.Recording, opt CaptionOptions) iter.Seq2[cue, error] {
	return func(yield func(cue, error) bool) {
		m := cueMaker{opt: opt, offset: trace.NS(opt.OffsetS), places: placesOf(opt.StepA)}
		channel, ok := firstOfEach(rec.Channels)[trace.Current]
		if !ok {
			yield(cue{}, &Error{File: "captions", Want: "want a run with samples of the current", Got: "none"})
			return
		}
		for b, err := range rec.Batches {
			if err != nil {
				yield(cue{}, err)
				return
			}
			if b.Channel != channel {
				continue
			}
			for _, s := range b.Samples {
				if !m.begun {
					m.begin(s.AtNS, rec.End.Derivation.Marks)
				}
				if !m.until(s.AtNS, yield) {
					return
				}
				m.take(s)
			}
		}
		if m.begun && m.close(m.end(), yield) && m.waiting.text != "" {
			yield(m.waiting, nil)
		}
	}
}

// cueMaker makes captions of samples that come in order.
type cueMaker struct {
	opt     CaptionOptions
	offset  int64
	places  int
	begun   bool
	zero    int64 // the first sample's time
	tick    int64 // number of the next tick
	phases  []trace.Stretch
	phase   trace.Phase
	from    int64
	latest  int64
	shown   trace.Sample
	held    trace.Sample // the last one
	some    bool         // a sample fell into this cue
	waiting cue
}

func (m *cueMaker) begin(at int64, marks []trace.Mark) {
	m.begun, m.zero, m.from, m.latest, m.phase, m.tick = true, at, at, at, trace.Idle, 1
	marks = slices.Clone(marks)
	slices.SortStableFunc(marks, func(a, b trace.Mark) int { return cmp.Compare(a.T, b.T) })
	m.phases = trace.Phases(marks, float64(at)/1e9, math.MaxInt64/1e9)
	m.nextPhase(at)
}

func (m *cueMaker) nextPhase(at int64) {
	for len(m.phases) > 0 && trace.NS(m.phases[0].From) <= at {
		m.phase, m.phases = m.phases[0].Phase, m.phases[1:]
	}
}

// until closes every cue that ends at or before an instant.
func (m *cueMaker) until(at int64, yield func(cue, error) bool) bool {
	for {
		end := m.zero + trace.NS(float64(m.tick)/m.opt.RateHz)
		if len(m.phases) > 0 {
			end = min(end, trace.NS(m.phases[0].From))
		}
		if end > at {
			return true
		}
		if !m.close(end, yield) {
			return false
		}
		for m.zero+trace.NS(float64(m.tick)/m.opt.RateHz) <= end {
			m.tick++
		}
		m.nextPhase(end)
	}
}

// close ends the cue at an instant and hands over the one before unless both say the same.
func (m *cueMaker) close(end int64, yield func(cue, error) bool) bool {
	c := cue{fromNS: m.from - m.zero + m.offset, toNS: end - m.zero + m.offset, text: m.text()}
	m.from, m.some = end, false
	switch {
	case c.toNS <= c.fromNS:
	case c.text == m.waiting.text:
		m.waiting.toNS = c.toNS
	default:
		before := m.waiting
		m.waiting = c
		return before.text == "" || yield(before, nil)
	}
	return true
}

// end is when the last cue ends: at the last sample, or after a whole tick where it began there.
func (m *cueMaker) end() int64 {
	if m.latest > m.from {
		return m.latest
	}
	return m.zero + trace.NS(float64(m.tick)/m.opt.RateHz)
}

func (m *cueMaker) take(s trace.Sample) {
	if math.IsNaN(s.Value) {
		return
	}
	if !m.some || math.Abs(s.Value) > math.Abs(m.shown.Value) {
		m.shown = s
	}
	m.some, m.held, m.latest = true, s, max(m.latest, s.AtNS)
}

func (m *cueMaker) text() string {
	s := m.held
	if m.some {
		s = m.shown
	}
	reading := "I > max"
	if !math.IsInf(s.Value, 0) {
		reading = strconv.FormatFloat(s.Value, 'f', m.places, 64) + " A"
		if s.Flags&trace.Over != 0 {
			reading = "\u2265 " + reading
		}
	}
	phase := phaseSigns[m.phase]
	if m.opt.Phase != nil {
		phase = m.opt.Phase(m.phase)
	}
	// An empty line or an arrow would end a cue.
	phase = strings.ReplaceAll(strings.Join(strings.Fields(phase), " "), "-->", "->")
	if phase == "" {
		return reading
	}
	return reading + "\n" + phase
}

// placesOf gives the decimal places that a step needs: 3 for 0.001 and for 0.002.
func placesOf(step float64) int {
	if !(step > 0) {
		return 3
	}
	return max(0, min(6, int(math.Ceil(-math.Log10(step)-1e-9))))
}
