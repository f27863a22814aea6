package sim

import (
	"bytes"
	"encoding/binary"
	"math"
	"strconv"
	"strings"
)

// Responder is an instrument that speaks only when asked.
type Responder interface {
	// Respond hears some bytes, perhaps part of a query, and appends the answers that are due. r is
	// the newest reading.
	Respond(dst, heard []byte, r Reading) []byte
	// Restart is a power cycle: set-up and errors are forgotten.
	Restart()
}

// SCPI is a bench instrument that is asked in lines, as IEEE 488.2 has it.
type SCPI struct {
	Identity string   // the answer to *IDN?; empty: it knows no *IDN?
	Needs    string   // a command without which it does not measure; empty: none
	Broken   []string // answers that it gives in place of its next readings, one each; "" is none at all

	line   []byte
	ready  bool
	errors []string
}

// Restart forgets the set-up.
func (i *SCPI) Restart() { i.line, i.ready, i.errors = nil, false, nil }

// Respond answers whole lines.
func (i *SCPI) Respond(dst, heard []byte, r Reading) []byte {
	i.line = append(i.line, heard...)
	for {
		n := bytes.IndexAny(i.line, "\r\n")
		if n < 0 {
			return dst
		}
		command := strings.TrimSpace(string(i.line[:n]))
		i.line = i.line[n+1:]
		if command != "" {
			dst = i.obey(dst, command, r)
		}
	}
}

func (i *SCPI) obey(dst []byte, command string, r Reading) []byte {
	switch upper := strings.ToUpper(command); {
	case upper == "*IDN?" && i.Identity != "":
		return append(dst, i.Identity+"\r\n"...)
	case upper == "SYST:ERR?" || upper == "SYSTEM:ERROR?":
		e := `0,"No error"`
		if len(i.errors) > 0 {
			e, i.errors = i.errors[0], i.errors[1:]
		}
		return append(dst, e+"\r\n"...)
	case i.Needs != "" && upper == strings.ToUpper(i.Needs):
		i.ready = true
		return dst
	case strings.Contains(upper, "CURR") && strings.HasSuffix(upper, "?"):
		return i.measure(dst, upper, r)
	}
	i.errors = append(i.errors, `-113,"Undefined header"`)
	return dst
}

func (i *SCPI) measure(dst []byte, query string, r Reading) []byte {
	if i.Needs != "" && !i.ready {
		i.errors = append(i.errors, `-221,"Settings conflict"`)
		return dst
	}
	if len(i.Broken) > 0 {
		answer := i.Broken[0]
		i.Broken = i.Broken[1:]
		return append(dst, answer...)
	}
	dst = nr3(dst, r.CurrentA, r.Over)
	if strings.Contains(query, "VOLT") {
		dst = nr3(append(dst, ';'), r.VoltageV, false)
	}
	return append(dst, "\r\n"...)
}

// nr3 writes a number as such instruments do: +1.23450000E+00.
func nr3(dst []byte, v float64, over bool) []byte {
	if over {
		v = math.Copysign(9.9e37, v)
	}
	s := strconv.FormatFloat(v, 'E', 8, 64)
	if v >= 0 {
		s = "+" + s
	}
	return append(dst, s...)
}

// Modbus is a transmitter that is asked in Modbus RTU. Register 0 and 1 hold amperes, 2 and 3 volts, as
// 32-bit floating point, high word first; register 10 holds milliamperes as a signed whole number.
type Modbus struct {
	Address byte
	buf     []byte
}

// Restart forgets half a request.
func (i *Modbus) Restart() { i.buf = nil }

// Respond answers whole requests, and is silent about those with a wrong CRC.
func (i *Modbus) Respond(dst, heard []byte, r Reading) []byte {
	i.buf = append(i.buf, heard...)
	for len(i.buf) >= 8 {
		q := i.buf[:8]
		if modbusCRC(q[:6]) != binary.LittleEndian.Uint16(q[6:]) {
			i.buf = i.buf[1:]
			continue
		}
		i.buf = i.buf[8:]
		if q[0] == i.Address {
			dst = i.serve(dst, q, r)
		}
	}
	return dst
}

func (i *Modbus) serve(dst, q []byte, r Reading) []byte {
	from := len(dst)
	first, n := int(binary.BigEndian.Uint16(q[2:])), int(binary.BigEndian.Uint16(q[4:]))
	registers := i.registers(r)
	switch {
	case q[1] != 3 && q[1] != 4:
		dst = append(dst, q[0], q[1]|0x80, 1)
	case n < 1 || n > 125 || first+n > len(registers):
		dst = append(dst, q[0], q[1]|0x80, 2)
	default:
		dst = append(dst, q[0], q[1], byte(2*n))
		for _, v := range registers[first : first+n] {
			dst = binary.BigEndian.AppendUint16(dst, v)
		}
	}
	return binary.LittleEndian.AppendUint16(dst, modbusCRC(dst[from:]))
}

func (i *Modbus) registers(r Reading) []uint16 {
	out := make([]uint16, 11)
	a, v := float32(r.CurrentA), float32(r.VoltageV)
	if r.Over {
		a = float32(math.Copysign(math.Inf(1), r.CurrentA))
	}
	out[0], out[1] = uint16(math.Float32bits(a)>>16), uint16(math.Float32bits(a))
	out[2], out[3] = uint16(math.Float32bits(v)>>16), uint16(math.Float32bits(v))
	out[10] = uint16(int16(max(-32768, min(32767, math.Round(1e3*r.CurrentA)))))
	return out
}

// modbusCRC is written apart from the decoder's, from the definition: the remainder of the message by
// x^16 + x^15 + x^2 + 1, bits taken lowest first, the first sixteen inverted.
func modbusCRC(b []byte) uint16 {
	remainder := uint16(0xFFFF)
	for _, c := range b {
		for bit := range 8 {
			in := uint16(c>>bit) & 1
			out := remainder & 1
			if remainder >>= 1; in != out {
				remainder ^= 0xA001
			}
		}
	}
	return remainder
}

// NewResponder finds an instrument that must be asked by its format; nil for those that talk.
func NewResponder(format string) Responder {
	switch format {
	case "scpi":
		return &SCPI{Identity: "Simulated,Bench meter,0,1"}
	case "modbus":
		return &Modbus{Address: 1}
	}
	return nil
}
