package assess

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"letthrough/capture/trace"
)

// The bounds on a set's text.
const (
	maxCriteria  = 100
	maxAbout     = 50
	maxLineBytes = 500
	maxLimit     = 1e9
)

// ParseError says what is wrong with a set's text, and where.
type ParseError struct {
	Line int    // from 1
	Key  string // of the line, or the criterion's name; may be empty
	Text string
}

func (e *ParseError) Error() string {
	if e.Key == "" {
		return fmt.Sprintf("line %d: %s", e.Line, e.Text)
	}
	return fmt.Sprintf("line %d, %s: %s", e.Line, e.Key, e.Text)
}

// Parse reads a set's text: lines "about: ..." that say what it is, then one block a criterion, begun by
// "criterion NAME" and followed by lines "key: value". Empty lines and lines that begin with # count for
// nothing. The keys are say, judges, in, when, level, pass, caution, note; say, judges and pass are needed.
// A limit is "at most 1 s", "at least 0.5 A" or "1.05 to 2 x rated", or a list of words.
func Parse(text string) (Set, error) {
	var p parser
	for i, line := range strings.Split(strings.TrimPrefix(text, "\ufeff"), "\n") {
		p.line = i + 1
		if err := p.take(strings.TrimSpace(line)); err != nil {
			return Set{}, err
		}
	}
	if err := p.close(); err != nil {
		return Set{}, err
	}
	if len(p.set.Criteria) == 0 {
		return Set{}, &ParseError{p.line, "", `there is no criterion; one begins with "criterion NAME"`}
	}
	return p.set, nil
}

type parser struct {
	set  Set
	line int
	open *Criterion
	at   int               // the line on which the open criterion began
	seen map[string]int    // its keys and their lines
	raw  map[string]string // limits, whose unit can only be read once it is known what is judged
}

func (p *parser) fail(key, format string, a ...any) error {
	return &ParseError{p.line, key, fmt.Sprintf(format, a...)}
}

func (p *parser) take(line string) error {
	switch {
	case line == "" || strings.HasPrefix(line, "#"):
		return nil
	case len(line) > maxLineBytes:
		return p.fail("", "%d bytes are too long for a line, at most %d", len(line), maxLineBytes)
	case !utf8.ValidString(line) || strings.IndexFunc(line, unicode.IsControl) >= 0:
		return p.fail("", "has characters that are no text")
	}
	if name, ok := strings.CutPrefix(line, "criterion "); ok {
		return p.begin(strings.TrimSpace(name))
	}
	key, value, ok := strings.Cut(line, ":")
	if !ok {
		return p.fail("", `%.60q is neither "criterion NAME" nor "key: value"`, line)
	}
	key, value = strings.TrimSpace(key), strings.TrimSpace(value)
	if value == "" {
		return p.fail(key, "says nothing; leave the line out or give it a value")
	}
	if p.open == nil {
		if key != "about" {
			return p.fail(key, `only about: may stand before the first "criterion NAME"`)
		}
		if len(p.set.About) == maxAbout {
			return p.fail(key, "more than %d lines", maxAbout)
		}
		p.set.About = append(p.set.About, value)
		return nil
	}
	if before, twice := p.seen[key]; twice {
		return p.fail(key, "stands twice in this criterion, first on line %d", before)
	}
	p.seen[key] = p.line
	return p.put(key, value)
}

func (p *parser) begin(name string) error {
	if err := p.close(); err != nil {
		return err
	}
	if !goodName(name) {
		return p.fail("criterion", "%.60q is no name: use small letters, digits and _, at most 40", name)
	}
	if slices.ContainsFunc(p.set.Criteria, func(c Criterion) bool { return c.Name == name }) {
		return p.fail("criterion", "there is a criterion %q already", name)
	}
	if len(p.set.Criteria) == maxCriteria {
		return p.fail("criterion", "more than %d criteria", maxCriteria)
	}
	p.open, p.at, p.seen, p.raw = &Criterion{Name: name}, p.line, map[string]int{}, map[string]string{}
	return nil
}

func goodName(name string) bool {
	if name == "" || len(name) > 40 {
		return false
	}
	return strings.IndexFunc(name, func(c rune) bool { return !(c >= 'a' && c <= 'z' || c >= '0' && c <= '9' || c == '_') }) < 0
}

func (p *parser) put(key, value string) error {
	c := p.open
	switch key {
	case "say":
		c.Say = value
	case "note":
		c.Note = value
	case "judges":
		q, ok := quantityOf(value)
		if !ok {
			return p.fail(key, "there is no figure %.60q%s", value, meant(value, Quantities()))
		}
		c.Judges, c.quantity = value, q
	case "in":
		for _, word := range listed(value) {
			if !slices.Contains(trace.Procedures, trace.Procedure(word)) {
				return p.fail(key, "there is no procedure %.40q; use short, ramp, steps, overload, carry", word)
			}
			c.In = append(c.In, trace.Procedure(word))
		}
	case "when":
		for _, word := range listed(value) {
			if !slices.Contains(behaviourWords(), word) {
				return p.fail(key, "there is no behaviour %.40q; use %s", word, strings.Join(behaviourWords(), ", "))
			}
			c.When = append(c.When, trace.Behaviour(word))
		}
	case "level", "pass", "caution":
		p.raw[key] = value
	case "about":
		return p.fail(key, "belongs before the first criterion; use note: for one of them")
	default:
		return p.fail(key, "there is no such key; use say, judges, in, when, level, pass, caution, note")
	}
	return nil
}

// listed cuts words at commas, each once.
func listed(value string) (words []string) {
	for word := range strings.SplitSeq(value, ",") {
		if word = strings.TrimSpace(word); !slices.Contains(words, word) {
			words = append(words, word)
		}
	}
	return words
}

// meant names the key that a misspelt one is nearest to, where one is near.
func meant(word string, all []string) string {
	best, least := "", 4
	for _, k := range all {
		if d := distance(word, k); d < least {
			best, least = k, d
		}
	}
	if best == "" {
		return "; the page on figures lists them"
	}
	return fmt.Sprintf("; was %s meant?", best)
}

// distance is how many letters have to be changed, added or taken away (Levenshtein).
func distance(a, b string) int {
	if len(a) > 60 {
		return len(a)
	}
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diagonal := row[0]
		row[0] = i + 1
		for j := range len(b) {
			cost := 1
			if a[i] == b[j] {
				cost = 0
			}
			diagonal, row[j+1] = row[j+1], min(row[j+1]+1, row[j]+1, diagonal+cost)
		}
	}
	return row[len(b)]
}

// close checks the open criterion as a whole and keeps it.
func (p *parser) close() error {
	if p.open == nil {
		return nil
	}
	c := p.open
	here := func(key, format string, a ...any) error {
		line := p.at
		if at, ok := p.seen[key]; ok {
			line = at
		}
		if _, ok := p.seen[key]; !ok {
			key = c.Name
		}
		return &ParseError{line, key, fmt.Sprintf(format, a...)}
	}
	for _, key := range []string{"say", "judges", "pass"} {
		if _, ok := p.seen[key]; !ok {
			return here(key, "needs a line %s:", key)
		}
	}
	for _, key := range []string{"level", "pass", "caution"} {
		value, ok := p.raw[key]
		if !ok {
			continue
		}
		l, err := parseLimit(value, c.quantity, key == "level")
		if err != nil {
			return here(key, "%s", err)
		}
		*map[string]*Limit{"level": &c.Level, "pass": &c.Pass, "caution": &c.Caution}[key] = l
	}
	if c.quantity.level != !c.Level.none() {
		if c.Level.none() {
			return here("level", "%s needs a line level:, such as %s", c.Judges, levelFor(c.Judges))
		}
		return here("level", "only %s and %s have a level", ProtectedAfter, CarriesRating)
	}
	if c.quantity.level && (c.Level.Kind != levelKind(c.Judges) || c.Level.Unit != timesRated) {
		return here("level", "is written as %s", levelFor(c.Judges))
	}
	if err := contradiction(*c); err != nil {
		return here("caution", "%s", err)
	}
	for _, in := range c.In {
		if !slices.Contains(c.quantity.in, in) {
			return here("in", "%s is no figure of the procedure %s", c.Judges, in)
		}
	}
	if len(c.In) == 0 {
		c.In = slices.Clone(c.quantity.in)
	}
	p.set.Criteria = append(p.set.Criteria, *c)
	p.open = nil
	return nil
}

func levelKind(judges string) LimitKind {
	if judges == CarriesRating {
		return AtLeastLimit
	}
	return AtMostLimit
}

func levelFor(judges string) string {
	if judges == CarriesRating {
		return `"level: at least 0.95 x rated"`
	}
	return `"level: at most 1.25 x rated"`
}

// contradiction says why the two limits of a criterion do not go together.
func contradiction(c Criterion) error {
	if c.Caution.none() {
		return nil
	}
	if c.Pass.Kind == OneOf {
		for _, w := range c.Caution.Words {
			if slices.Contains(c.Pass.Words, w) {
				return fmt.Errorf("%q passes already", w)
			}
		}
		return nil
	}
	switch {
	case c.Caution.Kind != c.Pass.Kind:
		return errors.New("is written in another way than pass: both at most, both at least or both from to")
	case c.Caution.Unit != c.Pass.Unit:
		return errors.New("is in another unit than pass")
	case !c.Caution.holds(c.Pass):
		return errors.New("contradicts pass: what passes has to lie within what is a caution")
	case c.Caution.equal(c.Pass):
		return errors.New("is the same as pass; leave it out")
	}
	return nil
}

// parseLimit reads "at most 1 s", "at least 0.5 A", "1.05 to 2 x rated", or words.
func parseLimit(value string, q quantity, level bool) (Limit, error) {
	if q.words != nil && !level {
		l := Limit{Kind: OneOf, Words: listed(value)}
		for _, w := range l.Words {
			if !slices.Contains(q.words, w) {
				return l, fmt.Errorf("%.40q is none of %s", w, strings.Join(q.words, ", "))
			}
		}
		return l, nil
	}
	of := q
	if level {
		of = quantity{unit: "A"}
	}
	var l Limit
	fields := strings.Fields(value)
	var numbers []string
	switch {
	case len(fields) >= 3 && fields[0] == "at" && (fields[1] == "most" || fields[1] == "least"):
		l.Kind = AtMostLimit
		if fields[1] == "least" {
			l.Kind = AtLeastLimit
		}
		numbers, fields = fields[2:3], fields[3:]
	case len(fields) >= 3 && fields[1] == "to":
		l.Kind = Between
		numbers, fields = []string{fields[0], fields[2]}, fields[3:]
	default:
		return l, fmt.Errorf(`%.60q is no limit: write "at most 1 %s", "at least 1 %[2]s" or "1 to 2 %[2]s"`, value, of.unit)
	}
	l.Unit = strings.Join(fields, " ")
	if !slices.Contains(unitsFor(of), l.Unit) {
		return l, fmt.Errorf("the unit %.40q does not fit; use %s", l.Unit, unitNames(unitsFor(of)))
	}
	low, err := limitNumber(numbers[0])
	if err != nil {
		return l, err
	}
	high, err := limitNumber(numbers[len(numbers)-1])
	if err != nil {
		return l, err
	}
	switch l.Kind {
	case AtMostLimit:
		l.High = high
	case AtLeastLimit:
		l.Low = low
	case Between:
		if l.Low, l.High = low, high; low >= high {
			return l, fmt.Errorf("from %s to %s is no range: the smaller one comes first", numbers[0], numbers[1])
		}
	}
	return l, nil
}

func limitNumber(text string) (float64, error) {
	v, err := strconv.ParseFloat(text, 64)
	switch {
	case err != nil && strings.Contains(text, ","):
		return 0, fmt.Errorf("%.30q: write the decimal point as a point", text)
	case err != nil || math.IsNaN(v) || strings.ContainsAny(text, "xX_"):
		return 0, fmt.Errorf("%.30q is no number", text)
	case v < 0 || v > maxLimit:
		return 0, fmt.Errorf("%s is out of range, allowed is 0 to %g", text, maxLimit)
	}
	return v + 0, nil
}

// Check says what is wrong with a set's text, or nil.
func Check(text string) error {
	_, err := Parse(text)
	return err
}
