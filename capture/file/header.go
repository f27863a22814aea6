package file

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"letthrough/capture/trace"
)

// CSVOptions name the columns of a CSV file that is not a trace CSV; a column is its header, with or
// without the unit, or its number from 1. Empty: found by its name.
type CSVOptions struct {
	TimeColumn    string
	CurrentColumn string
	VoltageColumn string
}

// role is what a column holds.
type role int

const (
	timeRole role = iota
	currentRole
	voltageRole
	flagsRole
	roles
)

func (r role) String() string { return [...]string{"time", "current", "voltage", "flags"}[r] }

// column is a column that is read.
type column struct {
	index int // in a row; -1: the file has none
	name  string
	shift int // power of ten of its unit: -3 for mA; for times less nine for nanoseconds, 6 for ms
}

// layout is what the header says.
type layout struct {
	columns   [roles]column
	fields    int
	delimiter byte
	comma     bool // numbers may have a decimal comma
	headless  bool // the first line is a row already
}

// noRole is a column that is not read.
const noRole role = -1

// byPlace tells the role of each field of a row.
func (l *layout) byPlace() []role {
	out := slices.Repeat([]role{noRole}, l.fields)
	for r, c := range l.columns {
		if c.index >= 0 {
			out[c.index] = role(r)
		}
	}
	return out
}

// baseShift turns a unit's power of ten into that of what samples hold: ns, A and V.
var baseShift = [...]int{timeRole: 9, currentRole: 0, voltageRole: 0}

// units maps what may stand as a unit to its role and power of ten. Case is folded: no instrument
// measures megaseconds or megaamperes.
var units = map[string]struct {
	role  role
	power int
}{
	"s": {timeRole, 0}, "sec": {timeRole, 0}, "second": {timeRole, 0}, "seconds": {timeRole, 0},
	"ms": {timeRole, -3}, "us": {timeRole, -6}, "µs": {timeRole, -6}, "μs": {timeRole, -6}, "ns": {timeRole, -9},
	"a": {currentRole, 0}, "amp": {currentRole, 0}, "amps": {currentRole, 0}, "ampere": {currentRole, 0}, "amperes": {currentRole, 0},
	"ma": {currentRole, -3}, "ua": {currentRole, -6}, "µa": {currentRole, -6}, "μa": {currentRole, -6}, "na": {currentRole, -9}, "ka": {currentRole, 3},
	"v": {voltageRole, 0}, "volt": {voltageRole, 0}, "volts": {voltageRole, 0},
	"mv": {voltageRole, -3}, "uv": {voltageRole, -6}, "µv": {voltageRole, -6}, "μv": {voltageRole, -6}, "kv": {voltageRole, 3},
}

// names maps the words that a header begins with to roles.
var names = map[string]role{
	"time": timeRole, "t": timeRole, "timestamp": timeRole, "elapsed": timeRole,
	"current": currentRole, "i": currentRole,
	"voltage": voltageRole, "v": voltageRole, "u": voltageRole,
	"flags": flagsRole, "flag": flagsRole,
}

// title is a header cell taken apart.
type title struct {
	text  string // as it stands
	name  string // without the unit, small letters
	unit  string // small letters; empty: none
	first string // first word of the name
}

// takeApart splits "time_ms", "Time (ms)", "I [mA]", "current / mA" or "Voltage V" into name and
// unit. What stands in brackets or behind a slash is a unit even if it is not known.
func takeApart(text string) title {
	t := title{text: strings.TrimSpace(text)}
	s := strings.ToLower(t.text)
	for _, pair := range []string{"()", "[]"} {
		if i := strings.LastIndexByte(s, pair[0]); i >= 0 && strings.HasSuffix(s, pair[1:]) {
			t.unit = strings.TrimSpace(s[i+1 : len(s)-1])
			s = s[:i]
		}
	}
	if t.unit == "" {
		if i := strings.LastIndexByte(s, '/'); i >= 0 {
			t.unit, s = strings.TrimSpace(s[i+1:]), s[:i]
		} else if i := strings.LastIndexAny(s, "_ "); i >= 0 {
			if _, known := units[s[i+1:]]; known {
				t.unit, s = s[i+1:], s[:i]
			}
		}
	}
	t.name = strings.Trim(s, " _")
	if _, known := units[t.name]; known && t.unit == "" {
		t.unit = t.name // a header that is nothing but a unit
	}
	t.first, _, _ = strings.Cut(strings.NewReplacer("_", " ", "-", " ", ".", " ").Replace(t.name), " ")
	return t
}

// pickDelimiter chooses what separates the fields of the header: a semicolon or a tab wherever one
// stands outside of quotes, since neither stands in a number.
func pickDelimiter(line string) byte {
	quoted, found := false, byte(',')
	for i := range len(line) {
		switch c := line[i]; {
		case c == '"':
			quoted = !quoted
		case c == ';' && !quoted:
			return ';'
		case c == '\t' && !quoted:
			found = '\t'
		}
	}
	return found
}

// readHeader finds the columns. fail makes an error of what is wrong with the header's line.
func readHeader(cells []string, delimiter byte, opt CSVOptions, fail func(column, want, got, hint string) error) (layout, error) {
	l := layout{fields: len(cells), delimiter: delimiter, comma: delimiter != ','}
	for r := range l.columns {
		l.columns[r].index = -1
	}
	l.headless = !slices.ContainsFunc(cells, func(c string) bool {
		_, number := parseDecimal([]byte(strings.TrimSpace(c)), l.comma)
		return !number && strings.TrimSpace(c) != ""
	})
	titles := make([]title, len(cells))
	for i, c := range cells {
		if titles[i] = takeApart(c); l.headless {
			titles[i] = title{text: "number " + strconv.Itoa(i+1)}
		}
	}
	if l.headless && (opt.TimeColumn == "" || opt.CurrentColumn == "") {
		return l, fail("", "want a header such as time_s,current_a", "a row of numbers",
			"add a header, or name the columns by number: --time-column 1 --current-column 2")
	}
	for i, wanted := range []string{timeRole: opt.TimeColumn, currentRole: opt.CurrentColumn, voltageRole: opt.VoltageColumn} {
		r := role(i)
		if wanted == "" {
			continue
		}
		at, err := namedColumn(titles, r, wanted, fail)
		if err != nil {
			return l, err
		}
		if err := l.set(r, at, titles[at], fail); err != nil {
			return l, err
		}
	}
	for _, r := range []role{timeRole, currentRole, voltageRole, flagsRole} {
		if err := l.find(r, titles, fail); err != nil {
			return l, err
		}
	}
	return l, l.check(titles, fail)
}

// namedColumn finds the column that a person named.
func namedColumn(titles []title, r role, wanted string, fail func(column, want, got, hint string) error) (int, error) {
	folded := strings.ToLower(strings.TrimSpace(wanted))
	for _, same := range []func(title) bool{
		func(t title) bool { return t.text == wanted },
		func(t title) bool { return strings.ToLower(t.text) == folded },
		func(t title) bool { return t.name != "" && t.name == folded },
	} {
		if i := slices.IndexFunc(titles, same); i >= 0 {
			return i, nil
		}
	}
	if n, err := strconv.Atoi(folded); err == nil && n >= 1 && n <= len(titles) {
		return n - 1, nil
	}
	return 0, fail("", fmt.Sprintf("want a column %q for the %s", wanted, r), describe(titles),
		fmt.Sprintf("--%s-column takes a header or a number from 1 to %d", r, len(titles)))
}

func describe(titles []title) string {
	var texts []string
	for _, t := range titles {
		if len(texts) == 12 {
			texts = append(texts, "...")
			break
		}
		texts = append(texts, quoted([]byte(t.text)))
	}
	return "the columns " + strings.Join(texts, ", ")
}

func (l *layout) set(r role, i int, t title, fail func(column, want, got, hint string) error) error {
	c := column{index: i, name: t.text}
	if r < flagsRole {
		c.shift = baseShift[r]
		if t.unit != "" {
			u, known := units[t.unit]
			if !known || u.role != r {
				return fail(t.text, fmt.Sprintf("want a unit of %s (%s)", r, [...]string{"s, ms, us, ns", "A, mA, uA, kA", "V, mV, uV, kV"}[r]),
					quoted([]byte(t.unit)), "correct the header")
			}
			c.shift += u.power
		}
	}
	l.columns[r] = c
	return nil
}

// find looks for the column of a role that nobody named: by the trace CSV's own name, then by the
// word it begins with, then by a unit that only this role has.
func (l *layout) find(r role, titles []title, fail func(column, want, got, hint string) error) error {
	if l.headless || l.columns[r].index >= 0 {
		return nil
	}
	own := [...]string{"time_s", "current_a", "voltage_v", "flags"}[r]
	var found []int
	for _, fits := range []func(title) bool{
		func(t title) bool { return t.text == own },
		func(t title) bool {
			named, ok := names[t.first]
			u, known := units[t.unit]
			return ok && named == r && (t.unit == "" || known && u.role == r)
		},
		func(t title) bool { u, known := units[t.unit]; return r < flagsRole && known && u.role == r },
	} {
		for i, t := range titles {
			if fits(t) && !l.taken(i) {
				found = append(found, i)
			}
		}
		if len(found) > 0 {
			break
		}
	}
	if len(found) == 0 {
		return nil
	}
	if len(found) > 1 && r <= currentRole {
		return fail("", fmt.Sprintf("want one column of %s", r), fmt.Sprintf("%q and %q", titles[found[0]].text, titles[found[1]].text),
			fmt.Sprintf("say which with --%s-column", r))
	}
	return l.set(r, found[0], titles[found[0]], fail)
}

func (l *layout) taken(i int) bool {
	return slices.ContainsFunc(l.columns[:], func(c column) bool { return c.index == i })
}

// check refuses a header without time or current, or with one column for both.
func (l *layout) check(titles []title, fail func(column, want, got, hint string) error) error {
	for _, r := range []role{timeRole, currentRole} {
		if l.columns[r].index < 0 {
			return fail("", fmt.Sprintf("want a column of %s (such as %s)", r, [...]string{"time_s", "current_a"}[r]), describe(titles),
				fmt.Sprintf("name it with --%s-column", r))
		}
	}
	for r := range flagsRole {
		for other := range r {
			if i := l.columns[r].index; i >= 0 && i == l.columns[other].index {
				return fail(titles[i].text, fmt.Sprintf("want one column for %s and another for %s", other, r), "the same for both", "correct --time-column and --current-column")
			}
		}
	}
	return nil
}

// The words in the column of flags. over is about the current and gap about every reading of the
// row; where only the voltage is meant its own word says so.
const (
	overWord        = "over"
	gapWord         = "gap"
	voltageOverWord = "voltage_over"
)

// readFlags reads the words of a row's flags.
func readFlags(cell []byte) (current, voltage trace.Flags, ok bool) {
	for word := range strings.FieldsFuncSeq(string(cell), func(r rune) bool { return r == ' ' || r == '|' || r == '+' }) {
		switch strings.ToLower(word) {
		case overWord:
			current |= trace.Over
		case gapWord:
			current |= trace.Gap
			voltage |= trace.Gap
		case voltageOverWord:
			voltage |= trace.Over
		default:
			return 0, 0, false
		}
	}
	return current, voltage, true
}
