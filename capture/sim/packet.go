package sim

import (
	"encoding/binary"
	"hash/crc32"
	"math"
	"strconv"
)

// Packets is the encoder of a board that sends the raw codes of a shunt amplifier in binary packets.
type Packets struct {
	Rows      int     // readings in a packet
	Width     int     // bytes of a code: 2, 3 or 4
	LSBA      float64 // amperes a code
	LSBV      float64 // volts a code
	LosePart  float64 // share of packets that are never sent
	sequence  uint16
	sent      bool
	lost      float64
	rows      int
	codes     []byte
	first     uint64
	last      uint64
	perPacket int
}

// Encode appends a packet once enough readings are together.
func (e *Packets) Encode(dst []byte, r Reading) []byte {
	if e.sent && r.DeviceUS < e.last { // the board was restarted
		e.sent, e.sequence, e.rows, e.codes = false, 0, 0, e.codes[:0]
	}
	if e.rows == 0 {
		e.first = r.DeviceUS
	}
	e.last = r.DeviceUS
	e.codes = e.code(e.codes, r.CurrentA/e.LSBA)
	e.perPacket = 1
	if r.HasVoltage {
		e.codes, e.perPacket = e.code(e.codes, r.VoltageV/e.LSBV), 2
	}
	if e.rows++; e.rows < e.Rows {
		return dst
	}
	if e.lost += e.LosePart; e.lost < 1 {
		dst = e.packet(dst)
	} else {
		e.lost--
	}
	e.sequence++
	e.rows, e.codes, e.sent = 0, e.codes[:0], true
	return dst
}

func (e *Packets) packet(dst []byte) []byte {
	from := len(dst)
	flags := byte(0)
	if !e.sent {
		flags = 1
	}
	dst = append(dst, 0xA5, 0x5A, 1, flags)
	dst = binary.LittleEndian.AppendUint16(dst, e.sequence)
	dst = append(dst, byte(e.perPacket), byte(e.Width))
	dst = binary.LittleEndian.AppendUint16(dst, uint16(e.rows))
	dst = append(dst, 0, 0)
	dst = binary.LittleEndian.AppendUint32(dst, uint32(e.first))
	interval := uint32(0)
	if e.rows > 1 {
		interval = uint32((e.last - e.first) * 1000 / uint64(e.rows-1))
	}
	dst = binary.LittleEndian.AppendUint32(dst, interval)
	dst = append(dst, e.codes...)
	return binary.LittleEndian.AppendUint32(dst, crc32.ChecksumIEEE(dst[from:]))
}

func (e *Packets) code(dst []byte, v float64) []byte {
	most := float64(int64(1)<<(8*e.Width-1)) - 1
	if math.IsNaN(v) {
		v = 0
	}
	n := int64(math.Round(min(most, max(-most-1, v))))
	for range e.Width {
		dst = append(dst, byte(n))
		n >>= 8
	}
	return dst
}

// CodeLines is the encoder of a board that prints codes: "12345678,2469".
type CodeLines struct{ LSBA float64 }

// Encode appends a line.
func (e CodeLines) Encode(dst []byte, r Reading) []byte {
	dst = append(strconv.AppendUint(dst, r.DeviceUS&math.MaxUint32, 10), ',')
	n := math.Round(min(32767, max(-32768, r.CurrentA/e.LSBA)))
	return append(strconv.AppendInt(dst, int64(n), 10), '\n')
}
