package chunk_test

import (
	"encoding/binary"
	"errors"
	"math"
	"testing"

	"letthrough/capture/trace"
	"letthrough/store/chunk"
)

// FuzzDecode: damage is refused with a *CorruptError and never asks for much memory; what is taken
// comes back the same once packed again.
func FuzzDecode(f *testing.F) {
	f.Fuzz(func(t *testing.T, blob []byte) {
		var damaged *chunk.CorruptError
		out, err := chunk.Decode(nil, blob)
		if err != nil {
			if !errors.As(err, &damaged) || len(out) != 0 {
				t.Fatalf("%d samples and %v, want none and a *CorruptError", len(out), err)
			}
		} else {
			mustRoundTrip(t, out)
		}
		buckets, err := chunk.DecodeBuckets(nil, blob)
		if err != nil && (!errors.As(err, &damaged) || len(buckets) != 0) {
			t.Fatalf("%d buckets and %v, want none and a *CorruptError", len(buckets), err)
		}
	})
}

// FuzzRoundTrip takes seventeen bytes for a sample: step of time, bits of the value, flags.
func FuzzRoundTrip(f *testing.F) {
	f.Fuzz(func(t *testing.T, raw []byte, decimals bool) {
		var in []trace.Sample
		now := int64(0)
		for ; len(raw) >= 17 && len(in) < 4096; raw = raw[17:] {
			now += int64(binary.LittleEndian.Uint64(raw))
			bits := binary.LittleEndian.Uint64(raw[8:])
			v := math.Float64frombits(bits)
			if decimals {
				v = float64(int16(bits)) / 1e3
			}
			in = append(in, trace.Sample{AtNS: now, Value: v, Flags: trace.Flags(raw[16])})
		}
		mustRoundTrip(t, in)
		if len(in) == 0 {
			return
		}
		var e chunk.Encoder
		want := chunk.SumAll(nil, in)
		got, err := chunk.DecodeBuckets(nil, e.AppendBuckets(nil, want, chunk.Fan))
		if err != nil || len(got) != len(want) {
			t.Fatalf("%d buckets and %v, want %d", len(got), err, len(want))
		}
		for i, b := range got {
			w := want[i]
			same := func(a, b float64) bool { return a == b || math.IsNaN(a) && math.IsNaN(b) }
			if b.T0 != w.T0 || !same(b.Min, w.Min) || !same(b.Max, w.Max) || b.N != w.N || b.Finite != w.Finite || b.Flags != w.Flags {
				t.Fatalf("bucket %d is %+v, want %+v", i, b, w)
			}
		}
	})
}
