package file

import (
	"errors"
	"fmt"
	"io"
	"math"
	"math/cmplx"
	"strings"

	"gonum.org/v1/gonum/dsp/fourier"
)

// The Bench sounds a chirp a fixed time after the onset (static/scripts/tones.js): a sweep of a quarter
// of a second through 1.5 to 3.5 kHz. A matched filter finds it in the sound track of a video of the
// test, far below the noise of the room: the product of its time and its band is 500, so that its peak
// stands 27 dB above what it was in the track. (Matched filter: North 1943; pulse compression by a
// linear sweep: Klauder and others, Bell System Technical Journal 39, 1960.)

// Chirp is where a chirp was found.
type Chirp struct {
	AtS    float64 // its beginning in the sound, seconds
	AfterS float64 // how long after the onset it was sounded
	Share  float64 // how much of the sound there, within its band, it makes up: 1 is all (amplitudes)
}

// OnsetS is when the onset was, in seconds of the sound.
func (c Chirp) OnsetS() float64 { return c.AtS - c.AfterS }

const (
	chirpS      = 0.25
	chirpLowHz  = 1500.0
	chirpHighHz = 3500.0
	chirpFadeS  = 0.01

	chirpEnoughHz = 12_000 // samples a second tell the sweep's band with room
	// Of noise alone no place reaches a share of 0.16 within an hour: its square is exponential with mean
	// 1/(time x band) = 1/650, and an hour has some ten million places, whose largest is ln(1e7)/650.
	chirpShare = 0.25
	// An echo of the room comes within this and is no second chirp.
	chirpEchoS = 0.35
	// Of several places that an echo makes, the first with this share of the best is the chirp itself.
	chirpFirst = 0.6
)

// sweep is one shape of the chirp: the times and frequencies at which it bends.
type sweep struct {
	name   string
	afterS float64
	turns  [][2]float64
}

var sweeps = []sweep{
	{"up", 0.25, [][2]float64{{0, chirpLowHz}, {chirpS, chirpHighHz}}},
	{"down", 0.75, [][2]float64{{0, chirpHighHz}, {chirpS, chirpLowHz}}},
	{"up and down", 2, [][2]float64{{0, chirpLowHz}, {chirpS / 2, chirpHighHz}, {chirpS, chirpLowHz}}},
}

// samples gives the sweep at a sampling rate, within plus and minus 1.
func (w sweep) samples(rateHz float64) []float64 {
	out := make([]float64, int(math.Round(chirpS*rateHz)))
	phase := 0.0
	for i := range out {
		t := (float64(i) + 0.5) / rateHz
		k := 1
		for k < len(w.turns)-1 && t > w.turns[k][0] {
			k++
		}
		a, b := w.turns[k-1], w.turns[k]
		phase += 2 * math.Pi * (a[1] + (b[1]-a[1])*(t-a[0])/(b[0]-a[0])) / rateHz
		fade := min(1, t/chirpFadeS, (chirpS-t)/chirpFadeS)
		out[i] = math.Sin(phase) * max(0, fade)
	}
	return out
}

// ErrNoChirp is given where no chirp is in a sound.
var ErrNoChirp = errors.New("no onset chirp was found in this sound: were the Bench's sounds on (key S), and near enough to the camera? " +
	"Give --offset by hand instead")

// SeveralChirpsError is given where more than one chirp is in a sound, so that nobody knows which onset it was.
type SeveralChirpsError struct{ AtS []float64 }

func (e *SeveralChirpsError) Error() string {
	at := make([]string, len(e.AtS))
	for i, s := range e.AtS {
		at[i] = fmt.Sprintf("%.2f s", s)
	}
	return fmt.Sprintf("%d onset chirps are in this sound, at %s: cut the sound so that it holds one test, or give --offset by hand",
		len(e.AtS), strings.Join(at, ", "))
}

// FindChirp finds the one chirp in a WAV file. The whole file is read in blocks, so that its length
// does not matter. ErrNoChirp and *SeveralChirpsError say why there is none to go by.
func FindChirp(r io.Reader) (Chirp, error) {
	s, err := OpenSound(r)
	if err != nil {
		return Chirp{}, err
	}
	// The mean of a few samples is enough for the band, and an hour of sound takes seconds.
	each := max(1, s.RateHz/chirpEnoughHz)
	m := newMatcher(float64(s.RateHz) / float64(each))
	fresh, read := make([]float64, m.step), make([]float64, m.step*each)
	for {
		n, err := s.Next(read)
		if err != nil {
			return Chirp{}, err
		}
		clear(read[n:])
		for i := range fresh {
			sum := 0.0
			for _, v := range read[i*each : (i+1)*each] {
				sum += v
			}
			fresh[i] = sum / float64(each)
		}
		m.take(fresh)
		if n < len(read) {
			m.take(make([]float64, m.step)) // the last places reach beyond the end
			break
		}
	}
	return m.chosen()
}

// matcher correlates a sound with every sweep, block by block (overlap and save).
type matcher struct {
	rateHz float64
	n      int // length of a sweep
	step   int // new samples a block
	fft    *fourier.CmplxFFT
	block  []complex128   // the last n-1 samples, then the new ones
	filter [][]complex128 // of each sweep: its band, conjugated, with unit energy
	band   []bool
	first  int64 // number of the block's first sample; below 0 before the sound begins

	spectrum, product, out []complex128
	share                  [][]float64
	energy                 []float64 // of the band, over a sweep's length from each place on

	places [][]place // clusters: everything that one chirp and its echoes make
}

// place is where a sweep fits well.
type place struct {
	at    int64
	sweep int
	share float64
}

func newMatcher(rateHz float64) *matcher {
	n := int(math.Round(chirpS * rateHz))
	size := 1
	for size < 4*n {
		size *= 2
	}
	buffer := func() []complex128 { return make([]complex128, size) }
	m := &matcher{rateHz: rateHz, n: n, step: size - n + 1, fft: fourier.NewCmplxFFT(size), first: -int64(n - 1),
		block: buffer(), spectrum: buffer(), product: buffer(), out: buffer(), band: make([]bool, size), energy: make([]float64, size-n+1)}
	edge := (chirpHighHz - chirpLowHz) / 8
	for i := range m.band {
		// One side of the spectrum only: what comes back is then the envelope, whatever the phase.
		f := float64(i) * rateHz / float64(size)
		m.band[i] = i < size/2 && f >= chirpLowHz-edge && f <= chirpHighHz+edge
	}
	for _, w := range sweeps {
		in := buffer()
		for i, v := range w.samples(rateHz) {
			in[i] = complex(v, 0)
		}
		f := m.fft.Coefficients(nil, in)
		energy := 0.0
		for i := range f {
			if !m.band[i] {
				f[i] = 0
			}
			energy += square(f[i])
		}
		norm := complex(math.Sqrt(energy/float64(size)), 0)
		for i := range f {
			f[i] = cmplx.Conj(f[i]) / norm
		}
		m.filter = append(m.filter, f)
		m.share = append(m.share, make([]float64, m.step))
	}
	return m
}

// take correlates the next step samples with every sweep.
func (m *matcher) take(fresh []float64) {
	copy(m.block, m.block[m.step:])
	for i, v := range fresh {
		m.block[m.n-1+i] = complex(v, 0)
	}
	m.fft.Coefficients(m.spectrum, m.block)
	m.bandEnergy()
	for k, filter := range m.filter {
		for i := range m.product {
			m.product[i] = m.spectrum[i] * filter[i]
		}
		m.fft.Sequence(m.out, m.product)
		for i := range m.share[k] {
			m.share[k][i] = 0
			if e := m.energy[i]; e > silence*float64(m.n) {
				m.share[k][i] = cmplx.Abs(m.out[i]) / float64(len(m.block)) / math.Sqrt(e)
			}
		}
	}
	m.collect()
	m.first += int64(m.step)
}

// silence is the mean square of a sound in which nothing is: a tenth of the last bit of 24.
const silence = 1e-16

// bandEnergy sums what is in the sweeps' band, over their length from each place on.
func (m *matcher) bandEnergy() {
	for i := range m.product {
		m.product[i] = 0
		if m.band[i] {
			m.product[i] = m.spectrum[i]
		}
	}
	m.fft.Sequence(m.out, m.product)
	size := float64(len(m.block))
	sum := 0.0
	for _, c := range m.out[:m.n] {
		sum += square(c) / (size * size)
	}
	for i := range m.energy {
		m.energy[i] = max(0, sum)
		if i+m.n < len(m.out) {
			sum += (square(m.out[i+m.n]) - square(m.out[i])) / (size * size)
		}
	}
}

// square is the square of the magnitude.
func square(c complex128) float64 {
	a := cmplx.Abs(c)
	return a * a
}

// mostPlaces bounds what one cluster keeps.
const mostPlaces = 10_000

// collect takes the peaks of the shares over the limit into clusters.
func (m *matcher) collect() {
	for i := range m.step {
		for k, share := range m.share {
			v := share[i]
			if v < chirpShare || i > 0 && share[i-1] > v || i+1 < m.step && share[i+1] >= v {
				continue
			}
			p := place{m.first + int64(i), k, v}
			last := len(m.places) - 1
			if last < 0 || float64(p.at-m.places[last][0].at) > chirpEchoS*m.rateHz {
				m.places = append(m.places, []place{p})
			} else if len(m.places[last]) < mostPlaces {
				m.places[last] = append(m.places[last], p)
			}
		}
	}
}

// chosen gives the one chirp there is.
func (m *matcher) chosen() (Chirp, error) {
	var all []Chirp
	for _, cluster := range m.places {
		best := cluster[0]
		for _, p := range cluster {
			if p.share > best.share {
				best = p
			}
		}
		// The sound itself comes before its echoes, which may be louder.
		first := best
		for _, p := range cluster {
			if p.sweep == best.sweep && p.at < first.at && p.share >= chirpFirst*best.share {
				first = p
			}
		}
		all = append(all, Chirp{AtS: float64(first.at) / m.rateHz, AfterS: sweeps[best.sweep].afterS, Share: best.share})
	}
	switch len(all) {
	case 0:
		return Chirp{}, ErrNoChirp
	case 1:
		return all[0], nil
	}
	at := make([]float64, len(all))
	for i, c := range all {
		at[i] = c.AtS
	}
	return Chirp{}, &SeveralChirpsError{at}
}
