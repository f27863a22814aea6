package wire

import "errors"

var (
	errDigits   = errors.New("a code that is no digit")
	errBlank    = errors.New("digits with a blank or a sign among them, or none at all")
	errTwoPoint = errors.New("two points among the digits")
)

// show gives the characters of the digits, without the blanks before them. wrong is the first place whose
// code means nothing, -1 if there is none.
func (f *frames) show(s *display, b []byte) (shown []byte, wrong int) {
	shown, wrong = f.shown[:0], -1
	for i, place := range s.places {
		code := 0
		for n, bit := range place {
			if b[bit.at]&bit.mask != 0 {
				code |= 1 << n
			}
		}
		char := s.chars[code]
		if char == 0 && wrong < 0 {
			wrong = i
		}
		shown = append(shown, char)
	}
	for len(shown) > 0 && shown[0] == ' ' {
		shown = shown[1:]
	}
	return shown, wrong
}

// saysOver tells whether the digits show one of the words for over range, with or without a sign.
func (s *display) saysOver(shown []byte) bool {
	if s.sign == signDigits && len(shown) > 0 && (shown[0] == '-' || shown[0] == '+') {
		shown = shown[1:]
	}
	shown = trimSpace(shown)
	for _, w := range s.words {
		if string(shown) == w {
			return true
		}
	}
	return false
}

// number makes a number of what is shown, without its sign, times 10^exp.
func (s *display) number(shown []byte, exp int) (float64, error) {
	if s.sign == signDigits && len(shown) > 0 && (shown[0] == '-' || shown[0] == '+') {
		for shown = shown[1:]; len(shown) > 0 && shown[0] == ' '; {
			shown = shown[1:] // a sign that stays in its place, blanks, digits
		}
	}
	var mantissa uint64
	digits, point := 0, false
	for _, c := range shown {
		switch {
		case c-'0' <= 9:
			mantissa = mantissa*10 + uint64(c-'0')
			digits++
			if point {
				exp--
			}
		case c == '.' && s.point && !point:
			point = true
		case c == '.' && s.point:
			return 0, errTwoPoint
		case c == ' ':
			return 0, errBlank
		default:
			return 0, errDigits
		}
	}
	if digits == 0 {
		return 0, errBlank
	}
	v, ok := decimalValue(mantissa, digits, exp)
	if !ok || v > maxBase {
		return 0, errAbsurd
	}
	return v, nil
}
