package wire

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// frameField is some bits of a frame: whole bytes, or bits within one byte.
type frameField struct {
	first, last int
	whole       bool
	lo, hi      int // bits of the one byte, where it is not whole
	down        bool
}

// number reads a small number without sign.
func number(w string) (int, bool) {
	n, err := strconv.ParseUint(w, 10, 8)
	return int(n), err == nil && w[0] != '+'
}

// field reads "3", "3-5", "3.0" or "3.0-6".
func (p *frameParser) field(w string) (f frameField, err error) {
	const want = "a byte such as 3, bytes such as 3-5, a bit such as 3.0, or bits such as 3.0-6"
	at, bits, inByte := strings.Cut(w, ".")
	a, b, isRange := strings.Cut(at, "-")
	f.whole = !inByte
	var ok bool
	if f.first, ok = number(a); !ok {
		return f, p.wrong(quoted(w), want)
	}
	f.last = f.first
	if isRange {
		if f.last, ok = number(b); !ok || inByte {
			return f, p.wrong(quoted(w), want)
		}
	}
	if f.last < f.first {
		return f, p.wrong(quoted(w), "the lower byte first")
	}
	if f.last >= p.d.length {
		return f, p.wrong(fmt.Sprintf("%s, which names byte %d", quoted(w), f.last), "bytes from 0 to %d, for a frame has %d", p.d.length-1, p.d.length)
	}
	if inByte {
		a, b, isRange = strings.Cut(bits, "-")
		if f.lo, ok = number(a); !ok {
			return f, p.wrong(quoted(w), want)
		}
		f.hi = f.lo
		if isRange {
			if f.hi, ok = number(b); !ok {
				return f, p.wrong(quoted(w), want)
			}
		}
		if f.lo > 7 || f.hi > 7 {
			return f, p.wrong(quoted(w), "bits from 0 (worth 1) to 7 (worth 128)")
		}
		if f.hi < f.lo {
			f.lo, f.hi, f.down = f.hi, f.lo, true
		}
	}
	return f, nil
}

// mask of the bits in one byte.
func (f frameField) mask() byte {
	if f.whole {
		return 0xFF
	}
	return byte(1<<(f.hi+1) - 1<<f.lo)
}

// when cuts conditions off a line's words.
func (p *frameParser) when(words []string) (rest []string, m match, err error) {
	i := slices.Index(words, "when")
	if i < 0 {
		return words, nil, nil
	}
	if i == len(words)-1 {
		return nil, nil, p.wrong("nothing", `conditions behind "when"`)
	}
	m, err = p.conditions(words[i+1:])
	return words[:i], m, err
}

// conditions reads "3-4=\"36\"", "6.0-3=9", "7.2" (set) and "!7.2" (not set), which must all hold.
func (p *frameParser) conditions(words []string) (m match, err error) {
	for _, w := range words {
		tests, err := p.condition(w)
		if err != nil {
			return nil, err
		}
		for _, t := range tests {
			var ok bool
			if m, ok = m.and(t); !ok {
				return nil, p.wrong(quoted(w), "conditions that can hold together: byte %d is asked for two values", t.at)
			}
		}
	}
	return m, nil
}

func (p *frameParser) condition(w string) ([]bitTest, error) {
	name, code, equals := strings.Cut(w, "=")
	name, not := strings.CutPrefix(name, "!")
	f, err := p.field(name)
	if err != nil {
		return nil, err
	}
	switch {
	case not && (equals || f.whole || f.lo != f.hi), !equals && (f.whole || f.lo != f.hi):
		return nil, p.wrong(quoted(w), `a condition: bytes and their code such as 3-4="36" or 3=1F, bits such as 6.0-3=9, or one bit such as 7.2, set, or !7.2, not set`)
	case !equals:
		t := bitTest{at: byte(f.first), mask: f.mask(), value: f.mask()}
		if not {
			t.value = 0
		}
		return []bitTest{t}, nil
	case !f.whole:
		n, err := strconv.ParseUint(code, 16, 8)
		if err != nil || n<<f.lo > uint64(f.mask()) || len(code) > 2 {
			return nil, p.wrong(quoted(code), "a hex number of %d bits", f.hi-f.lo+1)
		}
		return []bitTest{{byte(f.first), f.mask(), byte(n << f.lo)}}, nil
	}
	b, ok := codeBytes(code)
	if n := f.last - f.first + 1; !ok || len(b) != n {
		return nil, p.wrong(quoted(code), `a code of %d bytes: pairs of hex digits such as 1F, or text such as "4"`, n)
	}
	tests := make([]bitTest, len(b))
	for i, c := range b {
		tests[i] = bitTest{byte(f.first + i), 0xFF, c}
	}
	return tests, nil
}

// segmentChars are the codes of a display of seven segments, bit 0 for the segment at the top (a), on
// clockwise to f, bit 6 for the middle (g): the universal convention.
var segmentChars = map[byte]byte{
	0x3F: '0', 0x06: '1', 0x5B: '2', 0x4F: '3', 0x66: '4', 0x6D: '5', 0x7D: '6', 0x07: '7', 0x7F: '8', 0x6F: '9',
	0x00: ' ', 0x38: 'L', 0x40: '-',
}

// digits reads how digits are coded and where they stand, the most significant first.
func (p *frameParser) digits(words []string) error {
	d := p.here
	if d.code != noDigits {
		return p.wrong("a second one", `one line "digits" a display`)
	}
	code, ok := map[string]digitCode{"ascii": asciiDigits, "nibble": nibbleDigits, "packed": packedDigits, "segments": segmentDigits}[words[0]]
	if !ok || len(words) == 1 {
		return p.wrong(quoted(strings.Join(words, " ")), "ascii, nibble, packed or segments, then bytes")
	}
	d.code = code
	d.frameRule.line, d.frameRule.file = p.line, p.file
	for _, w := range words[1:] {
		places, err := p.places(code, w)
		if err != nil {
			return err
		}
		if d.places = append(d.places, places...); len(d.places) > maxFrameDigits+1 {
			return p.wrong("more", "at most %d digits", maxFrameDigits)
		}
	}
	p.knownCodes(d)
	return nil
}

func (p *frameParser) knownCodes(d *display) {
	set := func(code int, char byte) {
		if !d.codeLines[code] { // a line "code" above has the last word
			d.chars[code] = char
		}
	}
	switch d.code {
	case segmentDigits:
		for code, char := range segmentChars {
			set(int(code), char)
		}
	case asciiDigits:
		for c := '0'; c <= '9'; c++ {
			set(int(c), byte(c))
		}
	default:
		for n := range 10 {
			set(n, byte('0'+n))
		}
	}
}

// places makes the places of the digits that one word names.
func (p *frameParser) places(code digitCode, w string) ([]digitPlace, error) {
	if code == segmentDigits {
		var place digitPlace
		for part := range strings.SplitSeq(w, "+") {
			f, err := p.field(part)
			if err != nil {
				return nil, err
			}
			if f.whole {
				if f.first != f.last {
					return nil, p.wrong(quoted(w), "one word a digit of segments, such as 3 or 3.0-2+4.0-3")
				}
				f.hi = 6
			}
			place = append(place, f.bits(f.lo, f.hi)...)
		}
		if len(place) != 7 {
			return nil, p.wrong(fmt.Sprintf("%s, which is %d bits", quoted(w), len(place)), "the seven bits of segments a to g")
		}
		return []digitPlace{place}, nil
	}
	f, err := p.field(w)
	if err != nil {
		return nil, err
	}
	if !f.whole && (code != nibbleDigits || f.hi-f.lo != 3 || f.down) {
		return nil, p.wrong(quoted(w), "whole bytes, or for nibble four bits such as 3.4-7")
	}
	var out []digitPlace
	for at := f.first; at <= f.last; at++ {
		one := frameField{first: at}
		switch {
		case code == asciiDigits:
			out = append(out, one.bits(0, 7))
		case code == packedDigits:
			out = append(out, one.bits(4, 7), one.bits(0, 3))
		case f.whole:
			out = append(out, one.bits(0, 3))
		default:
			out = append(out, one.bits(f.lo, f.hi))
		}
	}
	return out, nil
}

// bits lists the bits lo to hi of the field's byte, in the order in which the field names them.
func (f frameField) bits(lo, hi int) (out digitPlace) {
	for n := lo; n <= hi; n++ {
		out = append(out, bit{byte(f.first), 1 << n})
	}
	if f.down {
		slices.Reverse(out)
	}
	return out
}

// codeOf reads a further code of a digit: "code 7C 6".
func (p *frameParser) codeOf(words []string) error {
	if len(words) != 2 || len(words[1]) != 1 {
		return p.wrong(quoted(strings.Join(words, " ")), `a code in hex and the one character that it shows, such as "code 7C 6"`)
	}
	return p.setCode(words[0], words[1][0])
}

func (p *frameParser) blankCode(words []string) error {
	if len(words) != 1 {
		return p.wrong(quoted(strings.Join(words, " ")), "the code of a place that shows nothing, in hex, such as 20")
	}
	return p.setCode(words[0], ' ')
}

func (p *frameParser) setCode(w string, char byte) error {
	n, err := strconv.ParseUint(w, 16, 8)
	if err != nil {
		return p.wrong(quoted(w), "a code in hex, 00 to FF")
	}
	if p.here.codeLines[int(n)] {
		return p.wrong(fmt.Sprintf("%02X a second time", n), "each code once")
	}
	p.here.codeLines[int(n)], p.here.chars[n] = true, char
	return nil
}
