package sim

import "math/rand/v2"

// Faults are what goes wrong between instrument and reader. The zero value is a faultless line.
// Spans and instants are simulated seconds from the start of the instrument.
type Faults struct {
	NoiseAtOpen int       // so many random bytes before the first line
	LoseByte    float64   // share of bytes that never arrive
	FlipByte    float64   // share of bytes that arrive wrong
	RepeatLine  float64   // share of lines that are sent twice
	Split       bool      // a write ends anywhere, not at the end of a line
	Silent      []Span    // says nothing, and what it measured meanwhile is gone
	RestartAtS  []float64 // the instrument starts anew: its clock at 0, a line of greeting
}

// line is the wire with its faults.
type line struct {
	f         Faults
	rng       *rand.Rand
	restarted int
}

func newLine(f Faults, seed uint64) *line {
	return &line{f: f, rng: rand.New(rand.NewPCG(seed, 4))}
}

// opening is what comes before the first reading.
func (l *line) opening(dst []byte) []byte {
	for range l.f.NoiseAtOpen {
		dst = append(dst, byte(l.rng.Uint32()))
	}
	return dst
}

// silent tells whether nothing is said at that time.
func (l *line) silent(atS float64) bool {
	for _, s := range l.f.Silent {
		if atS >= s.FromS && atS < s.ToS {
			return true
		}
	}
	return false
}

// restart tells, once each, that the instrument starts anew.
func (l *line) restart(atS float64) bool {
	if l.restarted < len(l.f.RestartAtS) && atS >= l.f.RestartAtS[l.restarted] {
		l.restarted++
		return true
	}
	return false
}

// spoil does to what was appended since from what the line does to it.
func (l *line) spoil(buf []byte, from int) []byte {
	if l.f.RepeatLine > 0 && l.rng.Float64() < l.f.RepeatLine {
		buf = append(buf, buf[from:]...)
	}
	if l.f.LoseByte == 0 && l.f.FlipByte == 0 {
		return buf
	}
	kept := buf[:from]
	for _, b := range buf[from:] {
		if l.rng.Float64() < l.f.LoseByte {
			continue
		}
		if l.rng.Float64() < l.f.FlipByte {
			b ^= 1 << l.rng.IntN(8)
		}
		kept = append(kept, b)
	}
	return kept
}

// cut is how much of n waiting bytes the next write takes.
func (l *line) cut(n int) int {
	if !l.f.Split || n < 2 {
		return n
	}
	return 1 + l.rng.IntN(n)
}
