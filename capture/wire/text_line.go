package wire

import (
	"math"

	"letthrough/capture/trace"
)

// line reads one whole line, without its end. end is the offset in the chunk just behind it.
func (t *text) line(dst []Reading, b []byte, end int) []Reading {
	if len(b) == 0 {
		return dst
	}
	for _, c := range b {
		if c < ' ' && c != '\t' || c == 0x7F {
			t.garbled(b, errByte)
			return dst
		}
	}
	trimmed := trimSpace(b)
	if len(trimmed) == 0 {
		return dst
	}
	if trimmed[0] == '#' {
		t.counts.Comments++
		return dst
	}
	body, sum := trimmed, sumNone
	if !t.noSum {
		body, sum = cutChecksum(trimmed)
	}
	if !t.held || t.shape.labels != 0 {
		var err error
		if body, err = t.unlabel(body); err != nil {
			t.alike = 0
			t.garbled(b, err)
			return dst
		}
	}
	if !t.held && !t.sniff(trimmed, body, sum) {
		return dst
	}
	if sum == sumWrong || t.shape.checksum != (sum == sumRight) {
		t.garbled(b, errChecksum)
		return dst
	}
	if t.shape.labels != 0 && t.labelled.hash != t.shape.labels {
		t.garbled(b, errLabels)
		return dst
	}
	out, err := t.read(dst, body, end)
	if err != nil {
		t.garbled(b, err)
		return dst
	}
	return out
}

// read takes the values out of a line that is built as t.shape says.
func (t *text) read(dst []Reading, b []byte, end int) ([]Reading, error) {
	fields := t.split(b, t.shape.delimiter)
	if len(fields) != t.shape.columns {
		return dst, errColumns
	}
	r := Reading{End: end, Missed: uint16(min(t.missed, math.MaxUint16))}
	if t.tickNS != 0 {
		var err error
		if r.DeviceNS, err = t.deviceTime(fields[t.timeAt]); err != nil {
			return dst, err
		}
	}
	if t.gap {
		r.Flags = trace.Gap
	}
	n := len(dst)
	for i, f := range fields[:t.needed] {
		c := t.columns[i]
		if c.role != valueColumn {
			continue
		}
		v, flags, err := t.field(f, c.quantity, c.shift)
		if err != nil {
			return dst[:n], err
		}
		r.Value, r.Channel = v, c.channel
		r2 := r
		r2.Flags |= flags
		dst = append(dst, r2)
	}
	for i := n; i < len(dst); i++ {
		t.limit(&dst[i])
	}
	t.counts.Readings += int64(len(dst) - n)
	t.missed, t.gap, t.bad = 0, false, 0
	return dst, nil
}

// limit flags a reading that stands at the end of the instrument's range.
func (t *text) limit(r *Reading) {
	if t.fullScale > 0 && t.channels[r.Channel] == t.scaleOf && math.Abs(r.Value) >= t.fullScale {
		r.Flags |= trace.Over
	}
	if r.Flags&trace.Over != 0 {
		t.counts.Over++
	}
}

// field reads one value: a number with or without unit, or an over-range word. The value is in A or V.
func (t *text) field(b []byte, q trace.Quantity, shift int) (v float64, flags trace.Flags, err error) {
	b = trimSpace(b)
	if v, ok := overRange(b); ok {
		return v, trace.Over, nil
	}
	apart := false // displays that keep a place for the sign send "- 0.512"
	if len(b) > 1 && (b[0] == '-' || b[0] == '+') && b[1] == ' ' {
		if i := numberAt(b, 1); i > 0 {
			apart, b = b[0] == '-', b[i:]
		}
	}
	decimal := t.shape.decimal
	if decimal == 0 && (t.sawNumber || t.shape.delimiter == ',') {
		decimal = '.' // whole numbers came first; a comma among them is a broken line
	}
	v, n, flags, err := scanValue(b, q, shift, decimal, t.maxAbs, &t.scratch)
	if err != nil || flags != 0 {
		return v, flags, err
	}
	if t.held {
		t.sawNumber = true
		if n.sep != 0 {
			t.shape.decimal = n.sep
		}
	}
	if apart {
		v = -v
	}
	if t.coded {
		var ok bool
		if v, flags, ok = t.ofCode(v, q); !ok {
			return 0, 0, errCode
		}
		return v, flags, nil
	}
	return v, 0, nil
}

// deviceTime reads the time column as nanoseconds; digits below a nanosecond are dropped.
func (t *text) deviceTime(b []byte) (int64, error) {
	b = trimSpace(b)
	var ticks uint64
	i := 0
	for ; i < len(b) && b[i]-'0' <= 9; i++ {
		if i >= 19 {
			return 0, errTime
		}
		ticks = ticks*10 + uint64(b[i]-'0')
	}
	if i == 0 || ticks > t.maxTicks {
		return 0, errTime
	}
	ns := int64(ticks) * t.tickNS
	if i == len(b) {
		return ns, nil
	}
	if mark := t.shape.decimal; b[i] != mark && (mark != 0 || b[i] != '.' && b[i] != ',') {
		return 0, errTime
	}
	part := t.tickNS
	for i++; i < len(b); i++ {
		if b[i]-'0' > 9 {
			return 0, errTime
		}
		part /= 10
		if ns > math.MaxInt64-10*t.tickNS {
			return 0, errTime
		}
		ns += int64(b[i]-'0') * part
	}
	return ns, nil
}

// split cuts a line into its columns. Between spaces, a unit belongs to the number before it and a sign that
// stands alone to the number behind it.
func (t *text) split(b []byte, delimiter byte) [][]byte {
	out := t.fields[:0]
	switch delimiter {
	case 0:
		return append(out, b)
	case ' ':
		start := 0
		for i := 0; i < len(b) && len(out) <= maxColumns; {
			if b[i] == ' ' || b[i] == '\t' {
				i++
				continue
			}
			j := i
			for j < len(b) && b[j] != ' ' && b[j] != '\t' {
				j++
			}
			if sign := j-i == 1 && (b[i] == '-' || b[i] == '+'); sign && numberAt(b, j) > j {
				start = i
				for i = numberAt(b, j); i < len(b) && b[i] != ' ' && b[i] != '\t'; i++ {
				}
				out = append(out, b[start:i])
				continue
			}
			if _, _, unit := suffix(b[i:j]); unit && len(out) > 0 {
				out[len(out)-1] = b[start:j]
			} else {
				out, start = append(out, b[i:j]), i
			}
			i = j
		}
		return out
	}
	start := 0
	for i := 0; i < len(b) && len(out) < maxColumns; i++ {
		if b[i] == delimiter {
			out = append(out, b[start:i])
			start = i + 1
		}
	}
	return append(out, b[start:])
}

// numberAt is where, behind blanks from i on, a number without a sign begins; -1 where none does.
func numberAt(b []byte, i int) int {
	for ; i < len(b); i++ {
		switch c := b[i]; {
		case c == ' ' || c == '\t':
		case c-'0' <= 9 || c == '.' || c == ',':
			return i
		default:
			return -1
		}
	}
	return -1
}

// sum is what became of a line's checksum.
type sum uint8

const (
	sumNone sum = iota // the line has none
	sumRight
	sumWrong
)

// cutChecksum takes "*hh" off a line: the exclusive or of the bytes before the star, without a leading
// dollar sign (the span that NMEA 0183 uses, from memory).
func cutChecksum(b []byte) (body []byte, s sum) {
	n := len(b)
	if n < 3 || b[n-3] != '*' {
		return b, sumNone
	}
	hi, ok1 := hexDigit(b[n-2])
	lo, ok2 := hexDigit(b[n-1])
	if !ok1 || !ok2 {
		return b, sumNone
	}
	body = b[:n-3]
	if len(body) > 0 && body[0] == '$' {
		body = body[1:]
	}
	var x byte
	for _, c := range body {
		x ^= c
	}
	if x != hi<<4|lo {
		return body, sumWrong
	}
	return body, sumRight
}

func hexDigit(c byte) (byte, bool) {
	switch {
	case c-'0' <= 9:
		return c - '0', true
	case c-'A' <= 5:
		return c - 'A' + 10, true
	case c-'a' <= 5:
		return c - 'a' + 10, true
	}
	return 0, false
}
