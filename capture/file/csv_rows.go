package file

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"unicode/utf8"

	"letthrough/capture/trace"
)

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
	if err := c.checkMark(timeRole, text, line); err != nil {
		return err
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
	for _, q := range []role{currentRole, voltageRole} {
		if err := c.checkMark(q, trim(r.cells[q]), line); err != nil {
			return err
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
