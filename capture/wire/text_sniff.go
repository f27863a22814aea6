package wire

import (
	"bytes"
	"errors"
	"fmt"
)

var (
	errFewer     = errors.New("fewer columns than the options name")
	errThousands = errors.New("a number with a comma between thousands, as it seems: switch that off in the instrument, or say delimiter=comma if these are two columns")
)

// sniff looks at a line while it is still open how lines are built. It tells whether that is settled
// now, in which case this line is already one to be read.
func (t *text) sniff(line, body []byte, s sum) (settled bool) {
	cand, fraction, err := t.shapeOf(body, s)
	if err == nil {
		t.shape = cand
		err = t.readable(body)
	}
	if err != nil {
		t.alike = 0
		if t.counts.Readings == 0 && t.counts.Headers < maxHeaders && words(line) && !t.labelled.json {
			t.counts.Headers++
			return false
		}
		t.garbled(line, err)
		return false
	}
	if fraction > 0 && t.fraction > 0 && fraction != t.fraction && t.alike > 0 {
		// "1,2" and then "10,25": numbers of one instrument have one resolution, so the comma
		// stands between two columns.
		t.commaCols, t.alike = true, 0
		cand, fraction, _ = t.shapeOf(body, s)
	}
	if t.alike > 0 && cand.same(t.last) {
		t.alike++
		if cand.decimal == 0 {
			cand.decimal = t.last.decimal
		}
	} else {
		t.alike = 1
	}
	t.last, t.fraction = cand, fraction
	need := likeLines
	if fraction > 0 {
		need = commaLines
	}
	if t.alike < need {
		t.counts.Sniffed++
		return false
	}
	t.shape, t.held = cand, true
	t.gap = t.gap || t.counts.Readings > 0
	t.fast = cand.labels == 0 && (!cand.checksum && cand.delimiter != ' ' || !cand.checksum && t.allNumbers(cand.columns))
	return true
}

// allNumbers tells whether no column is unused. Between spaces an unused column may be a unit, and then
// it is no column at all.
func (t *text) allNumbers(columns int) bool {
	for _, c := range t.columns[:columns] {
		if c.role == unused {
			return false
		}
	}
	return true
}

// shapeOf says how one line is built. fraction is above 0 where that is a guess: a single comma which may
// be a decimal mark, with so many digits behind it.
func (t *text) shapeOf(b []byte, s sum) (out shape, fraction int, err error) {
	switch {
	case s == sumWrong, t.force.checksum && s != sumRight:
		return out, 0, errChecksum
	case s == sumRight:
		out.checksum = true
	}
	out.labels = t.labelled.hash
	if out.labels != 0 {
		out.delimiter = ';'
	} else {
		t.unassign()
		out.delimiter, fraction = t.delimiterOf(b)
	}
	fields := t.split(b, out.delimiter)
	out.columns = len(fields)
	if out.labels != 0 {
		if err := t.assign(fields); err != nil {
			return out, 0, err
		}
	}
	if out.columns < t.needed {
		return out, 0, errFewer
	}
	if out.columns > maxColumns {
		return out, 0, errColumns
	}
	if out.decimal = t.force.decimal; out.decimal != 0 {
		return out, 0, nil
	}
	if t.labelled.json {
		out.decimal = '.'
		return out, 0, nil
	}
	for i, f := range fields {
		if i >= t.needed || t.columns[i].role != valueColumn {
			continue
		}
		if _, over := overRange(trimSpace(f)); over {
			continue // the point in "O.L" says nothing
		}
		if bytes.IndexByte(f, '.') >= 0 {
			out.decimal = '.'
		} else if bytes.IndexByte(f, ',') >= 0 && out.decimal == 0 {
			out.decimal = ','
		}
	}
	return out, fraction, nil
}

// delimiterOf finds what stands between the columns of a line.
func (t *text) delimiterOf(b []byte) (delimiter byte, fraction int) {
	switch {
	case t.single:
		return 0, 0
	case t.force.delimiter != 0:
		return t.force.delimiter, 0
	case bytes.IndexByte(b, ';') >= 0:
		return ';', 0
	case bytes.IndexByte(b, '\t') >= 0:
		return '\t', 0
	}
	spaced := len(t.split(b, ' '))
	commas, inNumbers, digits := commasOf(b)
	if commas > 0 && t.force.decimal != ',' {
		point := t.force.decimal == '.' || bytes.IndexByte(b, '.') >= 0
		switch {
		case point || !inNumbers || t.commaCols:
			return ',', 0
		case spaced > 1 && spaced >= t.needed:
		case commas == 1 && t.needed == 1:
			return 0, digits
		default:
			return ',', 0
		}
	}
	if spaced > 1 {
		return ' ', 0
	}
	return 0, 0
}

// commasOf counts the commas, tells whether each stands between digits as a decimal mark does, and how
// many digits follow the last.
func commasOf(b []byte) (n int, inNumbers bool, digits int) {
	inNumbers = true
	for i, c := range b {
		if c != ',' {
			continue
		}
		n++
		digits = 0
		for j := i + 1; j < len(b) && b[j]-'0' <= 9; j++ {
			digits++
		}
		if i == 0 || b[i-1]-'0' > 9 || digits == 0 {
			inNumbers = false
		}
	}
	return n, inNumbers, digits
}

// readable tells whether a line's own columns hold values, without keeping them.
func (t *text) readable(b []byte) error {
	fields := t.split(b, t.shape.delimiter)
	if t.shape.labels == 0 {
		if err := t.unitElsewhere(fields); err != nil {
			return err
		}
		if t.maybeThousands(fields) {
			return errThousands
		}
	}
	for i, f := range fields[:t.needed] {
		var err error
		switch c := t.columns[i]; c.role {
		case timeColumn:
			_, err = t.deviceTime(f)
		case valueColumn:
			_, _, err = t.field(f, c.quantity, c.shift)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// unitElsewhere refuses a line whose value has no unit while another column has one of the same quantity:
// "7,1.234 A" is not 7 A, and neither is "1,234.5 mA" 1 A. Where a person said which column is what, it is.
func (t *text) unitElsewhere(fields [][]byte) error {
	if t.named || t.coded || t.needed == 0 || len(fields) < 2 {
		return nil
	}
	at := t.needed - 1
	q := t.columns[at].quantity
	if _, over := overRange(trimSpace(fields[at])); over || unitOf(fields[at]) != 0 {
		return nil
	}
	for i, f := range fields {
		if i != at && unitOf(f) == q.Unit()[0] {
			return fmt.Errorf("column %d has the unit and column %d has none: %s=%d if that is the reading; "+
				"a comma between thousands must be switched off in the instrument", i+1, at+1, q, i+1)
		}
	}
	return nil
}

// maybeThousands tells whether a comma between columns may be one between the thousands of a number: "1,000.5"
// is not 0.5. A line whose second column has any other shape, as "7,0.512", settles that they are columns.
func (t *text) maybeThousands(fields [][]byte) bool {
	if t.coded || t.shape.delimiter != ',' || t.force.delimiter == ',' || t.commaCols || t.commaSure {
		return false
	}
	sure := false
	for i := range len(fields) - 1 {
		here, next := t.columns[i].role, t.columns[i+1].role
		if (here == valueColumn) == (next == valueColumn) || here == timeColumn {
			continue
		}
		if groups(fields[i], fields[i+1]) {
			return true
		}
		sure = true
	}
	t.commaSure = sure
	return false
}

// groups tells whether two fields may be the thousands of one number and what stands behind them.
func groups(head, tail []byte) bool {
	head = bytes.TrimLeft(trimSpace(head), "+-")
	digits := 0
	for digits < len(tail) && tail[digits]-'0' <= 9 {
		digits++
	}
	return digits == 3 && len(head) >= 1 && len(head) <= 3 && head[0] != '0' && !bytes.ContainsFunc(head, func(r rune) bool { return r < '0' || r > '9' })
}

// unitOf is the unit behind a number; 0 where there is none.
func unitOf(b []byte) byte {
	b = trimSpace(b)
	n, err := scanNumber(b, 0)
	if err != nil || n.end == len(b) {
		return 0
	}
	if b = trimSpace(b[n.end:]); len(b) == 0 {
		return 0
	}
	unit, _, _ := suffix(b)
	return unit
}

// words tells whether a line is a heading or a greeting: printable, with letters, not beginning as a
// number does.
func words(b []byte) bool {
	letters := false
	for _, c := range b {
		if c < ' ' && c != '\t' || c > '~' {
			return false
		}
		letters = letters || 'a' <= c|0x20 && c|0x20 <= 'z'
	}
	c := b[0]
	return letters && c-'0' > 9 && c != '-' && c != '+' && c != '.' && c != ','
}
