package wire

// plainLine reads one line of nothing but plain numbers in one pass over its bytes: the case that holds
// for nearly every line of a fast board. It gives n = 0 and leaves everything as it was where the line is
// not complete or anything about it is out of the ordinary; line then reads it with all care. Whatever it
// does accept, line reads to the same bits (a test holds the two together).
func (t *text) plainLine(dst []Reading, b []byte, offset int) (_ []Reading, n int) {
	before := len(dst)
	var device int64
	decimal := t.shape.decimal
	if decimal == 0 {
		decimal = '.'
	}
	i, last := 0, t.shape.columns-1
	for col := 0; ; col++ {
		c := &t.columns[col]
		start := i
		switch c.role {
		case valueColumn:
			neg := false
			if i < len(b) && (b[i] == '-' || b[i] == '+') {
				neg = b[i] == '-'
				i++
			}
			first := i
			var mantissa uint64
			for i < len(b) && b[i]-'0' <= 9 {
				mantissa = mantissa*10 + uint64(b[i]-'0')
				i++
			}
			digits, exp := i-first, c.shift
			if i < len(b) && b[i] == decimal {
				if t.shape.decimal == 0 {
					return dst[:before], 0
				}
				i++
				first = i
				for i < len(b) && b[i]-'0' <= 9 {
					mantissa = mantissa*10 + uint64(b[i]-'0')
					i++
				}
				digits += i - first
				exp -= i - first
			}
			if digits == 0 || digits > exactDigits {
				return dst[:before], 0
			}
			v := float64(mantissa)
			if exp < 0 {
				v /= pow10[-exp]
			}
			if v > t.maxAbs {
				return dst[:before], 0
			}
			if neg {
				v = -v
			}
			r := Reading{Value: v, DeviceNS: device, Channel: c.channel}
			if t.coded {
				var ok bool
				if r.Value, r.Flags, ok = t.ofCode(v, c.quantity); !ok {
					return dst[:before], 0
				}
			}
			dst = append(dst, r)
		case timeColumn:
			var ticks uint64
			for i < len(b) && b[i]-'0' <= 9 {
				ticks = ticks*10 + uint64(b[i]-'0')
				i++
			}
			if i == start || i > 18 || ticks > t.maxTicks {
				return dst[:before], 0
			}
			device = int64(ticks) * t.tickNS
		default:
			for i < len(b) && b[i] >= ' ' && b[i] != t.shape.delimiter && b[i] != '*' && b[i] != 0x7F {
				i++
			}
			if i == start || b[i-1] == ' ' || col == 0 && (b[0] == '#' || b[0] == ' ') {
				return dst[:before], 0
			}
		}
		if i >= len(b) || i > maxLine {
			return dst[:before], 0
		}
		if col == last {
			break
		}
		if b[i] != t.shape.delimiter {
			return dst[:before], 0
		}
		i++
	}
	switch {
	case b[i] == '\n':
		i++
	case b[i] != '\r':
		return dst[:before], 0
	case i+1 < len(b) && b[i+1] == '\n':
		i += 2
	default:
		i++
	}
	for k := before; k < len(dst); k++ {
		r := &dst[k]
		r.End = offset + i
		if t.fullScale > 0 || t.coded {
			t.limit(r)
		}
	}
	t.counts.Readings += int64(len(dst) - before)
	t.sawNumber = true
	return dst, i
}
