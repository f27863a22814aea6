package wire

import (
	"bytes"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"letthrough/capture/trace"
)

// The scpi format: an instrument that is asked for every reading in the manner of IEEE 488.2 and
// SCPI-1999, over a serial line.
//
// It is greeted (*IDN?), set up, asked for what it has to complain of (SYSTem:ERRor?), and then asked for
// readings as fast as it answers. After an answer that is broken or late the line is left to fall quiet
// and the instrument is greeted again: whatever comes before the greeting's answer is an answer to an
// older question and no reading.

const (
	defaultQuery   = "MEAS:CURR:DC?"
	scpiTimeoutNS  = 2e9
	scpiQuietNS    = 200e6
	maxErrors      = 20  // of the instrument's queue, read at a time
	maxAnswer      = 512 // bytes of one answer
	maxSetup       = 32  // lines
	mostDoubts     = 3   // answers to greetings in a row that are taken for older questions
	silentGreeting = 3   // greetings without an answer before the set-up is done anew
)

func scpiFormat() Format {
	return Format{
		Name:   "scpi",
		About:  "bench instruments with commands in the manner of SCPI: asked for every reading",
		Polled: true,
		Options: []Option{
			{"query", defaultQuery, "a query that ends in ?", "what is asked for every reading"},
			{"setup", "none", "commands, such as *RST|CONF:CURR 10", "lines that are sent once after *IDN?, and again after the port was reopened"},
			{"current", "the only number of the answer", "1 to 32", "which number of the answer is the current"},
			{"voltage", "none", "1 to 32", "which number of the answer is the voltage"},
			{"end", "lf", "lf, crlf, cr", "what ends a line that is sent"},
			{"timeout", "2 s", "0.05 to 60 seconds", "how long an answer may take"},
		},
		New: func(s Spec) (Decoder, error) { return newSCPI(s) },
	}
}

// step is where the conversation stands.
type step uint8

const (
	greet   step = iota // *IDN?
	prepare             // the set-up lines
	inquire             // SYSTem:ERRor?
	measure
	again // *IDN? after something broken: its answer tells where the line stands
)

type scpi struct {
	poll
	query    string
	setup    []string
	lineEnd  string
	channels []trace.Quantity
	field    []int // of the answer, from 0, by channel
	fields   int   // that an answer must have; 0: as many as the first one had
	needed   int
	shift    []int

	step      step
	line      int // of the set-up
	sent      string
	silent    int  // greetings without answer
	noIDN     bool // it does not know *IDN?
	noErrors  bool // it does not know SYSTem:ERRor?
	errorsN   int
	complaint []string
	identity  string
	doubts    int // answers to greetings in a row that were believed to be others

	fullScale float64
	scaleOf   trace.Quantity
	carry     []byte
	long      bool
	counts    Counts
	missed    int
	gap       bool
	scratch   [maxNumber + 16]byte
}

func newSCPI(s Spec) (*scpi, error) {
	d := &scpi{query: defaultQuery, lineEnd: "\n", fullScale: s.FullScale, scaleOf: s.Channel}
	d.poll = poll{timeoutNS: scpiTimeoutNS, quietNS: scpiQuietNS}
	if err := d.setTimeout(s, 0.05, 60); err != nil {
		return nil, err
	}
	if q, ok := s.Options["query"]; ok {
		if !command(q) || !strings.HasSuffix(strings.TrimSpace(q), "?") && !strings.Contains(q, "? ") {
			return nil, optionError("query", q, "a query such as "+defaultQuery)
		}
		d.query = q
	} else if s.Channel == trace.Voltage {
		d.query = "MEAS:VOLT:DC?"
	}
	for line := range strings.SplitSeq(s.Options["setup"], "|") {
		if line = strings.TrimSpace(line); line == "" {
			continue
		}
		if !command(line) || len(d.setup) == maxSetup {
			return nil, optionError("setup", s.Options["setup"], "at most 32 commands of printable characters, | between them")
		}
		d.setup = append(d.setup, line)
	}
	if e, ok := s.Options["end"]; ok {
		if d.lineEnd, ok = map[string]string{"lf": "\n", "crlf": "\r\n", "cr": "\r"}[e]; !ok {
			return nil, optionError("end", e, "lf, crlf, cr")
		}
	}
	return d, d.setFields(s)
}

func (p *poll) setTimeout(s Spec, lo, hi float64) error {
	given, ok := s.Options["timeout"]
	if !ok {
		return nil
	}
	v, err := seconds(given)
	if err != nil || v < lo || v > hi {
		return optionError("timeout", given, fmt.Sprintf("%g to %g seconds, such as 0.5 or 500ms", lo, hi))
	}
	p.timeoutNS = int64(v * 1e9)
	return nil
}

// command tells whether a line may be sent: printable ASCII only, so that nothing ends it early.
func command(s string) bool {
	return s != "" && len(s) <= 200 && !strings.ContainsFunc(s, func(r rune) bool { return r < ' ' || r > '~' })
}

// setFields finds which number of the answer is what. An answer of which nothing was said has exactly
// one number: "9,9E37", printed in one manual, is two, and its first would pass for a reading.
func (d *scpi) setFields(s Spec) error {
	at := map[trace.Quantity]int{}
	for _, q := range []trace.Quantity{trace.Current, trace.Voltage} {
		if given, ok := s.Options[q.String()]; ok {
			n, err := strconv.Atoi(given)
			if err != nil || n < 1 || n > maxColumns {
				return optionError(q.String(), given, "a number of the answer from 1 to 32")
			}
			at[q] = n
		}
	}
	switch {
	case len(at) == 0:
		at[s.Channel], d.fields = 1, 1
	case len(at) == 2 && at[trace.Current] == at[trace.Voltage]:
		return fmt.Errorf("options current and voltage name the same number %d of the answer", at[trace.Current])
	case at[s.Channel] == 0 && at[trace.Current]+at[trace.Voltage] != 1:
		at[s.Channel] = 1
	}
	for _, q := range []trace.Quantity{trace.Current, trace.Voltage} {
		if at[q] == 0 {
			continue
		}
		shift := 0
		if s.Unit == "m"+q.Unit() {
			shift = -3
		}
		d.channels, d.field, d.shift = append(d.channels, q), append(d.field, at[q]-1), append(d.shift, shift)
		d.needed = max(d.needed, at[q])
	}
	return nil
}

func (d *scpi) Channels() []trace.Quantity { return d.channels }
func (d *scpi) Time() (DeviceTime, bool)   { return DeviceTime{}, false }
func (d *scpi) Identity() string           { return d.identity }
func (d *scpi) Complaint() string          { return strings.Join(d.complaint, "; ") }

func (d *scpi) Counts() Counts {
	c := d.counts
	c.TimedOut = d.timedOut
	return c
}

// Lost begins the conversation anew: the instrument may have been switched off meanwhile.
func (d *scpi) Lost() {
	d.reset()
	d.begin()
	d.gap = true
}

func (d *scpi) begin() {
	d.carry, d.long, d.step, d.line, d.silent = d.carry[:0], false, greet, 0, 0
	d.noIDN, d.noErrors, d.errorsN, d.complaint = false, false, 0, nil
	d.doubts = 0
}

// Ask makes the next line of the conversation.
func (d *scpi) Ask(dst []byte, nowNS int64) []byte {
	may, late := d.turn(nowNS)
	if late {
		d.unanswered()
	}
	if !may {
		return dst
	}
	switch {
	case d.step == prepare && d.line == len(d.setup):
		d.step, d.errorsN = inquire, 0
		fallthrough
	case d.step == inquire && d.noErrors:
		if d.noErrors {
			d.step = measure
		}
	case d.step == again && d.noIDN:
		d.step, d.errorsN = inquire, 0
		if d.noErrors {
			d.step = measure
		}
	}
	switch d.step {
	case greet, again:
		d.sent = "*IDN?"
	case prepare:
		d.sent = d.setup[d.line]
		d.line++
	case inquire:
		d.sent = "SYST:ERR?"
	case measure:
		d.sent = d.query
	}
	if strings.Contains(d.sent, "?") {
		d.asked(nowNS)
	}
	return append(append(dst, d.sent...), d.lineEnd...)
}

// unanswered decides what a silence means.
func (d *scpi) unanswered() {
	if len(d.carry) > 0 {
		d.refuse(d.carry, errUnfinished)
		d.carry = d.carry[:0]
	}
	switch d.step {
	case greet:
		if d.noIDN = d.silent > 0; d.noIDN || d.counts.Readings == 0 {
			d.noIDN, d.step = true, prepare
		}
		d.silent++
	case again:
		if d.silent++; d.silent >= silentGreeting {
			d.begin()
		}
	case inquire:
		d.noErrors = true
		d.step = measure
	case measure:
		d.step = again
	}
}

// Decode reads answers, a line each.
func (d *scpi) Decode(dst []Reading, chunk []byte) []Reading {
	d.heard = d.heard || len(chunk) > 0
	for i, c := range chunk {
		if c != '\n' && c != '\r' {
			if len(d.carry) < maxAnswer {
				d.carry = append(d.carry, c)
			} else if !d.long {
				d.long = true
				d.refuse(d.carry, errAnswerLong)
			}
			continue
		}
		if !d.long && len(trimSpace(d.carry)) > 0 {
			dst = d.answer(dst, trimSpace(d.carry), i+1)
		}
		d.carry, d.long = d.carry[:0], false
	}
	return dst
}

// refuse counts an answer that is none and lets the line fall quiet.
func (d *scpi) refuse(b []byte, why error) {
	d.counts.Garbled++
	d.counts.LastGarbled, d.counts.LastReason = Printable(b), why.Error()
	d.missed++
	d.broken()
	if d.step == measure {
		d.step = again
	}
}

func (d *scpi) answer(dst []Reading, b []byte, end int) []Reading {
	if string(b) == d.sent {
		return dst // an echo
	}
	if !d.waiting {
		d.refuse(b, errUnasked)
		return dst
	}
	switch d.step {
	case greet:
		// Who was asked before the port was opened here may still be answering: a reading or an entry
		// of the error queue is no name, unless the instrument insists.
		if startsWithNumber(b) && d.doubts < mostDoubts {
			d.doubts++
			d.refuse(b, errLateAnswer)
			return dst
		}
		d.identity, d.silent, d.doubts = Printable(b), 0, 0
		d.step, d.waiting = prepare, false
	case again:
		if Printable(b) != d.identity {
			d.refuse(b, errLateAnswer)
			// The line fell quiet before each greeting, so an answer that stays another is the right one:
			// the name that was kept never was, or another instrument hangs there now.
			if d.doubts++; d.doubts > mostDoubts {
				d.begin()
				d.gap = true
			}
			return dst
		}
		d.step, d.waiting, d.silent, d.errorsN, d.doubts = inquire, false, 0, 0, 0
	case prepare:
		d.waiting = false // the answer to a query among the set-up lines is of no interest
	case inquire:
		d.waiting = false
		d.trouble(b)
	case measure:
		return d.reading(dst, b, end)
	}
	return dst
}

// startsWithNumber tells whether an answer is, up to its first comma or semicolon, a number. An identification
// begins with the maker's name (IEEE 488.2, 10.14).
func startsWithNumber(b []byte) bool {
	if i := bytes.IndexAny(b, ",;"); i >= 0 {
		b = b[:i]
	}
	_, err := strconv.ParseFloat(string(trimSpace(b)), 64)
	return err == nil
}

// trouble takes an entry of the instrument's error queue: number,"text". Number 0 is its end.
func (d *scpi) trouble(b []byte) {
	head, _, _ := bytes.Cut(b, []byte(","))
	n, err := strconv.Atoi(string(trimSpace(head)))
	switch {
	case err != nil:
		d.refuse(b, errNoErrorNumber)
		d.noErrors = true
		d.step = measure
		return
	case n == 0:
		d.step = measure
		return
	}
	if d.errorsN++; d.errorsN == maxErrors {
		d.step = measure // a queue without an end
	}
	if text := Printable(b); !slices.Contains(d.complaint, text) {
		if len(d.complaint) == 3 {
			d.complaint = slices.Delete(d.complaint, 0, 1)
		}
		d.complaint = append(d.complaint, text)
	}
}

// reading takes the values out of an answer: numbers with a comma or, of compound queries, a semicolon
// between them.
func (d *scpi) reading(dst []Reading, b []byte, end int) []Reading {
	fields := bytes.FieldsFunc(b, func(r rune) bool { return r == ',' || r == ';' })
	if len(fields) < d.needed || d.fields != 0 && len(fields) != d.fields {
		d.refuse(b, errNumbers)
		return dst
	}
	n := len(dst)
	for i, q := range d.channels {
		r := Reading{End: end, Channel: uint8(i), Missed: uint16(min(d.missed, math.MaxUint16))}
		f := trimSpace(fields[d.field[i]])
		v, over := overRange(f)
		if over {
			r.Flags = trace.Over
		} else {
			var err error
			if v, _, r.Flags, err = scanValue(f, q, d.shift[i], '.', maxBase, &d.scratch); err != nil {
				d.refuse(b, err)
				return dst[:n]
			}
		}
		if r.Value = v; d.fullScale > 0 && q == d.scaleOf && math.Abs(v) >= d.fullScale {
			r.Flags |= trace.Over
		}
		if r.Flags&trace.Over != 0 {
			d.counts.Over++
		}
		if d.gap {
			r.Flags |= trace.Gap
		}
		dst = append(dst, r)
	}
	d.fields, d.waiting, d.missed, d.gap = len(fields), false, 0, false
	d.counts.Readings += int64(len(dst) - n)
	return dst
}
