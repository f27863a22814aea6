package file

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"letthrough/capture/trace"
)

// config is what of a COMTRADE configuration is needed to read its data.
type config struct {
	name     string
	revision int // 1991, 1999, 2013
	analog   []analog
	status   []statusChannel
	started  time.Time // time of day of the first sample; zero: not told in a way that can be read
	rates    []rate    // none: every record's own stamp counts
	last     int64     // records in all
	format   string    // ASCII, BINARY, BINARY32, FLOAT32
	timeMult float64
	stampNS  float64 // ns in one unit of a stamp: 1000, or 1 where the times of day have nanoseconds
}

type analog struct {
	id, unit string
	power    int // of ten, of its unit: -3 for mA
	quantity trace.Quantity
	known    bool // the unit is one of A or V
	a, b     float64
	factor   decimal // a as it is written
	// Where the values are those behind a transformer: what stands before it, and what behind it. Both
	// are 0 where the values are the primary side's or the ratio is not told.
	primary, secondary float64
}

type rate struct {
	hz   float64
	last int64 // the number of the last record taken at it
}

// configReader walks over the lines of a configuration. After the first fault it stands still.
type configReader struct {
	name string
	rest []byte
	line int
	err  error
}

func (r *configReader) fail(want, got string) {
	if r.err == nil {
		r.err = &Error{File: r.name, Line: r.line, Want: want, Got: got}
	}
}

// fields gives the next line taken apart at its commas; least is how many there must be.
func (r *configReader) fields(what string, least int) []string {
	if r.err != nil {
		return make([]string, least)
	}
	r.line++
	if len(r.rest) == 0 {
		r.fail("want "+what, "the end of the file")
		return make([]string, least)
	}
	line, rest := cutLine(r.rest)
	r.rest = rest
	f := strings.Split(string(line), ",")
	for i := range f {
		f[i] = strings.TrimSpace(f[i])
	}
	if len(f) < least {
		r.fail(fmt.Sprintf("want %s (%d fields)", what, least), quoted(line))
		return make([]string, least)
	}
	return f
}

func (r *configReader) number(what, s string) float64 {
	v, err := strconv.ParseFloat(s, 64)
	if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
		r.fail("want "+what+" as a number", quoted([]byte(s)))
		return 0
	}
	return v
}

func (r *configReader) whole(what, s string, most int64) int64 {
	n, err := strconv.ParseInt(s, 10, 64)
	if err != nil || n < 0 || n > most {
		r.fail(fmt.Sprintf("want %s as a whole number up to %d", what, most), quoted([]byte(s)))
		return 0
	}
	return n
}

// maxChannels is the most that the standard's six digits allow.
const maxChannels = 999_999

func parseConfig(text []byte, name string) (config, error) {
	r := configReader{name: name, rest: []byte(strings.TrimPrefix(string(text), "\ufeff"))}
	c := config{name: name, revision: 1991, timeMult: 1, stampNS: 1000}
	if first := r.fields("station, recorder and year of the standard", 2); len(first) > 2 && first[2] != "" {
		c.revision = int(r.whole("the year of the standard", first[2], 9999))
	}
	c.channels(&r)
	r.fields("the line frequency", 1)
	c.sampling(&r)
	first := r.fields("the time of the first sample", 2)
	c.started = dayTime(first[0], first[1])
	r.fields("the time of the trigger", 2)
	if _, fraction, _ := strings.Cut(first[len(first)-1], "."); len(fraction) > 6 {
		c.stampNS = 1 // IEC 60255-24:2013: times of day in ns make stamps in ns
	}
	c.format = strings.ToUpper(r.fields("the kind of data", 1)[0])
	switch c.format {
	case "ASCII", "BINARY", "BINARY32", "FLOAT32":
	default:
		r.fail("want ASCII, BINARY, BINARY32 or FLOAT32", quoted([]byte(c.format)))
	}
	if r.err == nil && len(strings.TrimSpace(string(r.rest))) > 0 { // not in 1991
		if m := r.fields("the factor of the stamps", 1)[0]; m != "" {
			c.timeMult = r.number("the factor of the stamps", m)
		}
	}
	if r.err == nil && len(strings.TrimSpace(string(r.rest))) > 0 { // from 2013 on
		c.started = fromUTC(c.started, r.fields("the difference from UTC", 1)[0])
	}
	return c, r.err
}

// channels reads how many channels there are and what they are. Each takes a line, so that a lying
// number ends with the file and not with the memory.
func (c *config) channels(r *configReader) {
	f := r.fields("the number of channels, such as 6,4A,2D", 3)
	total := r.whole("the number of channels", f[0], maxChannels)
	count := func(s, kind string) int64 {
		digits, ok := strings.CutSuffix(strings.ToUpper(s), kind)
		if !ok {
			r.fail("want a number of channels with "+kind+" behind it", quoted([]byte(s)))
		}
		return r.whole("a number of channels", digits, maxChannels)
	}
	analogue, status := count(f[1], "A"), count(f[2], "D")
	if r.err == nil && total != analogue+status {
		r.fail(fmt.Sprintf("want %d channels in all, as many as analogue and status", analogue+status), strconv.FormatInt(total, 10))
	}
	for i := int64(0); i < analogue && r.err == nil; i++ {
		f := r.fields("an analogue channel", 10)
		a := analog{id: f[1], unit: f[4], a: r.number("the factor a", f[5]), b: r.number("the offset b", f[6])}
		a.factor, _ = parseDecimal([]byte(f[5]), false)
		a.sides(f)
		u, known := units[strings.ToLower(a.unit)]
		if known && u.role != timeRole {
			a.known, a.power = true, u.power
			if u.role == voltageRole {
				a.quantity = trace.Voltage
			}
		}
		c.analog = append(c.analog, a)
	}
	for i := int64(0); i < status && r.err == nil; i++ {
		f := r.fields("a status channel", 2)
		d := statusChannel{id: f[1]}
		if len(f) >= 5 { // those of 1991 have no circuit component
			d.component = f[3]
		}
		c.status = append(c.status, d)
	}
}

// sides reads the last three fields of a channel, which the form of 1991 has not: primary and secondary
// rating, and P or S for the side that the values are of (IEEE C37.111-1999, 5.3.4).
func (a *analog) sides(f []string) {
	if len(f) < 13 || !strings.EqualFold(f[12], "S") {
		return
	}
	p, err1 := strconv.ParseFloat(f[10], 64)
	s, err2 := strconv.ParseFloat(f[11], 64)
	if err1 == nil && err2 == nil && p > 0 && s > 0 && p != s && !math.IsInf(p/s, 0) {
		a.primary, a.secondary = p, s
	}
}

// sideWarnings tells of channels whose values are those behind a transformer.
func (c config) sideWarnings(channels ...int) (out []trace.Warning) {
	for _, i := range channels {
		if i < 0 || c.analog[i].primary == 0 {
			continue
		}
		a := c.analog[i]
		out = append(out, trace.Warning{Code: "secondary_side", Text: fmt.Sprintf(
			"channel %s holds values of the secondary side, and they are read so; on the primary side they are %g times as large (ratio %g:%g)",
			quoted([]byte(a.id)), a.primary/a.secondary, a.primary, a.secondary)})
	}
	return out
}

func (c *config) sampling(r *configReader) {
	n := r.whole("the number of sampling rates", r.fields("the number of sampling rates", 1)[0], 999)
	for i := int64(0); i < max(n, 1) && r.err == nil; i++ {
		f := r.fields("a sampling rate and the number of its last sample", 2)
		s := rate{hz: r.number("a sampling rate", f[0]), last: r.whole("the number of the last sample", f[1], 1<<40)}
		if s.last < c.last {
			r.fail(fmt.Sprintf("want a last sample from %d on", c.last), f[1])
		}
		c.last = s.last
		if n > 0 && !(s.hz > 0) {
			r.fail("want a sampling rate above 0", f[0])
		}
		if n > 0 {
			c.rates = append(c.rates, s)
		}
	}
}

// pick finds the channel of a quantity: the one a person named, else the first with such a unit.
// -1 is none.
func (c config) pick(q trace.Quantity, wanted string) (int, error) {
	for i, a := range c.analog {
		if wanted == "" && a.known && a.quantity == q || wanted != "" && strings.EqualFold(a.id, wanted) {
			return i, c.checkUnit(i, q)
		}
	}
	if wanted == "" {
		return -1, nil
	}
	if n, err := strconv.Atoi(wanted); err == nil && n >= 1 && n <= len(c.analog) {
		return n - 1, c.checkUnit(n-1, q)
	}
	return 0, &Error{File: c.name, Want: fmt.Sprintf("want an analogue channel %q for the %s", wanted, q), Got: c.describe()}
}

func (c config) checkUnit(i int, q trace.Quantity) error {
	if a := c.analog[i]; !a.known || a.quantity != q {
		return &Error{File: c.name, Column: a.id, Want: fmt.Sprintf("want a channel of %s in %s", q, q.Unit()), Got: quoted([]byte(a.unit))}
	}
	return nil
}

func (c config) describe() string {
	var s []string
	for i, a := range c.analog {
		if i == 12 {
			s = append(s, "...")
			break
		}
		s = append(s, fmt.Sprintf("%q in %q", a.id, a.unit))
	}
	if len(s) == 0 {
		return "no analogue channel"
	}
	return strings.Join(s, ", ")
}

// dayTime reads dd/mm/yyyy and hh:mm:ss with a fraction; the zero time where it is no such.
func dayTime(date, clock string) time.Time {
	t, err := time.Parse("2/1/2006 15:04:05.999999999", date+" "+clock)
	if err != nil {
		return time.Time{}
	}
	return t
}

// fromUTC puts a local time where it belongs, given its difference from UTC: 2, -5h30. What cannot
// be read leaves it in UTC.
func fromUTC(t time.Time, code string) time.Time {
	digits, negative := strings.CutPrefix(code, "-")
	hours, minutes, _ := strings.Cut(strings.ToLower(strings.TrimPrefix(digits, "+")), "h")
	h, err := strconv.Atoi(hours)
	if err != nil || h < 0 || h > 14 || t.IsZero() {
		return t
	}
	m, err := strconv.Atoi(minutes)
	if err != nil || m < 0 || m > 59 {
		m = 0
	}
	offset := h*3600 + m*60
	if negative {
		offset = -offset
	}
	return time.Date(t.Year(), t.Month(), t.Day(), t.Hour(), t.Minute(), t.Second(), t.Nanosecond(), time.FixedZone("", offset))
}
