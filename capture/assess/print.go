package assess

import (
	"slices"
	"strconv"
	"strings"
)

// String writes the set as Parse reads it: one way of writing for each set.
func (s Set) String() string {
	var b strings.Builder
	for _, line := range s.About {
		b.WriteString("about: " + line + "\n")
	}
	for i, c := range s.Criteria {
		if i > 0 || len(s.About) > 0 {
			b.WriteByte('\n')
		}
		b.WriteString("criterion " + c.Name + "\n")
		c.write(&b)
	}
	return b.String()
}

func (c Criterion) write(b *strings.Builder) {
	line := func(key, value string) {
		if value != "" {
			b.WriteString("  " + key + ": " + value + "\n")
		}
	}
	line("say", c.Say)
	line("judges", c.Judges)
	if !slices.Equal(c.In, c.quantity.in) {
		line("in", joined(c.In))
	}
	line("when", joined(c.When))
	line("level", c.Level.String())
	line("pass", c.Pass.String())
	line("caution", c.Caution.String())
	line("note", c.Note)
}

func joined[T ~string](list []T) string {
	words := make([]string, len(list))
	for i, w := range list {
		words[i] = string(w)
	}
	return strings.Join(words, ", ")
}

// String writes a limit as in a criterion's text.
func (l Limit) String() string { return l.text(l.Unit) }

// Say writes a limit for a person.
func (l Limit) Say() string {
	if l.Kind == OneOf {
		return strings.ReplaceAll(joined(l.Words), "_", " ")
	}
	unit := l.Unit
	if symbol, ok := symbols[unit]; ok {
		unit = symbol
	} else {
		unit = strings.Replace(unit, "x ", "× ", 1)
	}
	return l.text(unit)
}

func (l Limit) text(unit string) string {
	number := func(v float64) string { return strconv.FormatFloat(v, 'g', -1, 64) }
	var s string
	switch l.Kind {
	case NoLimit:
		return ""
	case OneOf:
		return joined(l.Words)
	case AtMostLimit:
		s = "at most " + number(l.High)
	case AtLeastLimit:
		s = "at least " + number(l.Low)
	case Between:
		s = number(l.Low) + " to " + number(l.High)
	}
	if unit != "" {
		s += " " + unit
	}
	return s
}
