package web

import (
	"encoding/binary"
	"math"

	"letthrough/capture"
	"letthrough/capture/trace"
)

// The binary message of the live socket, little-endian; static/help/live.md documents it:
//
//	 0  u8  'L'
//	 1  u8  'T'
//	 2  u8  version, 1
//	 3  u8  kind: 0 append, 1 replaces everything of the channel
//	 4  u16 channel, an index into the channels of hello
//	 6  u16 0
//	 8  u32 n, the number of columns
//	12  u32 samples lost since the last message of this channel
//	16  f64 t0, s, bench time base
//	24  f64 column width, s; 0: single samples
//	32  n f32 t - t0, then n f32 min, n f32 max, n u8 flags
const (
	frameVersion = 1
	frameHeader  = 32
	frameColumn  = 13 // bytes a column
)

// frameKind says what a viewer does with the columns.
type frameKind byte

const (
	frameAppend  frameKind = 0
	frameBacklog frameKind = 1
)

// encodeFrame makes one message of columns that share one width.
func encodeFrame(kind frameKind, channel int, lost uint64, cols []capture.Column) []byte {
	n := len(cols)
	b := make([]byte, frameHeader+n*frameColumn)
	b[0], b[1], b[2], b[3] = 'L', 'T', frameVersion, byte(kind)
	le := binary.LittleEndian
	le.PutUint16(b[4:], uint16(channel))
	le.PutUint32(b[8:], uint32(n))
	le.PutUint32(b[12:], uint32(min(lost, math.MaxUint32)))
	if n == 0 {
		return b
	}
	t0 := cols[0].AtNS
	le.PutUint64(b[16:], math.Float64bits(float64(t0)/1e9))
	le.PutUint64(b[24:], math.Float64bits(float64(cols[0].WidthNS)/1e9))
	t, lo, hi, flags := b[frameHeader:], b[frameHeader+4*n:], b[frameHeader+8*n:], b[frameHeader+12*n:]
	for i, c := range cols {
		// The difference is taken in whole nanoseconds: a float32 of the time itself would be
		// milliseconds off after some hours.
		le.PutUint32(t[4*i:], math.Float32bits(float32(float64(c.AtNS-t0)/1e9)))
		le.PutUint32(lo[4*i:], math.Float32bits(c.Min))
		le.PutUint32(hi[4*i:], math.Float32bits(c.Max))
		flags[i] = byte(c.Flags)
	}
	return b
}

// encodeFrames cuts columns where their width changes and makes a message of each stretch; only the
// first carries kind and lost, the others follow on it. No columns make an empty message of a
// backlog, which clears the channel, and nothing else.
func encodeFrames(kind frameKind, channel int, lost uint64, cols []capture.Column) [][]byte {
	if len(cols) == 0 {
		if kind == frameBacklog {
			return [][]byte{encodeFrame(kind, channel, lost, nil)}
		}
		return nil
	}
	var out [][]byte
	for len(cols) > 0 {
		n := 1
		for n < len(cols) && cols[n].WidthNS == cols[0].WidthNS {
			n++
		}
		out = append(out, encodeFrame(kind, channel, lost, cols[:n]))
		kind, lost, cols = frameAppend, 0, cols[n:]
	}
	return out
}

// thin merges neighbouring columns until at most about most are left. A merged column holds the
// least and the most of all it stands for, so that a peak of one sample is in it; a gap is never
// merged over, so that it is still seen where it was.
func thin(cols []capture.Column, most int) []capture.Column {
	if len(cols) <= most || most < 1 {
		return cols
	}
	step := (len(cols) + most - 1) / most
	out := make([]capture.Column, 0, most+1)
	for i, inGroup := 0, 0; i < len(cols); i++ {
		c := cols[i]
		if inGroup == 0 || inGroup == step || c.Flags&trace.Gap != 0 {
			out, inGroup = append(out, c), 1
			continue
		}
		last := &out[len(out)-1]
		last.Min, last.Max = min(last.Min, c.Min), max(last.Max, c.Max)
		last.Flags |= c.Flags
		last.WidthNS = max(last.WidthNS, c.AtNS+c.WidthNS-last.AtNS)
		inGroup++
	}
	return sameWidth(out)
}

// sameWidth gives merged columns one width, the widest, so that they travel in one message: drawn
// widths overlap a little then, and no column's times move.
func sameWidth(cols []capture.Column) []capture.Column {
	var widest int64
	for _, c := range cols {
		widest = max(widest, c.WidthNS)
	}
	for i := range cols {
		cols[i].WidthNS = widest
	}
	return cols
}
