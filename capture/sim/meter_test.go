package sim_test

import (
	"encoding/json"
	"math"
	"reflect"
	"strings"
	"testing"

	"letthrough/capture/sim"
	"letthrough/capture/trace"
	"pgregory.net/rapid"
)

func TestTheSameSeedGivesTheSameRecordingBitForBit(t *testing.T) {
	m := sim.Meter{RateHz: 997, NoiseA: 0.01, ResolutionA: 0.001, JitterS: 1e-4, PhaseS: -1, Voltage: true, VoltageNoiseV: 0.1}
	for _, u := range sim.Shelf() {
		a := mustRecord(t, u, sim.ShortTest(0.2, 3, 1), m, 42)
		b := mustRecord(t, u, sim.ShortTest(0.2, 3, 1), m, 42)
		if !reflect.DeepEqual(a, b) {
			t.Errorf("%s: two recordings of one seed differ", u.Plate.Name)
		}
		c := mustRecord(t, u, sim.ShortTest(0.2, 3, 1), m, 43)
		if reflect.DeepEqual(a.Current, c.Current) {
			t.Errorf("%s: another seed gives the same recording", u.Plate.Name)
		}
	}
}

func TestTheTruthDoesNotDependOnTheMeter(t *testing.T) {
	u := mustFind(t, "Tin")
	a := mustRecord(t, u, sim.ShortTest(0.2, 3, 1), sim.Meter{RateHz: 7, NoiseA: 1, AveragingS: 0.1}, 9)
	b := mustRecord(t, u, sim.ShortTest(0.2, 3, 1), sim.Meter{RateHz: 5000}, 9)
	if !reflect.DeepEqual(a.Truth, b.Truth) {
		t.Errorf("truth = %+v, with another meter %+v", a.Truth, b.Truth)
	}
}

// An integrating meter that never pauses loses no charge: its readings times their interval add up
// to the charge that flowed, wherever its windows lie.
func TestAveragedReadingsKeepTheCharge(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		units := sim.Shelf()
		u := units[rapid.IntRange(0, len(units)-1).Draw(t, "unit")]
		rate := rapid.Float64Range(2.5, 400).Draw(t, "rate")
		m := sim.Meter{RateHz: rate, AveragingS: 1 / rate, PhaseS: -1}
		rec, err := sim.Record(u, sim.ShortTest(1, 0.7, 0.6), m, rapid.Uint64().Draw(t, "seed"))
		if err != nil {
			t.Fatal(err)
		}
		sum := 0.0
		for _, s := range rec.Current {
			sum += s.Value / rate
		}
		// The truth's charge begins at the onset: half a transition, or on a rippled output up to a
		// third of a half-wave, after the contact made.
		if want := rec.Truth.Figures["charge_c"]; math.Abs(sum-want) > 2e-3*want+0.012 {
			t.Fatalf("%s at %.4g/s: readings add up to %.6g C, charge is %.6g C", u.Plate.Name, rate, sum, want)
		}
	})
}

func TestReadingsAreSpoiledAsAsked(t *testing.T) {
	u := mustFind(t, "Fern")
	flat := sim.Scenario{Procedure: trace.Short, Contact: []sim.Span{{FromS: 0, ToS: 100}}, EndS: 20, Bounce: -1}
	stats := func(m sim.Meter) (mean, sigma float64, rec sim.Recording) {
		rec = mustRecord(t, u, flat, m, 4)
		n := 0.0
		for _, s := range rec.Current[len(rec.Current)/10:] {
			n++
			d := s.Value - mean
			mean += d / n
			sigma += d * (s.Value - mean)
		}
		return mean, math.Sqrt(sigma / n), rec
	}
	if mean, sigma, _ := stats(sim.Meter{RateHz: 1000, NoiseA: 0.02, OffsetA: 0.1, GainError: 0.5}); math.Abs(mean-0.97) > 1e-3 || math.Abs(sigma-0.02) > 1e-3 {
		t.Errorf("mean %.5g, sigma %.5g A, want 0.97 and 0.02", mean, sigma)
	}
	if mean, _, _ := stats(sim.Meter{RateHz: 100, Reversed: true}); math.Abs(mean+0.58) > 1e-9 {
		t.Errorf("reversed leads read %.5g A, want -0.58", mean)
	}
	_, _, rec := stats(sim.Meter{RateHz: 100, ResolutionA: 0.05})
	if got := rec.Current[500].Value; math.Abs(got-0.6) > 1e-12 {
		t.Errorf("0.58 A in counts of 0.05 A reads %.5g A", got)
	}
	_, _, rec = stats(sim.Meter{RateHz: 100, FullScaleA: 0.5})
	if got := rec.Current[500]; got.Value != 0.5 || got.Flags != trace.Over {
		t.Errorf("beyond the range: %+v, want 0.5 A and over", got)
	}
	_, _, rec = stats(sim.Meter{RateHz: 100, FullScaleA: 0.5, OverWord: true})
	if got := rec.Current[500]; !math.IsInf(got.Value, 1) || got.Flags != trace.Over {
		t.Errorf("beyond the range in words: %+v, want +Inf and over", got)
	}
	_, _, rec = stats(sim.Meter{RateHz: 100, Gaps: []sim.Span{{FromS: 5.005, ToS: 6.005}}})
	gaps := 0
	for n, s := range rec.Current {
		if s.Flags&trace.Gap != 0 {
			gaps++
			if before := rec.Current[n-1]; math.Abs(before.At()-5) > 1e-6 || math.Abs(s.At()-6.01) > 1e-6 {
				t.Errorf("gap from %.4f to %.4f s, want 5 to 6.01", before.At(), s.At())
			}
		}
	}
	if gaps != 1 {
		t.Errorf("%d gaps, want 1", gaps)
	}
}

func TestSampleTimesGrowAndKeepTheirRate(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := sim.Meter{
			RateHz:     rapid.Float64Range(2, 3000).Draw(t, "rate"),
			JitterS:    rapid.SampledFrom([]float64{0, 1e-4, 1}).Draw(t, "jitter"),
			AveragingS: rapid.SampledFrom([]float64{0, 1e-3, 0.3}).Draw(t, "averaging"),
			PhaseS:     rapid.SampledFrom([]float64{-1, 0, 0.01}).Draw(t, "phase"),
		}
		rec, err := sim.Record(mustFindRapid(t, "Moss"), sim.ShortTest(0.5, 0.5, 0.5), m, 1)
		if err != nil {
			t.Fatal(err)
		}
		for n := 1; n < len(rec.Current); n++ {
			if rec.Current[n].AtNS <= rec.Current[n-1].AtNS {
				t.Fatalf("sample %d at %d ns is not after %d ns", n, rec.Current[n].AtNS, rec.Current[n-1].AtNS)
			}
		}
		if got, want := float64(len(rec.Current)), (1.5-m.AveragingS)*m.RateHz; math.Abs(got-want) > 2+0.02*m.RateHz {
			t.Fatalf("%g samples, want about %g", got, want)
		}
	})
}

func mustFindRapid(t *rapid.T, name string) sim.Unit {
	u, err := sim.Find(name)
	if err != nil {
		t.Fatal(err)
	}
	return u
}

func TestSettingsSayWhatIsKnown(t *testing.T) {
	rec := mustRecord(t, mustFind(t, "Amber"), sim.ShortTest(1, 3, 2),
		sim.Meter{RateHz: 10, AveragingS: 0.1, ResolutionA: 0.001, FullScaleA: 10}, 1)
	s := rec.Settings
	if err := s.Validate(); err != nil {
		t.Fatal(err)
	}
	if s.RatedCurrentA != 0.8 || s.Waveform != trace.FullWave || s.HoldS != 3 || *s.RemovedAtS != 4 || *s.AveragingS != 0.1 {
		t.Errorf("settings = %+v", s)
	}
}

func TestTruthIsOneFlatObject(t *testing.T) {
	b, err := json.Marshal(mustRecord(t, mustFind(t, "Slate"), sim.ShortTest(1, 3, 2), sim.Meter{RateHz: 10}, 1).Truth)
	if err != nil {
		t.Fatal(err)
	}
	var flat struct {
		Unit      string          `json:"unit"`
		Behaviour trace.Behaviour `json:"behaviour"`
		Cutoff    float64         `json:"time_to_cutoff_s"`
		Marks     []trace.Mark    `json:"marks"`
	}
	if err := json.Unmarshal(b, &flat); err != nil {
		t.Fatal(err)
	}
	if flat.Unit != "Slate" || flat.Behaviour != trace.Latching || flat.Cutoff < 0.03 || len(flat.Marks) != 4 {
		t.Errorf("truth in JSON = %s", b)
	}
}

func TestBadInputIsRefusedWithTheRange(t *testing.T) {
	u := mustFind(t, "Tin")
	good, meter := sim.ShortTest(1, 1, 1), sim.Meter{RateHz: 10}
	for name, c := range map[string]struct {
		spoil func(u *sim.Unit, sc *sim.Scenario, m *sim.Meter)
		want  string
	}{
		"NoRate":         {func(_ *sim.Unit, _ *sim.Scenario, m *sim.Meter) { m.RateHz = 0 }, "allowed is 0.01 to 1e+06"},
		"NoiseNaN":       {func(_ *sim.Unit, _ *sim.Scenario, m *sim.Meter) { m.NoiseA = math.NaN() }, "noise"},
		"NoLength":       {func(_ *sim.Unit, sc *sim.Scenario, _ *sim.Meter) { sc.EndS = 0 }, "length"},
		"ContactInverse": {func(_ *sim.Unit, sc *sim.Scenario, _ *sim.Meter) { sc.Contact[0].ToS = 0.5 }, "contact 1"},
		"LoadDisorder": {func(_ *sim.Unit, sc *sim.Scenario, _ *sim.Meter) {
			sc.Load = []sim.LoadPoint{{AtS: 1, CurrentA: 1}, {AtS: 0, CurrentA: 2}}
		}, "load point 2"},
		"NoSource":     {func(u *sim.Unit, _ *sim.Scenario, _ *sim.Meter) { u.SourceOhm = 0 }, "source ohms"},
		"HalfABreaker": {func(u *sim.Unit, _ *sim.Scenario, _ *sim.Meter) { u.Protection.TauS = 0 }, "lacks a number"},
		"Unprotected":  {func(u *sim.Unit, _ *sim.Scenario, _ *sim.Meter) { u.Protection.Kind = "wizard" }, "is none of"},
	} {
		t.Run(name, func(t *testing.T) {
			u, sc, m := u, good, meter
			sc.Contact = append([]sim.Span(nil), good.Contact...)
			c.spoil(&u, &sc, &m)
			if _, err := sim.Record(u, sc, m, 1); err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("error = %v, want one with %q", err, c.want)
			}
		})
	}
}

func BenchmarkRecordAThousandReadingsASecond(b *testing.B) {
	for _, name := range []string{"Tin", "Moss"} {
		u := mustFind(b, name)
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				mustRecord(b, u, sim.ShortTest(1, 3, 1), sim.Meter{RateHz: 1000, NoiseA: 0.002, ResolutionA: 0.0005}, 1)
			}
			b.ReportMetric(5*float64(b.N)/b.Elapsed().Seconds(), "times-real-time")
		})
	}
}
