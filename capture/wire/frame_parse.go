package wire

import (
	"bytes"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"
)

// frameParser reads the lines of a description.
type frameParser struct {
	d     *description
	file  string
	line  int
	here  *display // what the lines are about: the common part, or one display
	depth int      // of "like"
}

// parseFrames reads a description. The error is a *DescriptionError.
func parseFrames(file string, text []byte) (*description, error) {
	d := &description{name: file, given: map[string]string{}}
	common := newDisplay("")
	p := &frameParser{d: d, file: file, here: common}
	if err := p.read(text); err != nil {
		return nil, err
	}
	d.lastFile, d.lastLine = file, p.line
	return d, d.finish(common)
}

func newDisplay(name string) *display {
	return &display{name: name, codeLines: map[int]bool{}}
}

func (p *frameParser) wrong(got, want string, args ...any) error {
	return &DescriptionError{p.file, max(1, p.line), fmt.Sprintf(want, args...), got}
}

func quoted(s string) string { return `"` + Printable([]byte(s)) + `"` }

func (p *frameParser) read(text []byte) error {
	if len(text) > maxFrameFile {
		return p.wrong(fmt.Sprintf("%d bytes", len(text)), "at most %d bytes", maxFrameFile)
	}
	text = bytes.TrimSuffix(text, []byte("\n"))
	for line := range bytes.SplitSeq(text, []byte("\n")) {
		if p.line++; p.line > maxFrameLines {
			return p.wrong("more", "at most %d lines", maxFrameLines)
		}
		if !utf8.Valid(line) {
			return p.wrong(quoted(string(line)), "text in UTF-8")
		}
		words, err := p.split(strings.TrimSuffix(string(line), "\r"))
		if err != nil {
			return err
		}
		if len(words) == 0 {
			continue
		}
		if err := p.key(words[0], words[1:]); err != nil {
			return err
		}
	}
	return nil
}

// split cuts a line into words; between quotation marks spaces and # are themselves.
func (p *frameParser) split(line string) (words []string, err error) {
	in, start := false, -1
	for i, r := range line {
		switch {
		case r == '"':
			in = !in
			if start < 0 {
				start = i
			}
		case in:
		case r == '#':
			line = line[:i]
			if start >= 0 {
				words = append(words, line[start:])
			}
			return words, nil
		case r == ' ' || r == '\t':
			if start >= 0 {
				words, start = append(words, line[start:i]), -1
			}
		case start < 0:
			start = i
		}
		if r != '\t' && !unicode.IsPrint(r) {
			return nil, p.wrong(quoted(string(r)), "characters that can be seen")
		}
	}
	if in {
		return nil, p.wrong(quoted(line), "a second quotation mark on the line")
	}
	if start >= 0 {
		words = append(words, line[start:])
	}
	return words, nil
}

// frameKey is one key of a description.
type frameKey struct {
	name string
	once bool // may stand once in a description
	read func(*frameParser, []string) error
}

// frameKeys lists the keys, in the order of the help page.
func frameKeys() []frameKey {
	return []frameKey{
		{"like", true, (*frameParser).like},
		{"about", true, (*frameParser).about},
		{"baud", true, (*frameParser).baud},
		{"line", true, (*frameParser).lineSetting},
		{"dtr", true, func(p *frameParser, w []string) error { return p.onOff(w, &p.d.port.DTR) }},
		{"rts", true, func(p *frameParser, w []string) error { return p.onOff(w, &p.d.port.RTS) }},
		{"length", true, (*frameParser).length},
		{"start", true, func(p *frameParser, w []string) error { return p.edge(w, &p.d.start) }},
		{"end", true, func(p *frameParser, w []string) error { return p.edge(w, &p.d.end) }},
		{"expect", false, (*frameParser).expect},
		{"checksum", true, (*frameParser).checksum},
		{"display", false, (*frameParser).display},
		{"digits", false, (*frameParser).digits},
		{"code", false, (*frameParser).codeOf},
		{"blank", false, (*frameParser).blankCode},
		{"minus", false, (*frameParser).minus},
		{"plus", false, (*frameParser).plus},
		{"decimals", false, (*frameParser).decimalsOf},
		{"unit", false, (*frameParser).unit},
		{"other", false, (*frameParser).other},
		{"over", false, (*frameParser).overRange},
	}
}

func (p *frameParser) key(name string, words []string) error {
	for _, k := range frameKeys() {
		if k.name != name {
			continue
		}
		if k.once {
			if at := p.d.given[name]; at != "" {
				return p.wrong("a second one", "one line %q only; the first is %s", name, at)
			}
			p.d.given[name] = fmt.Sprintf("%s:%d", p.file, p.line)
		}
		if len(words) == 0 {
			return p.wrong("nothing", "something behind %q", name)
		}
		if name != "like" && name != "about" && p.d.length == 0 && !slices.Contains([]string{"baud", "line", "dtr", "rts", "length"}, name) {
			return p.wrong(quoted(name), `the line "length" before %q`, name)
		}
		return k.read(p, words)
	}
	var names []string
	for _, k := range frameKeys() {
		names = append(names, k.name)
	}
	return p.wrong(quoted(name), "one of the keys %s", strings.Join(names, ", "))
}

// like reads a shipped description first, which this one completes.
func (p *frameParser) like(words []string) error {
	if p.depth > 0 || len(p.d.given) > 1 {
		return p.wrong("other lines before it", `"like" on the first line`)
	}
	text, err := shippedFrames.ReadFile("frames/" + words[0] + ".frame")
	if err != nil || len(words) != 1 {
		return p.wrong(quoted(strings.Join(words, " ")), "the name of one shipped description: %s", strings.Join(FrameKinds(), ", "))
	}
	base := &frameParser{d: p.d, file: words[0] + ".frame", here: p.here, depth: 1}
	if err := base.read(text); err != nil {
		return err
	}
	p.here = base.here
	for _, again := range []string{"about", "baud", "line", "dtr", "rts"} {
		delete(p.d.given, again)
	}
	return nil
}

func (p *frameParser) about(words []string) error {
	p.d.about = strings.Join(words, " ")
	return nil
}

func (p *frameParser) baud(words []string) error {
	n, err := strconv.Atoi(words[0])
	if err != nil || len(words) != 1 || n < 50 || n > 20_000_000 {
		return p.wrong(quoted(strings.Join(words, " ")), "a whole number from 50 to 20000000")
	}
	p.d.port.Baud = n
	return nil
}

func (p *frameParser) lineSetting(words []string) error {
	if len(words) != 1 || !framing(words[0]) {
		return p.wrong(quoted(strings.Join(words, " ")), "data bits, parity (N, O or E) and stop bits, such as 8N1 or 7O1")
	}
	p.d.port.Line = words[0]
	return nil
}

func (p *frameParser) onOff(words []string, to **bool) error {
	if len(words) != 1 || words[0] != "on" && words[0] != "off" {
		return p.wrong(quoted(strings.Join(words, " ")), "on or off")
	}
	on := words[0] == "on"
	*to = &on
	return nil
}

func (p *frameParser) length(words []string) error {
	n, err := strconv.Atoi(words[0])
	if err != nil || len(words) != 1 || n < 2 || n > maxFrame {
		return p.wrong(quoted(strings.Join(words, " ")), "how many bytes a frame has: 2 to %d", maxFrame)
	}
	p.d.length = n
	return nil
}

// edge reads the bytes at the start or the end of every frame.
func (p *frameParser) edge(words []string, to *[]byte) error {
	for _, w := range words {
		b, ok := codeBytes(w)
		if !ok {
			return p.wrong(quoted(w), `bytes in hex, such as 0D 0A, or as text, such as "4"`)
		}
		*to = append(*to, b...)
	}
	if len(*to) > p.d.length {
		return p.wrong(fmt.Sprintf("%d bytes", len(*to)), "at most the %d bytes of a frame", p.d.length)
	}
	return nil
}

// codeBytes reads pairs of hex digits, or text between quotation marks.
func codeBytes(w string) (b []byte, ok bool) {
	if len(w) > 2 && w[0] == '"' && w[len(w)-1] == '"' {
		b = []byte(w[1 : len(w)-1])
		return b, !slices.ContainsFunc(b, func(c byte) bool { return c < ' ' || c > '~' || c == '"' })
	}
	for ; len(w) >= 2; w = w[2:] {
		hi, ok1 := hexDigit(w[0])
		lo, ok2 := hexDigit(w[1])
		if !ok1 || !ok2 {
			return nil, false
		}
		b = append(b, hi<<4|lo)
	}
	return b, len(w) == 0 && len(b) > 0
}

func (p *frameParser) expect(words []string) error {
	m, err := p.conditions(words)
	p.d.expects = append(p.d.expects, p.rule(m))
	return err
}

func (p *frameParser) checksum(words []string) error {
	const form = "KIND over FIRST-LAST at BYTE, such as sum8 over 0-6 at 7, of the kinds sum8, neg8, xor8, sum16be, sum16le"
	i := slices.IndexFunc(sumKinds, func(k sumKind) bool { return k.name == words[0] })
	if len(words) != 5 || i < 0 || words[1] != "over" || words[3] != "at" {
		return p.wrong(quoted(strings.Join(words, " ")), form)
	}
	over, err := p.field(words[2])
	if err != nil {
		return err
	}
	at, err := p.field(words[4])
	if err != nil {
		return err
	}
	if !over.whole || !at.whole || at.first != at.last {
		return p.wrong(quoted(strings.Join(words, " ")), form)
	}
	c := &checksum{sumKind: sumKinds[i], from: over.first, to: over.last, at: at.first, line: p.line, file: p.file}
	if c.at+c.bytes > p.d.length {
		return p.wrong(fmt.Sprintf("byte %d and %d", c.at, c.at+1), "a checksum of two bytes within 0 to %d", p.d.length-1)
	}
	p.d.sum = c
	return nil
}
