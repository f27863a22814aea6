package chunk_test

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"letthrough/capture/trace"
	"letthrough/store/chunk"

	"pgregory.net/rapid"
)

// same tells whether two samples are equal in every bit.
func same(a, b trace.Sample) bool {
	return a.AtNS == b.AtNS && a.Flags == b.Flags && math.Float64bits(a.Value) == math.Float64bits(b.Value)
}

func mustRoundTrip(t testing.TB, in []trace.Sample) []byte {
	t.Helper()
	var e chunk.Encoder
	blob := e.Append(nil, in)
	out, err := chunk.Decode(nil, blob)
	if err != nil {
		t.Fatalf("decode of %d samples: %v", len(in), err)
	}
	if len(out) != len(in) {
		t.Fatalf("got %d samples back, want %d", len(out), len(in))
	}
	for i := range in {
		if !same(in[i], out[i]) {
			t.Fatalf("sample %d came back as %+v (bits %x), want %+v (bits %x)", i,
				out[i], math.Float64bits(out[i].Value), in[i], math.Float64bits(in[i].Value))
		}
	}
	return blob
}

// board makes what a 16-bit board sends: codes with sigma of three, steps between levels, 100 µs
// between readings of which one in fifty is a microsecond late.
func board(n int, seed uint64) []trace.Sample {
	rng := rand.New(rand.NewPCG(seed, 1))
	out := make([]trace.Sample, n)
	level, t := 1000.0, int64(0)
	for i := range out {
		if rng.IntN(5000) == 0 {
			level = float64(rng.IntN(60000) - 30000)
		}
		late := int64(0)
		if rng.IntN(50) == 0 {
			late = 1000
		}
		out[i] = trace.Sample{AtNS: t + late, Value: math.Round(level+3*rng.NormFloat64()) / 1e4}
		t += 100_000
	}
	return out
}

func TestRoundTrip(t *testing.T) {
	at := func(values ...float64) []trace.Sample {
		out := make([]trace.Sample, len(values))
		for i, v := range values {
			out[i] = trace.Sample{AtNS: int64(i) * 1_000_000, Value: v}
		}
		return out
	}
	inf, nan, negZero := math.Inf(1), math.NaN(), math.Copysign(0, -1)
	long := board(chunk.MaxSamples, 7)
	flagged := board(1000, 3)
	for i := 200; i < 700; i++ {
		flagged[i].Flags, flagged[i].Value = trace.Over, inf
	}
	flagged[10].Flags = trace.Gap
	tests := map[string][]trace.Sample{
		"nothing":                      nil,
		"one sample":                   at(1.25),
		"two samples":                  at(1.25, -3),
		"no numbers":                   at(nan, inf, -inf, negZero, 0),
		"negative zero among decimals": at(0.1, negZero, 0.2, 0, negZero),
		"NaN with a payload":           at(1, math.Float64frombits(0x7ff8dead_beef0001), 2),
		"largest and smallest":         at(math.MaxFloat64, math.SmallestNonzeroFloat64, -math.MaxFloat64),
		"no decimals":                  at(math.Pi, math.E, math.Sqrt2, 1.0/3, 0.1+0.2),
		"beyond whole numbers":         at(1<<51, 1<<52, 1<<53, -(1 << 53), 1<<62),
		"times that wrap": {
			{AtNS: math.MaxInt64}, {AtNS: math.MinInt64}, {AtNS: 0}, {AtNS: math.MaxInt64}, {AtNS: -1}, {AtNS: math.MinInt64}},
		"times that go back":    {{AtNS: 5}, {AtNS: 3}, {AtNS: 3}, {AtNS: 1e15}, {AtNS: 7}},
		"over-range for long":   flagged,
		"a board":               board(chunk.Size, 1),
		"the most that is held": long,
		"every flag":            {{Flags: 255}, {Flags: 255, AtNS: 1}, {Flags: 3, AtNS: 2}},
	}
	for name, in := range tests {
		t.Run(name, func(t *testing.T) { mustRoundTrip(t, in) })
	}
}

func TestRoundTripOfAnything(t *testing.T) {
	value := rapid.OneOf(
		rapid.Float64(),
		rapid.Map(rapid.IntRange(-32768, 32767), func(c int) float64 { return float64(c) / 1e4 }),
		rapid.Map(rapid.IntRange(-50, 50), func(c int) float64 { return 1.5 + float64(c)/1e3 }),
		rapid.SampledFrom([]float64{0, math.Copysign(0, -1), math.Inf(1), math.Inf(-1), math.NaN()}))
	step := rapid.OneOf(rapid.Int64(), rapid.Int64Range(0, 3), rapid.Just(int64(100_000)),
		rapid.SampledFrom([]int64{99_000, 100_000, 101_000}))
	rapid.Check(t, func(rt *rapid.T) {
		in := make([]trace.Sample, rapid.IntRange(0, 700).Draw(rt, "n"))
		oneValue, oneStep := rapid.Bool().Draw(rt, "calm values"), rapid.Bool().Draw(rt, "calm times")
		v, d, now := value.Draw(rt, "v0"), step.Draw(rt, "d0"), int64(0)
		for i := range in {
			if !oneValue || i%100 == 99 {
				v = value.Draw(rt, "v")
			}
			if !oneStep || i%100 == 99 {
				d = step.Draw(rt, "d")
			}
			now += d
			in[i] = trace.Sample{AtNS: now, Value: v}
			if i%37 == 5 {
				in[i].Flags = trace.Flags(rapid.Byte().Draw(rt, "flags"))
			}
		}
		var e chunk.Encoder
		out, err := chunk.Decode(nil, e.Append(nil, in))
		if err != nil || len(out) != len(in) {
			rt.Fatalf("got %d samples and %v, want %d", len(out), err, len(in))
		}
		for i := range in {
			if !same(in[i], out[i]) {
				rt.Fatalf("sample %d: got %+v, want %+v", i, out[i], in[i])
			}
		}
	})
}

func TestAppendKeepsWhatStands(t *testing.T) {
	var e chunk.Encoder
	head := []byte("head")
	blob := e.Append(head, board(300, 1))
	if string(blob[:4]) != "head" {
		t.Errorf("the start of dst is %q, want it kept", blob[:4])
	}
	first := []trace.Sample{{AtNS: 1, Value: 2}}
	out, err := chunk.Decode(first, blob[4:])
	if err != nil || len(out) != 301 || out[0] != first[0] {
		t.Errorf("got %d samples, first %+v, %v; want 301 after the first", len(out), out[0], err)
	}
}

func TestSizeOfABoard(t *testing.T) {
	in := board(chunk.Size, 1)
	got := float64(len(mustRoundTrip(t, in))) / float64(len(in))
	if got > 0.85 {
		t.Errorf("a sample costs %.3f bytes, want at most 0.85", got)
	}
	var e chunk.Encoder
	over := float64(len(e.AppendBuckets(nil, chunk.SumAll(nil, in), chunk.Fan))) / float64(len(in))
	if over > 0.10 {
		t.Errorf("the overview costs %.3f bytes a sample, want at most 0.10", over)
	}
	t.Logf("%.3f bytes a sample, overview %.3f", got, over)
}

func TestEncodingTakesNoMemory(t *testing.T) {
	in := board(chunk.Size, 1)
	var e chunk.Encoder
	dst := e.Append(nil, in)
	if n := testing.AllocsPerRun(10, func() { dst = e.Append(dst[:0], in) }); n != 0 {
		t.Errorf("an encoding allocates %v times, want 0", n)
	}
}

func TestDecodeRefusesDamage(t *testing.T) {
	var e chunk.Encoder
	blob := e.Append(nil, board(500, 9))
	tests := map[string][]byte{
		"nothing":           {},
		"unknown codec":     append([]byte{9}, blob[1:]...),
		"cut short":         blob[:len(blob)-1],
		"one byte too many": append(append([]byte{}, blob...), 0),
		"too many samples":  {1, 0xff, 0xff, 0xff, 0xff, 0x7f},
		"endless number":    {1, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff},
	}
	for name, b := range tests {
		t.Run(name, func(t *testing.T) {
			out, err := chunk.Decode(nil, b)
			var damaged *chunk.CorruptError
			if !errors.As(err, &damaged) || len(out) != 0 {
				t.Errorf("got %d samples and error %v, want none and a *CorruptError", len(out), err)
			}
		})
	}
}

// A disk that turns one bit over must not make another sample of it.
func TestEveryTurnedBitIsNoticed(t *testing.T) {
	var e chunk.Encoder
	in := board(300, 9)
	floats := append([]trace.Sample{{Value: math.Pi}}, in...)
	for name, c := range map[string]struct {
		blob   []byte
		decode func([]byte) (int, error)
	}{
		"decimals": {e.Append(nil, in), samplesOf},
		"floats":   {e.Append(nil, floats), samplesOf},
		"none":     {e.Append(nil, nil), samplesOf},
		"overview": {e.AppendBuckets(nil, chunk.SumAll(nil, in), chunk.Fan), bucketsOf},
		"nothing":  {e.AppendBuckets(nil, nil, chunk.Fan), bucketsOf},
	} {
		t.Run(name, func(t *testing.T) {
			if _, err := c.decode(c.blob); err != nil {
				t.Fatal(err)
			}
			for bit := range 8 * len(c.blob) {
				c.blob[bit/8] ^= 1 << (bit % 8)
				var damaged *chunk.CorruptError
				if n, err := c.decode(c.blob); !errors.As(err, &damaged) || n != 0 {
					t.Errorf("bit %d of byte %d turned over: %d samples and %v", bit%8, bit/8, n, err)
				}
				c.blob[bit/8] ^= 1 << (bit % 8)
			}
		})
	}
}

func samplesOf(blob []byte) (int, error) {
	out, err := chunk.Decode(nil, blob)
	return len(out), err
}

func bucketsOf(blob []byte) (int, error) {
	out, err := chunk.DecodeBuckets(nil, blob)
	return len(out), err
}

func TestBucketsKeepEveryExtreme(t *testing.T) {
	inf := math.Inf(1)
	in := board(chunk.Size-5, 4)
	in[777].Value = 31.4159
	in[4242].Value = -7
	odd := board(1000, 5)
	odd[100] = trace.Sample{AtNS: odd[100].AtNS, Value: inf, Flags: trace.Over}
	for i := 256; i < 320; i++ {
		odd[i].Value = math.NaN()
	}
	floats := board(500, 6)
	for i := range floats {
		floats[i].Value = math.Sin(float64(i))
	}
	for name, in := range map[string][]trace.Sample{"decimals": in, "no numbers among them": odd, "no decimals": floats} {
		t.Run(name, func(t *testing.T) {
			var e chunk.Encoder
			want := chunk.SumAll(nil, in)
			got, err := chunk.DecodeBuckets(nil, e.AppendBuckets(nil, want, chunk.Fan))
			if err != nil || len(got) != len(want) {
				t.Fatalf("got %d buckets and %v, want %d", len(got), err, len(want))
			}
			for i, b := range got {
				checkBucket(t, i, b, in[i*chunk.Fan:min(len(in), (i+1)*chunk.Fan)])
			}
		})
	}
}

// checkBucket compares a bucket with the plain sums over its samples.
func checkBucket(t *testing.T, i int, b chunk.Bucket, samples []trace.Sample) {
	t.Helper()
	lo, hi, sum, n := math.NaN(), math.NaN(), 0.0, 0
	var flags trace.Flags
	for _, s := range samples {
		flags |= s.Flags
		if !math.IsNaN(s.Value) {
			if math.IsNaN(lo) {
				lo, hi = s.Value, s.Value
			}
			lo, hi = math.Min(lo, s.Value), math.Max(hi, s.Value)
			if !math.IsInf(s.Value, 0) {
				sum += s.Value
				n++
			}
		}
	}
	equal := func(a, b float64) bool { return a == b || math.IsNaN(a) && math.IsNaN(b) }
	if b.T0 != samples[0].AtNS || !equal(b.Min, lo) || !equal(b.Max, hi) || b.N != int64(len(samples)) || b.Finite != int64(n) || b.Flags != flags {
		t.Fatalf("bucket %d is %+v, want t %d, %v to %v, %d samples, %d finite, flags %d", i, b, samples[0].AtNS, lo, hi, len(samples), n, flags)
	}
	if mean := sum / float64(n); n > 0 && math.Abs(b.Mean()-mean) > 1e-12*(1+math.Abs(mean)) {
		t.Fatalf("bucket %d has mean %v, want %v", i, b.Mean(), mean)
	}
}

func TestJoinIsSumOfBoth(t *testing.T) {
	nan := math.NaN()
	none := chunk.Bucket{T0: 1, Min: nan, Max: nan, N: 2}
	some := chunk.Bucket{T0: 5, Min: -1, Max: 3, Sum: 4, N: 3, Finite: 3, Flags: trace.Gap}
	for name, got := range map[string]chunk.Bucket{"no numbers first": none.Join(some), "no numbers last": some.Join(none)} {
		if got.Min != -1 || got.Max != 3 || got.Sum != 4 || got.N != 5 || got.Finite != 3 || got.Flags != trace.Gap {
			t.Errorf("%s: got %+v, want -1 to 3 with 5 samples", name, got)
		}
	}
}

func BenchmarkEncode(b *testing.B) {
	in := board(chunk.Size, 1)
	var e chunk.Encoder
	dst := e.Append(nil, in)
	b.ReportAllocs()
	for b.Loop() {
		dst = e.Append(dst[:0], in)
	}
	perSample(b, len(in))
}

func BenchmarkDecode(b *testing.B) {
	in := board(chunk.Size, 1)
	var e chunk.Encoder
	blob := e.Append(nil, in)
	out, _ := chunk.Decode(nil, blob)
	for b.Loop() {
		out, _ = chunk.Decode(out[:0], blob)
	}
	perSample(b, len(in))
}

func BenchmarkSumAll(b *testing.B) {
	in := board(chunk.Size, 1)
	dst := chunk.SumAll(nil, in)
	for b.Loop() {
		dst = chunk.SumAll(dst[:0], in)
	}
	perSample(b, len(in))
}

func BenchmarkDecodeBuckets(b *testing.B) {
	in := chunk.SumAll(nil, board(chunk.Size, 1))
	var e chunk.Encoder
	blob := e.AppendBuckets(nil, in, chunk.Fan)
	dst, _ := chunk.DecodeBuckets(nil, blob)
	for b.Loop() {
		dst, _ = chunk.DecodeBuckets(dst[:0], blob)
	}
	perSample(b, len(in))
}

func perSample(b *testing.B, n int) {
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(n), "ns/sample")
}
