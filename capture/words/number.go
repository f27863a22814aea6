package words

import (
	"math"
	"strconv"
	"strings"
)

// Number rounds a value and its expanded uncertainty for a person: the uncertainty to two
// significant digits, the value to the same place (JCGM 100:2008, 7.2.6). Without an uncertainty the
// value is given to four significant digits. Trailing zeros stay, they say how well it is known.
func Number(v, u float64) (value, uncertainty string) {
	if !(u > 0) || math.IsInf(u, 0) {
		return significant(v, 4), ""
	}
	p := place(u)
	return fixed(v, p), fixed(u, p)
}

// place is the power of ten of the second significant digit of u, after rounding: 0.0996 rounds to
// 0.100 and so has its second digit at 0.01.
func place(u float64) int {
	p := int(math.Floor(math.Log10(u))) - 1
	if math.Round(u/math.Pow10(p)) >= 100 {
		p++
	}
	return min(max(p, -9), 9)
}

// fixed rounds v to the place p, a power of ten, half away from zero as on paper.
func fixed(v float64, p int) string {
	if p > 0 {
		s := math.Pow10(p)
		return unsigned0(strconv.FormatFloat(math.Round(v/s)*s, 'f', 0, 64))
	}
	return unsigned0(strconv.FormatFloat(v, 'f', -p, 64))
}

// unsigned0: what rounds to zero has no sign.
func unsigned0(s string) string {
	if strings.Trim(s, "-0.") == "" {
		return strings.TrimPrefix(s, "-")
	}
	return s
}

// significant gives v to n significant digits without an exponent.
func significant(v float64, n int) string {
	if v == 0 || math.IsNaN(v) || math.IsInf(v, 0) {
		return "0"
	}
	p := int(math.Floor(math.Log10(math.Abs(v)))) - n + 1
	s := fixed(v, min(max(p, -9), 9))
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	return s
}

// upper and lower give a bound to three significant digits, rounded to the safe side: an "at most"
// never says less than the number it stands for, an "at least" never more.
func upper(v float64) string { return toward(v, math.Ceil) }
func lower(v float64) string { return toward(v, math.Floor) }

func toward(v float64, round func(float64) float64) string {
	if v == 0 || math.IsNaN(v) || math.IsInf(v, 0) {
		return "0"
	}
	p := min(max(int(math.Floor(math.Log10(math.Abs(v))))-2, -9), 9)
	s := math.Pow10(p)
	q := v / s
	// What is within rounding error of a whole number of places is that number.
	if r := math.Round(q); math.Abs(q-r) < 1e-6 {
		q = r
	} else {
		q = round(q)
	}
	out := fixed(q*s, p)
	if strings.Contains(out, ".") {
		out = strings.TrimRight(strings.TrimRight(out, "0"), ".")
	}
	return out
}
