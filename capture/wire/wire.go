// Package wire turns the bytes of instruments into readings. Each format stands in a file of its own
// and in the list that Formats gives; a Stream puts a format and a clock together for one instrument.
//
// What holds for every format: any cutting of the bytes into chunks gives the same readings, memory is
// bounded whatever comes in, and bytes that are not a reading are counted and kept to be shown; they
// never become a number.
package wire

import (
	"bytes"
	"strconv"

	"letthrough/capture/trace"
)

// Reading is one decoded value that has no place on the time base yet.
type Reading struct {
	Value    float64 // A or V; with Over and no number sent, an infinity with the sign of the excursion
	DeviceNS int64   // the instrument's own time, raw (wraps and all), ns; only where Decoder.Time says so
	// End is the offset in the chunk just behind the reading's last byte; 0 or less where it came
	// before the chunk. Bytes early in a chunk waited longer than those at its end.
	End     int
	Missed  uint16 // readings before this one that were garbled
	Channel uint8  // index into Decoder.Channels
	Flags   trace.Flags
}

// DeviceTime describes the clock inside an instrument.
type DeviceTime struct {
	TickNS int64 // what one count is worth, ns
	WrapNS int64 // it starts again from 0 after this many ns; 0: never
}

// Decoder reads one instrument's bytes. It is used by one goroutine.
type Decoder interface {
	// Channels says what is measured; a reading names its channel by index.
	Channels() []trace.Quantity
	// Time describes the device time that readings carry; ok is false where they carry none.
	Time() (t DeviceTime, ok bool)
	// Decode appends the readings that chunk completes. What is incomplete waits for the next chunk.
	Decode(dst []Reading, chunk []byte) []Reading
	// Lost says that bytes are missing between the last chunk and the next.
	Lost()
	Counts() Counts
}

// Asker is a Decoder for an instrument that speaks only when asked. It alone knows which answer is
// outstanding, how long to wait for it, and what to do after a broken one.
type Asker interface {
	Decoder
	// Ask appends what is to be written now, or nothing while an answer is outstanding. It is called
	// after every chunk and at least every 50 ms and when Due says, and so also lets time pass: nowNS is the bench's.
	Ask(dst []byte, nowNS int64) []byte
	// Due is the bench's time at which Ask has something to do even if nothing comes; it may be past.
	Due() int64
}

// Introduced is a Decoder that knows who it speaks with.
type Introduced interface {
	// Identity is what the instrument calls itself, safe to show; empty until known.
	Identity() string
	// Complaint is what the instrument last said was wrong, safe to show; empty if nothing.
	Complaint() string
}

// Advising is a Decoder that can tell what a person should do at the instrument.
type Advising interface {
	// Advice is a sentence, safe to show; empty if there is nothing to do.
	Advice() string
}

// Counts say what became of everything that was received.
type Counts struct {
	Readings   int64
	Partial    int64 // lines cut off by opening in their middle, or by lost bytes
	Sniffed    int64 // lines used up to find out how the lines are built
	Headers    int64 // lines of words before the first reading
	Comments   int64
	Garbled    int64
	Over       int64 // readings beyond the range
	Duplicates int64 // readings with the device time of the one before: set aside
	Backwards  int64 // readings not later than those before: set aside
	TimedOut   int64 // queries without an answer

	LostPackets int64 // packets whose numbers are missing
	Unused      int64 // frames of a display that is not read

	LastGarbled string // the last offending bytes, safe to show
	LastReason  string // why they were refused
}

// Format is one kind of instrument output.
type Format struct {
	Name    string
	About   string // one line
	Polled  bool   // must be asked for every reading
	Options []Option
	New     func(Spec) (Decoder, error)
}

// Option is one setting of a format, as its help shows it.
type Option struct {
	Name    string
	Default string
	Allowed string
	Help    string
}

// Formats lists every format, in the order a person should try them.
func Formats() []Format {
	return []Format{textFormat(), codesFormat(), scpiFormat(), modbusFormat(), frameFormat(), handFormat()}
}

// FindFormat finds a format by name.
func FindFormat(name string) (Format, bool) {
	for _, f := range Formats() {
		if f.Name == name {
			return f, true
		}
	}
	return Format{}, false
}

// maxShown bounds how many offending bytes are kept to be shown.
const maxShown = 48

// Printable shows bytes so that a terminal or a page is safe from them and nothing is hidden: printable
// ASCII as it is but for the backslash, all else as Go writes it in a string, and at most 48 bytes.
func Printable(b []byte) string {
	more := ""
	if len(b) > maxShown {
		b, more = b[:maxShown], "…"
	}
	var out []byte
	for i, part := range bytes.Split(b, []byte{'"'}) { // what came is shown, and a quote came without a backslash
		if i > 0 {
			out = append(out, '"')
		}
		q := strconv.AppendQuoteToASCII(nil, string(part))
		out = append(out, q[1:len(q)-1]...)
	}
	return string(out) + more
}
