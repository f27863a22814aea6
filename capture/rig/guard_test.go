package rig_test

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"letthrough/capture/rig"
	"letthrough/capture/trace"
)

func steady(fromS, toS, stepS, a float64) []trace.Sample {
	var out []trace.Sample
	for i := 0; fromS+float64(i)*stepS <= toS+1e-9; i++ {
		out = append(out, trace.Sample{AtNS: trace.NS(fromS + float64(i)*stepS), Value: a})
	}
	return out
}

// shunt1 is made for 1 W at 0.1 Ω, so for 3.162 A, and stands five times that for 5 s.
var shunt1 = trace.RigPart{Kind: "shunt", Name: "shunt", Ohm: 0.1, RatedW: 1, OverloadFactor: 5, OverloadS: 5}

func TestShuntIsUsedUpAfterItsOverloadTime(t *testing.T) {
	g := rig.NewGuard([]trace.RigPart{shunt1}, rig.GuardSettings{})
	a := math.Sqrt(5 * 1 / 0.1)
	g.Feed(steady(0, 2.5, 0.01, a))
	s := g.State()
	if s.Part != "shunt" || s.Level != rig.Half || math.Abs(s.SecondsLeft-2.5) > 0.02 {
		t.Errorf("halfway: %+v", s)
	}
	g.Feed(steady(2.51, 4.99, 0.01, a))
	if s := g.State(); s.Level != rig.Near || s.SecondsLeft > 0.02 || !strings.HasPrefix(s.Text, "Open the contact soon: the shunt has used 99 % of its watts") {
		t.Errorf("just before: %+v", s)
	}
	g.Feed(steady(5, 5.02, 0.01, a))
	if s := g.State(); s.Level != rig.AtLimit || s.SecondsLeft != 0 || s.Text != "Open the contact: the shunt has used up its watts." {
		t.Errorf("after: %+v", s)
	}
	rest, part := g.Recovery()
	tau := -5 / math.Log(1-1.0/5)
	if part != "shunt" || math.Abs(rest-tau*math.Log(1/0.05)) > 0.1 {
		t.Errorf("rests %v s for %s", rest, part)
	}
	g.Rest(trace.NS(5.02 + rest))
	if rest, part := g.Recovery(); rest > 1e-6 || (part != "" && rest == 0) {
		t.Errorf("still rests %v s for %s", rest, part)
	}
}

func TestWhatIsCarriedForEverHasNoLimit(t *testing.T) {
	g := rig.NewGuard([]trace.RigPart{shunt1}, rig.GuardSettings{})
	g.Feed(steady(0, 1000, 0.05, 3))
	if s := g.State(); !math.IsInf(s.SecondsLeft, 1) || s.Used > 0.91 || s.Used < 0.89 || s.Level != rig.Near {
		t.Errorf("%+v", s)
	}
}

func TestReadingBeyondTheRangeCountsAsFullScale(t *testing.T) {
	for name, value := range map[string]float64{"with no number": math.Inf(1), "negative": math.Inf(-1), "clipped": 2} {
		g := rig.NewGuard([]trace.RigPart{shunt1}, rig.GuardSettings{FullScaleA: 8})
		same := rig.NewGuard([]trace.RigPart{shunt1}, rig.GuardSettings{})
		over := steady(0, 1, 0.01, value)
		for i := range over {
			over[i].Flags = trace.Over
		}
		g.Feed(over)
		same.Feed(steady(0, 1, 0.01, 8))
		if got, want := g.State(), same.State(); got.Used != want.Used || !strings.Contains(got.Text, "beyond the range") {
			t.Errorf("%s: %+v, want %v", name, got, want.Used)
		}
	}
	// Without a full scale the most there is to go by.
	g := rig.NewGuard([]trace.RigPart{shunt1}, rig.GuardSettings{ProspectiveA: 6})
	g.Feed([]trace.Sample{{AtNS: 0, Value: math.Inf(1), Flags: trace.Over}, {AtNS: 1e9, Value: math.Inf(1), Flags: trace.Over}})
	if s := g.State(); s.Used < 0.1 {
		t.Errorf("%+v", s)
	}
}

func TestGapCountsAtTheLargerReading(t *testing.T) {
	with := func(flags trace.Flags, atNS int64) float64 {
		g := rig.NewGuard([]trace.RigPart{shunt1}, rig.GuardSettings{})
		g.Feed([]trace.Sample{{AtNS: 0, Value: 0}, {AtNS: 40e6, Value: 6, Flags: flags}})
		g.Feed([]trace.Sample{{AtNS: atNS, Value: 0}})
		return g.State().Used
	}
	if plain, gap := with(0, 41e6), with(trace.Gap, 41e6); gap < 2.9*plain {
		t.Errorf("a gap counts %v, a chord %v", gap, plain)
	}
	if slow, quick := with(0, 540e6), with(0, 41e6); slow < 10*quick {
		t.Errorf("half a second after 6 A counts %v", slow)
	}
	g := rig.NewGuard([]trace.RigPart{shunt1}, rig.GuardSettings{})
	g.Feed([]trace.Sample{{AtNS: 0, Value: 4}, {AtNS: 10e6, Value: math.NaN()}, {AtNS: 2e9, Value: 4}, {AtNS: 1e9, Value: 1000}})
	if s := g.State(); !strings.Contains(s.Text, "2.0 s without readings") || s.Used > 1 {
		t.Errorf("%+v", s)
	}
}

func TestRetriesAddUpAndCool(t *testing.T) {
	pulses := func(everyS float64) float64 {
		g := rig.NewGuard([]trace.RigPart{shunt1}, rig.GuardSettings{})
		for n := range 10 {
			at := float64(n) * everyS
			g.Feed(steady(at, at+0.5, 0.01, 7))
			g.Feed([]trace.Sample{{AtNS: trace.NS(at + 0.51), Value: 0}, {AtNS: trace.NS(at + everyS - 0.01), Value: 0}})
		}
		return g.State().Used
	}
	if often, seldom := pulses(1), pulses(60); !(often > 2*seldom) || seldom > 0.12 {
		t.Errorf("often %v, seldom %v", often, seldom)
	}
}

func TestGuardNamesThePartWithLeastTimeLeft(t *testing.T) {
	lead := trace.RigPart{Kind: "lead", LengthM: 1, AreaMM2: 0.14}
	g := rig.NewGuard([]trace.RigPart{{Kind: "fuse", RatedA: 10}, shunt1, lead}, rig.GuardSettings{})
	if s := g.State(); s.Level != rig.Well || !strings.HasPrefix(s.Text, "Ready: watches") {
		t.Errorf("before anything flows: %+v", s)
	}
	g.Feed(steady(0, 0.1, 0.001, 12))
	if s := g.State(); s.Part != "lead" || s.Place != 2 {
		t.Errorf("%+v", s)
	}
}

func TestGuardWithoutRatingsSaysSo(t *testing.T) {
	for name, parts := range map[string][]trace.RigPart{"no rig": nil, "no ratings": {{Kind: "other", Name: "box"}}} {
		g := rig.NewGuard(parts, rig.GuardSettings{})
		g.Feed(steady(0, 10, 0.1, 100))
		s := g.State()
		if s.Level != rig.Quiet || s.Place != -1 || !strings.Contains(s.Text, "nothing watches") || !math.IsInf(s.SecondsLeft, 1) || g.Watches() {
			t.Errorf("%s: %+v", name, s)
		}
		if rest, part := g.Recovery(); rest != 0 || part != "" {
			t.Errorf("%s: rests %v s", name, rest)
		}
	}
}

var kinds = []trace.RigPart{
	shunt1, {Kind: "lead", LengthM: 1, AreaMM2: 0.75}, {Kind: "lead", LengthM: 1, AreaMM2: 0.5, RatedA: 3, Insulation: "silicone"},
	{Kind: "fuse", RatedA: 2, MeltingA2s: 3}, {Kind: "fuse", RatedA: 6.3, MeltingA2s: 200}, {Kind: "contact", RatedA: 5},
	{Kind: "instrument", RatedA: 10, MaxOnS: 30, RestS: 900}, {Kind: "instrument", FullScaleA: 5, MaxOnS: 10}, {Kind: "resistor", Ohm: 10, RatedW: 5}, {Kind: "lamp", RatedV: 12, RatedW: 21},
}

func TestAnyCuttingIntoBatchesGivesTheSameGuard(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var samples []trace.Sample
		at := int64(0)
		for range rapid.IntRange(1, 60).Draw(t, "n") {
			at += rapid.Int64Range(-1e6, 2e8).Draw(t, "dt")
			samples = append(samples, trace.Sample{AtNS: at, Value: rapid.SampledFrom([]float64{0, 0.01, 3, -8, 20, math.NaN(), math.Inf(1)}).Draw(t, "i"),
				Flags: trace.Flags(rapid.SampledFrom([]int{0, 0, 0, int(trace.Over), int(trace.Gap), int(trace.Gap | trace.Over)}).Draw(t, "flags"))})
		}
		set := rig.GuardSettings{FullScaleA: rapid.SampledFrom([]float64{0, 10}).Draw(t, "full scale"), ProspectiveA: 9}
		whole, cut := rig.NewGuard(kinds, set), rig.NewGuard(kinds, set)
		whole.Feed(samples)
		for rest := samples; len(rest) > 0; {
			n := rapid.IntRange(1, len(rest)).Draw(t, "cut")
			cut.Feed(rest[:n])
			cut.State()
			rest = rest[n:]
		}
		a, b := whole.State(), cut.State()
		if a != b {
			t.Errorf("whole %+v, cut %+v", a, b)
		}
		if math.IsNaN(a.Used) || math.IsInf(a.Used, 0) || a.Used < 0 || math.IsNaN(a.SecondsLeft) || a.SecondsLeft < 0 {
			t.Errorf("no state: %+v", a)
		}
		ra, pa := whole.Recovery()
		rb, pb := cut.Recovery()
		if ra != rb || pa != pb || math.IsNaN(ra) || math.IsInf(ra, 0) {
			t.Errorf("rests %v %s and %v %s", ra, pa, rb, pb)
		}
	})
}

func TestMoreCurrentNeverUsesLess(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		parts := []trace.RigPart{rapid.SampledFrom(kinds).Draw(t, "part")}
		a := rapid.Float64Range(0.1, 30).Draw(t, "a")
		more := a * rapid.Float64Range(1, 4).Draw(t, "times")
		less, most := rig.NewGuard(parts, rig.GuardSettings{}), rig.NewGuard(parts, rig.GuardSettings{})
		less.Feed(steady(0, 3, 0.02, a))
		most.Feed(steady(0, 3, 0.02, more))
		if less.State().Used > most.State().Used*(1+1e-9) || less.State().SecondsLeft < most.State().SecondsLeft {
			t.Errorf("%+v at %g A, %+v at %g A", less.State(), a, most.State(), more)
		}
	})
}

func TestGuardAllocatesNothingPerSample(t *testing.T) {
	g := rig.NewGuard(kinds, rig.GuardSettings{FullScaleA: 20})
	samples := steady(0, 1, 0.001, 7)
	if n := testing.AllocsPerRun(20, func() {
		for i := range samples {
			samples[i].AtNS += 2e9
		}
		g.Feed(samples)
		g.Level()
	}); n > 0 {
		t.Errorf("%v allocations for %d samples", n, len(samples))
	}
}

func BenchmarkGuardFeed(b *testing.B) {
	g := rig.NewGuard(kinds, rig.GuardSettings{FullScaleA: 20})
	samples := steady(0, 0.1, 0.0001, 7)
	b.ReportAllocs()
	for b.Loop() {
		for i := range samples {
			samples[i].AtNS += 2e8
		}
		g.Feed(samples)
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N*len(samples)), "ns/sample")
}
