package wire

import (
	"errors"
	"fmt"
	"math"
	"strconv"

	"letthrough/capture/trace"
)

// The codes format: what the register of a shunt amplifier holds, as it stands there, turned into
// amperes here: code times the voltage of one code over the shunt's resistance. A board that sends codes
// needs no arithmetic, and what it read is kept to the last bit.

func codesFormat() Format {
	return Format{
		Name:  "codes",
		About: "raw codes of a shunt amplifier, as lines of text or in binary packets for many readings a second",
		Options: []Option{
			{"form", "text", "text, packets", "lines of whole numbers, or the packets of the help page Boards"},
			{"lsb", "none: it must be given", "such as 2.5uV or 1mA", "what one code is worth: volts across the shunt, or amperes"},
			{"shunt", "none", "such as 0.002", "the shunt's resistance in ohms, where lsb is a voltage"},
			{"bits", "16", "8 to 32", "width of a code; the lowest and highest one are over range"},
			{"voltagelsb", "none", "such as 1.25mV", "what one code of the voltage is worth"},
			{"voltage", "the column or place behind the current", "1 to 32", "column of the voltage; in packets it is the second of a row"},
			{"current", "the first column, or 2 with time", "1 to 32", "column of the current, counted from 1, time included"},
			{"time", "no time is sent", "us, ms, s", "column 1 is the device's own time, in this unit; packets carry it anyway"},
			{"wrap", "a board's 32 bits are recognised", "16, 24, 32", "bits of the device's time counter, after which it starts from 0"},
			{"checksum", "found in the first lines", "xor, none", "xor: each line ends in *hh, the exclusive or of the bytes before the star"},
			{"delimiter", "found in the first lines", "comma, semicolon, tab, space, none", "what stands between columns"},
		},
		New: newCodes,
	}
}

// scales are what codes are worth.
type scales struct {
	ampsPerCode, voltsPerCode float64 // 0: there is none
	low, high                 int32
}

func newCodes(s Spec) (Decoder, error) {
	sc, err := newScales(s)
	if err != nil {
		return nil, err
	}
	switch form := s.Options["form"]; form {
	case "", "text":
		return newCodeLines(s, sc)
	case "packets":
		for _, name := range []string{"time", "wrap", "checksum", "delimiter", "current", "voltage"} {
			if _, ok := s.Options[name]; ok {
				return nil, fmt.Errorf("option %s belongs to form=text: packets say it themselves", name)
			}
		}
		return newPackets(s, sc), nil
	default:
		return nil, optionError("form", form, "text, packets")
	}
}

func newScales(s Spec) (sc scales, err error) {
	bits, err := whole(s, "bits", 16, 8, 32)
	if err != nil {
		return sc, err
	}
	sc.low, sc.high = int32(-1<<(bits-1)), int32(1<<(bits-1)-1)
	if s.Unit != "" {
		return sc, fmt.Errorf("option unit=%s: codes have the unit that lsb= gives", s.Unit)
	}
	if given, ok := s.Options["voltagelsb"]; ok {
		v, unit, err := worth("voltagelsb", given)
		if err != nil || unit != 'V' {
			return sc, optionError("voltagelsb", given, "volts, such as 1.25mV")
		}
		sc.voltsPerCode = v
	}
	given, ok := s.Options["lsb"]
	switch {
	case !ok && s.Channel == trace.Voltage && sc.voltsPerCode > 0:
		return sc, nil
	case !ok:
		return sc, errors.New("option lsb is missing: what one code is worth, from the data sheet, such as lsb=2.5uV&shunt=0.002")
	}
	v, unit, err := worth("lsb", given)
	if err != nil {
		return sc, err
	}
	ohm, haveShunt := s.Options["shunt"]
	switch {
	case unit == 'A' && haveShunt:
		return sc, errors.New("option shunt: lsb is in amperes already; give one of the two")
	case unit == 'A':
		sc.ampsPerCode = v
		return sc, nil
	case !haveShunt:
		return sc, errors.New("option shunt is missing: its resistance in ohms, such as shunt=0.002")
	}
	r, err := strconv.ParseFloat(ohm, 64)
	if err != nil || !(r >= 1e-6) || r > 1e4 {
		return sc, optionError("shunt", ohm, "ohms, such as 0.002")
	}
	sc.ampsPerCode = v / r
	return sc, nil
}

// worth reads "2.5uV".
func worth(name, given string) (v float64, unit byte, err error) {
	var scratch [maxNumber + 16]byte
	n, err := scanNumber([]byte(given), '.')
	if err == nil && n.end < len(given) {
		u, exp, ok := suffix([]byte(given[n.end:]))
		if v = n.value([]byte(given), exp, &scratch); ok && v > 0 && v <= 100 {
			return v, u, nil
		}
	}
	return 0, 0, optionError(name, given, "a number with its unit, such as 2.5uV, 78.125nV or 1mA")
}

// limitOf is where readings of a quantity stop.
func (s Spec) limitOf(q trace.Quantity) float64 {
	if s.FullScale > 0 && q == s.Channel {
		return s.FullScale
	}
	return math.Inf(1)
}

func newPackets(s Spec, sc scales) *packets {
	p := &packets{low: sc.low, high: sc.high, carry: make([]byte, 0, 1<<14), garbage: make([]byte, 0, maxShown+1)}
	for i, per := range []float64{sc.ampsPerCode, sc.voltsPerCode} {
		if q := trace.Quantity(i); per > 0 {
			place := i
			if sc.ampsPerCode == 0 {
				place = 0 // a board that measures voltage only
			}
			p.perCode[place], p.channel[place], p.used[place] = per, uint8(len(p.channels)), true
			p.limit[place] = s.limitOf(q)
			p.channels = append(p.channels, q)
			p.needed = place + 1
		}
	}
	return p
}

var errCode = errors.New("a code that is no whole number of so many bits")

func newCodeLines(s Spec, sc scales) (Decoder, error) {
	plain := Spec{Channel: s.Channel, ChannelSet: s.ChannelSet, FullScale: s.FullScale, Options: map[string]string{"decimal": "point"}}
	for _, name := range []string{"time", "wrap", "checksum", "delimiter", "current", "voltage"} {
		if v, ok := s.Options[name]; ok {
			plain.Options[name] = v
		}
	}
	_, column := plain.Options["voltage"]
	switch {
	case column && sc.voltsPerCode == 0:
		return nil, errors.New("option voltagelsb is missing: what one code of the voltage is worth, such as voltagelsb=1.25mV")
	case sc.voltsPerCode > 0 && !column && sc.ampsPerCode > 0:
		first := 2
		if plain.Options["time"] != "" {
			first = 3
		}
		if n, err := strconv.Atoi(plain.Options["current"]); err == nil {
			first = n + 1
		}
		plain.Options["voltage"] = strconv.Itoa(first)
	}
	t, err := newText(plain)
	if err != nil {
		return nil, err
	}
	t.maxAbs, t.coded, t.codes = 1<<32, true, sc
	t.perCode = [2]float64{trace.Current: sc.ampsPerCode, trace.Voltage: sc.voltsPerCode}
	for _, q := range t.channels {
		if t.perCode[q] == 0 {
			return nil, fmt.Errorf("no option says what a code of the %s is worth", q)
		}
	}
	return t, nil
}

// ofCode makes amperes or volts of a code.
func (t *text) ofCode(code float64, q trace.Quantity) (v float64, flags trace.Flags, ok bool) {
	if code != math.Trunc(code) || code < float64(t.codes.low) || code > float64(t.codes.high) {
		return 0, 0, false
	}
	if code == float64(t.codes.low) || code == float64(t.codes.high) {
		flags = trace.Over
	}
	return code * t.perCode[q], flags, true
}
