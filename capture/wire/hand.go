package wire

import (
	"errors"
	"math"
	"strings"

	"letthrough/capture/trace"
)

// The hand format: no data output at all. A person watches a display and types what it shows, a number
// and Enter; whoever hands the entries on knows when. Enter alone says that the display still shows the
// same.

const (
	// What a hand may be typing on: the ports of the format.
	onPage     = "page"
	onTerminal = "terminal"

	// terminalStampS is the expanded uncertainty of a reading typed on a terminal, which hands a line on
	// only when Enter is pressed: four characters take a person about a second (0.28 s a key for somebody
	// who is no typist; Card, Moran and Newell 1980, from memory).
	terminalStampS = 1.0

	maxEntry = 64 // bytes; nobody types more into one reading
)

var (
	errNothingYet = errors.New("there is no reading yet that could be repeated")
	errEntryLong  = errors.New("over 64 characters in one reading")
	errExponent   = errors.New("a power of ten, which no display shows")
)

func handFormat() Format {
	return Format{
		Name:  "hand",
		About: "no data output: a person types what the display shows; the port is page (the Bench) or terminal (standard input)",
		Options: []Option{
			{"stamp", "0.3 s on the page, 1 s on the terminal", "seconds, such as 0.3 or 300ms", "expanded uncertainty of the moment of a reading"},
		},
		New: func(s Spec) (Decoder, error) { return NewHand(s) },
	}
}

// Hand reads what a person types. It is used by one goroutine.
type Hand struct {
	quantity  trace.Quantity
	shift     int
	fullScale float64
	last      []Reading // the newest two, to be repeated and taken back
	counts    Counts
	carry     []byte
	afterCR   bool
	skipping  bool
	scratch   [maxNumber + 16]byte
}

// NewHand checks an instrument that is a hand.
func NewHand(s Spec) (*Hand, error) {
	if s.Port != onPage && s.Port != onTerminal {
		return nil, errors.New("port " + s.Port + ": a hand types on the page or the terminal: NAME=hand:page or NAME=hand:terminal")
	}
	if v, ok := s.Options["stamp"]; ok {
		if u, err := seconds(v); err != nil || u <= 0 || u > 10 {
			return nil, optionError("stamp", v, "more than 0 and at most 10 seconds, such as 0.3 or 300ms")
		}
	}
	h := &Hand{quantity: s.Channel, fullScale: s.FullScale}
	if strings.HasPrefix(s.Unit, "m") {
		h.shift = -3
	}
	return h, nil
}

// ByHand tells whether a person is the instrument.
func (s Spec) ByHand() bool { return s.Format == "hand" }

// OnTerminal tells whether that person types on standard input.
func (s Spec) OnTerminal() bool { return s.ByHand() && s.Port == onTerminal }

// StampUS is the expanded uncertainty of each reading's own stamp, s; 0 where no person makes the stamps.
func (s Spec) StampUS() float64 {
	if !s.ByHand() {
		return 0
	}
	if v, ok := s.Options["stamp"]; ok {
		if u, err := seconds(v); err == nil {
			return u
		}
	}
	if s.Port == onTerminal {
		return terminalStampS
	}
	return trace.HandU
}

// Channels is the one quantity that is watched.
func (h *Hand) Channels() []trace.Quantity { return []trace.Quantity{h.quantity} }

// Time: the device is a person.
func (h *Hand) Time() (DeviceTime, bool) { return DeviceTime{}, false }

// Counts says what became of the entries.
func (h *Hand) Counts() Counts { return h.counts }

// Lost drops an entry that is under way.
func (h *Hand) Lost() { h.carry, h.skipping = h.carry[:0], false }

// Entry reads one entry: a number with point or comma, with or without its unit; a word for beyond the range, or a
// star for it; or nothing, which repeats the one before. What is none of these is counted and refused in
// words.
func (h *Hand) Entry(text string) (Reading, error) {
	r, err := h.read([]byte(text))
	if err != nil {
		h.counts.Garbled++
		h.counts.LastGarbled, h.counts.LastReason = Printable([]byte(text)), err.Error()
		return Reading{}, err
	}
	h.counts.Readings++
	if r.Flags&trace.Over != 0 {
		h.counts.Over++
	}
	if h.last = append(h.last, r); len(h.last) > 2 {
		h.last = h.last[1:]
	}
	return r, nil
}

// TakeBack forgets the newest entry, so that it is not the one that is repeated.
func (h *Hand) TakeBack() {
	if len(h.last) > 0 {
		h.last = h.last[:len(h.last)-1]
		h.counts.Readings--
	}
}

func (h *Hand) read(b []byte) (Reading, error) {
	if len(b) > maxEntry {
		return Reading{}, errEntryLong
	}
	for _, c := range b {
		if c < ' ' && c != '\t' || c == 0x7F {
			return Reading{}, errByte
		}
	}
	b = trimSpace(b)
	switch {
	case len(b) == 0 && len(h.last) == 0:
		return Reading{}, errNothingYet
	case len(b) == 0:
		return h.last[len(h.last)-1], nil
	case string(b) == "*":
		return Reading{Value: math.Inf(1), Flags: trace.Over}, nil
	}
	if v, ok := overRange(b); ok {
		return Reading{Value: v, Flags: trace.Over}, nil
	}
	v, n, flags, err := scanValue(b, h.quantity, h.shift, 0, maxBase, &h.scratch)
	if err != nil {
		return Reading{}, err
	}
	if strings.ContainsAny(string(b[:n.end]), "eE") {
		return Reading{}, errExponent
	}
	if h.fullScale > 0 && math.Abs(v) >= h.fullScale {
		flags |= trace.Over
	}
	return Reading{Value: v, Flags: flags}, nil
}

// Decode reads entries that come as lines, ended by LF, CR or CR LF; an empty line repeats the reading
// before it.
func (h *Hand) Decode(dst []Reading, chunk []byte) []Reading {
	for i, c := range chunk {
		again := h.afterCR && c == '\n'
		h.afterCR = c == '\r'
		switch {
		case again: // the second half of CR LF
		case c == '\n' || c == '\r':
			if !h.skipping {
				if r, err := h.Entry(string(h.carry)); err == nil {
					r.End = i + 1
					dst = append(dst, r)
				}
			}
			h.Lost()
		case h.skipping:
		case len(h.carry) > maxEntry:
			_, _ = h.Entry(string(h.carry)) // counted as too long
			h.skipping = true
		default:
			h.carry = append(h.carry, c)
		}
	}
	return dst
}
