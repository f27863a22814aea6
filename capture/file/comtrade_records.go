package file

import (
	"encoding/binary"
	"math"
	"strconv"
	"strings"

	"letthrough/capture/trace"
)

// statusChannel is a status channel of a COMTRADE record.
type statusChannel struct{ id, component string }

// mark tells whether a status channel holds marks, and of what kind and by whom.
func (c statusChannel) mark() (kind trace.MarkKind, by trace.By, ok bool) {
	kind, by = trace.MarkKind(c.id), trace.By(c.component)
	switch by {
	case trace.Detector, trace.Contact, trace.Hand:
	default:
		return "", "", false
	}
	switch kind {
	case trace.Applied, trace.Onset, trace.Limited, trace.CutOff, trace.RetryOn, trace.RetryOff, trace.Removed, trace.Restored, trace.Note:
		return kind, by, true
	}
	return "", "", false
}

// flag tells whether a status channel says something of the readings: of which, and what.
func (c statusChannel) flag() (q trace.Quantity, word string, ok bool) {
	quantity, word, _ := strings.Cut(c.id, "_")
	if c.component != "" || q.UnmarshalText([]byte(quantity)) != nil {
		return 0, "", false
	}
	return q, word, word == gapWord || word == overWord || word == belowWord
}

// statusOf sets the status channels of one record.
func (w *comtradeWriter) statusOf(r record, bits []bool) {
	clear(bits)
	for len(w.marks) > 0 && w.marks[0].atNS <= r.atNS {
		bits[w.marks[0].channel] = true
		w.marks = w.marks[1:]
	}
	for i, c := range w.status {
		q, word, ok := c.flag()
		if !ok || !r.present[q] {
			continue
		}
		s := r.samples[q]
		switch word {
		case gapWord:
			bits[i] = s.Flags&trace.Gap != 0
		case overWord:
			bits[i] = s.Flags&trace.Over != 0 || math.IsInf(s.Value, 0)
		case belowWord:
			bits[i] = math.IsInf(s.Value, -1)
		}
	}
}

func (w *comtradeWriter) stamp(r record) int64 {
	return int64(math.Round(float64(r.atNS-w.plan.baseNS) / w.unitNS))
}

// raw gives the number that stands in the data; ok is false where there is none.
func (w *comtradeWriter) raw(r record, q trace.Quantity) (v float64, ok bool) {
	if s := r.samples[q]; r.present[q] && !math.IsInf(s.Value, 0) {
		return w.plan.scale[q].raw(s.Value, w.run.Data == Float32), true
	}
	return 0, false
}

func (w *comtradeWriter) asciiRecord(n int64, r record, bits []bool) {
	b := strconv.AppendInt(w.line[:0], n, 10)
	b = append(b, ',')
	b = strconv.AppendInt(b, w.stamp(r), 10)
	for _, q := range w.quantities {
		b = append(b, ',')
		if v, ok := w.raw(r, q); ok {
			b = strconv.AppendInt(b, int64(v), 10)
		}
	}
	for _, set := range bits {
		if set {
			b = append(b, ",1"...)
		} else {
			b = append(b, ",0"...)
		}
	}
	w.line = append(b, "\r\n"...)
}

func (w *comtradeWriter) binaryRecord(n int64, r record, bits []bool) {
	b := binary.LittleEndian.AppendUint32(w.line[:0], uint32(n))
	b = binary.LittleEndian.AppendUint32(b, uint32(w.stamp(r)))
	for _, q := range w.quantities {
		v, ok := w.raw(r, q)
		switch w.run.Data {
		case Binary:
			if !ok {
				v = missingBinary
			}
			b = binary.LittleEndian.AppendUint16(b, uint16(int16(v)))
		case Binary32:
			if !ok {
				v = missingBinary32
			}
			b = binary.LittleEndian.AppendUint32(b, uint32(int32(v)))
		default:
			f := float32(v)
			if !ok {
				f = missingFloat32
			}
			b = binary.LittleEndian.AppendUint32(b, math.Float32bits(f))
		}
	}
	for i := 0; i < len(bits); i += 16 {
		var word uint16
		for j, set := range bits[i:min(i+16, len(bits))] {
			if set {
				word |= 1 << j
			}
		}
		b = binary.LittleEndian.AppendUint16(b, word)
	}
	w.line = b
}
