package wire

import (
	"bytes"
	"encoding/binary"
	"errors"
	"hash/crc32"
	"math"
	"slices"

	"letthrough/capture/trace"
)

// Packets of codes: static/help/boards.md is the specification. All numbers are little-endian.
const (
	packetHead    = 20
	packetTail    = 4 // CRC-32 of IEEE 802.3
	packetRows    = 1024
	packetStarted = 1 // flag: the first packet since the board started
	packetWrapNS  = 1000 << 32
)

var errNoPacket = errors.New("bytes that are no packet, or a packet whose CRC is wrong")

// packets decodes them.
type packets struct {
	channels []trace.Quantity
	perCode  [2]float64 // A or V a code, by place in a row
	channel  [2]uint8
	used     [2]bool
	needed   int
	low      int32 // codes from there on are at the end of the range
	high     int32
	limit    [2]float64 // A or V, from where a reading is over range

	carry   []byte
	garbage []byte // beginning of the bytes that were no packet
	inNoise bool

	known    bool // a packet came before
	sequence uint16
	base     uint32 // its time, us
	passed   int64  // time that its rows take, ns
	gap      bool
	counts   Counts
}

func (p *packets) Channels() []trace.Quantity { return p.channels }

func (p *packets) Time() (DeviceTime, bool) {
	return DeviceTime{TickNS: 1000, WrapNS: packetWrapNS}, true
}

func (p *packets) Counts() Counts {
	c := p.counts
	if c.Garbled > 0 {
		c.LastGarbled, c.LastReason = Printable(p.garbage), errNoPacket.Error()
	}
	return c
}

// Lost drops the packet that was cut off.
func (p *packets) Lost() { p.carry, p.gap, p.known = p.carry[:0], true, false }

// Decode reads whole packets and keeps the rest.
func (p *packets) Decode(dst []Reading, chunk []byte) []Reading {
	b, before := chunk, 0
	if len(p.carry) > 0 {
		before = len(p.carry)
		p.carry = append(p.carry, chunk...)
		b = p.carry
	}
	i := 0
	for i < len(b) {
		n, whole := p.length(b[i:])
		switch {
		case n == 0:
			skip := 1 + bytes.IndexByte(b[i+1:], 0xA5)
			if skip == 0 {
				skip = len(b) - i
			}
			p.noise(b[i : i+skip])
			i += skip
			continue
		case !whole:
		case !packetRight(b[i : i+n]):
			p.noise(b[i : i+1])
			i++
			continue
		default:
			dst = p.packet(dst, b[i:i+n], i-before)
			i += n
			continue
		}
		break
	}
	p.carry = append(p.carry[:0], b[i:]...)
	return dst
}

// length gives the bytes of the packet at the start of b, 0 if none begins there; whole tells whether all
// of them are there.
func (p *packets) length(b []byte) (n int, whole bool) {
	head := [...]byte{0xA5, 0x5A, 1}
	for i, c := range head {
		if i == len(b) {
			return packetHead, false
		}
		if b[i] != c {
			return 0, false
		}
	}
	if len(b) < packetHead {
		return packetHead, false
	}
	channels, width := int(b[6]), int(b[7])
	rows, interval := int(binary.LittleEndian.Uint16(b[8:])), binary.LittleEndian.Uint32(b[16:])
	if b[3]&^packetStarted != 0 || channels < p.needed || channels > 2 || width < 2 || width > 4 ||
		rows < 1 || rows > packetRows || b[10]|b[11] != 0 || interval == 0 && rows > 1 {
		return 0, false
	}
	n = packetHead + rows*channels*width + packetTail
	return n, len(b) >= n
}

func packetRight(b []byte) bool {
	n := len(b) - packetTail
	return binary.LittleEndian.Uint32(b[n:]) == crc32.ChecksumIEEE(b[:n])
}

// noise takes bytes that are no packet; a stretch of them counts once.
func (p *packets) noise(b []byte) {
	if !p.inNoise {
		p.inNoise, p.garbage = true, p.garbage[:0]
		p.counts.Garbled++
	}
	if room := maxShown + 1 - len(p.garbage); room > 0 {
		p.garbage = append(p.garbage, b[:min(room, len(b))]...)
	}
}

// packet makes readings of a packet that is right; at is its offset in the chunk.
func (p *packets) packet(dst []Reading, b []byte, at int) []Reading {
	p.inNoise = false
	channels, width := int(b[6]), int(b[7])
	rows, interval := int(binary.LittleEndian.Uint16(b[8:])), int64(binary.LittleEndian.Uint32(b[16:]))
	if !p.follow(b, int64(rows)*interval) {
		p.counts.Duplicates += int64(rows)
		return dst
	}
	device := int64(p.base) * 1000
	if channels == 1 && width == 2 && p.used[0] {
		return p.plainRows(dst, b[packetHead:], rows, at+packetHead, device, interval)
	}
	row := b[packetHead:]
	end, before := at+packetHead, len(dst)
	for range rows {
		end += channels * width
		for ch := range channels {
			var code int32
			switch width {
			case 2:
				code = int32(int16(binary.LittleEndian.Uint16(row)))
			case 3:
				code = int32(uint32(row[0])<<8|uint32(row[1])<<16|uint32(row[2])<<24) >> 8
			default:
				code = int32(binary.LittleEndian.Uint32(row))
			}
			row = row[width:]
			if !p.used[ch] {
				continue
			}
			r := Reading{Value: float64(code) * p.perCode[ch], DeviceNS: device, End: end, Channel: p.channel[ch]}
			if code <= p.low || code >= p.high || r.Value >= p.limit[ch] || r.Value <= -p.limit[ch] {
				r.Flags = trace.Over
				p.counts.Over++
			}
			dst = append(dst, r)
		}
		if device += interval; device >= packetWrapNS {
			device -= packetWrapNS
		}
	}
	return p.taken(dst, before)
}

// plainRows reads rows of one code of two bytes: what nearly every fast board sends.
func (p *packets) plainRows(dst []Reading, b []byte, rows, end int, device, interval int64) []Reading {
	before := len(dst)
	dst = slices.Grow(dst, rows)[:before+rows]
	per, limit, channel, low, high := p.perCode[0], p.limit[0], p.channel[0], p.low, p.high
	out := dst[before:]
	b = b[:2*rows]
	for i := range out {
		code := int32(int16(binary.LittleEndian.Uint16(b[2*i:])))
		end += 2
		r := &out[i]
		v := float64(code) * per
		*r = Reading{Value: v, DeviceNS: device, End: end, Channel: channel}
		if code <= low || code >= high || v >= limit || v <= -limit {
			r.Flags = trace.Over
			p.counts.Over++
		}
		if device += interval; device >= packetWrapNS {
			device -= packetWrapNS
		}
	}
	return p.taken(dst, before)
}

// taken counts the readings of a packet and marks a gap before them.
func (p *packets) taken(dst []Reading, before int) []Reading {
	if p.gap {
		for i := before; i < len(dst) && dst[i].DeviceNS == dst[before].DeviceNS; i++ {
			dst[i].Flags |= trace.Gap
		}
		p.gap = false
	}
	p.counts.Readings += int64(len(dst) - before)
	return dst
}

// follow takes in the sequence number and tells whether the packet is a new one. Missing numbers are lost
// packets, unless the packets' own times say that the board was started anew meanwhile.
func (p *packets) follow(b []byte, takesNS int64) bool {
	sequence, base := binary.LittleEndian.Uint16(b[4:]), binary.LittleEndian.Uint32(b[12:])
	lost := sequence - p.sequence - 1
	passed := int64(base-p.base) * 1000
	switch {
	case !p.known || b[3]&packetStarted != 0:
		p.gap = p.gap || p.counts.Readings > 0
	case lost == math.MaxUint16 && base == p.base:
		return false
	case lost > 0:
		p.gap = true
		if want := p.passed * int64(lost+1); lost < 1<<15 && passed < 2*want+100e6 && passed > want/2 {
			p.counts.LostPackets += int64(lost)
		}
	}
	p.known, p.sequence, p.base, p.passed = true, sequence, base, takesNS
	return true
}
