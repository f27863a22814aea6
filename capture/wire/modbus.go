package wire

import (
	"encoding/binary"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"letthrough/capture/trace"
)

// The modbus format: a transmitter that is asked for its registers in Modbus RTU (Modbus over Serial
// Line V1.02, Modbus Application Protocol V1.1b3). Framing is done here over our own port, so that there
// is one serial stack.

const (
	modbusTimeoutNS = 500e6
	// modbusQuietNS is longer than any gap within a frame that a USB adapter makes.
	modbusQuietNS = 60e6
	maxRegisters  = 125 // of one request, V1.1b3 (from memory)
)

func modbusFormat() Format {
	return Format{
		Name:   "modbus",
		About:  "transmitters that speak Modbus RTU: asked for every reading",
		Polled: true,
		Options: []Option{
			{"address", "1", "1 to 247", "the instrument's address on the line"},
			{"function", "3", "3, 4", "3 reads holding registers, 4 input registers"},
			{"register", "0", "0 to 65535", "first register of the reading, counted from 0"},
			{"type", "float32", "float32, int16, uint16, int32, uint32", "what the registers hold"},
			{"order", "abcd", "abcd, cdab, badc, dcba", "order of the bytes of a value; abcd is the standard's, cdab has the words swapped"},
			{"scale", "1", "a number", "what one of the value is worth, in A (or in what unit= says)"},
			{"voltage", "none", "0 to 65535", "first register of the voltage"},
			{"voltagescale", "1", "a number", "what one of the voltage's value is worth, in V"},
			{"timeout", "0.5 s", "0.02 to 60 seconds", "how long an answer may take"},
		},
		New: func(s Spec) (Decoder, error) { return newModbus(s) },
	}
}

// request is one query: registers that are read together.
type request struct {
	frame []byte // with its CRC
	items []item
	bytes int // of data in the answer
}

// item is one value in an answer.
type item struct {
	channel uint8
	at      int // byte in the data
	scale   float64
}

type modbus struct {
	poll
	address, function byte
	kind              string
	words             int
	order             [4]int // the value's bytes, most significant first, as they stand in the answer
	channels          []trace.Quantity
	requests          []request
	next, now         int // request

	fullScale float64
	scaleOf   trace.Quantity
	buf       []byte
	complaint string
	counts    Counts
	missed    int
	gap       bool
}

func newModbus(s Spec) (*modbus, error) {
	d := &modbus{kind: "float32", fullScale: s.FullScale, scaleOf: s.Channel}
	d.poll = poll{timeoutNS: modbusTimeoutNS, quietNS: modbusQuietNS, gapNS: silenceNS(s.Baud)}
	if err := d.setTimeout(s, 0.02, 60); err != nil {
		return nil, err
	}
	address, err := whole(s, "address", 1, 1, 247)
	if err != nil {
		return nil, err
	}
	function, err := whole(s, "function", 3, 3, 4)
	if err != nil {
		return nil, err
	}
	d.address, d.function = byte(address), byte(function)
	if err := d.setType(s); err != nil {
		return nil, err
	}
	return d, d.setRequests(s)
}

// silenceNS is the silence of 3.5 characters of 11 bits that parts two frames; above 19,200 baud it is
// 1.75 ms (Modbus over Serial Line V1.02, section 2.5.1.1).
func silenceNS(baud int) int64 {
	if baud == 0 || baud > 19200 {
		return 1.75e6
	}
	return int64(38.5e9 / float64(baud))
}

// whole reads a whole-number option.
func whole(s Spec, name string, otherwise, lo, hi int) (int, error) {
	given, ok := s.Options[name]
	if !ok {
		return otherwise, nil
	}
	n, err := strconv.Atoi(given)
	if err != nil || n < lo || n > hi {
		return 0, optionError(name, given, fmt.Sprintf("a whole number from %d to %d", lo, hi))
	}
	return n, nil
}

func (d *modbus) setType(s Spec) error {
	if t, ok := s.Options["type"]; ok {
		d.kind = t
	}
	switch d.kind {
	case "float32", "int32", "uint32":
		d.words = 2
	case "int16", "uint16":
		d.words = 1
	default:
		return optionError("type", d.kind, "float32, int16, uint16, int32, uint32")
	}
	order := "abcd"
	if o, ok := s.Options["order"]; ok {
		order = o
	}
	if !slices.Contains([]string{"abcd", "cdab", "badc", "dcba"}, order) {
		return optionError("order", order, "abcd, cdab, badc, dcba")
	}
	if d.words == 1 { // the pair that counts is the first: ab or ba
		if order == "badc" || order == "dcba" {
			order = "ba"
		} else {
			order = "ab"
		}
	}
	for i := range 2 * d.words {
		d.order[i] = strings.IndexByte(order, "abcd"[i])
	}
	return nil
}

func (d *modbus) setRequests(s Spec) error {
	register, err := whole(s, "register", 0, 0, 65536-d.words)
	if err != nil {
		return err
	}
	scale, err := factor(s, "scale")
	if err != nil {
		return err
	}
	if strings.HasPrefix(s.Unit, "m") {
		scale /= 1e3
	}
	d.channels = []trace.Quantity{s.Channel}
	if _, ok := s.Options["voltage"]; !ok {
		d.requests = []request{d.request(register, d.words, item{0, 0, scale})}
		return nil
	}
	if s.Channel == trace.Voltage {
		return fmt.Errorf("option voltage=%s: with channel=voltage, register is the voltage already", s.Options["voltage"])
	}
	vreg, err := whole(s, "voltage", 0, 0, 65536-d.words)
	if err != nil {
		return err
	}
	vscale, err := factor(s, "voltagescale")
	if err != nil {
		return err
	}
	d.channels = append(d.channels, trace.Voltage)
	// Registers side by side are read at once, and so at one instant. Others are not: registers between
	// them may not exist, which makes an exception of the whole answer.
	switch vreg - register {
	case d.words:
		d.requests = []request{d.request(register, 2*d.words, item{0, 0, scale}, item{1, 2 * d.words, vscale})}
	case -d.words:
		d.requests = []request{d.request(vreg, 2*d.words, item{0, 2 * d.words, scale}, item{1, 0, vscale})}
	default:
		d.requests = []request{d.request(register, d.words, item{0, 0, scale}), d.request(vreg, d.words, item{1, 0, vscale})}
	}
	return nil
}

func factor(s Spec, name string) (float64, error) {
	given, ok := s.Options[name]
	if !ok {
		return 1, nil
	}
	v, err := strconv.ParseFloat(given, 64)
	if err != nil || v == 0 || !(math.Abs(v) <= 1e9) || math.Abs(v) < 1e-12 {
		return 0, optionError(name, given, "a number other than 0, such as 0.001")
	}
	return v, nil
}

func (d *modbus) request(register, words int, items ...item) request {
	f := []byte{d.address, d.function, byte(register >> 8), byte(register), 0, byte(words)}
	return request{frame: binary.LittleEndian.AppendUint16(f, crc16(f)), items: items, bytes: 2 * words}
}

// crc16 is the CRC of Modbus RTU: polynomial 0x8005 reflected, from 0xFFFF; sent low byte first.
func crc16(b []byte) uint16 {
	crc := uint16(0xFFFF)
	for _, c := range b {
		crc ^= uint16(c)
		for range 8 {
			low := crc & 1
			crc >>= 1
			if low != 0 {
				crc ^= 0xA001
			}
		}
	}
	return crc
}

func (d *modbus) Channels() []trace.Quantity { return d.channels }
func (d *modbus) Time() (DeviceTime, bool)   { return DeviceTime{}, false }
func (d *modbus) Identity() string           { return "" }
func (d *modbus) Complaint() string          { return d.complaint }

func (d *modbus) Counts() Counts {
	c := d.counts
	c.TimedOut = d.timedOut
	return c
}

// Lost forgets the answer that was under way.
func (d *modbus) Lost() {
	d.reset()
	d.buf, d.gap = d.buf[:0], true
}

// Ask makes the next request.
func (d *modbus) Ask(dst []byte, nowNS int64) []byte {
	// A frame has no pauses: an answer that stopped in its middle is broken, long before the time-out.
	if d.waiting && !d.heard && len(d.buf) > 0 && nowNS-d.heardNS > d.quietNS {
		d.refuse(errUnfinished)
	}
	may, late := d.turn(nowNS)
	if late && len(d.buf) > 0 {
		d.refuse(errUnfinished)
	}
	if !may {
		return dst
	}
	if len(d.buf) > 0 { // came while nothing was asked
		d.refuse(errUnasked)
		return dst
	}
	d.now = d.next
	d.next = (d.next + 1) % len(d.requests)
	d.asked(nowNS)
	return append(dst, d.requests[d.now].frame...)
}

// Due is also when an answer that stopped in its middle is given up.
func (d *modbus) Due() int64 {
	if d.waiting && len(d.buf) > 0 {
		return d.heardNS + d.quietNS + 1
	}
	return d.poll.Due()
}

// Decode collects the answer to the request that is out.
func (d *modbus) Decode(dst []Reading, chunk []byte) []Reading {
	d.heard = d.heard || len(chunk) > 0
	for i, c := range chunk {
		if len(d.buf) == maxAnswer {
			d.refuse(errAnswerLong)
		}
		d.buf = append(d.buf, c)
		if d.waiting {
			dst = d.look(dst, i+1)
		}
	}
	return dst
}

// look reads the answer if it is whole. A frame may stand behind noise: a line that is switched between
// sending and receiving often begins with a stray byte.
func (d *modbus) look(dst []Reading, end int) []Reading {
	q := &d.requests[d.now]
	want := 5 + q.bytes
	for at := range d.buf {
		f := d.buf[at:]
		switch {
		case len(f) >= 5 && f[0] == d.address && f[1] == d.function|0x80 && crcRight(f[:5]):
			d.refused(f[2])
			return dst
		case len(f) == want && f[0] == d.address && f[1] == d.function && int(f[2]) == q.bytes:
			if !crcRight(f) {
				d.refuse(errCRC)
				return dst
			}
			return d.values(dst, f[3:3+q.bytes], q, end)
		}
	}
	return dst
}

func crcRight(f []byte) bool {
	n := len(f) - 2
	return binary.LittleEndian.Uint16(f[n:]) == crc16(f[:n])
}

// values makes readings of the data of a whole answer.
func (d *modbus) values(dst []Reading, data []byte, q *request, end int) []Reading {
	n := len(dst)
	for _, it := range q.items {
		r := Reading{End: end, Channel: it.channel, Missed: uint16(min(d.missed, math.MaxUint16))}
		raw, over := d.value(data[it.at:])
		r.Value = raw * it.scale
		switch {
		case math.IsNaN(raw):
			d.refuse(errNaN)
			return dst[:n]
		case over || math.Abs(raw) > 9.895e37: // an infinity, or what SCPI writes for one
			r.Flags |= trace.Over
			if !over {
				r.Value = math.Copysign(math.Inf(1), r.Value)
			}
		case math.Abs(r.Value) > maxBase:
			d.refuse(errAbsurd)
			return dst[:n]
		}
		if d.fullScale > 0 && d.channels[it.channel] == d.scaleOf && math.Abs(r.Value) >= d.fullScale {
			r.Flags |= trace.Over
		}
		if r.Flags&trace.Over != 0 {
			d.counts.Over++
		}
		if d.gap {
			r.Flags |= trace.Gap
		}
		dst = append(dst, r)
	}
	d.waiting, d.missed, d.gap, d.complaint = false, 0, false, ""
	d.buf = d.buf[:0]
	d.counts.Readings += int64(len(dst) - n)
	return dst
}

// value reads one value. A whole number at either end of its type's range stands for beyond the range
// (common practice, no source).
func (d *modbus) value(b []byte) (v float64, over bool) {
	var u uint32
	for i := range 2 * d.words {
		u = u<<8 | uint32(b[d.order[i]])
	}
	switch d.kind {
	case "float32":
		return float64(math.Float32frombits(u)), false
	case "int16":
		return float64(int16(u)), int16(u) == math.MaxInt16 || int16(u) == math.MinInt16
	case "uint16":
		return float64(u), u == math.MaxUint16
	case "int32":
		return float64(int32(u)), int32(u) == math.MaxInt32 || int32(u) == math.MinInt32
	default:
		return float64(u), u == math.MaxUint32
	}
}

// refuse counts a broken answer and lets the line fall quiet.
func (d *modbus) refuse(why error) {
	d.counts.Garbled++
	d.counts.LastGarbled, d.counts.LastReason = Printable(d.buf), why.Error()
	d.missed++
	d.buf = d.buf[:0]
	d.broken()
}

// exceptions names the codes of V1.1b3 section 7 (01 to 04 as in the makers' manuals, the rest from memory).
var exceptions = map[byte]string{
	1: "illegal function", 2: "illegal data address", 3: "illegal data value", 4: "server device failure",
	5: "acknowledge", 6: "server device busy", 8: "memory parity error",
	10: "gateway path unavailable", 11: "gateway target device failed to respond",
}

// refused takes an exception: the instrument is there and says no.
func (d *modbus) refused(code byte) {
	name, ok := exceptions[code]
	if !ok {
		name = "not in the standard"
	}
	f := d.requests[d.now].frame
	d.complaint = fmt.Sprintf("exception %d, %s: asked with function %d for %d registers from %d",
		code, name, d.function, f[5], binary.BigEndian.Uint16(f[2:]))
	d.refuse(fmt.Errorf("the instrument answers with %s", d.complaint))
}
