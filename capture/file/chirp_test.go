package file

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

// recordedSound is a sound track as a camera makes it: a room with noise, rumble and an echo.
type recordedSound struct {
	rateHz   int
	lengthS  float64
	noise    float64 // standard deviation
	chirps   map[float64]int
	level    float64
	echoS    float64
	rumble   float64
	whistles bool
	seed     uint64
}

func (r recordedSound) samples() []float64 {
	rnd := rand.New(rand.NewPCG(r.seed, 7))
	out := make([]float64, int(r.lengthS*float64(r.rateHz)))
	for i := range out {
		t := float64(i) / float64(r.rateHz)
		out[i] = r.noise*rnd.NormFloat64() + r.rumble*math.Sin(2*math.Pi*50*t)
		if r.whistles {
			out[i] += 0.2*math.Sin(2*math.Pi*2500*t) + 0.1*math.Sin(2*math.Pi*440*t)
		}
	}
	for at, k := range r.chirps {
		for i, v := range sweeps[k].samples(float64(r.rateHz)) {
			for _, e := range []struct{ s, level float64 }{{0, 1}, {r.echoS, 0.8}} {
				if e.s == 0 && e.level != 1 {
					continue
				}
				if j := int((at+e.s)*float64(r.rateHz)) + i; j < len(out) {
					out[j] += r.level * e.level * v
				}
			}
		}
	}
	return out
}

// asWAV writes samples as a WAV file of a form: "16", "24", "32", "8", "f32", "f64", with a "long" head or not.
func asWAV(samples []float64, rateHz, channels int, form string) []byte {
	long := strings.HasPrefix(form, "long ")
	form = strings.TrimPrefix(form, "long ")
	bits := map[string]int{"8": 8, "16": 16, "24": 24, "32": 32, "f32": 32, "f64": 64}[form]
	tag := uint16(1)
	if form[0] == 'f' {
		tag = 3
	}
	var data bytes.Buffer
	le := binary.LittleEndian
	for _, v := range samples {
		v = max(-1, min(1, v))
		for c := range channels {
			if c == 1 {
				v *= 0.5 // the other microphone is further away
			}
			switch form {
			case "8":
				data.WriteByte(byte(math.Round(v*127) + 128))
			case "16":
				_ = binary.Write(&data, le, int16(math.Round(v*32767)))
			case "24":
				n := int32(math.Round(v * 8388607))
				data.Write([]byte{byte(n), byte(n >> 8), byte(n >> 16)})
			case "32":
				_ = binary.Write(&data, le, int32(math.Round(v*2147483647)))
			case "f32":
				_ = binary.Write(&data, le, float32(v))
			case "f64":
				_ = binary.Write(&data, le, v)
			}
		}
	}
	var head bytes.Buffer
	size := uint32(16)
	if long {
		size = 40
	}
	chunk := func(id string, n uint32) { head.WriteString(id); _ = binary.Write(&head, le, n) }
	align := channels * bits / 8
	chunk("LIST", 5) // an odd chunk that nobody needs
	head.WriteString("INFO\x00\x00")
	chunk("fmt ", size)
	t := tag
	if long {
		t = 0xfffe
	}
	for _, v := range []any{t, uint16(channels), uint32(rateHz), uint32(rateHz * align), uint16(align), uint16(bits)} {
		_ = binary.Write(&head, le, v)
	}
	if long {
		for _, v := range []any{uint16(22), uint16(bits), uint32(0), tag} {
			_ = binary.Write(&head, le, v)
		}
		head.WriteString("\x00\x00\x00\x00\x10\x00\x80\x00\x00\xaa\x00\x38\x9b\x71")
	}
	chunk("data", uint32(data.Len()))
	var out bytes.Buffer
	out.WriteString("RIFF")
	_ = binary.Write(&out, le, uint32(4+head.Len()+data.Len()))
	out.WriteString("WAVE")
	out.Write(head.Bytes())
	out.Write(data.Bytes())
	return out.Bytes()
}

func TestChirpIsFoundInANoisyRecordingOfEveryForm(t *testing.T) {
	for _, rate := range []int{8000, 16000, 22050, 44100, 48000, 96000} {
		for _, form := range []string{"16", "24", "f32", "long 16", "long f32"} {
			for channels := 1; channels <= 2; channels++ {
				k := (rate/1000 + channels + len(form)) % 3
				// The noise is four times the chirp, over the whole band of the recording.
				r := recordedSound{rateHz: rate, lengthS: 4, level: 0.04, noise: 0.08, rumble: 0.2, chirps: map[float64]int{1.7: k}, seed: uint64(rate)}
				c, err := FindChirp(bytes.NewReader(asWAV(r.samples(), rate, channels, form)))
				name := fmt.Sprintf("%d Hz, %s, %d channels", rate, form, channels)
				if err != nil {
					t.Errorf("%s: %v", name, err)
					continue
				}
				if math.Abs(c.AtS-1.7) > 0.002 || c.AfterS != sweeps[k].afterS {
					t.Errorf("%s: found at %.4f s, %g s after the onset; it was at 1.7 s, %g s after", name, c.AtS, c.AfterS, sweeps[k].afterS)
				}
			}
		}
	}
}

func TestChirpIsPlacedBeforeItsEcho(t *testing.T) {
	r := recordedSound{rateHz: 44100, lengthS: 3, level: 0.2, noise: 0.01, echoS: 0.03, chirps: map[float64]int{1: 0}}
	c, err := FindChirp(bytes.NewReader(asWAV(r.samples(), 44100, 1, "16")))
	if err != nil || math.Abs(c.AtS-1) > 0.001 {
		t.Errorf("found at %.4f s, %v; it was at 1 s, its echo at 1.03 s", c.AtS, err)
	}
}

func TestChirpAtTheVeryBeginningAndEndIsFound(t *testing.T) {
	for _, at := range []float64{0, 2.74} {
		r := recordedSound{rateHz: 16000, lengthS: 3, level: 0.2, noise: 0.02, chirps: map[float64]int{at: 1}}
		c, err := FindChirp(bytes.NewReader(asWAV(r.samples(), 16000, 1, "16")))
		if err != nil || math.Abs(c.AtS-at) > 0.001 {
			t.Errorf("found at %.4f s, %v; it was at %g s", c.AtS, err, at)
		}
	}
}

func TestSoundWithoutAChirpIsRefused(t *testing.T) {
	for seed := range uint64(5) {
		r := recordedSound{rateHz: 16000, lengthS: 60, noise: 0.2, rumble: 0.3, whistles: seed%2 == 1, seed: seed}
		if c, err := FindChirp(bytes.NewReader(asWAV(r.samples(), 16000, 1, "16"))); !errors.Is(err, ErrNoChirp) {
			t.Errorf("seed %d: found %+v, %v in noise", seed, c, err)
		}
	}
	if _, err := FindChirp(bytes.NewReader(asWAV(make([]float64, 16000), 16000, 1, "16"))); !errors.Is(err, ErrNoChirp) {
		t.Errorf("silence: %v", err)
	}
	if _, err := FindChirp(bytes.NewReader(asWAV(nil, 16000, 1, "16"))); !errors.Is(err, ErrNoChirp) {
		t.Errorf("nothing: %v", err)
	}
}

func TestTwoChirpsAreToldWithTheirTimes(t *testing.T) {
	r := recordedSound{rateHz: 22050, lengthS: 8, level: 0.2, noise: 0.05, chirps: map[float64]int{1.5: 0, 6: 0}}
	_, err := FindChirp(bytes.NewReader(asWAV(r.samples(), 22050, 1, "16")))
	var several *SeveralChirpsError
	if !errors.As(err, &several) || len(several.AtS) != 2 || math.Abs(several.AtS[0]-1.5) > 0.002 || math.Abs(several.AtS[1]-6) > 0.002 {
		t.Errorf("got %v, want two chirps at 1.5 and 6 s", err)
	}
}

func TestSoundFilesThatAreNoneAreRefused(t *testing.T) {
	good := asWAV(make([]float64, 100), 16000, 1, "16")
	change := func(at int, b ...byte) []byte {
		out := bytes.Clone(good)
		copy(out[at:], b)
		return out
	}
	fmtAt := bytes.Index(good, []byte("fmt ")) + 8
	for name, tc := range map[string]struct {
		file []byte
		want string
	}{
		"empty":             {nil, "WAV"},
		"another file":      {[]byte("ID3\x04 this is a compressed sound"), "RIFF"},
		"no data":           {good[:fmtAt+16], "data"},
		"cut in the format": {good[:fmtAt+3], "whole chunk fmt"},
		"compressed":        {change(fmtAt, 0x55), "format tag 85"},
		"far too slow":      {change(fmtAt+4, 0x10, 0, 0, 0), "samples a second"},
		"no channels":       {change(fmtAt+2, 0, 0), "channels"},
		"odd frames":        {change(fmtAt+12, 7), "bytes a frame"},
	} {
		if _, err := FindChirp(bytes.NewReader(tc.file)); err == nil || !strings.Contains(err.Error(), tc.want) {
			t.Errorf("%s: %v, want it to say %q", name, err, tc.want)
		}
	}
	// A file that was cut short while it was copied still has what it has.
	r := recordedSound{rateHz: 16000, lengthS: 3, level: 0.2, noise: 0.02, chirps: map[float64]int{1: 0}}
	whole := asWAV(r.samples(), 16000, 1, "16")
	if c, err := FindChirp(bytes.NewReader(whole[:len(whole)*2/3])); err != nil || math.Abs(c.AtS-1) > 0.001 {
		t.Errorf("cut short: %+v, %v", c, err)
	}
}

func FuzzFindChirp(f *testing.F) {
	for _, form := range []string{"8", "16", "24", "32", "f32", "f64", "long 24"} {
		f.Add(asWAV(make([]float64, 50), 16000, 2, form))
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		c, err := FindChirp(bytes.NewReader(b))
		if err == nil && (math.IsNaN(c.AtS) || c.AtS < -chirpS || c.AtS > float64(len(b))) {
			t.Errorf("a chirp at %g s of %d bytes", c.AtS, len(b))
		}
	})
}

func BenchmarkFindChirp(b *testing.B) {
	r := recordedSound{rateHz: 48000, lengthS: 60, level: 0.05, noise: 0.05, chirps: map[float64]int{30: 0}}
	wav := asWAV(r.samples(), 48000, 2, "16")
	for b.Loop() {
		if _, err := FindChirp(bytes.NewReader(wav)); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(60*float64(b.N)/b.Elapsed().Seconds(), "sound-s/s")
}
