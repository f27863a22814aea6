package file

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"

	"letthrough/capture/trace"
)

// jsonScanner walks over a JSON document of any length, holding no more of it than one value. After
// the first fault it stands still.
type jsonScanner struct {
	name string
	r    *bufio.Reader
	at   int64 // bytes read
	err  error
}

func newJSONScanner(r io.Reader, name string) *jsonScanner {
	s := &jsonScanner{name: name, r: bufio.NewReaderSize(r, 64<<10)}
	if bom, err := s.r.Peek(3); err == nil && string(bom) == "\xef\xbb\xbf" {
		s.r.Discard(3)
		s.at = 3
	}
	return s
}

// fail keeps the first fault. What stood there is said unless the file could not be read.
func (s *jsonScanner) fail(want, got string, err error) {
	if s.err != nil {
		return
	}
	if err != nil && !errors.Is(err, io.EOF) && !errors.Is(err, io.ErrUnexpectedEOF) {
		got = err.Error()
	}
	s.err = &Error{File: s.name, Byte: s.at + 1, Want: want, Got: got, Err: err}
}

// next gives the next byte that is no white space, without taking it. 0 is a fault.
func (s *jsonScanner) next(want string) byte {
	for s.err == nil {
		b, err := s.r.ReadByte()
		if err != nil {
			s.fail("want "+want, "the end of the file: it is cut short", err)
			return 0
		}
		if b != ' ' && b != '\n' && b != '\r' && b != '\t' {
			s.r.UnreadByte()
			return b
		}
		s.at++
	}
	return 0
}

// expect takes one byte that must be there.
func (s *jsonScanner) expect(b byte) {
	want := fmt.Sprintf("%q", b)
	if got := s.next(want); s.err == nil && got != b {
		s.fail("want "+want, fmt.Sprintf("%q", got), nil)
	}
	s.take()
}

func (s *jsonScanner) take() {
	if s.err == nil {
		s.r.ReadByte()
		s.at++
	}
}

// more tells whether another element follows in a list or an object that ends with end, and takes
// what stands between.
func (s *jsonScanner) more(first bool, end byte) bool {
	b := s.next(fmt.Sprintf("%q", end))
	switch {
	case s.err != nil:
		return false
	case b == end:
		s.take()
		return false
	case first:
		return true
	case b != ',':
		s.fail(fmt.Sprintf("want a comma or %q", end), fmt.Sprintf("%q", b), nil)
		return false
	}
	s.take()
	return s.err == nil
}

// value takes one value whole, at most so many bytes of it.
func (s *jsonScanner) value(most int) []byte {
	s.next("a value")
	var out []byte
	depth, quotes, escaped := 0, false, false
	for s.err == nil {
		b, err := s.r.ReadByte()
		if err != nil {
			s.fail("want the rest of a value", "the end of the file: it is cut short", err)
			break
		}
		if !quotes && depth == 0 && len(out) > 0 && bytes.IndexByte([]byte(",]}: \n\r\t"), b) >= 0 {
			s.r.UnreadByte() // a number or a word ends before what follows it
			break
		}
		s.at++
		if out = append(out, b); len(out) > most {
			s.fail(fmt.Sprintf("want a value of at most %d bytes", most), "more", nil)
			break
		}
		switch {
		case quotes:
			quotes = escaped || b != '"'
			escaped = !escaped && b == '\\'
		case b == '"':
			quotes = true
		case b == '{' || b == '[':
			depth++
		case b == '}' || b == ']':
			depth--
		}
		if !quotes && depth <= 0 && (b == '"' || b == '}' || b == ']') {
			break
		}
	}
	return out
}

// decode reads a value into v.
func (s *jsonScanner) decode(raw []byte, what string, v any) {
	if s.err != nil {
		return
	}
	if err := json.Unmarshal(raw, v); err != nil {
		s.fail("want "+what, quoted(raw)+" ("+err.Error()+")", nil)
	}
}

// key takes the name of a member and the colon behind it.
func (s *jsonScanner) key() (k string) {
	s.decode(s.value(1000), "the name of a member", &k)
	s.expect(':')
	return k
}

// end makes sure that nothing follows.
func (s *jsonScanner) end() {
	for s.err == nil {
		b, err := s.r.ReadByte()
		if errors.Is(err, io.EOF) {
			return
		}
		if err != nil {
			s.fail("want the end of the file", "", err)
		} else if b != ' ' && b != '\n' && b != '\r' && b != '\t' {
			s.fail("want the end of the file", fmt.Sprintf("%q", b), nil)
		}
		s.at++
	}
}

// row takes [t_s, value, flags] and gives the sample, its time counting from zero.
func (s *jsonScanner) row(zero int64) (out trace.Sample) {
	s.expect('[')
	if s.err != nil {
		return out
	}
	const want = "want a row of time, value and flags, such as [0.001,4.497,0]"
	line, err := s.r.ReadSlice(']')
	if err != nil {
		s.fail(want, quoted(line), err)
		return out
	}
	cells := bytes.SplitN(line[:len(line)-1], []byte(","), 4)
	if len(cells) != 3 {
		s.fail(want, quoted(line), nil)
		return out
	}
	at, ok := parseDecimal(bytes.TrimSpace(cells[0]), false)
	ns, fits := at.nanoseconds(9)
	out.AtNS = ns + zero
	if !ok || !fits || ns > farthestNS || ns < -farthestNS {
		s.fail("want a time in seconds", quoted(cells[0]), nil)
		return out
	}
	flags := bytes.TrimSpace(cells[2])
	if len(flags) != 1 || flags[0] < '0' || flags[0] > '7' {
		s.fail("want flags from 0 to 7", quoted(cells[2]), nil)
		return out
	}
	f := flags[0] - '0'
	out.Flags = trace.Flags(f &^ flagBelow)
	if out.Value, ok = rowValue(bytes.TrimSpace(cells[1]), f); !ok {
		s.fail("want a number, or null with the flag 1 (beyond the range)", quoted(line), nil)
		return out
	}
	s.at += int64(len(line))
	return out
}

func rowValue(text []byte, flags byte) (float64, bool) {
	if string(text) == "null" {
		return infinity(flags&flagBelow != 0), flags&byte(trace.Over) != 0
	}
	d, ok := parseDecimal(text, false)
	if !ok || flags&flagBelow != 0 {
		return 0, false
	}
	return d.float(text, 0, false)
}
