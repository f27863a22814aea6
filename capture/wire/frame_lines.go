package wire

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"letthrough/capture/trace"
)

// The lines of a description that are about one display, or about all of them.

func (p *frameParser) display(words []string) error {
	name := words[0]
	if len(name) > 20 || strings.ContainsAny(name, `"&=?#%`) {
		return p.wrong(quoted(name), "a name of at most 20 letters")
	}
	if slices.ContainsFunc(p.d.displays, func(d *display) bool { return d.name == name }) {
		return p.wrong("a second "+quoted(name), "another name for each display")
	}
	rest, m, err := p.when(words[1:])
	if err != nil {
		return err
	}
	if len(rest) > 0 {
		return p.wrong(quoted(rest[0]), `"when" and conditions, or nothing, behind the display's name`)
	}
	p.here = newDisplay(name)
	p.here.frameRule = p.rule(m)
	p.d.displays = append(p.d.displays, p.here)
	return nil
}

func (p *frameParser) rule(m match) frameRule { return frameRule{when: m, line: p.line, file: p.file} }

// one reads lines of one word and perhaps conditions.
func (p *frameParser) one(words []string, want string) (word string, r frameRule, err error) {
	rest, m, err := p.when(words)
	if err == nil && len(rest) != 1 {
		err = p.wrong(quoted(strings.Join(rest, " ")), "%s", want)
	}
	if err != nil {
		return "", r, err
	}
	return rest[0], p.rule(m), nil
}

func (p *frameParser) minus(words []string) error {
	return p.signOf(words, &p.here.minus, map[string]signLine{"digits": signDigits, "never": signNever})
}

func (p *frameParser) plus(words []string) error { return p.signOf(words, &p.here.plus, nil) }

func (p *frameParser) signOf(words []string, to *[]frameRule, alone map[string]signLine) error {
	sign, ok := alone[words[0]]
	if !ok {
		sign = signRules
	}
	if p.here.sign != noSign && (p.here.sign != sign || sign != signRules) {
		return p.wrong(quoted(strings.Join(words, " ")), "one way to tell the sign; a line above names another")
	}
	p.here.sign = sign
	if ok && len(words) == 1 {
		return nil
	}
	rest, m, err := p.when(words)
	if err == nil && (len(rest) > 0 || len(m) == 0) {
		err = p.wrong(quoted(strings.Join(words, " ")), `"when" and conditions, or for minus: digits, never`)
	}
	*to = append(*to, p.rule(m))
	return err
}

func (p *frameParser) decimalsOf(words []string) error {
	want := fmt.Sprintf(`a number of decimals from 0 to %d, or "digits" where the point stands among them`, maxFrameDigits)
	w, r, err := p.one(words, want)
	if err != nil {
		return err
	}
	if w == "digits" && len(r.when) == 0 {
		if p.here.point || len(p.here.decimals) > 0 {
			return p.wrong("a second way", "one way to tell the decimals")
		}
		p.here.point = true
		return nil
	}
	n, err := strconv.Atoi(w)
	if err != nil || n < 0 || n > maxFrameDigits {
		return p.wrong(quoted(w), "%s", want)
	}
	if p.here.point {
		return p.wrong("a second way", "one way to tell the decimals")
	}
	r.decimals = n
	p.here.decimals = append(p.here.decimals, r)
	return nil
}

func (p *frameParser) unit(words []string) error {
	const want = `A, mA, uA, V or mV (what is anything else goes on a line "other"), or none where frames do not say it`
	w, r, err := p.one(words, want)
	if err != nil {
		return err
	}
	exp, ok := map[string]int{"A": 0, "mA": -3, "uA": -6, "V": 0, "mV": -3, "none": 0}[w]
	if !ok {
		return p.wrong(quoted(w), want)
	}
	r.symbol, r.exp = w, exp
	if strings.HasSuffix(w, "V") {
		r.quantity = trace.Voltage
	}
	p.here.units = append(p.here.units, r)
	return nil
}

func (p *frameParser) other(words []string) error {
	rest, m, err := p.when(words)
	if err != nil {
		return err
	}
	text := strings.Join(rest, " ")
	if text == "" || len(text) > 60 || len(m) == 0 {
		return p.wrong(quoted(strings.Join(words, " ")), `what the meter shows, in words, then "when" and conditions`)
	}
	r := p.rule(m)
	r.words = strings.ReplaceAll(text, `"`, "")
	p.here.others = append(p.here.others, r)
	return nil
}

func (p *frameParser) overRange(words []string) error {
	if words[0] == "digits" {
		if len(words) == 1 || slices.Contains(words, "when") {
			return p.wrong(quoted(strings.Join(words, " ")), "digits and the words that they show, such as digits 0L")
		}
		for _, w := range words[1:] {
			w = strings.Trim(w, `"`)
			if w == "" || len(w) > maxFrameDigits+1 || strings.Trim(w, "0123456789.-") == "" {
				return p.wrong(quoted(w), "a word with something in it that is no digit")
			}
			p.here.words = append(p.here.words, w)
		}
		return nil
	}
	rest, m, err := p.when(words)
	if err == nil && (len(rest) > 0 || len(m) == 0) {
		err = p.wrong(quoted(strings.Join(words, " ")), `"when" and conditions, or "digits" and a word`)
	}
	p.here.over = append(p.here.over, p.rule(m))
	return err
}
