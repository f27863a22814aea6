package file

import (
	"math"
	"slices"

	"letthrough/capture/trace"
)

// Most files are as this program writes them: time and current, perhaps voltage, plain decimals, and
// flags that are mostly empty. Such rows are read in one pass over their bytes; the first that is
// anything else is left to the careful way, which also says what is wrong with it.

// fastLayouts are the columns of such files.
var fastLayouts = [][]role{
	{timeRole, currentRole}, {timeRole, currentRole, flagsRole},
	{timeRole, currentRole, voltageRole}, {timeRole, currentRole, voltageRole, flagsRole},
}

// isFast tells whether rows can be tried in one pass.
func (c *CSVReader) isFast() bool {
	l := c.layout
	return l.delimiter == ',' && !l.comma && l.fields == len(c.roleAt) &&
		slices.ContainsFunc(fastLayouts, func(f []role) bool { return slices.Equal(f, c.roleAt) })
}

// fastRows reads rows for as long as they are plain and whole.
func (c *CSVReader) fastRows(current, voltage []trace.Sample) ([]trace.Sample, []trace.Sample) {
	buf, at := c.buf, c.at
	hasVoltage, hasFlags := slices.Contains(c.roleAt, voltageRole), c.roleAt[len(c.roleAt)-1] == flagsRole
	timeShift := c.layout.columns[timeRole].shift
	shift, voltageShift := c.layout.columns[currentRole].shift, c.layout.columns[voltageRole].shift
	places, rows := c.places, int64(0)
	for {
		m, exp, negative, i := plainDecimal(buf, at)
		exp += timeShift
		if i < 0 || buf[i] != ',' || exp < 0 || exp > 9 || m > math.MaxInt64/intPow10[exp] {
			break
		}
		ns := int64(m * intPow10[exp])
		if negative {
			ns = -ns
		}
		m, exp, negative, i = plainDecimal(buf, i+1)
		v, ok := plainFloat(m, exp+shift, negative)
		if i < 0 || !ok {
			break
		}
		p := -exp - shift
		var u float64
		if hasVoltage {
			if buf[i] != ',' {
				break
			}
			m, exp, negative, i = plainDecimal(buf, i+1)
			if u, ok = plainFloat(m, exp+voltageShift, negative); i < 0 || !ok {
				break
			}
		}
		if hasFlags {
			if buf[i] != ',' || i+1 == len(buf) {
				break
			}
			i++
		}
		if buf[i] == '\r' && i+1 < len(buf) {
			i++
		}
		if buf[i] != '\n' {
			break
		}
		at = i + 1
		rows++
		places = max(places, p)
		current = append(current, trace.Sample{AtNS: ns, Value: v})
		if hasVoltage {
			voltage = append(voltage, trace.Sample{AtNS: ns, Value: u})
		}
	}
	c.at, c.places = at, places
	c.rows += rows
	c.line += int(rows)
	return current, voltage
}

// plainDecimal reads [-]digits[.digits] of at most 18 digits, and gives where it ends: a byte of buf.
// end is -1 where there is no such number.
func plainDecimal(buf []byte, at int) (m uint64, exp int, negative bool, end int) {
	i := at
	if i < len(buf) && buf[i] == '-' {
		negative = true
		i++
	}
	begin := i
	for i < len(buf) {
		d := buf[i] - '0'
		if d > 9 {
			break
		}
		m = m*10 + uint64(d)
		i++
	}
	digits := i - begin
	if i < len(buf) && buf[i] == '.' {
		i++
		point := i
		for i < len(buf) {
			d := buf[i] - '0'
			if d > 9 {
				break
			}
			m = m*10 + uint64(d)
			i++
		}
		exp = point - i
		digits -= exp
	}
	if i >= len(buf) || digits == 0 || digits > 18 {
		return 0, 0, false, -1
	}
	return m, exp, negative, i
}

// plainFloat gives m*10^exp where both are exact, so that it is rounded once.
func plainFloat(m uint64, exp int, negative bool) (v float64, ok bool) {
	if m >= 1<<53 || exp > 0 || exp < -22 {
		return 0, false
	}
	v = float64(m) / pow10[-exp]
	if negative {
		v = -v
	}
	return v, true
}
