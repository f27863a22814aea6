package file

import (
	"bytes"
	"fmt"
)

// Where a column has decimal commas, 4.500 may be 4.5 or 4500: nothing in the file says which. Such a
// number is refused wherever it stands, before the first comma or behind it; 2.5 among commas can only
// be one number and is read.

// decimalMarks is what the cells of one column have shown so far, by mark: 0 the point, 1 the comma.
type decimalMarks [2]struct {
	line int // first cell with this mark; 0: none
	// The first cell in which this mark may also stand between thousands.
	groupLine int
	group     []byte
}

// take looks at a number and tells of one that means two things, now that the column has both marks.
func (m *decimalMarks) take(text []byte, line int) (ambiguous []byte, at int, other int) {
	i := markOf(text)
	if i < 0 {
		return nil, 0, 0
	}
	mark := 0
	if text[i] == ',' {
		mark = 1
	}
	if m[mark].line == 0 {
		m[mark].line = line
	}
	if m[mark].groupLine == 0 && betweenThousands(text, i) {
		m[mark].groupLine, m[mark].group = line, bytes.Clone(text)
	}
	if m[0].line == 0 || m[1].line == 0 {
		return nil, 0, 0
	}
	for i := range m {
		if m[i].groupLine > 0 {
			return m[i].group, m[i].groupLine, m[1-i].line
		}
	}
	return nil, 0, 0
}

// markOf is where the decimal mark of a number stands; -1 where there is none, or no number.
func markOf(text []byte) int {
	mark := -1
	for i, c := range text {
		switch {
		case c-'0' <= 9, i == 0 && (c == '-' || c == '+'):
		case (c == '.' || c == ',') && mark < 0:
			mark = i
		case (c == 'e' || c == 'E') && mark >= 0:
			if _, over := overRange(text); over {
				return -1
			}
			return mark
		default:
			return -1
		}
	}
	return mark
}

// betweenThousands tells whether the mark at i may stand behind thousands: one to three digits before it,
// no zero first, and exactly three behind it.
func betweenThousands(text []byte, i int) bool {
	head := bytes.TrimLeft(text[:i], "+-")
	return len(head) >= 1 && len(head) <= 3 && head[0] != '0' && len(text)-i == 4
}

// checkMark refuses a number whose mark means two things in its column.
func (c *CSVReader) checkMark(r role, text []byte, line int) error {
	if !c.layout.comma {
		return nil
	}
	cell, at, other := c.marks[r].take(text, line)
	if cell == nil {
		return nil
	}
	mark, there := "point", "comma"
	if bytes.IndexByte(cell, ',') >= 0 {
		mark, there = there, mark
	}
	return &Error{File: c.name, Line: at, Column: c.layout.columns[r].name,
		Want: fmt.Sprintf("want one decimal mark: line %d has a decimal %s, so a %s with three digits behind it may stand between thousands", other, there, mark),
		Got:  got(cell), Hint: "write all numbers of the column with one mark, and none between thousands"}
}
