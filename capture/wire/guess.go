package wire

import (
	"bytes"
	"fmt"
	"math"
	"slices"
	"strings"

	"letthrough/capture/trace"
)

// Heard is one delivery of a port that was listened to.
type Heard struct {
	Data []byte
	AtNS int64 // when it came
}

// Guess says what seems to speak on a port.
type Guess struct {
	Format  string // empty: nothing that is known
	Options string // as they stand behind the ? of an instrument's argument; words in capitals are to be filled in
	Reason  string // what was heard that says so
	Missing string // what a person still has to say or to check; may be empty
	// Readings that were read with it.
	Readings int
	// Text tells that what was heard is lines of readable text through and through: the speed is right.
	Text bool
}

// enoughReadings make a guess of lines or frames; a checked packet is one by itself.
const enoughReadings = 3

// GuessFormat tries every format of instruments that talk by themselves on what was heard, and says which
// reads nearly all of it. Nothing is sent.
func GuessFormat(heard []Heard) (Guess, bool) {
	for _, try := range []func([]Heard) (Guess, bool){guessPackets, guessFrames, guessLines} {
		if g, ok := try(heard); ok {
			return g, true
		}
	}
	return Guess{Reason: strange(heard), Text: readableLines(heard)}, false
}

// trial is what one decoder made of what was heard.
type trial struct {
	options  string
	readings int
	garbled  int64
	channels int
	largest  float64 // of the first channel
	whole    bool    // all of the first channel are whole numbers
	over     bool
	device   int64 // how far the device's own time went, ns, from the first to the last delivery
	host     int64 // ... and this machine's
	forward  bool  // the device's time never stood still or went back
}

func (t trial) fits() bool { return t.readings >= enoughReadings && t.garbled*20 <= int64(t.readings) }

// keepsTime tells whether the device's time goes as fast as time does. Deliveries come in bursts, so it
// need not agree well; microseconds and milliseconds are a thousand apart.
func (t trial) keepsTime() bool {
	r := float64(t.device) / float64(max(t.host, 1))
	return t.forward && t.host > 100e6 && r > 0.5 && r < 2
}

func try(format, options string, heard []Heard) (out trial) {
	spec, err := ParseSpec("probe=" + format + ":-?" + options)
	if err != nil {
		return out
	}
	f, _ := FindFormat(format)
	dec, err := f.New(spec)
	if err != nil {
		return out
	}
	out = trial{options: options, channels: len(dec.Channels()), whole: true, forward: true}
	_, timed := dec.Time()
	var rs []Reading
	var first, last, began int64
	seen := 0
	for _, h := range heard {
		rs = dec.Decode(rs[:0], h.Data)
		for _, r := range rs {
			if r.Channel != 0 {
				continue
			}
			out.readings++
			if r.Flags&trace.Over != 0 {
				out.over = true
				continue
			}
			out.largest = max(out.largest, math.Abs(r.Value))
			out.whole = out.whole && r.Value == math.Trunc(r.Value)
		}
		if len(rs) == 0 || !timed {
			continue
		}
		for i := range rs {
			if seen > 0 && rs[i].Channel == 0 && rs[i].DeviceNS <= last {
				out.forward = false
			}
			last, seen = rs[i].DeviceNS, seen+1
		}
		if began == 0 {
			first, began = last, h.AtNS
		}
		out.device, out.host = last-first, h.AtNS-began
	}
	out.garbled = dec.Counts().Garbled
	return out
}

func guessPackets(heard []Heard) (Guess, bool) {
	t := try("codes", "form=packets&lsb=1mA", heard)
	if t.readings == 0 {
		return Guess{}, false
	}
	g := Guess{Format: "codes", Options: "form=packets&lsb=LSB&shunt=OHM", Readings: t.readings}
	g.Reason = fmt.Sprintf("packets of codes with a right CRC: %d readings", t.readings)
	g.Missing = "what one code is worth and the shunt's ohms; the page Boards lists the amplifiers"
	return g, true
}

// guessFrames tries the shipped descriptions that are whole, for amperes and for volts.
func guessFrames(heard []Heard) (Guess, bool) {
	for _, kind := range FrameKinds() {
		for _, channel := range []string{"", "&channel=voltage"} {
			t := try("frame", "kind="+kind+channel, heard)
			if !t.fits() {
				continue
			}
			return Guess{
				Format: "frame", Options: t.options, Readings: t.readings,
				Reason:  fmt.Sprintf("%d frames of a hand-held meter as the description %s says", t.readings, kind),
				Missing: "the accuracy from its manual, and how long it averages: accuracy= and averaging=",
			}, true
		}
	}
	return Guess{}, false
}

// lineOptions are the ways lines may be meant, the most telling first.
var lineOptions = []string{
	"time=us", "time=ms", "time=s", "", "current=2", "current=1&voltage=2", "voltage=1&current=2", "channel=voltage",
}

func guessLines(heard []Heard) (Guess, bool) {
	volts := slices.ContainsFunc(heard, func(h Heard) bool { return bytes.IndexByte(h.Data, 'V') >= 0 })
	var best trial
	for _, o := range lineOptions {
		if strings.Contains(o, "voltage") && !volts {
			continue // nothing says that a column is volts
		}
		t := try("text", o, heard)
		if !t.fits() {
			continue
		}
		if strings.HasPrefix(o, "time=") {
			if t.keepsTime() {
				best = t
				break
			}
			continue
		}
		if best.readings == 0 || t.garbled < best.garbled || t.garbled == best.garbled && t.channels > best.channels {
			best = t
		}
	}
	if best.readings == 0 {
		return Guess{}, false
	}
	return best.lines(heard), true
}

// lines puts into words what lines were heard.
func (t trial) lines(heard []Heard) Guess {
	g := Guess{Format: "text", Options: t.options, Readings: t.readings}
	sample := lastLine(heard)
	g.Reason = fmt.Sprintf("%d lines such as %s", t.readings, Printable(sample))
	if unit, ok := strings.CutPrefix(t.options, "time="); ok {
		name := map[string]string{"us": "microseconds", "ms": "milliseconds", "s": "seconds"}[unit]
		g.Reason += fmt.Sprintf("; column 1 counts %s: it went on by %.2g s while %.2g s passed", name, float64(t.device)/1e9, float64(t.host)/1e9)
	}
	switch {
	case t.whole && t.largest >= 50 && t.channels == 1 && !bytes.ContainsAny(sample, "AaVv"):
		g.Format = "codes"
		g.Options = strings.TrimPrefix(t.options+"&lsb=LSB&shunt=OHM", "&")
		g.Missing = fmt.Sprintf("whole numbers up to %.0f are no amperes but codes of an amplifier, or milliamperes: say what one code is worth and the shunt's ohms, "+
			"or use text with unit=mA", t.largest)
	case t.largest > 100:
		g.Missing = "numbers above 100 are hardly amperes: say unit=mA, or another column with current="
	case strings.HasPrefix(t.options, "time=") && t.channels == 1 && columnsOf(sample) > 2:
		g.Missing = "there are more columns: if one is the voltage, name it with voltage=3"
	case hasLabels(sample):
	case t.options == "" && columnsOf(sample) > 1:
		g.Missing = "there are several columns and none is a time: the first is taken for the current; another one is named with current=2"
	}
	return g
}

// lastLine is the last whole line that was heard.
func lastLine(heard []Heard) []byte {
	var tail []byte
	for _, h := range heard[max(0, len(heard)-64):] {
		tail = append(tail, h.Data...)
	}
	tail = bytes.TrimRight(tail[:max(0, bytes.LastIndexAny(tail, "\r\n"))], "\r\n")
	return tail[bytes.LastIndexAny(tail, "\r\n")+1:]
}

func columnsOf(line []byte) int {
	return len(bytes.FieldsFunc(line, func(r rune) bool { return r == ',' || r == ';' || r == '\t' }))
}

// thousands tells whether a line may begin with one number that has a comma between its thousands.
func thousands(line []byte) bool {
	head, tail, ok := bytes.Cut(line, []byte(","))
	return ok && groups(head, tail)
}

// hasLabels tells whether a line's values have labels before them.
func hasLabels(line []byte) bool {
	var t text
	_, err := t.unlabel(trimSpace(line))
	return err == nil && t.labelled.hash != 0
}

// readableLines tells whether all that was heard is text with line ends. At a wrong speed some bytes in a few
// dozen are none.
func readableLines(heard []Heard) bool {
	n, ends := 0, 0
	for _, h := range heard {
		for _, c := range h.Data {
			n++
			switch {
			case c == '\n' || c == '\r':
				ends++
			case (c < ' ' || c > '~') && c != '\t':
				return false
			}
		}
	}
	return n >= 64 && ends >= 4 && ends*4 < n*3
}

// strange says what bytes that no format reads look like.
func strange(heard []Heard) string {
	n, print := 0, 0
	var first []byte
	for _, h := range heard {
		for _, c := range h.Data {
			n++
			if c >= ' ' && c <= '~' || c == '\r' || c == '\n' || c == '\t' {
				print++
			}
		}
		if len(first) < maxShown {
			first = append(first, h.Data...)
		}
	}
	switch {
	case n == 0:
		return "nothing was heard"
	case thousands(lastLine(heard)):
		return fmt.Sprintf("lines such as %s: a comma stands between the thousands, as it seems; switch it off in the instrument, no option reads it",
			Printable(lastLine(heard)))
	case print*20 >= n*19:
		return fmt.Sprintf("%d bytes of text that are no lines of numbers: %s", n, Printable(first))
	}
	return fmt.Sprintf("%d bytes that no format reads: %s", n, Printable(first))
}
