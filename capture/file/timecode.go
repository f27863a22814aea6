package file

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"os"

	"letthrough/capture/trace"
)

// A line of notes from a video is a time code and what the display showed:
//
//	00:01:12:07  4,51
//
// Between the two stand blanks, a tab, a comma or a semicolon. What follows a # is a remark.

const (
	maxNoteLine = 4096
	maxNoteA    = 1e5 // more than this is no reading of a low-voltage unit
	daySeconds  = 86400
)

// ReadTimecodeFile reads notes from a file.
func ReadTimecodeFile(path string, rate FrameRate) (Trace, error) {
	f, err := os.Open(path)
	if err != nil {
		return Trace{}, openError(path, err)
	}
	defer f.Close()
	if info, err := f.Stat(); err == nil && info.IsDir() {
		return Trace{}, &Error{File: path, Want: "want a file with notes", Got: "a folder", Hint: "name the files in it"}
	}
	return ReadTimecode(f, path, rate)
}

// ReadTimecode reads readings noted from a video. Times are those of the time code, from 00:00:00:00, on
// past midnight. Times that go back are kept in their order: whoever derives sets them aside and counts them.
func ReadTimecode(r io.Reader, name string, rate FrameRate) (Trace, error) {
	n := notes{t: Trace{Name: name}, rate: rate}
	lines := bufio.NewReaderSize(r, maxNoteLine)
	for {
		line, err := lines.ReadSlice('\n')
		n.line++
		switch {
		case errors.Is(err, bufio.ErrBufferFull):
			return Trace{}, n.refuse("want a time code and a current", fmt.Sprintf("over %d bytes without a line end", maxNoteLine), "name a text file")
		case err != nil && err != io.EOF:
			return Trace{}, openError(name, err)
		}
		if werr := n.take(line); werr != nil {
			return Trace{}, werr
		}
		if err == io.EOF {
			break
		}
	}
	if len(n.t.Current) == 0 {
		return Trace{}, &Error{File: name, Want: "want lines such as 00:01:12:07 4,51", Got: "no reading at all", Hint: "note a time code and a current on each line"}
	}
	if !n.unclear && n.places <= printedDigits {
		n.t.ResolutionA = 1 / pow10[max(n.places, 0)]
	}
	return n.t, nil
}

// notes is a file of them under way.
type notes struct {
	t       Trace
	rate    FrameRate
	line    int
	header  bool
	shift   int // power of ten of currents without a unit
	drops   bool
	last    int64 // frames of the line before, days counted in
	days    int64
	places  int
	unclear bool
}

func (n *notes) refuse(want, got, hint string) error {
	return &Error{File: n.t.Name, Line: n.line, Want: want, Got: got, Hint: hint}
}

// take reads one line.
func (n *notes) take(line []byte) error {
	if n.line == 1 {
		line = bytes.TrimPrefix(line, []byte("\xef\xbb\xbf"))
	}
	if i := bytes.IndexByte(line, '#'); i >= 0 {
		line = line[:i]
	}
	if line = bytes.TrimSpace(line); len(line) == 0 {
		return nil
	}
	if line[0]-'0' > 9 && !n.header && len(n.t.Current) == 0 {
		return n.heading(line)
	}
	l, at, err := n.rate.label(line)
	if err == nil && at < len(line) && bytes.IndexByte([]byte(" \t,;"), line[at]) < 0 {
		err = errNoTimecode
	}
	if err != nil {
		hint := "--fps says the frame rate of the video"
		if errors.Is(err, errNotDropped) {
			hint = "--fps 29.97 or 59.94 if the time code drops frame numbers"
		}
		return n.refuse(err.Error(), quoted(line[:min(at+8, len(line))]), hint)
	}
	if len(n.t.Current) > 0 && l.drops != n.drops {
		return n.refuse("want the one kind of time code that the lines before have", quoted(line[:at]), "a semicolon before the frames says that frame numbers are dropped; use it on every line or on none")
	}
	n.drops = l.drops
	v, flags, err := n.current(cutSeparator(line[at:]))
	if err != nil {
		return err
	}
	n.t.Current = append(n.t.Current, trace.Sample{AtNS: n.rate.ns(n.onward(l.frames)), Value: v, Flags: flags})
	return nil
}

// onward counts the days: a time code that falls back by more than half of one has passed midnight.
func (n *notes) onward(frames int64) int64 {
	day := int64(daySeconds) * n.rate.nominal
	if n.drops {
		day -= n.rate.drop * (24*60 - 24*6)
	}
	if len(n.t.Current) > 0 && frames+n.days*day < n.last-day/2 {
		n.days++
	}
	n.last = frames + n.days*day
	return n.last
}

// heading takes the one line of words that may come first; a unit in it counts.
func (n *notes) heading(line []byte) error {
	n.header = true
	lower := bytes.ToLower(line)
	for _, c := range lower {
		if c < ' ' && c != '\t' {
			return n.refuse("want a time code and a current, or a heading", quoted(line), "name a text file")
		}
	}
	if i := bytes.IndexByte(lower, ':'); i >= 0 && i > 0 && lower[i-1]-'0' <= 9 {
		return n.refuse(errNoTimecode.Error(), quoted(line), "")
	}
	switch {
	case bytes.Contains(lower, []byte("(ma)")), bytes.Contains(lower, []byte("[ma]")), bytes.Contains(lower, []byte("_ma")), bytes.HasSuffix(lower, []byte(" ma")):
		n.shift = -3
	}
	return nil
}

// cutSeparator takes off what stands between the time code and the current.
func cutSeparator(b []byte) []byte {
	b = bytes.TrimLeft(b, " \t")
	if len(b) > 0 && (b[0] == ',' || b[0] == ';') {
		b = bytes.TrimLeft(b[1:], " \t")
	}
	return b
}

// current reads what the display showed: a number, with or without its unit, or a word for beyond the range.
func (n *notes) current(b []byte) (float64, trace.Flags, error) {
	if v, ok := overRange(b); ok {
		return v, trace.Over, nil
	}
	number, shift := b, n.shift
	for _, u := range []struct {
		text  string
		shift int
	}{{"mA", -3}, {"uA", -6}, {"µA", -6}, {"μA", -6}, {"A", 0}} {
		if rest, ok := bytes.CutSuffix(b, []byte(u.text)); ok {
			number, shift = bytes.TrimRight(rest, " \t"), u.shift
			break
		}
	}
	d, ok := parseDecimal(number, true)
	if !ok {
		got := quoted(b)
		if len(b) == 0 {
			got = "nothing"
		}
		return 0, 0, n.refuse("want a current after the time code", got, "a number such as 4.51 or 4,51, or OL")
	}
	v, ok := d.float(number, shift, true)
	if !ok || math.Abs(v) > maxNoteA {
		return 0, 0, n.refuse(fmt.Sprintf("want a current of at most %g A", maxNoteA), quoted(b), "look for a lost decimal mark")
	}
	n.unclear = n.unclear || d.written
	n.places = max(n.places, -d.exp-shift)
	return v, 0, nil
}
