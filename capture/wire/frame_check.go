package wire

import (
	"fmt"
	"slices"
)

// finish puts the common part into every display, and refuses a description that has a hole or that
// could read one frame in two ways.
func (d *description) finish(common *display) error {
	if d.length == 0 {
		return d.missing(`a line "length"`)
	}
	if len(d.displays) == 0 {
		common.name = "main"
		d.displays = []*display{common}
	}
	for _, f := range []func() error{d.fix, d.checkSum, func() error { return d.share(common) }, d.checkDisplays, d.checkEdges} {
		if err := f(); err != nil {
			return err
		}
	}
	return nil
}

func (d *description) missing(what string, args ...any) error {
	return &DescriptionError{d.lastFile, max(1, d.lastLine), fmt.Sprintf(what, args...), "the end of the description"}
}

func (d *description) wrongAt(r frameRule, got, want string, args ...any) error {
	return &DescriptionError{r.file, r.line, fmt.Sprintf(want, args...), got}
}

// fix joins what must stand in every frame.
func (d *description) fix() error {
	ok := true
	set := func(from int, bytes []byte) {
		for i, c := range bytes {
			if ok {
				d.fixed, ok = d.fixed.and(bitTest{byte(from + i), 0xFF, c})
			}
		}
	}
	if len(d.start)+len(d.end) > d.length {
		return d.missing("start and end of together at most %d bytes", d.length)
	}
	set(0, d.start)
	set(d.length-len(d.end), d.end)
	for _, e := range d.expects {
		for _, t := range e.when {
			if d.fixed, ok = d.fixed.and(t); !ok {
				return d.wrongAt(e, fmt.Sprintf("byte %d asked for another value by a line above", t.at), "what can stand in one frame with start, end and the other lines \"expect\"")
			}
		}
	}
	return nil
}

func (d *description) checkSum() error {
	c := d.sum
	if c == nil {
		return nil
	}
	r := frameRule{file: c.file, line: c.line}
	for at := c.at; at < c.at+c.bytes; at++ {
		if at >= c.from && at <= c.to {
			return d.wrongAt(r, fmt.Sprintf("byte %d on both sides", at), "a checksum outside the bytes that it is over")
		}
		if slices.ContainsFunc(d.fixed, func(t bitTest) bool { return int(t.at) == at }) {
			return d.wrongAt(r, fmt.Sprintf("byte %d, which start, end or expect fixes", at), "a checksum in bytes of its own")
		}
	}
	return nil
}

// share gives each display what it does not say itself.
func (d *description) share(c *display) error {
	for _, s := range d.displays {
		if s == c {
			continue
		}
		if s.code == noDigits {
			if len(s.codeLines) > 0 {
				return d.wrongAt(s.frameRule, `"code" or "blank" without "digits"`, `a line "digits" in display %s`, s.name)
			}
			s.code, s.places, s.chars, s.codeLines = c.code, c.places, c.chars, c.codeLines
		}
		if len(s.decimals) == 0 && !s.point {
			s.decimals, s.point = c.decimals, c.point
		}
		if len(s.units)+len(s.others) == 0 {
			s.units, s.others = c.units, c.others
		}
		if s.sign == noSign {
			s.sign, s.minus, s.plus = c.sign, c.minus, c.plus
		}
		if len(s.over)+len(s.words) == 0 {
			s.over, s.words = c.over, c.words
		}
	}
	return nil
}

func (d *description) checkDisplays() error {
	for i, s := range d.displays {
		at := "" // which display, where there are several
		if len(d.displays) > 1 {
			at = " for display " + s.name
		}
		switch {
		case s.code == noDigits:
			return d.missing(`a line "digits"%s`, at)
		case len(s.decimals) == 0 && !s.point:
			return d.missing(`a line "decimals"%s ("decimals 0" if it has none)`, at)
		case s.point && s.code != asciiDigits:
			return d.wrongAt(s.frameRule, `"decimals digits"`, "digits in ascii, which alone can have a point among them")
		case len(s.units) == 0:
			return d.missing(`a line "unit"%s ("unit none" if frames do not say it)`, at)
		case s.sign == noSign, s.sign == signRules && len(s.minus) == 0:
			return d.missing(`a line "minus"%s ("minus never" if it cannot be)`, at)
		}
		if s.point {
			s.chars['.'] = '.'
		}
		if s.sign == signDigits && s.code == asciiDigits {
			s.chars['-'], s.chars['+'] = '-', '+'
		}
		if s.code == asciiDigits {
			for _, w := range s.words {
				for _, c := range []byte(w) {
					if s.chars[c] == 0 {
						s.chars[c] = c
					}
				}
			}
		}
		if err := d.checkRules(s); err != nil {
			return err
		}
		for _, o := range d.displays[:i] {
			if err := d.apart(s, o); err != nil {
				return err
			}
		}
	}
	return nil
}

// checkRules refuses lines that can never hold, and lines that can hold together and say different things.
func (d *description) checkRules(s *display) error {
	groups := [][]frameRule{{s.frameRule}, s.decimals, s.units, s.others, s.minus, s.plus, s.over}
	for _, rules := range groups {
		for _, r := range rules {
			if r.when.excludes(d.fixed) {
				return d.wrongAt(r, "a byte that start, end or expect fix at another value", "conditions that can hold")
			}
			if s.when.excludes(r.when) {
				return d.wrongAt(r, "conditions that contradict those of display "+s.name, "conditions that can hold")
			}
		}
	}
	for _, rules := range [][]frameRule{s.decimals, s.units} {
		for i, r := range rules {
			for _, o := range rules[:i] {
				if !r.when.excludes(o.when) {
					return d.wrongAt(r, fmt.Sprintf("codes that fit line %d too", o.line), "codes that no other line for the same thing can fit")
				}
			}
		}
	}
	for _, m := range s.minus {
		for _, p := range s.plus {
			if !m.when.excludes(p.when) {
				return d.wrongAt(p, fmt.Sprintf("codes that fit line %d too", m.line), "codes for plus that cannot be minus")
			}
		}
	}
	for _, u := range s.units {
		if u.symbol == "none" && len(s.units) > 1 {
			return d.wrongAt(u, `"none" beside other units`, `"unit none" alone`)
		}
		for _, o := range s.others {
			if u.when.within(o.when) {
				return d.wrongAt(o, fmt.Sprintf("codes that also fit line %d, unit %s", u.line, u.symbol), "codes of their own for what is no current or voltage")
			}
		}
	}
	for i, o := range s.others {
		for _, before := range s.others[:i] {
			if o.when.within(before.when) {
				return d.wrongAt(o, fmt.Sprintf("codes that fit line %d already", before.line), "codes that no line above names")
			}
		}
	}
	return d.checkPlaces(s)
}

// checkPlaces refuses digits that overlap with each other or with anything else but over-range codes.
func (d *description) checkPlaces(s *display) error {
	var taken [maxFrame]byte
	for _, place := range s.places {
		for _, b := range place {
			if taken[b.at]&b.mask != 0 {
				return d.wrongAt(s.frameRule, fmt.Sprintf("byte %d twice", b.at), "each digit in bits of its own")
			}
			taken[b.at] |= b.mask
		}
	}
	for _, t := range d.fixed {
		if taken[t.at]&t.mask != 0 {
			return d.wrongAt(s.frameRule, fmt.Sprintf("byte %d, which start, end or expect fixes", t.at), "digits in bits of their own")
		}
	}
	var sum [maxFrame]byte
	if c := d.sum; c != nil {
		for at := c.at; at < c.at+c.bytes; at++ {
			if sum[at] = 0xFF; taken[at] != 0 {
				return d.wrongAt(s.frameRule, fmt.Sprintf("byte %d, which holds the checksum", at), "digits in bits of their own")
			}
		}
	}
	for _, rules := range [][]frameRule{{s.frameRule}, s.decimals, s.units, s.others, s.minus, s.plus} {
		for _, r := range rules {
			for _, t := range r.when {
				if taken[t.at]&t.mask != 0 {
					return d.wrongAt(r, fmt.Sprintf("byte %d, where digits stand", t.at), "conditions on bits that no digit uses")
				}
			}
		}
	}
	for _, rules := range [][]frameRule{{s.frameRule}, s.decimals, s.units, s.others, s.minus, s.plus, s.over} {
		for _, r := range rules {
			for _, t := range r.when {
				if sum[t.at] != 0 {
					return d.wrongAt(r, fmt.Sprintf("byte %d, which holds the checksum", t.at), "conditions on other bytes")
				}
			}
		}
	}
	return nil
}

// apart refuses two displays that would read the same bits of the same frame.
func (d *description) apart(s, o *display) error {
	if s.when.excludes(o.when) {
		return nil
	}
	for _, place := range s.places {
		for _, b := range place {
			for _, other := range o.places {
				if slices.ContainsFunc(other, func(c bit) bool { return c.at == b.at && c.mask == b.mask }) {
					return d.wrongAt(s.frameRule, fmt.Sprintf("byte %d, which display %s reads in the same frame", b.at, o.name), "displays with digits of their own, or told apart by \"when\"")
				}
			}
		}
	}
	return nil
}

// checkEdges refuses frames of which a byte can be lost without anybody noticing. When one is lost, the
// first byte of the next frame moves to the place of the last: it must not pass for it.
func (d *description) checkEdges() error {
	if d.sum != nil && d.sumCoversDigits() {
		return nil
	}
	first, last := d.allowed(0), d.allowed(d.length-1)
	for c := range 256 {
		if first[c] && last[c] {
			return d.missing(`something that tells where a frame ends ("start" and "end" that differ, "expect", or "checksum"): with a byte lost, the next frame's first byte, such as %02X, would pass for its last`, c)
		}
	}
	return nil
}

func (d *description) sumCoversDigits() bool {
	for _, s := range d.displays {
		for _, place := range s.places {
			for _, b := range place {
				if int(b.at) < d.sum.from || int(b.at) > d.sum.to {
					return false
				}
			}
		}
	}
	return true
}

// allowed says which values a byte can have in a frame that is right.
func (d *description) allowed(at int) (out [256]bool) {
	for c := range 256 {
		frame := [maxFrame]byte{}
		frame[at] = byte(c)
		out[c] = true
		for _, t := range d.fixed {
			if int(t.at) == at && byte(c)&t.mask != t.value {
				out[c] = false
			}
		}
		if out[c] && !slices.ContainsFunc(d.displays, func(s *display) bool { return s.canHold(at, byte(c)) }) {
			out[c] = false
		}
	}
	return out
}

// canHold tells whether a frame of this display can have c at a byte, as far as its digits say.
func (s *display) canHold(at int, c byte) bool {
	for _, place := range s.places {
		code := 0
		inside := true
		for i, b := range place {
			if inside = inside && int(b.at) == at; !inside {
				break
			}
			if c&b.mask != 0 {
				code |= 1 << i
			}
		}
		if inside && s.chars[code] == 0 {
			return false
		}
	}
	return true
}
