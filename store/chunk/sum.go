package chunk

import (
	"encoding/binary"
	"hash/crc32"
)

// Bits that a disk turned over leave a blob that can be unpacked and says something else: of thirteen single
// bits in the chunks of a database, twelve changed samples and were not noticed. So every blob ends in a
// CRC-32C (Castagnoli; the one of RFC 3720, appendix B.4) of all bytes before it. A set bit in the first byte says that it has
// one: those that were written before have none, and are read without.

const (
	summed  = 0x80
	sumSize = 4
)

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// seal ends the blob that begins at start.
func seal(dst []byte, start int) []byte {
	dst[start] |= summed
	return binary.LittleEndian.AppendUint32(dst, crc32.Checksum(dst[start:], castagnoli))
}

// unseal gives a reader of what stands before the sum, and the blob's first byte without the bit.
func unseal(blob []byte) (r reader, first byte) {
	r = reader{b: blob}
	first = r.byte()
	if r.err != nil || first&summed == 0 {
		return r, first
	}
	n := len(blob) - sumSize
	if n < 1 {
		r.fail("it is cut short")
		return r, first
	}
	if crc32.Checksum(blob[:n], castagnoli) != binary.LittleEndian.Uint32(blob[n:]) {
		r.off = n
		r.fail("its checksum is not that of its bytes")
		return r, first
	}
	r.b = blob[:n]
	return r, first &^ summed
}
