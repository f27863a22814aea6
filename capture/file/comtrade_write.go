package file

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"iter"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"letthrough/capture/trace"
)

// The kinds of COMTRADE data.
const (
	ASCII    = "ASCII"
	Binary   = "BINARY"
	Binary32 = "BINARY32"
	Float32  = "FLOAT32"
)

// ComtradeRun is what a COMTRADE record says beside its samples. Times are on the samples' own base.
type ComtradeRun struct {
	Data     string       // ASCII, BINARY, BINARY32 or FLOAT32; empty is ASCII
	Station  string       // where it was recorded
	Recorder string       // what recorded it
	Unit     string       // the power unit
	Started  time.Time    // time of day at time 0
	OnsetNS  *int64       // the trigger; nil: the first sample
	Marks    []trace.Mark // become status channels; withdrawn ones are left out
}

// WriteComtrade writes a configuration and its data (IEEE C37.111-1999, or -2013 where the older
// standard cannot hold it): one record an instant, times from the first. The batches are walked over
// two or three times. It gives the same samples back where they are decimals that the kind of data
// can hold; else each is rounded by at most half of 1/65534 (BINARY) or 1/4294967294 of their range,
// or to single precision (FLOAT32). Times that no common step of 32 bits can hold are rounded to one.
func WriteComtrade(cfg, dat io.Writer, run ComtradeRun, channels []trace.Channel, batches iter.Seq2[trace.Batch, error]) error {
	w, err := newComtradeWriter(run, channels, batches, false)
	if err != nil {
		return err
	}
	if _, err := cfg.Write(w.configuration()); err != nil {
		return fmt.Errorf("write configuration: %w", err)
	}
	return w.data(dat, channels, batches)
}

// WriteCFF writes both into one combined file (IEEE C37.111-2013).
func WriteCFF(out io.Writer, run ComtradeRun, channels []trace.Channel, batches iter.Seq2[trace.Batch, error]) error {
	w, err := newComtradeWriter(run, channels, batches, true)
	if err != nil {
		return err
	}
	head := "--- file type: CFG ---\r\n" + string(w.configuration()) +
		"--- file type: INF ---\r\n--- file type: HDR ---\r\n--- file type: DAT " + w.run.Data
	if w.run.Data != ASCII {
		head += fmt.Sprintf(": %d", w.plan.n*int64(w.recordSize()))
	}
	if _, err := io.WriteString(out, head+" ---\r\n"); err != nil {
		return fmt.Errorf("write CFF: %w", err)
	}
	return w.data(out, channels, batches)
}

// comtradeWriter writes the records of a plan.
type comtradeWriter struct {
	run        ComtradeRun
	plan       comtradePlan
	revision   int
	quantities []trace.Quantity
	status     []statusChannel
	marks      []markPulse // those still to come, in order of time
	unitNS     float64     // ns in one unit of a stamp
	line       []byte
}

// markPulse is a mark on the way to its status channel: 1 in the first record at or after it.
type markPulse struct {
	atNS    int64
	channel int
}

func newComtradeWriter(run ComtradeRun, channels []trace.Channel, batches iter.Seq2[trace.Batch, error], combined bool) (*comtradeWriter, error) {
	if run.Data = strings.ToUpper(run.Data); run.Data == "" {
		run.Data = ASCII
	}
	most, known := map[string]float64{ASCII: 99_999, Binary: math.MaxInt16, Binary32: math.MaxInt32, Float32: 1 << 24}[run.Data]
	if !known {
		return nil, fmt.Errorf("data %q: want ASCII, BINARY, BINARY32 or FLOAT32", run.Data)
	}
	p, err := planComtrade(channels, batches)
	if err != nil {
		return nil, err
	}
	if run.Data != ASCII && p.n > math.MaxUint32 {
		return nil, errors.New("data " + run.Data + " numbers its records in 32 bits: this trace has more, use ASCII")
	}
	w := &comtradeWriter{run: run, plan: p, revision: 1999}
	if combined || run.Data == Binary32 || run.Data == Float32 {
		w.revision = 2013
	}
	for q := range w.plan.scale {
		if !p.has[q] {
			continue
		}
		s := &w.plan.scale[q]
		w.quantities = append(w.quantities, trace.Quantity(q))
		if s.choose(most, run.Data == Float32); run.Data == ASCII && !s.exact {
			s.choose(999_999_999_999, false) // thirteen characters in 2013, six in 1999
			w.revision = 2013
		}
	}
	w.chooseStamps()
	w.chooseStatus()
	return w, nil
}

// chooseStamps finds the step that stamps count in: the one all times are multiples of, if the
// largest fits then, else the next that is 1, 2 or 5 times a power of ten.
func (w *comtradeWriter) chooseStamps() {
	span, most := w.plan.lastNS-w.plan.baseNS, int64(math.MaxUint32-1)
	step := max(w.plan.stepNS, 1)
	if w.run.Data == ASCII {
		most = 9_999_999_999 // ten characters in 1999
		if span/step > most {
			w.revision, most = 2013, 9_999_999_999_999
		}
	}
	for factor := 1; span/step > most; factor++ {
		step = int64(pow10[(factor-1)/3]) * [3]int64{1, 2, 5}[(factor-1)%3]
	}
	if w.plan.hz > 0 && span/1000 <= most { // the rate counts, and microseconds are what every reader knows
		step = 1000
	}
	w.unitNS = float64(step)
}

// chooseStatus lays out the status channels: what kinds of marks there are and by whom, and what
// flags the readings have. A name says what it is; who made a mark stands in the place of the
// circuit component.
func (w *comtradeWriter) chooseStatus() {
	for _, m := range w.run.Marks {
		if m.Withdrawn {
			continue
		}
		c := statusChannel{id: string(m.Kind), component: string(m.By)}
		i := slices.Index(w.status, c)
		if i < 0 {
			i = len(w.status)
			w.status = append(w.status, c)
		}
		w.marks = append(w.marks, markPulse{min(trace.NS(m.T), w.plan.lastNS), i})
	}
	slices.SortStableFunc(w.marks, func(a, b markPulse) int { return int(max(-1, min(1, a.atNS-b.atNS))) })
	for _, q := range w.quantities {
		// A reader takes a missing reading for a gap unless the gaps are told.
		for _, f := range []struct {
			what string
			is   bool
		}{{gapWord, w.plan.gap[q] || w.plan.missing[q]}, {overWord, w.plan.over[q]}, {belowWord, w.plan.below[q]}} {
			if f.is {
				w.status = append(w.status, statusChannel{id: q.String() + "_" + f.what})
			}
		}
	}
}

// belowWord marks a reading beyond the range, with no number, on the negative side.
const belowWord = "below"

// configuration makes the .cfg (IEEE C37.111-2013 clause 7; where -1999 ends it ends).
func (w *comtradeWriter) configuration() []byte {
	var b []byte
	line := func(format string, args ...any) { b = append(fmt.Appendf(b, format, args...), "\r\n"...) }
	line("%s,%s,%d", plainField(w.run.Station), plainField(w.run.Recorder), w.revision)
	line("%d,%dA,%dD", len(w.quantities)+len(w.status), len(w.quantities), len(w.status))
	for i, q := range w.quantities {
		s := w.plan.scale[q]
		most := strconv.FormatFloat(s.rawMax, 'f', -1, 64)
		line("%d,%s,,%s,%s,%s,%s,0,-%s,%s,1,1,P", i+1, q, plainField(w.run.Unit), q.Unit(), real(s.a), real(s.b), most, most)
	}
	for i, c := range w.status {
		line("%d,%s,,%s,0", i+1, c.id, c.component)
	}
	line("0") // no line frequency: these are DC circuits
	if w.plan.hz > 0 {
		line("1")
	} else {
		line("0")
	}
	line("%s,%d", real(w.plan.hz), w.plan.n)
	first := w.run.Started.Add(time.Duration(w.plan.baseNS))
	trigger := first
	if w.run.OnsetNS != nil {
		trigger = w.run.Started.Add(time.Duration(*w.run.OnsetNS))
	}
	const stamp = "02/01/2006,15:04:05.000000"
	line("%s", first.Format(stamp))
	line("%s", trigger.Format(stamp))
	line("%s", w.run.Data)
	line("%s", real(w.unitNS/1000))
	if w.revision >= 2013 {
		line("%s,%s", timeCode(first), timeCode(first))
		line("F,3") // the clock's quality is not known, and it knows no leap seconds (codes from memory)
	}
	return b
}

// real writes a number without an exponent: not every reader knows one.
func real(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

// timeCode writes how far local time is from UTC: 2, -5h30.
func timeCode(t time.Time) string {
	_, s := t.Zone()
	sign, m := "", s/60
	if m < 0 {
		sign, m = "-", -m
	}
	if m%60 == 0 {
		return fmt.Sprintf("%s%d", sign, m/60)
	}
	return fmt.Sprintf("%s%dh%02d", sign, m/60, m%60)
}

// plainField keeps what would end a field or a line, and what is no ASCII, out of a text.
func plainField(s string) string {
	s = strings.Map(func(r rune) rune {
		if r == ',' || r < ' ' || r > '~' {
			return '_'
		}
		return r
	}, s)
	return s[:min(len(s), 64)]
}

func (w *comtradeWriter) recordSize() int {
	width := 4
	if w.run.Data == Binary {
		width = 2
	}
	return 8 + width*len(w.quantities) + 2*((len(w.status)+15)/16)
}

// data writes the records. A run that has grown since it was planned ends where it stood then.
func (w *comtradeWriter) data(out io.Writer, channels []trace.Channel, batches iter.Seq2[trace.Batch, error]) error {
	b := bufio.NewWriterSize(out, 64<<10)
	n := int64(0)
	bits := make([]bool, len(w.status))
	for r, err := range recordsOf(channels, batches) {
		if err != nil {
			return err
		}
		n++
		w.statusOf(r, bits)
		if w.run.Data == ASCII {
			w.asciiRecord(n, r, bits)
		} else {
			w.binaryRecord(n, r, bits)
		}
		if _, err := b.Write(w.line); err != nil {
			return fmt.Errorf("write data: %w", err)
		}
		if n == w.plan.n {
			break
		}
	}
	if n != w.plan.n {
		return fmt.Errorf("write data: the trace has %d records now, %d a moment ago", n, w.plan.n)
	}
	if err := b.Flush(); err != nil {
		return fmt.Errorf("write data: %w", err)
	}
	return nil
}
