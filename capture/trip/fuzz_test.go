package trip_test

import (
	"encoding/binary"
	"math"
	"testing"

	"letthrough/capture/trace"
	"letthrough/capture/trip"
)

// FuzzDetector feeds arbitrary sample streams under arbitrary settings: it must not panic, give no NaN
// or infinity, keep marks in order and bounds consistent, and streaming must equal batch.
//
// Each sample takes 5 bytes: a time step (2 bytes, its two upper bits choosing the scale, one step in
// 256 backwards), a level (2 bytes, signed), flags and odd values (1 byte).
func FuzzDetector(f *testing.F) {
	f.Add([]byte{}, uint8(0), 1.0, 0.0)
	f.Fuzz(func(t *testing.T, data []byte, kind uint8, rated, hold float64) {
		s := trace.Settings{
			Procedure:     trace.Procedures[int(kind)%len(trace.Procedures)],
			RatedCurrentA: rated, HoldS: hold,
			Waveform: trace.Waveforms[int(kind/8)%len(trace.Waveforms)],
		}
		if kind&64 != 0 {
			none := 0.0
			s.AveragingS = &none
		}
		whole, err := trip.New(s)
		if err != nil {
			return
		}
		samples := decodeSamples(data)
		whole.Current(samples)
		want := whole.Finish()
		sane(t, want)
		cut, _ := trip.New(s)
		for i := range samples {
			cut.Current(samples[i : i+1])
			if i%97 == 0 {
				cut.Changes(nil)
				sane(t, cut.Derive())
			}
		}
		got := cut.Finish()
		if len(got.Marks) != len(want.Marks) || len(got.Figures) != len(want.Figures) || got.Behaviour != want.Behaviour {
			t.Fatalf("cut into single samples: %s with %d marks, whole: %s with %d", got.Behaviour, len(got.Marks), want.Behaviour, len(want.Marks))
		}
		for i := range got.Figures {
			if got.Figures[i] != want.Figures[i] {
				t.Fatalf("cut %+v, whole %+v", got.Figures[i], want.Figures[i])
			}
		}
	})
}

func decodeSamples(data []byte) []trace.Sample {
	var out []trace.Sample
	var at int64
	for len(data) >= 5 && len(out) < 5000 {
		step := binary.LittleEndian.Uint16(data)
		level := int16(binary.LittleEndian.Uint16(data[2:]))
		odd := data[4]
		data = data[5:]
		dt := int64(step&0x3fff) * []int64{1, 1e3, 1e5, 1e6}[step>>14]
		if odd == 255 {
			dt = -dt
		}
		at += dt
		s := trace.Sample{AtNS: at, Value: float64(level) / 1000}
		switch {
		case odd&15 == 15:
			s.Value = []float64{math.NaN(), math.Inf(1), math.Inf(-1), 1e300, -1e300, 1e-300, math.Copysign(0, -1), 5e-324}[odd>>5]
		case odd&15 == 14:
			s.Flags = trace.Over
		case odd&15 == 13:
			s.Flags, s.Value = trace.Over, math.Inf(int(level)|1)
		case odd&15 == 12:
			s.Flags = trace.Gap
		}
		out = append(out, s)
	}
	return out
}
