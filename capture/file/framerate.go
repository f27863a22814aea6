package file

import (
	"errors"
	"fmt"
	"strings"
)

// FrameRate is the rate that a video's time code counts frames at: a label of hours, minutes, seconds and
// frames, as SMPTE ST 12-1 defines it (from memory). A rate of 29.97 is 30000/1001; its labels count to
// 30 and so fall behind the clock, unless they drop frame numbers (never frames): 00 and 01 of every
// minute that is no tenth one, 00 to 03 at 59.94. A semicolon before the frames says that a label does.
type FrameRate struct {
	name     string
	nominal  int64 // frames that a second's labels count
	num, den int64 // frames a second, as a fraction
	drop     int64 // frame numbers left out a minute by labels that drop; 0: there are none
}

var frameRates = []FrameRate{
	{"23.976", 24, 24000, 1001, 0},
	{"24", 24, 24, 1, 0},
	{"25", 25, 25, 1, 0},
	{"29.97", 30, 30000, 1001, 2},
	{"30", 30, 30, 1, 0},
	{"50", 50, 50, 1, 0},
	{"59.94", 60, 60000, 1001, 4},
	{"60", 60, 60, 1, 0},
}

// ParseFrameRate knows the rates of video: 23.976, 24, 25, 29.97, 30, 50, 59.94, 60.
func ParseFrameRate(s string) (FrameRate, error) {
	names := make([]string, len(frameRates))
	for i, r := range frameRates {
		if names[i] = r.name; strings.TrimSpace(s) == r.name {
			return r, nil
		}
	}
	return FrameRate{}, fmt.Errorf("%q is no frame rate of video; allowed are %s", s, strings.Join(names, ", "))
}

// FrameS is the length of one frame, s.
func (r FrameRate) FrameS() float64 { return float64(r.den) / float64(r.num) }

// label is a time code as it stands in a file.
type label struct {
	frames int64 // since 00:00:00:00
	drops  bool  // it is one of those that drop frame numbers
}

var (
	errNoTimecode = errors.New("want a time code hh:mm:ss:ff")
	errNotDropped = errors.New("want : before the frames")
)

// Parse reads one time code that stands alone, in nanoseconds from 00:00:00:00.
func (r FrameRate) Parse(s string) (ns int64, err error) {
	s = strings.TrimSpace(s)
	l, n, err := r.label([]byte(s))
	if err == nil && n < len(s) {
		err = errNoTimecode
	}
	if err != nil {
		return 0, fmt.Errorf("%w, got %q", err, s)
	}
	return r.ns(l.frames), nil
}

// ns is when a frame begins, rounded to the nanosecond.
func (r FrameRate) ns(frames int64) int64 {
	// 2 × 86400 s × 60 frames × 1001 × 1e9 does not fit; the whole seconds are taken apart first.
	whole, rest := frames*r.den/r.num, frames*r.den%r.num
	return whole*1e9 + (rest*1e9+r.num/2)/r.num
}

// label reads a time code from the start of b and says how many bytes it takes.
func (r FrameRate) label(b []byte) (l label, n int, err error) {
	var part [4]int64
	for i := range part {
		start := n
		for n < len(b) && b[n]-'0' <= 9 && n-start < 2 {
			part[i] = part[i]*10 + int64(b[n]-'0')
			n++
		}
		if n == start || n < len(b) && b[n]-'0' <= 9 {
			return l, n, errNoTimecode
		}
		if i == len(part)-1 {
			break
		}
		if n == len(b) || b[n] != ':' && (i < 2 || b[n] != ';') {
			return l, n, errNoTimecode
		}
		l.drops = b[n] == ';'
		n++
	}
	l.frames, err = r.count(part, l.drops)
	return l, n, err
}

// count gives the number of the frame that a label names.
func (r FrameRate) count(part [4]int64, drops bool) (int64, error) {
	h, m, s, f := part[0], part[1], part[2], part[3]
	switch {
	case h > 23:
		return 0, fmt.Errorf("want hours 00 to 23")
	case m > 59:
		return 0, fmt.Errorf("want minutes 00 to 59")
	case s > 59:
		return 0, fmt.Errorf("want seconds 00 to 59")
	case f >= r.nominal:
		return 0, fmt.Errorf("want frames 00 to %d at %s frames a second", r.nominal-1, r.name)
	}
	n := ((h*60+m)*60+s)*r.nominal + f
	if !drops {
		return n, nil
	}
	if r.drop == 0 {
		return 0, fmt.Errorf("%w: at %s frames a second no frame numbers are dropped", errNotDropped, r.name)
	}
	if f < r.drop && s == 0 && m%10 != 0 {
		return 0, fmt.Errorf("want a frame from %02d on: numbers below are dropped at the start of this minute", r.drop)
	}
	minutes := h*60 + m
	return n - r.drop*(minutes-minutes/10), nil
}
