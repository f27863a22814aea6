package file

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"strconv"
	"unicode/utf8"

	"letthrough/capture/trace"
)

const (
	readBlock = 256 << 10
	// maxRecord bounds one row, line breaks in quotes included: a file that is no CSV shall not be
	// read into memory in search of the end of a line.
	maxRecord = 1 << 20
	// printedDigits is how many decimal places no instrument displays; more were computed.
	printedDigits = 9
)

// ReadCSV reads a trace CSV (RFC 4180, header time_s,current_a[,voltage_v][,flags]) or, with what
// opt and its header say, a foreign one. name stands in errors. A row whose current is blank and
// whose flag is over is beyond the range with no number.
func ReadCSV(r io.Reader, name string, opt CSVOptions) (Trace, error) {
	c, err := NewCSVReader(r, name, opt)
	if err != nil {
		return Trace{}, err
	}
	t := Trace{Name: name}
	for {
		t.Current, t.Voltage, err = c.Read(t.Current, t.Voltage)
		if err == io.EOF {
			break
		}
		if err != nil {
			return Trace{}, err
		}
	}
	t.ResolutionA = c.ResolutionA()
	return t, nil
}

// CSVReader reads a CSV file a few thousand rows at a time.
type CSVReader struct {
	r    io.Reader
	name string
	buf  []byte // buf[at:] is read from the file and not parsed yet
	at   int
	eof  bool
	line int // number of the line at buf[at]

	layout  layout
	roleAt  []role // by place in a row
	rows    int64
	places  int // most decimal places seen in the current, its unit counted in
	unclear bool
	marks   [roles]decimalMarks
	cr      bool // lines end in CR alone
}

// NewCSVReader reads the header.
func NewCSVReader(r io.Reader, name string, opt CSVOptions) (*CSVReader, error) {
	c := &CSVReader{r: r, name: name, line: 1, buf: make([]byte, 0, readBlock)}
	if err := c.more(); err != nil {
		return nil, err
	}
	if err := c.checkText(); err != nil {
		return nil, err
	}
	if c.cr = endsLinesInCR(c.buf); c.cr {
		crToLF(c.buf)
	}
	c.buf = bytes.TrimPrefix(c.buf, []byte("\xef\xbb\xbf")) // byte-order mark
	record, lines, err := c.header()
	if err != nil {
		return nil, err
	}
	delimiter := pickDelimiter(string(record))
	cells, err := c.split(inUTF8(record), delimiter)
	if err != nil {
		return nil, err
	}
	c.layout, err = readHeader(cells, delimiter, opt, func(column, want, got, hint string) error {
		return &Error{File: name, Line: c.line, Column: column, Want: want, Got: got, Hint: hint}
	})
	if err != nil {
		return nil, err
	}
	c.roleAt = c.layout.byPlace()
	if !c.layout.headless {
		c.skip(len(record), lines)
	}
	return c, nil
}

// checkText refuses what is no text, by its first bytes.
func (c *CSVReader) checkText() error {
	head := c.buf[:min(len(c.buf), sniffed)]
	e := &Error{File: c.name, Want: "want a CSV file with a trace"}
	switch {
	case len(head) == 0:
		e.Got, e.Hint = "an empty file", "record again, or name another file"
	case bytes.HasPrefix(head, []byte("\xff\xfe")), bytes.HasPrefix(head, []byte("\xfe\xff")):
		e.Got, e.Hint = "text in UTF-16", "save it as UTF-8"
	case bytes.IndexByte(head, 0) >= 0:
		e.Got = fmt.Sprintf("binary data (a zero byte at byte %d)", bytes.IndexByte(head, 0))
		e.Hint = "name a text file"
	default:
		return nil
	}
	return e
}

// endsLinesInCR tells whether the lines of a file that begins so end in CR alone. A CR at the very end of
// what was read may have its LF behind it.
func endsLinesInCR(head []byte) bool {
	i := bytes.IndexByte(head, '\r')
	return i >= 0 && i < len(head)-1 && bytes.IndexByte(head, '\n') < 0
}

func crToLF(b []byte) {
	for i, c := range b {
		if c == '\r' {
			b[i] = '\n'
		}
	}
}

// inUTF8 gives a header that is no UTF-8 as what it then nearly always is: Latin-1, whose micro sign is the
// byte 0xB5.
func inUTF8(header []byte) []byte {
	if utf8.Valid(header) {
		return header
	}
	var out []byte
	for _, c := range header {
		out = utf8.AppendRune(out, rune(c))
	}
	return out
}

// header finds the first record that is neither empty nor a remark.
func (c *CSVReader) header() (record []byte, lines int, err error) {
	for {
		record, lines, err = c.record()
		if err == io.EOF {
			return nil, 0, &Error{File: c.name, Want: "want a header such as time_s,current_a", Got: "nothing but empty lines"}
		}
		if err != nil {
			return nil, 0, err
		}
		if text := bytes.TrimSpace(record); len(text) > 0 && text[0] != '#' {
			return record, lines, nil
		}
		c.skip(len(record), lines)
	}
}

// record gives the next record with its line end, and how many lines it takes: more than one where
// line breaks stand in quotes.
func (c *CSVReader) record() (record []byte, lines int, err error) {
	end := 0
	for {
		for {
			i := bytes.IndexByte(c.buf[c.at+end:], '\n')
			if i < 0 {
				break
			}
			end += i + 1
			lines++
			if bytes.Count(c.buf[c.at:c.at+end], []byte(`"`))%2 == 0 {
				return c.buf[c.at : c.at+end], lines, nil
			}
		}
		if len(c.buf)-c.at > maxRecord {
			return nil, 0, &Error{File: c.name, Line: c.line, Want: "want a row", Got: fmt.Sprintf("over %d bytes without its end", maxRecord),
				Hint: "look for a quote that is never closed"}
		}
		if c.eof {
			if c.at == len(c.buf) {
				return nil, 0, io.EOF
			}
			return c.buf[c.at:], lines + 1, nil
		}
		end = 0
		lines = 0
		if err := c.more(); err != nil {
			return nil, 0, err
		}
	}
}

func (c *CSVReader) skip(n, lines int) {
	c.at += n
	c.line += lines
}

// more reads another block behind what is not parsed yet.
func (c *CSVReader) more() error {
	rest := copy(c.buf[:cap(c.buf)], c.buf[c.at:])
	c.buf, c.at = c.buf[:rest], 0
	if cap(c.buf)-rest < readBlock/2 {
		c.buf = append(make([]byte, 0, 2*cap(c.buf)), c.buf...)
	}
	for len(c.buf) < cap(c.buf) && !c.eof {
		n, err := c.r.Read(c.buf[len(c.buf):cap(c.buf)])
		if c.cr {
			crToLF(c.buf[len(c.buf) : len(c.buf)+n])
		}
		c.buf = c.buf[:len(c.buf)+n]
		if err == io.EOF {
			c.eof = true
		} else if err != nil {
			return &Error{File: c.name, Line: c.line, Want: "it cannot be read on: " + err.Error(), Err: err}
		}
	}
	return nil
}

// split takes a record apart as encoding/csv does, which knows the rules of quotes.
func (c *CSVReader) split(record []byte, delimiter byte) ([]string, error) {
	r := csv.NewReader(bytes.NewReader(record))
	r.Comma, r.FieldsPerRecord, r.ReuseRecord = rune(delimiter), -1, true
	cells, err := r.Read()
	var p *csv.ParseError
	if errors.As(err, &p) {
		e := &Error{File: c.name, Line: c.line + p.Line - 1, Err: err, Want: "want a quote only around a whole field, doubled inside of it"}
		e.Got = fmt.Sprintf("one at byte %d of the line", p.Column)
		if errors.Is(err, csv.ErrQuote) {
			e.Want = "want a closing quote and then " + strconv.QuoteRune(rune(delimiter)) + " or the end of the line"
			e.Got = "none by " + e.Got[len("one at "):]
		}
		return nil, e
	}
	if err != nil {
		return nil, &Error{File: c.name, Line: c.line, Want: "want a row", Got: quoted(record), Err: err}
	}
	return cells, nil
}

// Read appends the readings of some thousand rows, or returns io.EOF.
func (c *CSVReader) Read(current, voltage []trace.Sample) ([]trace.Sample, []trace.Sample, error) {
	if c.at == len(c.buf) || bytes.IndexByte(c.buf[c.at:], '\n') < 0 {
		if c.eof && c.at == len(c.buf) {
			if c.rows == 0 {
				return current, voltage, &Error{File: c.name, Line: c.line, Want: "want rows of readings", Got: "a header and nothing else"}
			}
			return current, voltage, io.EOF
		}
		if !c.eof {
			if err := c.more(); err != nil {
				return current, voltage, err
			}
		}
	}
	var row row
	for fast := c.isFast(); ; {
		if fast {
			current, voltage = c.fastRows(current, voltage)
		}
		line, ok := c.plainLine()
		if !ok {
			return c.readQuoted(current, voltage)
		}
		if line == nil {
			return current, voltage, nil
		}
		if err := c.parseLine(line, &row); err != nil {
			return current, voltage, err
		}
		if row.blank {
			continue
		}
		current, voltage = c.take(&row, current, voltage)
	}
}

// plainLine gives the next line without its end and steps behind it; nil where the rest of the
// block is no whole line. ok is false where a quote stands in it: then nothing is stepped over.
func (c *CSVReader) plainLine() (line []byte, ok bool) {
	rest := c.buf[c.at:]
	i := bytes.IndexByte(rest, '\n')
	switch {
	case i >= 0:
		line = rest[:i]
	case c.eof && len(rest) > 0:
		line = rest
		i = len(rest) - 1
	default:
		if len(rest) > maxRecord/2 {
			return nil, false // readQuoted says what is wrong with so long a line
		}
		return nil, true
	}
	if bytes.IndexByte(line, '"') >= 0 {
		return nil, false
	}
	c.at += i + 1
	c.line++
	if n := len(line); n > 0 && line[n-1] == '\r' {
		line = line[:n-1]
	}
	return line[:len(line):len(line)], true
}

// HasVoltage tells whether the file has a column of voltage.
func (c *CSVReader) HasVoltage() bool { return c.layout.columns[voltageRole].index >= 0 }

// Rows is how many rows were read.
func (c *CSVReader) Rows() int64 { return c.rows }

// ResolutionA is the last decimal place of the currents read so far, in amperes; 0 where that
// cannot be told.
func (c *CSVReader) ResolutionA() float64 {
	if c.rows == 0 || c.unclear || c.places > printedDigits {
		return 0
	}
	return 1 / pow10[max(c.places, 0)]
}
