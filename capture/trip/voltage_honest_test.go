package trip_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"testing"

	"letthrough/capture/sim"
	"letthrough/capture/trace"
	"letthrough/capture/trip"
)

// pair is a current meter and a voltmeter: one instrument, or two whose time bases differ.
type pair struct {
	name           string
	current, volts float64 // readings a second
	averaging      float64 // of the voltage's reading interval
	skewUS         float64 // expanded uncertainty of one time base against the other
}

var pairs = []pair{
	{"one at 2 kS/s", 2000, 2000, 0, 0},
	{"one at 200/s", 200, 200, 0, 0},
	{"1 kS/s and 200/s", 1000, 200, 0, 0.004},
	{"100/s and 1 kS/s", 100, 1000, 0, 0.004},
	{"1 kS/s and 5/s averaging", 1000, 5, 1, 0.02},
	{"1 kS/s and 8/s sampling", 1000, 8, 0, 0.02},
	{"10/s averaging and 1 kS/s", 10, 1000, 0, 0.02},
}

var voltageFigures = []string{"energy_j", "open_volts", "source_ohm", "prospective_current_a", "restored_after_s", "let_through_a2s"}

// voltageTrial plays one short test of a unit into both meters and derives from the two.
func voltageTrial(t *testing.T, u sim.Unit, p pair, seed uint64) (trace.Derivation, sim.Truth) {
	t.Helper()
	rnd := rand.New(rand.NewPCG(seed, 11))
	// A standing load shows nothing here: the output's return is seen on the voltage alone.
	sc := sim.ShortTest(3+0.1*rnd.Float64(), 10, 6)
	rate := 0.9 + 0.2*rnd.Float64()
	m := sim.Meter{RateHz: p.current * rate, NoiseA: 0.003, ResolutionA: 0.001, PhaseS: -1, Voltage: true, VoltageNoiseV: 0.005, VoltageResolutionV: 0.001}
	if p.current <= 20 {
		m.AveragingS = 1 / m.RateHz
	}
	v := m
	v.RateHz, v.AveragingS = p.volts*(0.9+0.2*rnd.Float64()), 0
	if p.current == p.volts {
		v = m
	}
	if p.averaging > 0 {
		v.AveragingS = p.averaging / v.RateHz
	}
	one, err := sim.Record(u, sc, m, seed)
	if err != nil {
		t.Fatal(err)
	}
	two, err := sim.Record(u, sc, v, seed)
	if err != nil {
		t.Fatal(err)
	}
	set := one.Settings
	set.SkewUS = p.skewUS
	if p.current != p.volts {
		set.VoltageAveragingS = &v.AveragingS
	}
	skew := int64(p.skewUS / 2 * rnd.NormFloat64() * 1e9)
	for i := range two.Voltage {
		two.Voltage[i].AtNS += skew
	}
	d, err := trip.New(set)
	if err != nil {
		t.Fatal(err)
	}
	for b := range trace.Merge(stream(trace.Current, one.Current), stream(trace.Voltage, two.Voltage)) {
		if b.Channel.Quantity == trace.Voltage {
			d.Voltage(b.Samples)
		} else {
			d.Current(b.Samples)
		}
	}
	return d.Finish(), one.Truth
}

func stream(q trace.Quantity, samples []trace.Sample) func(func(trace.Batch, error) bool) {
	return func(yield func(trace.Batch, error) bool) {
		for len(samples) > 0 {
			n := min(len(samples), 64)
			if !yield(trace.Batch{Channel: trace.Channel{Instrument: q.String(), Quantity: q}, Samples: samples[:n]}, nil) {
				return
			}
			samples = samples[n:]
		}
	}
}

// What is told of the voltage holds against what the simulation did, for one instrument that reads both and
// for two on time bases of their own. LETTHROUGH_HONEST=N runs N trials for each unit and pair and prints
// the table.
func TestVoltageIsHonest(t *testing.T) {
	trials, wordy := 3, false
	if n, err := strconv.Atoi(os.Getenv("LETTHROUGH_HONEST")); err == nil && n > 0 {
		trials, wordy = n, true
	}
	for _, p := range pairs {
		t.Run(p.name, func(t *testing.T) {
			t.Parallel()
			total := map[string]*score{}
			for n := range trials {
				for k, u := range sim.Shelf() {
					seed := uint64(1000*n + k)
					got, truth := voltageTrial(t, u, p, seed)
					for _, key := range voltageFigures {
						want, known := truth.Figures[key]
						f, ok := got.Figures.Get(key)
						if !ok || !known || math.IsNaN(want) {
							continue
						}
						s := &score{}
						s.add(f, want)
						if total[key] == nil {
							total[key] = &score{}
						}
						total[key].merge(s)
						if (s.exact > 0 && s.in == 0 || s.bound > s.held) && wordy {
							t.Logf("%s %s seed %d: %s %s %g ± %g, truth %g", p.name, u.Plate.Name, seed, key, f.Bound, f.Value, f.U, want)
						}
					}
				}
			}
			for _, key := range voltageFigures {
				s := total[key]
				if s == nil {
					continue
				}
				if wordy {
					line := fmt.Sprintf("%s: exact %d in %d, bound %d held %d, none %d", key, s.exact, s.in, s.bound, s.held, s.none)
					if s.exact > 0 {
						line += fmt.Sprintf(", width %.2g, median %.2g", s.width(), 1/slices.Sorted(slices.Values(s.ratios))[len(s.ratios)/2])
					}
					t.Log(line)
				}
				if s.exact > 0 && float64(s.in)/float64(s.exact) < floor(honestCover, s.exact) {
					t.Errorf("%s covered in %d of %d trials", key, s.in, s.exact)
				}
				if s.bound > 0 && float64(s.held)/float64(s.bound) < floor(honestBound, s.bound) {
					t.Errorf("%s: the bound held in %d of %d trials", key, s.held, s.bound)
				}
			}
		})
	}
}
