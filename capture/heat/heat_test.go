package heat_test

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"letthrough/capture/heat"
	"letthrough/capture/trace"
)

func near(t *testing.T, what string, got, want, rel float64) {
	t.Helper()
	if !(math.Abs(got-want) <= rel*math.Abs(want)) {
		t.Errorf("%s: got %v, want %v to %g", what, got, want, rel)
	}
}

// IEC 60364-5-54 Annex A: k from the constants of the material, against the tables of the standard as NEN 1010
// chapter 54 prints them (to one unit: the tables do not round one way), and to 1e-9 against a recomputation
// by an independent script.
func TestKIsComputedAsIEC60364_5_54Says(t *testing.T) {
	for _, c := range []struct {
		m          heat.Material
		start, end float64
		table, k   float64
	}{
		{heat.Copper, 70, 160, 115, 114.8361}, {heat.Copper, 70, 140, 103, 102.6536}, {heat.Copper, 90, 250, 143, 142.8740},
		{heat.Copper, 85, 220, 134, 133.9724}, {heat.Copper, 60, 200, 141, 140.7345}, {heat.Copper, 90, 160, 100, 99.7380},
		{heat.Copper, 30, 160, 143, 142.6861}, {heat.Copper, 30, 220, 166, 166.0405}, {heat.Copper, 30, 250, 176, 175.5695},
		{heat.Copper, 30, 150, 138, 138.0281}, {heat.Copper, 30, 200, 159, 158.9894}, {heat.Copper, 30, 500, 228, 228.0653},
		{heat.Aluminium, 70, 160, 76, 76.0867}, {heat.Aluminium, 90, 250, 94, 94.5528}, {heat.Aluminium, 85, 220, 89, 88.6907},
		{heat.Aluminium, 60, 200, 93, 93.2214}, {heat.Aluminium, 70, 140, 68, 68.0314}, {heat.Aluminium, 30, 160, 95, 94.6092},
		{heat.Aluminium, 30, 220, 110, 110.0229}, {heat.Aluminium, 30, 250, 116, 116.3051}, {heat.Aluminium, 30, 300, 125, 125.3363},
		{heat.Steel, 30, 160, 52, 52.1511}, {heat.Steel, 30, 220, 60, 60.4751}, {heat.Steel, 30, 250, 64, 63.8519},
		{heat.Steel, 30, 500, 82, 82.2699}, {heat.Steel, 30, 200, 58, 57.9692}, {heat.Steel, 30, 150, 50, 50.4826},
	} {
		k := c.m.KFactor(c.start, c.end)
		if math.Abs(k-c.table) > 1 {
			t.Errorf("%s %g to %g °C: k is %v, the table says %g", c.m.Name, c.start, c.end, k, c.table)
		}
		near(t, c.m.Name, k, c.k, 1e-6)
	}
	near(t, "K of copper", heat.Copper.ConstantK(), 225.6691613503016, 1e-9)
	near(t, "K of aluminium", heat.Aluminium.ConstantK(), 148.10817567272875, 1e-9)
	near(t, "K of steel", heat.Steel.ConstantK(), 78.18595448199676, 1e-9)
	near(t, "K of lead", heat.Lead.ConstantK(), 41.157, 1e-4)
	if k := heat.Copper.KFactor(160, 70); !math.IsNaN(k) {
		t.Errorf("a conductor that gets colder has k %v", k)
	}
}

// The end temperatures and hold times were recomputed by an independent script.
func TestAdiabaticSumsAndTheirInverse(t *testing.T) {
	for _, c := range []struct{ a, s, area, end float64 }{
		{20, 1, 0.5, 38.44192279266116}, {30, 2, 0.5, 70.1675799230544}, {20, 5, 0.75, 49.12659014544414},
	} {
		near(t, "end temperature", heat.Copper.EndC(c.a*c.a*c.s, c.area, 30), c.end, 1e-9)
	}
	k := heat.Copper.KFactor(70, 160)
	near(t, "k²S² at 1.5 mm²", heat.Copper.WithstandA2s(1.5, 70, 160), 29756.25, 0.005)
	near(t, "k²S² at 1.5 mm²", heat.Copper.WithstandA2s(1.5, 70, 160), k*k*2.25, 1e-12)
	near(t, "hold at 10 A, 0.5 mm²", heat.Copper.LongestS(10, 0.5, 70, 160), 33.0625, 0.005)
	for _, bad := range []float64{heat.Copper.WithstandA2s(0, 30, 160), heat.Copper.WithstandA2s(-1, 30, 160), heat.Copper.EndC(1, 0, 30), heat.Copper.EndC(-1, 1, 30), heat.Copper.EndC(math.NaN(), 1, 30)} {
		if !math.IsNaN(bad) {
			t.Errorf("a sum that cannot be made gives %v", bad)
		}
	}
}

func TestEndTemperatureUndoesTheWithstand(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := rapid.SampledFrom(heat.Materials).Draw(t, "material")
		area := rapid.Float64Range(0.01, 100).Draw(t, "area")
		start := rapid.Float64Range(-40, 100).Draw(t, "start")
		end := start + rapid.Float64Range(0.1, 500).Draw(t, "rise")
		if got := m.EndC(m.WithstandA2s(area, start, end), area, start); math.Abs(got-end) > 1e-6 {
			t.Errorf("%s: back at %v °C, not %v", m.Name, got, end)
		}
	})
}

// NESS Engineering's table of Preece's equation, copper and aluminium; its row for 250 A of aluminium is a
// misprint. Wikibooks' AWG table has fusing currents by Preece and by Onderdonk (25 °C).
func TestFusingCurrentsArePublishedOnes(t *testing.T) {
	for _, c := range []struct {
		metal string
		a, in float64
	}{
		{"copper", 1, 0.0021}, {"copper", 5, 0.0062}, {"copper", 10, 0.0098}, {"copper", 20, 0.0156}, {"copper", 50, 0.0288}, {"copper", 100, 0.0457}, {"copper", 250, 0.0841}, {"copper", 300, 0.0950},
		{"aluminium", 1, 0.0026}, {"aluminium", 5, 0.0076}, {"aluminium", 10, 0.0120}, {"aluminium", 20, 0.0191}, {"aluminium", 50, 0.0352}, {"aluminium", 100, 0.0558}, {"aluminium", 300, 0.1161},
	} {
		if got := heat.PreeceDiameterMM(c.metal, c.a) / 25.4; math.Abs(got-c.in) > 0.00005 {
			t.Errorf("%s, %g A: %.5f in, the table says %g", c.metal, c.a, got, c.in)
		}
		near(t, "and back", heat.PreeceA(c.metal, heat.PreeceDiameterMM(c.metal, c.a)), c.a, 1e-12)
	}
	if got := heat.PreeceDiameterMM("aluminium", 250) / 25.4; math.Abs(got-0.1208) < 0.001 || math.Abs(got-0.1028) > 0.0001 {
		t.Errorf("250 A of aluminium: %.4f in; 0.1208 is the misprint, 0.1028 is right", got)
	}
	near(t, "Preece, AWG 4", heat.PreeceA("copper", heat.AWG(4).DiameterMM()), 946, 1e-3)
	near(t, "Preece, AWG 8", heat.PreeceA("copper", heat.AWG(8).DiameterMM()), 472, 1e-3)
	for awg, want := range map[heat.AWG][2]float64{4: {6106.60, 34136.9}, 8: {2415.30, 13501.9}, 18: {237.63, 1328.4}, 24: {59.11, 330.4}, 30: {14.70, 82.2}} {
		near(t, "Onderdonk 1 s", heat.OnderdonkA(awg.AreaMM2(), 1, 25), want[0], 5e-4)
		near(t, "Onderdonk 32 ms", heat.OnderdonkA(awg.AreaMM2(), 0.032, 25), want[1], 1e-3)
	}
	// A forum's worked example has 234 − Ta and so gets 178 A; with the plus it is 168.9 A (16 AWG, 5 s, 25 °C).
	got := heat.OnderdonkA(heat.AWG(16).AreaMM2(), 5, 25)
	near(t, "Onderdonk, AWG 16, 5 s", got, 168.86, 1e-3)
	if math.Abs(got-178) < 5 {
		t.Errorf("%v A is what the wrong sign gives", got)
	}
	// Onderdonk from 25 °C to melting is k = 288.7194 A s^½/mm², 0.2 % from the adiabatic equation.
	near(t, "k of Onderdonk", heat.OnderdonkA(1, 1, 25), 288.7194, 1e-5)
	near(t, "beside the adiabatic equation", heat.Copper.KFactor(25, 1083)*226/heat.Copper.ConstantK(), 288.0711, 1e-5)
	if !math.IsNaN(heat.PreeceA("cheese", 1)) || !math.IsNaN(heat.OnderdonkA(1, 0, 25)) {
		t.Error("a sum that cannot be made gives a number")
	}
}

// The American wire gauge as ASTM B258 defines it; resistances of IEC 60028 copper beside the HyperPhysics wire
// table, which rounds from ohms per 1000 ft.
func TestWireGaugeIsTheTable(t *testing.T) {
	for awg, w := range map[heat.AWG]struct{ mm, mm2, cmil, ohmPerKM, table float64 }{
		10: {2.58819, 5.26115, 10383.02, 3.2770, 3.277}, 12: {2.05253, 3.30877, 6529.95, 5.2107, 5.210}, 14: {1.62773, 2.08091, 4106.72, 8.2853, 8.284},
		16: {1.29085, 1.30870, 2582.74, 13.1742, 13.18}, 18: {1.02369, 0.82305, 1624.30, 20.9478, 20.95}, 20: {0.81182, 0.51762, 1021.53, 33.3083, 33.30},
		22: {0.64380, 0.32553, 642.45, 52.9622, 52.95}, 24: {0.51056, 0.20473, 404.04, 84.2132, 84.22}, 26: {0.40489, 0.12876, 254.10, 133.9043, 133.9},
		28: {0.32109, 0.08098, 159.81, 212.9161, 212.9}, 30: {0.25464, 0.05093, 100.50, 338.5499, 338.6},
	} {
		near(t, "diameter", awg.DiameterMM(), w.mm, 2e-5)
		near(t, "area", awg.AreaMM2(), w.mm2, 1e-4)
		near(t, "circular mils", awg.CircularMils(), w.cmil, 1e-4)
		near(t, "resistance", heat.CopperOhm(1000, awg.AreaMM2(), 20), w.ohmPerKM, 5e-5) // printed with 0.017241 for 1/58
		near(t, "resistance by the table", heat.CopperOhm(1000, awg.AreaMM2(), 20), w.table, 1e-3)
	}
	near(t, "0000", heat.AWG(-3).DiameterMM(), 11.684, 1e-12)
	near(t, "36", heat.AWG(36).DiameterMM(), 0.127, 1e-12)
	if !math.IsNaN(heat.AWG(51).DiameterMM()) || !math.IsNaN(heat.AWG(-4).AreaMM2()) {
		t.Error("a size outside the series has a diameter")
	}
}

// IEC 60228, largest resistance at 20 °C, as three makers' pages print it; factors of temperature.
func TestCablesAreIEC60228(t *testing.T) {
	for area, w := range map[float64][4]float64{
		0.5: {36.0, 36.7, 39.0, 40.1}, 0.75: {24.5, 24.8, 26.0, 26.7}, 1: {18.1, 18.2, 19.5, 20.0}, 1.5: {12.1, 12.2, 13.3, 13.7}, 2.5: {7.41, 7.56, 7.98, 8.21},
	} {
		for i, s := range []heat.Stranding{{Class: 2}, {Class: 2, Tinned: true}, {Class: 5}, {Class: 5, Tinned: true}} {
			ohm, ok := heat.CableOhmPerM(area, s)
			if !ok || math.Abs(ohm*1000-w[i]) > 1e-9 {
				t.Errorf("%g mm² %+v: %v Ω/m, %v", area, s, ohm, ok)
			}
		}
		if ohm, _ := heat.CableOhmPerM(area, heat.Stranding{Class: 1}); ohm*1000 != w[0] {
			t.Errorf("class 1: %v", ohm)
		}
	}
	if _, ok := heat.CableOhmPerM(0.6, heat.Stranding{Class: 5}); ok {
		t.Error("0.6 mm² is in no table")
	}
	if _, ok := heat.CableOhmPerM(0.5, heat.Stranding{Class: 1, Tinned: true}); ok {
		t.Error("class 1 tinned is not in the table")
	}
	near(t, "loop of 2 × 2 m, 0.75 mm²", heat.LeadOhm(heat.Copper, 4, 0.75, 20), 0.104, 1e-12)
	for c, f := range map[float64]float64{25: 1.0196463654, 70: 1.1964636542, 90: 1.2750491159, 0: 0.9214145383} {
		near(t, "factor", heat.Copper.ResistanceFactor(c), f, 1e-9)
		near(t, "factor, linear", heat.CopperOhm(1, 1, c)*58, 1+0.00393*(c-20), 1e-12)
	}
	// A maker's correction table, 1/(1+0.004(T−20)), is within half a per cent.
	for c, f := range map[float64]float64{25: 0.980, 70: 0.833, 90: 0.781} {
		near(t, "a maker's correction", 1/heat.Copper.ResistanceFactor(c), f, 0.005)
	}
}

func TestGaugesAreReadAsPeopleWriteThem(t *testing.T) {
	for s, want := range map[string]heat.AWG{"18": 18, "AWG 18": 18, "awg18": 18, " 24 ": 24, "0": 0, "00": -1, "0000": -3, "4/0": -3, "1/0": 0} {
		if got, err := heat.ParseAWG(s); err != nil || got != want {
			t.Errorf("%q: %v, %v, want %v", s, got, err, want)
		}
	}
	for _, s := range []string{"", "AWG", "018", "00000", "5/0", "0/0", "-1", "51", "18.5", "18 mm", "1e1", "4/00"} {
		if got, err := heat.ParseAWG(s); err == nil {
			t.Errorf("%q is read as %d", s, got)
		}
	}
}

func FuzzGaugeIsASizeOrRefused(f *testing.F) {
	for _, s := range []string{"18", "AWG 24", "4/0", "0000", "", "-3", "awg", "0x10", "½"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		n, err := heat.ParseAWG(s)
		if err == nil && !(n.DiameterMM() > 0) {
			t.Errorf("%q is size %d without a diameter", s, n)
		}
	})
}

// IEC 60127-2 as makers print the gates: sheet, edition and band of ratings decide.
func TestGatesDependOnSheetEditionAndBand(t *testing.T) {
	type want struct{ early, late float64 }
	for _, c := range []struct {
		id    string
		rated float64
		x     float64
		want  want
	}{
		{"60127-2/2", 1, 2.75, want{0.05, 2}}, {"60127-2/2", 6.3, 4, want{0.01, 0.3}}, {"60127-2/2", 10, 4, want{0.01, 0.4}},
		{"60127-2/3", 1, 2.75, want{0.6, 10}}, {"60127-2/3", 1, 4, want{0.15, 3}}, {"60127-2/3", 1, 10, want{0.02, 0.3}},
		{"60127-2/5", 2, 4, want{0.095, 5}}, {"60127-2/5", 5, 4, want{0.15, 5}}, {"60127-2/5", 2, 2.75, want{0.75, 80}}, {"60127-2/5 older", 2, 2.75, want{1, 80}},
		{"60127-2/5", 2, 10, want{0.01, 0.15}}, {"60127-2/5 older", 5, 10, want{0.02, 0.1}},
	} {
		f, ok := heat.FuseTypeOf(c.id, c.rated)
		if !ok {
			t.Errorf("%s has no %g A", c.id, c.rated)
			continue
		}
		o := f.Opens(c.rated, c.x*c.rated)
		if o.EarliestS != c.want.early || o.LatestS != c.want.late || o.SureEarliestS != c.want.early || o.SureLatestS != c.want.late {
			t.Errorf("%s %g A at %g ×: %+v, want %+v", c.id, c.rated, c.x, o, c.want)
		}
	}
	f, _ := heat.FuseTypeOf("60127-2/2", 1)
	if o := f.Opens(1, 1.4); o.SureEarliestS != 3600 || !math.IsInf(o.SureLatestS, 1) || !math.IsNaN(o.LatestS) {
		t.Errorf("below the first gate: %+v", o)
	}
	if o := f.Opens(1, 20); o.SureLatestS != 0.02 || !math.IsNaN(o.EarliestS) || !math.IsNaN(o.LatestS) {
		t.Errorf("above the last gate: %+v", o)
	}
	// Halfway between 2.75 and 4 on log-log paper is the mean of the logs, and sure is only what the gates say.
	o := f.Opens(1, math.Sqrt(2.75*4))
	near(t, "latest between gates", o.LatestS, math.Sqrt(2*0.3), 1e-12)
	near(t, "earliest between gates", o.EarliestS, math.Sqrt(0.05*0.01), 1e-12)
	if o.SureEarliestS != 0.01 || o.SureLatestS != 2 {
		t.Errorf("sure between gates: %+v", o)
	}
	if _, ok := heat.FuseTypeOf("60127-2/2", 7); ok {
		t.Error("7 A is between two bands of sheet 2")
	}
	ul, _ := heat.FuseTypeOf("248-14", 2)
	if o := ul.Opens(2, 4); o.SureLatestS != 120 {
		t.Errorf("UL 248-14 at twice: %+v", o)
	}
	if o := ul.Opens(2, 2.7); o.SureLatestS != 3600 || o.SureEarliestS != 0 {
		t.Errorf("UL 248-14 at 135 %%: %+v", o)
	}
}

func TestAFuseOpensNoLaterAtMoreCurrent(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := rapid.SampledFrom(heat.FuseTypes).Draw(t, "type")
		rated := rapid.Float64Range(f.FromA, f.ToA).Draw(t, "rated")
		a := rapid.Float64Range(0, 30).Draw(t, "a") * rated
		b := a + rapid.Float64Range(0, 30).Draw(t, "more")*rated
		at, more := f.Opens(rated, a), f.Opens(rated, b)
		if more.SureLatestS > at.SureLatestS || more.SureEarliestS > at.SureEarliestS || at.SureEarliestS > at.SureLatestS {
			t.Errorf("%s %g A: %+v at %g A, %+v at %g A", f.ID, rated, at, a, more, b)
		}
		if !math.IsNaN(at.LatestS) && (at.LatestS > at.SureLatestS*(1+1e-9) || at.LatestS < at.SureEarliestS*(1-1e-9)) {
			t.Errorf("%s %g A at %g A: likely %v outside the sure %v to %v", f.ID, rated, a, at.LatestS, at.SureEarliestS, at.SureLatestS)
		}
	})
}

// A maker's sheet of a 30 V series: they trip at twice what they hold, within so long at five times.
func TestPolymericProtectorsAreTheSheet(t *testing.T) {
	for _, p := range heat.Polymerics {
		near(t, "trips at", p.TripA, 2*p.HoldA, 1e-12)
		near(t, "tested at", p.TestA, 5*p.HoldA, 1e-12)
		if p.Opens(p.TestA).SureLatestS != p.TripsByS || !math.IsInf(p.Opens(p.HoldA).SureEarliestS, 1) || !math.IsInf(p.Opens(p.TripA).SureLatestS, 1) {
			t.Errorf("%+v: %+v", p, p.Opens(p.TestA))
		}
	}
	p, ok := heat.PolymericHolding(1.1)
	if near(t, "what flows after it tripped at 12 V", p.TrippedA(12), 0.058, 0.01); !ok {
		t.Error("no part holds 1.1 A")
	}
}

// IEC 60255-149, cold: t = tau ln(I²/(I²−It²)); recomputed by an independent script.
func TestWarmingIsTheThermalCurve(t *testing.T) {
	w := heat.ByCurrent(2, 1)
	for x, want := range map[float64]float64{1.05: 2.375472809, 1.1: 1.751268108, 1.2: 1.185623666, 1.5: 0.587786665, 2: 0.287682072, 3: 0.117783036, 5: 0.040821995, 10: 0.010050336} {
		near(t, "time to the limit", w.SecondsTo(2*x, 0, 1), want, 5e-8)
	}
	if !math.IsInf(w.SecondsTo(2, 0, 1), 1) || w.SecondsTo(9, 1, 1) != 0 {
		t.Error("what is carried for ever has an end, or what is over has time left")
	}
	near(t, "hot", w.SecondsTo(4, 0.5, 1), math.Log((16.0-2)/(16-4)), 1e-12)
	o := heat.ByOverload(3, 5, 5)
	near(t, "five times the heat for five seconds", o.SecondsTo(3*math.Sqrt(5), 0, 1), 5, 1e-9)
	near(t, "what it carries", o.CarriedForEver(), 3, 1e-12)
	m := heat.ByOnTime(10, 30, 900)
	near(t, "a meter's 30 s", m.SecondsTo(10, 0, 1), 30, 1e-9)
	near(t, "and its rest", m.RestS(1, math.Exp(-3)), 900, 1e-9)
	if !math.IsNaN(heat.ByOverload(3, 1, 5).BudgetA2s) {
		t.Error("an overload of 1 is none")
	}
}

func TestSecondsToUndoesShare(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w := heat.Warming{BudgetA2s: rapid.Float64Range(0.1, 1e4).Draw(t, "budget"), TauS: rapid.SampledFrom([]float64{1, 30, 300, math.Inf(1)}).Draw(t, "tau")}
		i, from, s := rapid.Float64Range(0.1, 100).Draw(t, "i"), rapid.Float64Range(0, 1).Draw(t, "from"), rapid.Float64Range(0.001, 100).Draw(t, "s")
		to := w.Share(i, s, from)
		if got := w.SecondsTo(i, from, to); to > from*1.001 && to < 0.999*i*i/w.BudgetA2s*w.TauS && math.Abs(got-s) > 1e-3*s {
			t.Errorf("%+v: at %v after %v s, back after %v s", w, to, s, got)
		}
	})
}

// IEC 60085: thermal classes by letter. k²S² of the wire times the square of the parallel paths.
func TestWindingsStandTheirClass(t *testing.T) {
	for letter, c := range map[string]float64{"Y": 90, "A": 105, "E": 120, "B": 130, "F": 155, "H": 180} {
		if got, ok := heat.ClassC(letter); !ok || got != c {
			t.Errorf("class %s is %g °C", letter, got)
		}
	}
	w := heat.Winding{WireDiameterMM: 0.2, Class: "E"}
	near(t, "0.2 mm, class E from 30 °C", w.WithstandA2s(30), heat.Copper.WithstandA2s(math.Pi*0.01, 30, 120), 1e-12)
	two := w
	two.Paths = 2
	near(t, "two paths", two.WithstandA2s(30), 4*w.WithstandA2s(30), 1e-12)
	near(t, "back", two.EndC(two.WithstandA2s(30), 30), 120, 1e-9)
	if !math.IsNaN(heat.Winding{WireDiameterMM: 0.2, Class: "Q"}.WithstandA2s(30)) || !math.IsNaN(w.WithstandA2s(130)) {
		t.Error("an unknown class or a winding that starts too warm gives a number")
	}
}

// What a part may name is what the sums know.
func TestTheListsOfPartsAreTheTables(t *testing.T) {
	for _, name := range trace.RigInsulations {
		if _, ok := heat.InsulationNamed(name); !ok {
			t.Errorf("no insulation %q", name)
		}
	}
	ids := heat.FuseIDs()
	if len(ids) != len(trace.RigFuseSheets) || len(heat.Insulations) != len(trace.RigInsulations) {
		t.Errorf("%v and %v", ids, trace.RigFuseSheets)
	}
	for i, id := range ids {
		if trace.RigFuseSheets[i] != id {
			t.Errorf("sheet %q is %q", id, trace.RigFuseSheets[i])
		}
	}
	for _, letter := range trace.InsulationClasses {
		if _, ok := heat.ClassC(letter); !ok {
			t.Errorf("no class %q", letter)
		}
	}
}

// Littelfuse 213 and others print melting I²t at ten times the rating: the adiabatic time there lies in the gates.
func TestMeltingTimeLiesWithinTheGatesAtTenTimes(t *testing.T) {
	f, _ := heat.FuseTypeOf("60127-2/3", 1)
	s := heat.MeltingS(19.2, 10)
	if o := f.Opens(1, 10); s < o.SureEarliestS || s > o.SureLatestS {
		t.Errorf("melts after %v s, gates %+v", s, o)
	}
}
