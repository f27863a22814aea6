package wire

import (
	"errors"
	"math"
	"strconv"
	"unsafe"

	"letthrough/capture/trace"
)

// Reasons why a field is no reading. They are shown to a person.
var (
	errNoNumber = errors.New("no number")
	errAfter    = errors.New("something follows the number")
	errMarks    = errors.New("a number with two marks: nothing may stand between its thousands")
	errQuantity = errors.New("a unit of another quantity than this channel's")
	errNaN      = errors.New("the instrument says that it has no number")
	errAbsurd   = errors.New("an absurd number")
	errTooLong  = errors.New("a number of too many digits")
	errTime     = errors.New("the time is no whole count in range")
	errColumns  = errors.New("another number of columns than in the lines before")
	errChecksum = errors.New("the checksum is wrong or missing")
	errByte     = errors.New("a byte that no line of text has")
	errLineLong = errors.New("over 4096 bytes without a line end")

	errUnfinished    = errors.New("an answer that stopped in its middle")
	errAnswerLong    = errors.New("an answer of over 512 bytes")
	errUnasked       = errors.New("bytes that nobody asked for: perhaps an instrument that talks by itself")
	errLateAnswer    = errors.New("an answer to an older question")
	errNoErrorNumber = errors.New("an entry of the error queue without a number")
	errNumbers       = errors.New("another count of numbers than expected; current= and voltage= say which is what")
	errCRC           = errors.New("the CRC is wrong")
)

// maxBase is the largest reading that is believed, A or V: far beyond every low-voltage output, far
// below what a lost decimal point in an exponent makes.
const maxBase = 1e5

// pow10 holds the powers of ten that a float64 represents exactly.
var pow10 = [...]float64{
	1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11,
	1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18, 1e19, 1e20, 1e21, 1e22,
}

// exactDigits is how many decimal digits always fit into a float64 without rounding.
const exactDigits = 15

// decimalValue gives mantissa * 10^exp, rounded once and so bit-equal to strconv.ParseFloat, if both the
// mantissa and the power are exact (Clinger 1990, the fast case).
func decimalValue(mantissa uint64, digits, exp int) (v float64, ok bool) {
	if digits > exactDigits || exp < -22 || exp > 22 {
		return 0, false
	}
	if exp < 0 {
		return float64(mantissa) / pow10[-exp], true
	}
	return float64(mantissa) * pow10[exp], true
}

// scanned is a decimal number as it stands in a field.
type scanned struct {
	mantissa uint64
	digits   int // without leading zeros
	exp      int // of ten
	neg      bool
	end      int // where it ends in the field
	sep      byte
}

// scanNumber reads [+-]digits[.digits][e[+-]digits] from the start of b; decimal is the byte that may
// stand as the decimal mark, 0 for either point or comma.
func scanNumber(b []byte, decimal byte) (n scanned, err error) {
	i := 0
	if i < len(b) && (b[i] == '-' || b[i] == '+') {
		n.neg = b[i] == '-'
		i++
	}
	any := false
	for ; i < len(b); i++ {
		c := b[i]
		switch {
		case c-'0' <= 9:
			any = true
			if n.sep != 0 {
				n.exp--
			}
			if n.digits > 0 || c != '0' {
				n.digits++
			}
			if n.digits <= 19 {
				n.mantissa = n.mantissa*10 + uint64(c-'0')
			}
			continue
		case n.sep == 0 && (c == decimal || decimal == 0 && (c == '.' || c == ',')):
			n.sep = c
			continue
		}
		break
	}
	if !any {
		return n, errNoNumber
	}
	n.end = i
	if i+1 < len(b) && (b[i] == 'e' || b[i] == 'E') {
		j, minus := i+1, false
		if b[j] == '+' || b[j] == '-' {
			minus = b[j] == '-'
			j++
		}
		e, start := 0, j
		for ; j < len(b) && b[j]-'0' <= 9; j++ {
			if e = e*10 + int(b[j]-'0'); e > 9999 {
				return n, errAbsurd
			}
		}
		if j > start {
			if minus {
				e = -e
			}
			n.exp, n.end = n.exp+e, j
		}
	}
	if n.end > maxNumber {
		return n, errTooLong
	}
	return n, nil
}

// maxNumber bounds the bytes of one number; real instruments send at most about 15.
const maxNumber = 40

// value turns a scanned number times 10^shift into a float64, bit-equal to strconv.ParseFloat of the
// same decimal. scratch is used where the fast case does not serve.
func (n scanned) value(b []byte, shift int, scratch *[maxNumber + 16]byte) float64 {
	v, ok := decimalValue(n.mantissa, n.digits, n.exp+shift)
	if !ok {
		// Digits are copied without their mark; exp already counts where it stood.
		s := scratch[:0]
		for _, c := range b[:n.end] {
			if c == 'e' || c == 'E' {
				break
			}
			if c-'0' <= 9 {
				s = append(s, c)
			}
		}
		s = append(s, 'e')
		s = strconv.AppendInt(s, int64(n.exp+shift), 10)
		// ParseFloat keeps nothing of its argument. It errs only beyond the range, where it
		// gives an infinity, which is refused as absurd.
		v, _ = strconv.ParseFloat(unsafe.String(&s[0], len(s)), 64)
	}
	if n.neg {
		v = -v
	}
	return v
}

// suffix reads "A", "mA", " µV", "VDC" and the like: the unit's letter and its prefix as a power of ten.
func suffix(b []byte) (unit byte, exp int, ok bool) {
	switch {
	case len(b) > 2 && b[0] == 0xC2 && b[1] == 0xB5, // µ, micro sign, in UTF-8
		len(b) > 2 && b[0] == 0xCE && b[1] == 0xBC: // μ, Greek letter mu
		exp, b = -6, b[2:]
	case len(b) > 1 && b[0] == 0xB5: // the micro sign in Latin-1
		exp, b = -6, b[1:]
	case len(b) > 1:
		switch b[0] {
		case 'n':
			exp, b = -9, b[1:]
		case 'u':
			exp, b = -6, b[1:]
		case 'm':
			exp, b = -3, b[1:]
		case 'k':
			exp, b = 3, b[1:]
		}
	}
	if b[0] != 'A' && b[0] != 'V' {
		return 0, 0, false
	}
	switch string(trimSpace(b[1:])) {
	case "", "DC", "dc":
		return b[0], exp, true
	}
	return 0, 0, false
}

// overRange knows the words that instruments write in place of a number beyond their range.
func overRange(b []byte) (v float64, ok bool) {
	sign := 1
	if len(b) > 1 && (b[0] == '-' || b[0] == '+') && b[1] != '-' {
		if b[0] == '-' {
			sign = -1
		}
		b = trimSpace(b[1:])
	}
	if len(b) < 2 || b[0]-'0' <= 9 && (b[0] != '0' || b[len(b)-1]-'0' <= 9) {
		return 0, false // nearly every field is a number and ends here
	}
	word := cutUnit(b)
	dashes, others := 0, 0 // "----", "--.--"
	for _, c := range word {
		switch c {
		case '-':
			dashes++
		case '.':
		default:
			others++
		}
	}
	if dashes >= 2 && others == 0 {
		return math.Inf(sign), true
	}
	var buf [12]byte
	up := buf[:0]
	for _, c := range word {
		if c == '.' {
			continue // the mark stays lit where it was: "O.L", ".OL", "OL."
		}
		if len(up) == len(buf) {
			return 0, false
		}
		if 'a' <= c && c <= 'z' {
			c -= 'a' - 'A'
		}
		up = append(up, c)
	}
	switch string(up) {
	case "OL", "0L", "OVER", "OVLD", "OVERLOAD", "OVERRANGE", "OVERFLOW", "OVRNG":
		return math.Inf(sign), true
	}
	return 0, false
}

// cutUnit takes a unit off the end of a word, after a space: "OL A", "---- mV".
func cutUnit(b []byte) []byte {
	for i := len(b) - 1; i > 0; i-- {
		if b[i] == ' ' {
			if _, _, ok := suffix(b[i+1:]); ok && i+1 < len(b) {
				return trimSpace(b[:i])
			}
			break
		}
	}
	return b
}

func trimSpace(b []byte) []byte {
	for len(b) > 0 && (b[0] == ' ' || b[0] == '\t') {
		b = b[1:]
	}
	for len(b) > 0 && (b[len(b)-1] == ' ' || b[len(b)-1] == '\t') {
		b = b[:len(b)-1]
	}
	return b
}

// scanValue reads a number with or without a unit, in A or V, with the words for beyond the range left to
// overRange. shift is the power of ten of numbers without a unit, decimal as for scanNumber.
func scanValue(b []byte, q trace.Quantity, shift int, decimal byte, most float64, scratch *[maxNumber + 16]byte) (v float64, n scanned, flags trace.Flags, err error) {
	if n, err = scanNumber(b, decimal); err != nil {
		return 0, n, 0, err
	}
	if rest := trimSpace(b[n.end:]); len(rest) > 0 {
		unit, exp, ok := suffix(rest)
		switch {
		case ok:
		case len(rest) > 1 && (rest[0] == '.' || rest[0] == ',') && rest[1]-'0' <= 9:
			return 0, n, 0, errMarks
		default:
			return 0, n, 0, errAfter
		}
		if unit != q.Unit()[0] {
			return 0, n, 0, errQuantity
		}
		shift = exp
	}
	// SCPI-1999 volume 1: 9.9E37 stands for infinity, 9.91E37 for not a number (from memory; both are
	// printed in several makers' manuals). They are told before any unit is applied, and with a
	// tolerance, since an instrument that reckons in single precision prints 9.900000302E37.
	switch raw := n.value(b, 0, scratch); {
	case math.Abs(raw) > 9.905e37 && math.Abs(raw) < 9.915e37:
		return 0, n, 0, errNaN
	case math.Abs(raw) > 9.895e37 && math.Abs(raw) < 9.905e37:
		return math.Copysign(math.Inf(1), raw), n, trace.Over, nil
	}
	if v = n.value(b, shift, scratch); math.Abs(v) > most {
		return 0, n, 0, errAbsurd
	}
	return v, n, 0, nil
}
