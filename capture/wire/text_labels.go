package wire

import (
	"bytes"
	"errors"
	"fmt"
	"slices"
	"strings"

	"letthrough/capture/trace"
)

// Lines with labels: "I=0.51A U=12.1V", "I: 0.51 A, U: 12.1 V", and JSON objects, one a line, such as
// {"t":1234,"i":0.511,"u":12.1}. Such a line is rewritten without its labels, a semicolon between the columns,
// and then read as any other. The labels say which column is what, and in which unit; they are part of
// how lines are built, and a line with other labels is garbled.

const maxLabel = 32 // bytes

var (
	errLabels = errors.New("other labels than in the lines before")
	errJSON   = errors.New("no whole JSON object on one line")
	errNested = errors.New("a JSON object with lists or objects in it: only numbers and words by name are read")
)

// labelled is what unlabel found in a line.
type labelled struct {
	hash   uint64 // of the labels and of how they stand; 0: the line has none
	json   bool
	labels [maxColumns][]byte // of the line's own bytes; empty: that column has none
	n      int
}

// unlabel rewrites a line without its labels. A line without any is given back as it is, with hash 0.
func (t *text) unlabel(b []byte) (body []byte, err error) {
	l := &t.labelled
	*l = labelled{}
	t.plain = t.plain[:0]
	if len(b) == 0 {
		return b, nil
	}
	if b[0] == '{' {
		err = t.unlabelJSON(b)
		return t.plain, err
	}
	if bytes.IndexByte(b, '=') < 0 && bytes.IndexByte(b, ':') < 0 {
		return b, nil
	}
	any := false
	for i := 0; ; {
		for i < len(b) && (isBlank(b[i]) || b[i] == ',' || b[i] == ';' || b[i] == '|') {
			i++
		}
		if i == len(b) {
			break
		}
		label, after := labelAt(b, i)
		if label != nil {
			any, i = true, after
		} else if c := b[i]; c-'0' > 9 && c != '-' && c != '+' && c != '.' {
			return b, nil
		}
		end := valueEnd(b, i)
		if l.n == maxColumns || end == i && label == nil {
			return b, nil
		}
		t.addLabelled(label, b[i:end])
		i = end
	}
	if !any {
		return b, nil
	}
	l.seal()
	return t.plain, nil
}

func (t *text) addLabelled(label, value []byte) {
	l := &t.labelled
	if l.n > 0 {
		t.plain = append(t.plain, ';')
	}
	for _, c := range value {
		if c == ';' { // within the quotes of a word
			c = '?'
		}
		t.plain = append(t.plain, c)
	}
	l.labels[l.n] = label
	l.n++
}

// seal makes the hash (FNV-1a).
func (l *labelled) seal() {
	h := uint64(14695981039346656037)
	for _, label := range l.labels[:l.n] {
		for _, c := range label {
			h = (h ^ uint64(c)) * 1099511628211
		}
		h *= 1099511628211 // a zero byte between labels
	}
	if l.json {
		h = ^h
	}
	l.hash = h | 1
}

func isBlank(c byte) bool { return c == ' ' || c == '\t' }

func skipBlanks(b []byte, i int) int {
	for i < len(b) && isBlank(b[i]) {
		i++
	}
	return i
}

// labelAt reads a label and the sign behind it, from i on; nil where none stands there.
func labelAt(b []byte, i int) (label []byte, after int) {
	if c := b[i] | 0x20; c < 'a' || c > 'z' {
		return nil, 0
	}
	for j := i; j < len(b) && j-i <= maxLabel; j++ {
		switch c := b[j]; {
		case c == '=' || c == ':':
			return trimSpace(b[i:j]), skipBlanks(b, j+1)
		case c-'0' <= 9, 'a' <= c|0x20 && c|0x20 <= 'z', c >= 0x80, bytes.IndexByte([]byte(" _-()[]/.%"), c) >= 0:
		default:
			return nil, 0
		}
	}
	return nil, 0
}

// valueEnd is where the value that begins at i ends, its unit taken in.
func valueEnd(b []byte, i int) int {
	end := tokenEnd(b, i)
	if end-i == 1 && (b[i] == '-' || b[i] == '+') {
		if k := numberAt(b, end); k > 0 {
			end = tokenEnd(b, k)
		}
	}
	for range 2 { // "A", and "DC" behind it
		k := skipBlanks(b, end)
		e := tokenEnd(b, k)
		if k == end || k == e {
			break
		}
		if s := skipBlanks(b, e); s < len(b) && (b[s] == '=' || b[s] == ':') {
			break // the next label
		}
		word := b[k:e]
		if _, _, unit := suffix(word); !unit && string(word) != "DC" && string(word) != "dc" {
			break
		}
		end = e
	}
	return end
}

// tokenEnd is where blanks or what stands between columns begin. A comma between digits is a mark of the number.
func tokenEnd(b []byte, i int) int {
	for ; i < len(b); i++ {
		switch c := b[i]; {
		case isBlank(c) || c == ';' || c == '|':
			return i
		case c == ',' && !(i > 0 && b[i-1]-'0' <= 9 && i+1 < len(b) && b[i+1]-'0' <= 9):
			return i
		}
	}
	return i
}

// unlabelJSON takes an object apart whose members are numbers and words.
func (t *text) unlabelJSON(b []byte) error {
	l := &t.labelled
	l.json = true
	for i := skipBlanks(b, 1); ; i = skipBlanks(b, i+1) {
		label, after := jsonString(b, i)
		if after < 0 {
			return errJSON
		}
		if i = skipBlanks(b, after); i >= len(b) || b[i] != ':' {
			return errJSON
		}
		if i = skipBlanks(b, i+1); i >= len(b) {
			return errJSON
		}
		var value []byte
		switch b[i] {
		case '{', '[':
			return errNested
		case '"':
			if value, i = jsonString(b, i); i < 0 {
				return errJSON
			}
		default:
			start := i
			for i < len(b) && b[i] != ',' && b[i] != '}' && !isBlank(b[i]) {
				i++
			}
			value = b[start:i]
		}
		if l.n == maxColumns || len(value) == 0 {
			return errJSON
		}
		t.addLabelled(label, value)
		if i = skipBlanks(b, i); i >= len(b) {
			return errJSON
		}
		if b[i] == '}' {
			if i != len(b)-1 {
				return errJSON
			}
			l.seal()
			return nil
		}
		if b[i] != ',' {
			return errJSON
		}
	}
}

// jsonString gives what stands between quotes, its escapes as they are, and where it ends; -1 if nowhere.
func jsonString(b []byte, i int) (s []byte, after int) {
	if i >= len(b) || b[i] != '"' {
		return nil, -1
	}
	for j := i + 1; j < len(b); j++ {
		switch b[j] {
		case '\\':
			j++
		case '"':
			return b[i+1 : j], j + 1
		}
	}
	return nil, -1
}

// labelKind is what a label says its column is.
type labelKind uint8

const (
	otherLabel labelKind = iota
	currentLabel
	voltageLabel
	timeLabel
)

func labelOf(q trace.Quantity) labelKind {
	if q == trace.Voltage {
		return voltageLabel
	}
	return currentLabel
}

// labelWords are the words that labels are made of. exp is the power of ten of a unit.
var labelWords = map[string]struct {
	kind labelKind
	unit bool
	exp  int
}{
	"i": {currentLabel, false, 0}, "current": {currentLabel, false, 0}, "curr": {currentLabel, false, 0},
	"a": {currentLabel, true, 0}, "amp": {currentLabel, true, 0}, "amps": {currentLabel, true, 0}, "ampere": {currentLabel, true, 0}, "amperes": {currentLabel, true, 0},
	"ma": {currentLabel, true, -3}, "ua": {currentLabel, true, -6}, "µa": {currentLabel, true, -6}, "μa": {currentLabel, true, -6}, "na": {currentLabel, true, -9}, "ka": {currentLabel, true, 3},
	"u": {voltageLabel, false, 0}, "voltage": {voltageLabel, false, 0},
	"v": {voltageLabel, true, 0}, "volt": {voltageLabel, true, 0}, "volts": {voltageLabel, true, 0},
	"mv": {voltageLabel, true, -3}, "uv": {voltageLabel, true, -6}, "µv": {voltageLabel, true, -6}, "μv": {voltageLabel, true, -6}, "kv": {voltageLabel, true, 3},
	"t": {timeLabel, false, 0}, "time": {timeLabel, false, 0}, "timestamp": {timeLabel, false, 0}, "ts": {timeLabel, false, 0}, "uptime": {timeLabel, false, 0},
	"s": {timeLabel, true, 0}, "sec": {timeLabel, true, 0}, "seconds": {timeLabel, true, 0},
	"ms": {timeLabel, true, -3}, "millis": {timeLabel, true, -3},
	"us": {timeLabel, true, -6}, "micros": {timeLabel, true, -6}, "µs": {timeLabel, true, -6}, "μs": {timeLabel, true, -6},
}

// understandLabel takes "current_mA", "I (mA)", "Bus voltage" apart. What speaks of two things says nothing.
func understandLabel(label []byte) (kind labelKind, unit bool, exp int) {
	words := strings.FieldsFunc(strings.ToLower(string(label)), func(r rune) bool {
		return strings.ContainsRune(" _-()[]/.%", r)
	})
	for _, w := range words {
		k, known := labelWords[w]
		switch {
		case !known:
		case kind != otherLabel && k.kind != kind, unit && k.unit:
			return otherLabel, false, 0
		default:
			kind = k.kind
			if k.unit {
				unit, exp = true, k.exp
			}
		}
	}
	return kind, unit, exp
}

// assign says by the labels which column is what, unless a person did.
func (t *text) assign(fields [][]byte) error {
	if len(fields) != t.labelled.n {
		return errColumns
	}
	t.columns, t.needed = [maxColumns]column{}, 0
	if t.tickNS != 0 {
		at, err := t.timeAmong(fields)
		if err != nil {
			return err
		}
		t.timeAt, t.needed = at, at+1
		t.columns[at].role = timeColumn
	}
	for _, q := range t.channels {
		at, err := t.columnAmong(fields, q)
		if err != nil {
			return err
		}
		if t.columns[at].role != unused {
			return fmt.Errorf("column %d would be two things; %s= says which is the %s", at+1, q, q)
		}
		c := t.askedFor(q)
		if kind, unit, exp := understandLabel(t.labelled.labels[at]); unit && kind == labelOf(q) && !t.coded {
			c.shift = exp
		}
		t.columns[at], t.needed = c, max(t.needed, at+1)
	}
	return nil
}

// askedFor is the column of a quantity as the options make it.
func (t *text) askedFor(q trace.Quantity) column {
	i := slices.IndexFunc(t.asked, func(c column) bool { return c.role == valueColumn && c.quantity == q })
	return t.asked[i]
}

// unassign puts the columns back where the options have them.
func (t *text) unassign() {
	t.columns = [maxColumns]column{}
	t.timeAt, t.needed = 0, copy(t.columns[:], t.asked)
}

func (t *text) timeAmong(fields [][]byte) (int, error) {
	at := -1
	for i := range fields {
		kind, unit, exp := understandLabel(t.labelled.labels[i])
		if kind != timeLabel {
			continue
		}
		if at >= 0 {
			return 0, fmt.Errorf("two columns are labelled as a time, %d and %d", at+1, i+1)
		}
		if ns := map[int]int64{0: 1e9, -3: 1e6, -6: 1e3}[exp]; unit && ns != t.tickNS {
			return 0, fmt.Errorf("the label \"%s\" has another unit than the option time=", Printable(t.labelled.labels[i]))
		}
		at = i
	}
	if at < 0 && len(t.labelled.labels[0]) == 0 {
		return 0, nil
	}
	if at < 0 {
		return 0, errors.New("no label says that a column is the time that the option time= speaks of")
	}
	return at, nil
}

// columnAmong finds the column of a quantity: the one that a person named, the only one whose label says so, or
// the only one whose value has such a unit.
func (t *text) columnAmong(fields [][]byte, q trace.Quantity) (int, error) {
	if n := t.placed[q]; n > 0 {
		if n > len(fields) {
			return 0, errFewer
		}
		label := t.labelled.labels[n-1]
		if kind, _, _ := understandLabel(label); kind != otherLabel && kind != labelOf(q) {
			return 0, fmt.Errorf("column %d is labelled \"%s\", which is no %s", n, Printable(label), q)
		}
		return n - 1, nil
	}
	at, many := -1, false
	for i := range fields {
		if kind, _, _ := understandLabel(t.labelled.labels[i]); kind == labelOf(q) {
			many = at >= 0
			at = i
		}
		if many {
			return 0, fmt.Errorf("two columns are labelled as a %s; %s=%d or another number says which", q, q, at+1)
		}
	}
	if at >= 0 {
		return at, nil
	}
	for i, f := range fields {
		if kind, _, _ := understandLabel(t.labelled.labels[i]); kind == otherLabel && unitOf(f) == q.Unit()[0] {
			many = at >= 0
			at = i
		}
	}
	switch {
	case many:
		return 0, fmt.Errorf("two columns have the unit of a %s; %s=%d or another number says which", q, q, at+1)
	case at >= 0:
		return at, nil
	case t.coded && len(fields) == 1:
		return 0, nil
	}
	return 0, fmt.Errorf("no label says which column is the %s; %s=1 or another number says so", q, q)
}
