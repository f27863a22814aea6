package file

import (
	"bytes"
	"math"
	"strconv"
)

// decimal is a number as it stands in a file: mantissa * 10^exp, exact. Digits beyond the nineteenth
// do not fit the mantissa; then exact is false and only the text has it all.
type decimal struct {
	mantissa uint64
	exp      int
	negative bool
	exact    bool
	written  bool // with an exponent
}

// parseDecimal reads [+-]digits[.digits][e[+-]digits]. With comma, a decimal comma is read as well.
func parseDecimal(b []byte, comma bool) (d decimal, ok bool) {
	d.exact = true
	i := 0
	if i < len(b) && (b[i] == '-' || b[i] == '+') {
		d.negative = b[i] == '-'
		i++
	}
	digits, seenPoint := 0, false
	for ; i < len(b); i++ {
		c := b[i] - '0'
		if c <= 9 {
			digits++
			if d.mantissa > (math.MaxUint64-9)/10 {
				d.exact = false
				if !seenPoint {
					d.exp++
				}
				continue
			}
			d.mantissa = d.mantissa*10 + uint64(c)
			if seenPoint {
				d.exp--
			}
			continue
		}
		if (b[i] == '.' || comma && b[i] == ',') && !seenPoint {
			seenPoint = true
			continue
		}
		break
	}
	if digits == 0 {
		return d, false
	}
	if i < len(b) && (b[i] == 'e' || b[i] == 'E') {
		e, rest, ok := parseExponent(b[i+1:])
		if !ok {
			return d, false
		}
		d.written = true
		d.exp += e
		return d, len(rest) == 0
	}
	return d, i == len(b)
}

func parseExponent(b []byte) (e int, rest []byte, ok bool) {
	negative := false
	if len(b) > 0 && (b[0] == '-' || b[0] == '+') {
		negative = b[0] == '-'
		b = b[1:]
	}
	i := 0
	for ; i < len(b) && b[i]-'0' <= 9; i++ {
		if e < 10_000 { // beyond any number's; and it must not wrap
			e = e*10 + int(b[i]-'0')
		}
	}
	if negative {
		e = -e
	}
	return e, b[i:], i > 0
}

var pow10 = [...]float64{1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18, 1e19, 1e20, 1e21, 1e22}

// float gives the float64 that is nearest to the number times 10^shift: 512.3 mA is 0.5123 A, not
// a neighbour of it. text is what was parsed. ok is false beyond the largest float64.
func (d decimal) float(text []byte, shift int, comma bool) (v float64, ok bool) {
	exp := d.exp + shift
	switch {
	case d.exact && d.mantissa < 1<<53 && exp <= 0 && exp >= -22:
		v = float64(d.mantissa) / pow10[-exp] // both exact: rounded once
	case d.exact && d.mantissa < 1<<53 && exp > 0 && exp <= 22 && float64(d.mantissa)*pow10[exp] < 1<<53:
		v = float64(d.mantissa) * pow10[exp]
	default:
		return slowFloat(text, shift, comma)
	}
	if d.negative {
		v = -v
	}
	return v, true
}

// slowFloat lets the standard library round, with the exponent moved in the text.
func slowFloat(text []byte, shift int, comma bool) (float64, bool) {
	s := text
	if comma {
		s = bytes.ReplaceAll(text, []byte(","), []byte("."))
	}
	number, e := s, 0
	if i := bytes.IndexAny(s, "eE"); i >= 0 {
		number = s[:i]
		e, _, _ = parseExponent(s[i+1:])
	}
	v, err := strconv.ParseFloat(string(number)+"e"+strconv.Itoa(e+shift), 64)
	return v, err == nil
}

var intPow10 = [...]uint64{1, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18, 1e19}

// nanoseconds gives the number times 10^shift as whole nanoseconds, shift being 9 for seconds.
// What is finer is rounded, half away from zero. ok is false beyond what 64 bits hold.
func (d decimal) nanoseconds(shift int) (ns int64, ok bool) {
	exp := d.exp + shift
	m := d.mantissa
	switch {
	case m == 0:
		return 0, true
	case exp > 19 || exp < -40:
		return 0, exp < 0
	case exp >= 0:
		p := intPow10[min(exp, 19)]
		if m > math.MaxInt64/p {
			return 0, false
		}
		m *= p
	case exp <= -20:
		return 0, true // below half a nanosecond even with twenty digits
	default:
		p := intPow10[-exp]
		half := m%p >= p-m%p
		m /= p
		if half {
			m++
		}
	}
	if m > math.MaxInt64 {
		return 0, false
	}
	if d.negative {
		return -int64(m), true
	}
	return int64(m), true
}

// overRange knows the words that instruments write instead of a number beyond their range, and the
// number that SCPI-1999 has for it, 9.9E37 (volume 1, 7.2.1.4).
func overRange(b []byte) (v float64, ok bool) {
	negative := false
	w := bytes.TrimSpace(b)
	if len(w) > 1 && (w[0] == '-' || w[0] == '+') && w[1] != '-' {
		negative = w[0] == '-'
		w = bytes.TrimSpace(w[1:])
	}
	if len(w) == 0 || len(w) > 16 {
		return 0, false
	}
	switch string(bytes.ToLower(w)) {
	case "ol", "o.l", "o.l.", ".ol", "0l", "0.l", "over", "overload", "overrange", "over-range", "inf", "infinity", "9.9e37", "9.9e+37", "9.90e37", "9.90e+37", "9.900000e+37", "9.90000000e+37":
	default:
		if len(bytes.Trim(w, "-")) > 0 || len(w) < 2 {
			return 0, false
		}
	}
	if negative {
		return math.Inf(-1), true
	}
	return math.Inf(1), true
}
