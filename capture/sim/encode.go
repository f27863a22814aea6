package sim

import (
	"fmt"
	"math"
	"strconv"
)

// Reading is what a simulated instrument has to say.
type Reading struct {
	DeviceUS   uint64 // the instrument's own clock, microseconds since it started, not wrapped
	CurrentA   float64
	VoltageV   float64
	HasVoltage bool
	Over       bool // beyond the range
}

// Encoder puts readings into an instrument's wire format.
type Encoder interface {
	// Encode appends one reading.
	Encode(dst []byte, r Reading) []byte
}

// Text is the encoder of plain lines such as "12345678,1.2345": device time, amperes and, if read,
// volts.
type Text struct {
	TimeUnit string // us, ms or s; "" sends no time
	WrapBits int    // the device's counter starts again after so many bits; 0 is never
	Decimals int    // of amperes; volts have one less
	Comma    bool   // decimal comma, with a semicolon between the fields
	Checksum bool   // XOR of the line's bytes as *hh at its end
	CRLF     bool
}

// NewEncoder finds the encoder of a format by name.
func NewEncoder(format string) (Encoder, error) {
	if format == "" || format == "text" {
		return Text{TimeUnit: "us", WrapBits: 32, Decimals: 4}, nil
	}
	if format == "codes" { // half a milliampere a code, as DefaultMeter resolves: lsb=0.5mA&form=packets
		return &Packets{Rows: 32, Width: 2, LSBA: 0.0005, LSBV: 0.001}, nil
	}
	if format == "frame" {
		return NewFrames("")
	}
	return nil, fmt.Errorf("format %q: a simulated instrument speaks text, codes, frame, scpi or modbus", format)
}

// Encode appends one line.
func (e Text) Encode(dst []byte, r Reading) []byte {
	start := len(dst)
	separator := byte(',')
	if e.Comma {
		separator = ';'
	}
	if e.TimeUnit != "" {
		dst = append(strconv.AppendUint(dst, e.deviceTime(r.DeviceUS), 10), separator)
	}
	switch {
	case r.Over && math.IsInf(r.CurrentA, -1):
		dst = append(dst, "-OL"...)
	case r.Over && math.IsInf(r.CurrentA, 1):
		dst = append(dst, "OL"...)
	default:
		dst = e.number(dst, r.CurrentA, e.Decimals)
	}
	if r.HasVoltage {
		dst = e.number(append(dst, separator), r.VoltageV, max(e.Decimals-1, 0))
	}
	if e.Checksum {
		var sum byte
		for _, b := range dst[start:] {
			sum ^= b
		}
		dst = fmt.Appendf(dst, "*%02X", sum)
	}
	if e.CRLF {
		dst = append(dst, '\r')
	}
	return append(dst, '\n')
}

func (e Text) deviceTime(us uint64) uint64 {
	switch e.TimeUnit {
	case "ms":
		us /= 1e3
	case "s":
		us /= 1e6
	}
	if e.WrapBits > 0 && e.WrapBits < 64 {
		us &= 1<<e.WrapBits - 1
	}
	return us
}

func (e Text) number(dst []byte, v float64, decimals int) []byte {
	if v == 0 {
		v = 0 // an instrument knows no minus zero
	}
	start := len(dst)
	dst = strconv.AppendFloat(dst, v, 'f', decimals, 64)
	if e.Comma {
		for n := start; n < len(dst); n++ {
			if dst[n] == '.' {
				dst[n] = ','
			}
		}
	}
	return dst
}
