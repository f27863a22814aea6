package sim

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// Hand-held meters that send frames. They are written from the documents that describe the frames and
// not from the descriptions that the reader uses, so that an error in one of the two shows.

// FrameKinds lists the meters that NewFrames makes.
func FrameKinds() []string { return []string{"ascii-16", "example"} }

// NewFrames finds a meter by the kind of its frames; "" is ascii-16.
func NewFrames(kind string) (Encoder, error) {
	switch kind {
	case "", "ascii-16":
		return SixteenCharacters{}, nil
	case "example":
		return SegmentMeter{}, nil
	}
	return nil, fmt.Errorf("kind %q: a simulated meter sends %s", kind, strings.Join(FrameKinds(), " or "))
}

// SixteenCharacters sends frames of 16 characters (Lutron DM-9962SD manual p. 17): 02, 4, the display,
// two characters of unit, sign, decimals, eight digits, 0D. It changes its range as such meters do: below
// 0.4 A it shows milliamperes. How it says that it is beyond its range is not documented; this one stops
// at 19.999 A.
type SixteenCharacters struct{}

// Encode appends the frame of the upper display, and, where there is a voltage, that of the lower one.
func (SixteenCharacters) Encode(dst []byte, r Reading) []byte {
	i := min(19.999, max(-19.999, r.CurrentA))
	if math.IsNaN(i) {
		i = 0
	}
	if math.Abs(i) < 0.4 {
		dst = sixteen(dst, '1', "37", i*1000, 2)
	} else {
		dst = sixteen(dst, '1', "36", i, 3)
	}
	if r.HasVoltage {
		dst = sixteen(dst, '2', "34", r.VoltageV, 2)
	}
	return dst
}

func sixteen(dst []byte, display byte, unit string, v float64, decimals int) []byte {
	sign := byte('0')
	if v < 0 {
		sign = '1'
	}
	digits := strings.Replace(strconv.FormatFloat(math.Abs(v), 'f', decimals, 64), ".", "", 1)
	dst = append(dst, 0x02, '4', display)
	dst = append(append(dst, unit...), sign, byte('0'+decimals))
	dst = append(append(dst, strings.Repeat("0", 8-len(digits))...), digits...)
	return append(dst, 0x0D)
}

// SegmentMeter is the invented meter of the help page Frames: four digits of seven segments, lamps, and a
// small display of volts below.
type SegmentMeter struct{}

// litSegments names the segments of each digit by their letters: a at the top and on clockwise, g in the
// middle.
var litSegments = map[byte]string{
	'0': "abcdef", '1': "bc", '2': "abdeg", '3': "abcdg", '4': "bcfg", '5': "acdfg", '6': "acdefg", '7': "abc",
	'8': "abcdefg", '9': "abcdfg", 'L': "def", ' ': "",
}

// Encode appends one frame.
func (SegmentMeter) Encode(dst []byte, r Reading) []byte {
	from := len(dst)
	i := math.Abs(r.CurrentA)
	shown, point, unit := "", 0, byte(1<<4)
	switch {
	case math.IsNaN(i), r.Over, i >= 40:
		shown = " 0L "
	case i < 0.4:
		shown, point, unit = fmt.Sprintf("%04.0f", i*1e4), 3, 1<<4|1 // 399.9 mA
	case i < 4:
		shown, point = fmt.Sprintf("%04.0f", i*1e3), 1
	default:
		shown, point = fmt.Sprintf("%04.0f", i*1e2), 2
	}
	lamps := byte(1 << 1) // DC
	if r.CurrentA < 0 {
		lamps |= 1
	}
	dst = append(dst, 0xB5, lamps)
	for n, digit := range []byte(shown) {
		var b byte
		for _, s := range litSegments[digit] {
			b |= 1 << (s - 'a')
		}
		if n > 0 && n == point {
			b |= 1 << 7
		}
		dst = append(dst, b)
	}
	dst = append(dst, unit)
	hundredths := int(math.Round(min(99.99, max(0, r.VoltageV)) * 100))
	for _, two := range []int{hundredths / 100, hundredths % 100} {
		dst = append(dst, byte(two/10<<4|two%10))
	}
	var x byte
	for _, b := range dst[from:] {
		x ^= b
	}
	return append(dst, x)
}
