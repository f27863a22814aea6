package wire

import (
	"fmt"
	"math"
	"slices"
	"strconv"

	"letthrough/capture/trace"
)

// The text format: one line a reading, as boards and meters print them.
//
// How the lines are built (what stands between columns, how many there are, the decimal mark, whether a
// checksum closes them) is found in the first two lines that are alike, and then held to: a line that is
// built in another way is garbled, because a lost byte makes exactly such lines. Only sixteen garbled
// lines in a row begin the search again, as after a board was restarted with another program.
//
// A line with labels ("I=0.51A U=12.1V", or a JSON object) is read as if it had none, see text_labels.go.
//
// The first line after opening is not used: it may have lost its beginning, and "2.345" left of
// "12.345" would pass for a reading.

const (
	maxLine     = 4096 // bytes; a longer line is garbled
	maxColumns  = 32
	maxHeaders  = 10 // lines of words at the beginning that are not called garbled
	likeLines   = 2  // lines alike that settle how lines are built
	commaLines  = 5  // the same, where a comma may be a decimal mark or stand between columns
	giveUpAfter = 16 // garbled lines in a row
)

func textFormat() Format {
	return Format{
		Name:  "text",
		About: "lines from any board or meter: numbers with or without units and labels, JSON objects, times, over-range words",
		Options: []Option{
			{"time", "no time is sent", "us, ms, s", "column 1 is the device's own time, in this unit"},
			{"wrap", "a board's 32 bits are recognised", "16, 24, 32", "bits of the device's time counter, after which it starts from 0"},
			{"current", "the first column, or 2 with time", "1 to 32", "column of the current, counted from 1, time included"},
			{"voltage", "none", "1 to 32", "column of the voltage"},
			{"checksum", "found in the first lines", "xor, none", "xor: each line ends in *hh, the exclusive or of the bytes before the star"},
			{"delimiter", "found in the first lines", "comma, semicolon, tab, space, none", "what stands between columns"},
			{"decimal", "found in the first lines", "point, comma", "the decimal mark"},
		},
		New: func(s Spec) (Decoder, error) { return newText(s) },
	}
}

// role says what a column is.
type role uint8

const (
	unused role = iota
	timeColumn
	valueColumn
)

type column struct {
	role     role
	channel  uint8
	quantity trace.Quantity
	shift    int // power of ten for numbers without a unit
}

// shape is how lines are built.
type shape struct {
	delimiter byte // ',' ';' '\t' ' ', or 0 where there is one column
	decimal   byte // '.' or ',', or 0 where no number had one yet
	columns   int
	checksum  bool
	labels    uint64 // hash of the labels before the values, 0 where there are none
}

// same tells whether two lines are built alike; the decimal mark may be still unseen in one.
func (s shape) same(o shape) bool {
	return s.delimiter == o.delimiter && s.columns == o.columns && s.checksum == o.checksum && s.labels == o.labels &&
		(s.decimal == o.decimal || s.decimal == 0 || o.decimal == 0)
}

type text struct {
	// settings
	columns   [maxColumns]column
	needed    int // columns that a line must have at least
	channels  []trace.Quantity
	tickNS    int64 // 0: no device time
	maxTicks  uint64
	wrapNS    int64
	fullScale float64        // of the channel it was given for
	scaleOf   trace.Quantity // that channel
	force     shape          // what options fix; zero fields are found
	maxAbs    float64        // larger numbers are absurd
	coded     bool           // numbers are codes, of so much each by quantity
	codes     scales
	perCode   [2]float64
	noSum     bool     // checksum=none
	single    bool     // delimiter=none
	named     bool     // a person said which column is what
	asked     []column // by the options, which labels may change
	placed    [2]int   // by quantity: the column that a person named, from 1; 0: none

	// the line so far, where a chunk ended within it
	carry    []byte
	skipping bool // within a line that is too long
	fresh    bool // within a line whose beginning is unknown

	// how lines are built
	shape     shape
	held      bool
	fast      bool // the shape is one that plainLine reads
	last      shape
	alike     int
	fraction  int  // digits behind the comma of an ambiguous line
	commaCols bool // the comma was found to stand between columns
	commaSure bool // and no line can have it between thousands
	sawNumber bool
	bad       int // garbled lines in a row

	labelled labelled // what stands before the values of the line that is read
	plain    []byte   // that line without its labels
	timeAt   int      // column of the device's time

	counts  Counts
	missed  int
	gap     bool
	fields  [maxColumns + 1][]byte
	scratch [maxNumber + 16]byte
}

func newText(s Spec) (*text, error) {
	t := &text{fresh: true, maxAbs: maxBase, fullScale: s.FullScale, scaleOf: s.Channel, carry: make([]byte, 0, 256)}
	for _, set := range []func(Spec) error{t.setTime, t.setColumns, t.setShape} {
		if err := set(s); err != nil {
			return nil, err
		}
	}
	t.asked = slices.Clone(t.columns[:t.needed])
	return t, nil
}

func (t *text) setTime(s Spec) error {
	unit, timed := s.Options["time"]
	if timed {
		ns, ok := map[string]int64{"us": 1e3, "ms": 1e6, "s": 1e9}[unit]
		if !ok {
			return optionError("time", unit, "us, ms, s")
		}
		t.tickNS = ns
		t.maxTicks = uint64(math.MaxInt64 / ns)
		t.columns[0].role = timeColumn
		t.needed = 1
	}
	if bits, ok := s.Options["wrap"]; ok {
		if !timed {
			return fmt.Errorf("option wrap=%s needs time=us, ms or s: there is no time to wrap", bits)
		}
		n, err := strconv.Atoi(bits)
		if err != nil || n != 16 && n != 24 && n != 32 {
			return optionError("wrap", bits, "16, 24, 32")
		}
		t.wrapNS = t.tickNS << n
		t.maxTicks = 1<<n - 1
	}
	return nil
}

func (t *text) setColumns(s Spec) error {
	first := 1
	if t.tickNS != 0 {
		first = 2
	}
	at := map[trace.Quantity]int{}
	for _, q := range []trace.Quantity{trace.Current, trace.Voltage} {
		given, ok := s.Options[q.String()]
		if !ok {
			continue
		}
		n, err := strconv.Atoi(given)
		if err != nil || n < 1 || n > maxColumns {
			return optionError(q.String(), given, "a column from 1 to 32")
		}
		if n < first {
			return fmt.Errorf("option %s=%d: column 1 is the time; allowed are 2 to %d", q, n, maxColumns)
		}
		at[q] = n
		t.named, t.placed[q] = true, n
	}
	if at[trace.Current] != 0 && at[trace.Current] == at[trace.Voltage] {
		return fmt.Errorf("options current and voltage name the same column %d", at[trace.Current])
	}
	// A column that was not said stands first, unless that one is taken or the channel says that
	// only the other quantity is measured.
	if at[s.Channel] == 0 && !slices.Contains([]int{at[trace.Current], at[trace.Voltage]}, first) {
		at[s.Channel] = first
	}
	for _, q := range []trace.Quantity{trace.Current, trace.Voltage} {
		n := at[q]
		if n == 0 {
			continue
		}
		c := column{role: valueColumn, channel: uint8(len(t.channels)), quantity: q}
		if s.Unit == "m"+q.Unit() {
			c.shift = -3
		}
		t.columns[n-1] = c
		t.channels = append(t.channels, q)
		t.needed = max(t.needed, n)
	}
	if s.Unit != "" && !slices.ContainsFunc(t.channels, func(q trace.Quantity) bool { return s.Unit[len(s.Unit)-1:] == q.Unit() }) {
		return fmt.Errorf("option unit=%s: no column holds that quantity", s.Unit)
	}
	return nil
}

func (t *text) setShape(s Spec) error {
	if v, ok := s.Options["delimiter"]; ok {
		d, ok := map[string]byte{"comma": ',', "semicolon": ';', "tab": '\t', "space": ' ', "none": 0}[v]
		if !ok {
			return optionError("delimiter", v, "comma, semicolon, tab, space, none")
		}
		t.force.delimiter, t.single = d, d == 0
		if t.single && t.needed > 1 {
			return fmt.Errorf("option delimiter=none: %d columns are needed", t.needed)
		}
	}
	if v, ok := s.Options["decimal"]; ok {
		d, ok := map[string]byte{"point": '.', "comma": ','}[v]
		if !ok {
			return optionError("decimal", v, "point, comma")
		}
		if d == ',' && t.force.delimiter == ',' {
			return fmt.Errorf("options decimal=comma and delimiter=comma contradict each other")
		}
		t.force.decimal = d
	}
	switch v, ok := s.Options["checksum"]; {
	case !ok:
	case v == "xor":
		t.force.checksum = true
	case v == "none":
		t.noSum = true
	default:
		return optionError("checksum", v, "xor, none")
	}
	return nil
}

func (t *text) Channels() []trace.Quantity { return t.channels }

func (t *text) Time() (DeviceTime, bool) {
	return DeviceTime{TickNS: t.tickNS, WrapNS: t.wrapNS}, t.tickNS != 0
}

func (t *text) Counts() Counts { return t.counts }

// Lost drops the line that was cut off and what follows up to the next line end.
func (t *text) Lost() {
	t.carry = t.carry[:0]
	t.fresh, t.skipping, t.gap = true, false, true
}

// Decode reads whole lines straight from the chunk and keeps the rest.
func (t *text) Decode(dst []Reading, chunk []byte) []Reading {
	i := 0
	if len(t.carry) > 0 || t.skipping || t.fresh {
		n := lineEnd(chunk)
		if n < 0 {
			t.keep(chunk)
			return dst
		}
		dst = t.finish(dst, chunk[:n], n+1)
		i = n + 1
	}
	for i < len(chunk) {
		if t.fast && t.missed == 0 && !t.gap {
			var n int
			if dst, n = t.plainLine(dst, chunk[i:], i); n > 0 {
				i += n
				continue
			}
		}
		n := lineEnd(chunk[i:])
		if n < 0 {
			t.keep(chunk[i:])
			break
		}
		if n > maxLine {
			t.garbled(chunk[i:i+n], errLineLong)
			t.gap = true
		} else {
			dst = t.line(dst, chunk[i:i+n], i+n+1)
		}
		i += n + 1
	}
	return dst
}

// finish ends the line that began in an earlier chunk.
func (t *text) finish(dst []Reading, rest []byte, end int) []Reading {
	if !t.skipping && len(t.carry)+len(rest) > maxLine {
		t.keep(rest)
	}
	switch {
	case t.fresh:
		if len(t.carry)+len(rest) > 0 {
			t.counts.Partial++
		}
	case t.skipping: // was counted when it grew too long
	default:
		t.carry = append(t.carry, rest...)
		dst = t.line(dst, t.carry, end)
	}
	t.carry, t.fresh, t.skipping = t.carry[:0], false, false
	return dst
}

// keep holds the beginning of a line for the next chunk, in bounded memory.
func (t *text) keep(part []byte) {
	if t.skipping {
		return
	}
	if room := maxLine - len(t.carry); len(part) > room {
		t.carry = append(t.carry, part[:room]...)
		t.garbled(t.carry, errLineLong)
		t.skipping, t.fresh, t.gap = true, false, true
		t.carry = t.carry[:0]
		return
	}
	t.carry = append(t.carry, part...)
}

// lineEnd finds the first CR or LF; CR LF gives an empty line in between, which is nothing.
func lineEnd(b []byte) int {
	for i, c := range b {
		if c == '\n' || c == '\r' {
			return i
		}
	}
	return -1
}

// garbled counts a line that is no reading and keeps its bytes to be shown.
func (t *text) garbled(b []byte, why error) {
	t.counts.Garbled++
	t.counts.LastGarbled, t.counts.LastReason = Printable(b), why.Error()
	t.missed++
	if t.bad++; t.bad >= giveUpAfter && t.held {
		t.held, t.fast, t.sawNumber, t.commaSure, t.alike = false, false, false, false, 0
	}
}
