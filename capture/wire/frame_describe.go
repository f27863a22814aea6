package wire

import (
	"fmt"
	"slices"

	"letthrough/capture/trace"
)

// A description says how the frames of a meter are built; static/help/frames.md is its specification.
// Everything that a frame can tell is a test of some of its bits, so that two lines which could both
// hold for one frame are found when the description is loaded and not when a current is misread.

const (
	maxFrame       = 64 // bytes
	maxFrameDigits = exactDigits
	maxFrameFile   = 64 << 10
	maxFrameLines  = 1000
)

// bitTest asks whether byte at, under mask, is value.
type bitTest struct{ at, mask, value byte }

func (t bitTest) String() string {
	if t.mask == 0xFF {
		return fmt.Sprintf("%02X", t.value)
	}
	return fmt.Sprintf("%02X in the bits %02X", t.value, t.mask)
}

// match holds for a frame for which every test holds; sorted by byte, one test a byte.
type match []bitTest

func (m match) fits(b []byte) bool {
	for _, t := range m {
		if b[t.at]&t.mask != t.value {
			return false
		}
	}
	return true
}

// and adds a test; it tells whether it contradicts what is there.
func (m match) and(t bitTest) (match, bool) {
	i, found := slices.BinarySearchFunc(m, t.at, func(t bitTest, at byte) int { return int(t.at) - int(at) })
	if !found {
		return slices.Insert(m, i, t), true
	}
	if both := m[i].mask & t.mask; m[i].value&both != t.value&both {
		return m, false
	}
	m[i].mask, m[i].value = m[i].mask|t.mask, m[i].value|t.value
	return m, true
}

// excludes tells whether no frame fits both.
func (m match) excludes(o match) bool {
	for _, a := range m {
		for _, b := range o {
			if a.at == b.at && (a.value^b.value)&a.mask&b.mask != 0 {
				return true
			}
		}
	}
	return false
}

// within tells whether every frame that fits m fits o.
func (m match) within(o match) bool {
	for _, b := range o {
		if !slices.ContainsFunc(m, func(a bitTest) bool {
			return a.at == b.at && a.mask&b.mask == b.mask && a.value&b.mask == b.value
		}) {
			return false
		}
	}
	return true
}

// bit is one bit of a frame.
type bit struct{ at, mask byte }

// digitCode is how a digit is coded.
type digitCode uint8

const (
	noDigits digitCode = iota
	asciiDigits
	nibbleDigits
	packedDigits
	segmentDigits
)

// digitPlace is where one digit stands: some bits, the least significant (or segment a) first.
type digitPlace []bit

// frameRule is one line of a description that holds for some frames.
type frameRule struct {
	when match
	line int
	file string

	decimals int
	symbol   string // of a unit, as written
	quantity trace.Quantity
	exp      int    // power of ten of a unit
	words    string // what the meter shows instead
}

// signLine is what a description says about the sign.
type signLine uint8

const (
	noSign signLine = iota
	signRules
	signDigits // a minus among the digits
	signNever
)

// display is one number that frames show.
type display struct {
	name string
	frameRule

	code      digitCode
	places    []digitPlace
	chars     [256]byte    // of each code: the digit or other character that is shown, 0: none
	codeLines map[int]bool // codes that a line gave

	point    bool // among the digits
	decimals []frameRule
	units    []frameRule
	others   []frameRule
	sign     signLine
	minus    []frameRule
	plus     []frameRule
	over     []frameRule
	words    []string // digits that mean over range
}

// sumKind is how a checksum is made.
type sumKind struct {
	name  string
	bytes int
	of    func(b []byte, width int) (sum [2]byte)
}

var sumKinds = []sumKind{
	{"sum8", 1, func(b []byte, _ int) [2]byte { return [2]byte{byte(addUp(b))} }},
	{"neg8", 1, func(b []byte, _ int) [2]byte { return [2]byte{byte(-addUp(b))} }},
	{"xor8", 1, func(b []byte, _ int) (s [2]byte) {
		for _, c := range b {
			s[0] ^= c
		}
		return s
	}},
	{"sum16be", 2, func(b []byte, _ int) [2]byte { n := addUp(b); return [2]byte{byte(n >> 8), byte(n)} }},
	{"sum16le", 2, func(b []byte, _ int) [2]byte { n := addUp(b); return [2]byte{byte(n), byte(n >> 8)} }},
}

func addUp(b []byte) (n int) {
	for _, c := range b {
		n += int(c)
	}
	return n
}

// checksum says where a frame's checksum stands and what it is over.
type checksum struct {
	sumKind
	from, to, at int // from and to are the first and last byte that it is over
	line         int
	file         string
}

func (c *checksum) right(b []byte) bool {
	s := c.of(b[c.from:c.to+1], c.bytes)
	return b[c.at] == s[0] && (c.bytes == 1 || b[c.at+1] == s[1])
}

// description is how a meter's frames are built.
type description struct {
	name  string // of the kind or the file
	about string
	port  Spec              // Baud, Line, DTR and RTS: how the port is opened, where nothing else is said
	given map[string]string // keys that may stand once, and where they stand

	length   int
	start    []byte
	end      []byte
	fixed    match // start, end and what is expected always
	expects  []frameRule
	sum      *checksum
	displays []*display

	lastFile string
	lastLine int
}

// DescriptionError is what is wrong with a description of frames.
type DescriptionError struct {
	File string
	Line int // counted from 1
	Want string
	Got  string
}

func (e *DescriptionError) Error() string {
	return fmt.Sprintf("%s:%d: expected %s; found %s", e.File, e.Line, e.Want, e.Got)
}
