package file

import (
	"bufio"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
)

// Sound is the sound track of a video as a WAV file: RIFF with uncompressed samples of 8, 16, 24 or
// 32 bits, or floating point of 32 or 64, any number of channels up to 32. Several channels become one,
// their mean. (Form: the public RIFF WAVE description, chunk "fmt " with format tags 1, 3 and 0xFFFE.)
type Sound struct {
	RateHz   int
	Channels int
	Frames   int64 // as the file states them; a file that was cut short has fewer

	r      *bufio.Reader
	frame  []byte
	decode func([]byte) float64
	width  int
}

// Limits of a sound track.
const (
	minSoundHz   = 8000 // a chirp of up to 3.5 kHz needs 7 kHz
	maxSoundHz   = 384_000
	maxSoundCh   = 32
	maxFmtBytes  = 4096
	maxOtherSize = 1 << 30
)

// soundError says what is wrong with a sound file.
func soundError(at int64, want, got string) error {
	return &Error{File: "sound", Byte: at, Want: want, Got: got}
}

// OpenSound reads the head of a WAV file; the samples follow with Next.
func OpenSound(r io.Reader) (*Sound, error) {
	b := bufio.NewReaderSize(r, 64<<10)
	var head [12]byte
	if _, err := io.ReadFull(b, head[:]); err != nil {
		return nil, soundError(0, "want a WAV file", "it ends within its first 12 bytes")
	}
	if id := string(head[:4]); id != "RIFF" || string(head[8:]) != "WAVE" {
		return nil, soundError(0, "want a WAV file, which begins with RIFF and WAVE (save the video's sound as WAV first)", fmt.Sprintf("%q and %q", id, head[8:]))
	}
	s := &Sound{r: b}
	at := int64(12)
	for {
		var chunk [8]byte
		if _, err := io.ReadFull(b, chunk[:]); err != nil {
			return nil, soundError(at, "want a chunk named data", "the file ends")
		}
		id, size := string(chunk[:4]), int64(binary.LittleEndian.Uint32(chunk[4:]))
		at += 8
		switch id {
		case "fmt ":
			if err := s.format(b, size, at); err != nil {
				return nil, err
			}
		case "data":
			if s.decode == nil {
				return nil, soundError(at, "want the chunk fmt before the chunk data", "none")
			}
			s.Frames = size / int64(s.width)
			if uint32(size) == math.MaxUint32 { // a recorder that was never told the end
				s.Frames = math.MaxInt64
			}
			return s, nil
		default:
			if size > maxOtherSize {
				return nil, soundError(at, fmt.Sprintf("want a chunk of at most %d bytes", maxOtherSize), fmt.Sprintf("%q of %d", id, size))
			}
			if _, err := io.CopyN(io.Discard, b, size); err != nil {
				return nil, soundError(at, fmt.Sprintf("want %d bytes of the chunk %q", size, id), "the file ends")
			}
		}
		at += size
		if size%2 == 1 { // chunks begin at even bytes
			if _, err := b.Discard(1); err != nil && !errors.Is(err, io.EOF) {
				return nil, err
			}
			at++
		}
	}
}

// format reads the chunk that says how samples are written.
func (s *Sound) format(r io.Reader, size, at int64) error {
	if size < 16 || size > maxFmtBytes {
		return soundError(at, fmt.Sprintf("want a chunk fmt of 16 to %d bytes", maxFmtBytes), fmt.Sprint(size))
	}
	f := make([]byte, size)
	if _, err := io.ReadFull(r, f); err != nil {
		return soundError(at, "want the whole chunk fmt", "the file ends")
	}
	le := binary.LittleEndian
	tag, channels, rate, align, bits := le.Uint16(f), int(le.Uint16(f[2:])), int64(le.Uint32(f[4:])), int(le.Uint16(f[12:])), int(le.Uint16(f[14:]))
	if tag == 0xfffe { // the long form: the tag begins its sub-format
		if size < 40 {
			return soundError(at, "want 40 bytes of the long chunk fmt", fmt.Sprint(size))
		}
		tag = le.Uint16(f[24:])
	}
	switch {
	case rate < minSoundHz || rate > maxSoundHz:
		return soundError(at+4, fmt.Sprintf("want %d to %d samples a second", minSoundHz, maxSoundHz), fmt.Sprint(rate))
	case channels < 1 || channels > maxSoundCh:
		return soundError(at+2, fmt.Sprintf("want 1 to %d channels", maxSoundCh), fmt.Sprint(channels))
	}
	switch {
	case tag == 1 && bits == 8:
		s.decode = func(b []byte) float64 { return (float64(b[0]) - 128) / 128 }
	case tag == 1 && bits == 16:
		s.decode = func(b []byte) float64 { return float64(int16(le.Uint16(b))) / (1 << 15) }
	case tag == 1 && bits == 24:
		s.decode = func(b []byte) float64 {
			return float64(int32(uint32(b[0])<<8|uint32(b[1])<<16|uint32(b[2])<<24)) / (1 << 31)
		}
	case tag == 1 && bits == 32:
		s.decode = func(b []byte) float64 { return float64(int32(le.Uint32(b))) / (1 << 31) }
	case tag == 3 && bits == 32:
		s.decode = func(b []byte) float64 { return float64(math.Float32frombits(le.Uint32(b))) }
	case tag == 3 && bits == 64:
		s.decode = func(b []byte) float64 { return math.Float64frombits(le.Uint64(b)) }
	default:
		return soundError(at, "want whole numbers of 8, 16, 24 or 32 bits or floating point of 32 or 64 (save the sound as WAV, 16 bits)", fmt.Sprintf("format tag %d, %d bits", tag, bits))
	}
	s.RateHz, s.Channels, s.width = int(rate), channels, channels*bits/8
	if align != s.width {
		return soundError(at+12, fmt.Sprintf("want %d bytes a frame", s.width), fmt.Sprint(align))
	}
	s.frame = make([]byte, s.width)
	return nil
}

// Next fills dst with the next samples, all channels as one, and says how many there were: fewer than
// asked only at the end. What is no number counts as silence.
func (s *Sound) Next(dst []float64) (int, error) {
	size := s.width / s.Channels
	for i := range dst {
		if s.Frames == 0 {
			return i, nil
		}
		switch _, err := io.ReadFull(s.r, s.frame); {
		case errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF):
			s.Frames = 0 // cut short: what is there is there
			return i, nil
		case err != nil:
			return i, fmt.Errorf("read sound: %w", err)
		}
		s.Frames--
		sum := 0.0
		for c := range s.Channels {
			if v := s.decode(s.frame[c*size:]); math.Abs(v) <= 1e6 {
				sum += v
			}
		}
		dst[i] = sum / float64(s.Channels)
	}
	return len(dst), nil
}
