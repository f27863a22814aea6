package file

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
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
	err  error // of reading
	line int   // number of the line at buf[at]

	layout  layout
	roleAt  []role // by place in a row
	rows    int64
	places  int // most decimal places seen in the current, its unit counted in
	unclear bool
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
	c.buf = bytes.TrimPrefix(c.buf, []byte("\xef\xbb\xbf")) // byte-order mark
	record, lines, err := c.header()
	if err != nil {
		return nil, err
	}
	delimiter := pickDelimiter(string(record))
	cells, err := c.split(record, delimiter)
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
	for {
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

// row is what a row says.
type row struct {
	blank      bool // an empty line
	at         int64
	cells      [roles][]byte
	current    float64
	voltage    float64
	hasCurrent bool
	hasVoltage bool
	flags      [2]trace.Flags // of current and voltage
}

// parseLine reads a line without quotes. The line was stepped over already.
func (c *CSVReader) parseLine(line []byte, r *row) error {
	if r.blank = len(line) == 0; r.blank {
		return nil
	}
	r.cells = [roles][]byte{}
	n, begin := 0, 0
	for i, b := range line {
		if b == c.layout.delimiter {
			if n < len(c.roleAt) && c.roleAt[n] != noRole {
				r.cells[c.roleAt[n]] = line[begin:i]
			}
			n, begin = n+1, i+1
		}
	}
	if n < len(c.roleAt) && c.roleAt[n] != noRole {
		r.cells[c.roleAt[n]] = line[begin:]
	}
	return c.understand(n+1, r, c.line-1)
}

// readQuoted reads one record the careful way.
func (c *CSVReader) readQuoted(current, voltage []trace.Sample) ([]trace.Sample, []trace.Sample, error) {
	record, lines, err := c.record()
	if err != nil {
		return current, voltage, err
	}
	cells, err := c.split(record, c.layout.delimiter)
	if err != nil {
		return current, voltage, err
	}
	var r row
	for role, col := range c.layout.columns {
		if col.index >= 0 && col.index < len(cells) {
			r.cells[role] = []byte(cells[col.index])
		}
	}
	if err := c.understand(len(cells), &r, c.line); err != nil {
		return current, voltage, err
	}
	c.skip(len(record), lines)
	current, voltage = c.take(&r, current, voltage)
	return current, voltage, nil
}

// understand makes readings of the cells of a row.
func (c *CSVReader) understand(fields int, r *row, line int) error {
	if fields != c.layout.fields {
		return &Error{File: c.name, Line: line, Want: fmt.Sprintf("want %d fields as in the header", c.layout.fields), Got: strconv.Itoa(fields)}
	}
	bad := func(role role, want string) error {
		return &Error{File: c.name, Line: line, Column: c.layout.columns[role].name, Want: want, Got: got(r.cells[role])}
	}
	text := trim(r.cells[timeRole])
	d, ok := parseDecimal(text, c.layout.comma)
	if !ok {
		return bad(timeRole, "want a time as a decimal number")
	}
	if r.at, ok = d.nanoseconds(c.layout.columns[timeRole].shift); !ok {
		return bad(timeRole, "want a time within 292 years of zero")
	}
	r.flags = [2]trace.Flags{}
	if cell := r.cells[flagsRole]; len(cell) > 0 {
		if r.flags[0], r.flags[1], ok = readFlags(cell); !ok {
			return bad(flagsRole, "want over, gap or nothing")
		}
	}
	r.hasVoltage = false
	if r.cells[voltageRole] != nil {
		if r.voltage, r.hasVoltage, ok = c.value(voltageRole, r.cells[voltageRole], &r.flags[1]); !ok {
			return bad(voltageRole, "want a number")
		}
		if !r.hasVoltage && r.flags[1]&trace.Over != 0 {
			r.voltage, r.hasVoltage = math.Inf(1), true
		}
	}
	if r.current, r.hasCurrent, ok = c.value(currentRole, r.cells[currentRole], &r.flags[0]); !ok {
		return bad(currentRole, "want a number")
	}
	if !r.hasCurrent && r.flags[0]&trace.Over != 0 {
		r.current, r.hasCurrent = math.Inf(1), true
	}
	if !r.hasCurrent && !r.hasVoltage {
		return bad(currentRole, "want a number, or over among the flags")
	}
	return nil
}

// value reads a cell in the unit of its column. A blank one is no reading.
func (c *CSVReader) value(r role, cell []byte, flags *trace.Flags) (v float64, has, ok bool) {
	text := trim(cell)
	if len(text) == 0 {
		return 0, false, true
	}
	shift := c.layout.columns[r].shift
	if d, number := parseDecimal(text, c.layout.comma); number {
		if !d.written || d.mantissa == 0 {
			if r == currentRole && -d.exp-shift > c.places {
				c.places = -d.exp - shift
			}
		} else if v, over := overRange(text); over {
			*flags |= trace.Over
			return v, true, true
		} else if r == currentRole {
			c.unclear = true
		}
		v, ok = d.float(text, shift, c.layout.comma)
		return v, true, ok
	}
	if v, over := overRange(text); over {
		*flags |= trace.Over
		return v, true, true
	}
	return 0, false, false
}

// take appends the readings of a row.
func (c *CSVReader) take(r *row, current, voltage []trace.Sample) ([]trace.Sample, []trace.Sample) {
	c.rows++
	if r.hasCurrent {
		current = append(current, trace.Sample{AtNS: r.at, Value: r.current, Flags: r.flags[0]})
	}
	if r.hasVoltage {
		voltage = append(voltage, trace.Sample{AtNS: r.at, Value: r.voltage, Flags: r.flags[1]})
	}
	return current, voltage
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

func trim(b []byte) []byte {
	for len(b) > 0 && (b[0] == ' ' || b[0] == '\t') {
		b = b[1:]
	}
	for len(b) > 0 && (b[len(b)-1] == ' ' || b[len(b)-1] == '\t') {
		b = b[:len(b)-1]
	}
	return b
}

// got shows a cell that could not be read.
func got(cell []byte) string {
	if len(trim(cell)) == 0 {
		return "nothing"
	}
	if !utf8.Valid(cell) {
		return fmt.Sprintf("%x (no text)", cell[:min(len(cell), 16)])
	}
	return quoted([]byte(strings.ToValidUTF8(string(cell), "?")))
}
