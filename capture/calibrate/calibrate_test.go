package calibrate_test

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"letthrough/capture/calibrate"
	"letthrough/capture/trace"
	"pgregory.net/rapid"
)

func relative(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if math.Abs(got-want) > tol*math.Abs(want) {
		t.Errorf("%s is %.15g, want %.15g to within %g of it", what, got, want, tol)
	}
}

// pairs makes pairs of numbers, the trusted meter's first.
func pairs(v ...float64) (out []calibrate.Pair) {
	for i := 0; i+1 < len(v); i += 2 {
		out = append(out, calibrate.Pair{Trusted: v[i], Shown: v[i+1]})
	}
	return out
}

// norris is the data set Norris of the NIST Statistical Reference Datasets (linear regression, lower level
// of difficulty, certified in 500-digit arithmetic): y, x.
var norris = pairs(
	0.1, 0.2, 338.8, 337.4, 118.1, 118.2, 888.0, 884.6, 9.2, 10.1, 228.1, 226.5, 668.5, 666.3, 998.5, 996.3,
	449.1, 448.6, 778.9, 777.0, 559.2, 558.2, 0.3, 0.4, 0.1, 0.6, 778.1, 775.5, 668.8, 666.9, 339.3, 338.0,
	448.9, 447.5, 10.8, 11.6, 557.7, 556.0, 228.3, 228.1, 998.0, 995.8, 888.8, 887.6, 119.6, 120.2, 0.3, 0.3,
	0.6, 0.3, 557.6, 556.8, 339.3, 339.1, 888.0, 887.2, 998.5, 999.0, 778.9, 779.0, 10.2, 11.1, 117.6, 118.3,
	228.9, 229.2, 668.4, 669.1, 449.2, 448.9, 0.2, 0.5,
)

// NIST StRD Norris, itself the calibration of an ozone monitor. Float64 loses about five of the certified
// digits of the residuals, which are 10^-3 of the values.
func TestFitMeetsNorris(t *testing.T) {
	r, err := calibrate.Fit(norris, calibrate.Options{})
	if err != nil {
		t.Fatal(err)
	}
	relative(t, "B0", r.Offset, -0.262323073774029, 1e-11)
	relative(t, "B1", r.Gain, 1.00211681802045, 1e-13)
	relative(t, "sd of B0", r.SDOffset, 0.232818234301152, 1e-12)
	relative(t, "sd of B1", r.SDGain, 0.429796848199937e-03, 1e-12)
	relative(t, "residual sd", r.ResidualS, 0.884796396144373, 1e-12)
	relative(t, "R²", r.R2, 0.999993745883712, 1e-14)
	// The interval widens them by Student's t for 34 degrees of freedom, 2.032245 (any table).
	relative(t, "U of B0", r.UOffset, 2.032245*r.SDOffset, 1e-6)
	relative(t, "U of B1", r.UGain, 2.032245*r.SDGain, 1e-6)
}

// Student's t for 95 %: JCGM 100:2008 table G.2, to the digits of the NIST e-Handbook.
func TestStudentMeetsTheTable(t *testing.T) {
	for dof, want := range map[float64]float64{1: 12.706, 2: 4.303, 3: 3.182, 4: 2.776, 5: 2.571, 6: 2.447, 7: 2.365, 8: 2.306, 9: 2.262, 10: 2.228, 16: 2.120, 20: 2.086, 30: 2.042, 100: 1.984} {
		if got := calibrate.Student95(dof); math.Abs(got-want) > 0.00051 {
			t.Errorf("t for %g degrees of freedom is %g, want %g", dof, got, want)
		}
	}
}

// However true gain and offset, noise and number of pairs: the intervals hold them in 95 of 100 trials.
func TestIntervalsCoverTheTruth(t *testing.T) {
	const trials = 4000
	for _, n := range []int{3, 4, 6, 12} {
		rnd := rand.New(rand.NewPCG(uint64(n), 7))
		offsets, gains, lines := 0, 0, 0
		for range trials {
			offset, gain := rnd.NormFloat64()*0.05, 1+rnd.NormFloat64()*0.05
			noise := 0.001 + 0.02*rnd.Float64()
			var list []calibrate.Pair
			for i := range n {
				shown := 4 * (float64(i) + 0.5*rnd.Float64()) / float64(n-1)
				list = append(list, calibrate.Pair{Trusted: offset + gain*shown + noise*rnd.NormFloat64(), Shown: shown})
			}
			r, err := calibrate.Fit(list, calibrate.Options{})
			if err != nil {
				t.Fatal(err)
			}
			if math.Abs(r.Offset-offset) <= r.UOffset {
				offsets++
			}
			if math.Abs(r.Gain-gain) <= r.UGain {
				gains++
			}
			at := 4 * rnd.Float64()
			if truth := offset + gain*at; math.Abs(r.Correct(at)-truth) <= 2*r.U(r.Correct(at)) {
				lines++
			}
		}
		for what, k := range map[string]int{"offset": offsets, "gain": gains, "line": lines} {
			if p := float64(k) / trials; math.Abs(p-0.95) > 4*math.Sqrt(0.95*0.05/trials) {
				t.Errorf("%d pairs: the interval of the %s covered it in %.1f %%, want 95 %%", n, what, 100*p)
			}
		}
	}
}

// Without noise the line is found, whatever it is, and what is shown passes through it and back.
func TestExactPairsGiveTheLine(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		offset, gain := rapid.Float64Range(-1, 1).Draw(t, "offset"), rapid.Float64Range(0.5, 2).Draw(t, "gain")
		n := rapid.IntRange(2, 20).Draw(t, "n")
		var list []calibrate.Pair
		for i := range n {
			shown := float64(i) * 0.37
			list = append(list, calibrate.Pair{Trusted: offset + gain*shown, Shown: shown})
		}
		r, err := calibrate.Fit(list, calibrate.Options{})
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(r.Offset-offset) > 1e-9 || math.Abs(r.Gain-gain) > 1e-9 {
			t.Errorf("offset %g gain %g, want %g %g", r.Offset, r.Gain, offset, gain)
		}
		if err := r.Validate(); err != nil {
			t.Error(err)
		}
	})
}

// The trusted meter's own ±(0.5 % + 2 × 1 mA), rectangular: 0.5 %/√3 of the gain, 2 mA/√3 of the offset.
func TestTheTrustedMetersAccuracyIsInTheUncertainty(t *testing.T) {
	acc, err := trace.ParseAccuracy("0.5%+2@0.001")
	if err != nil {
		t.Fatal(err)
	}
	r, err := calibrate.Fit(pairs(0, 0, 4, 4), calibrate.Options{Trusted: acc, ShownResolution: 1e-9})
	if err != nil {
		t.Fatal(err)
	}
	count := 0.001 * 0.001 / 12 // one count of the trusted meter, rectangular
	relative(t, "U of the gain", r.UGain, 2*math.Sqrt(0.005*0.005/3+count*2/16), 1e-9)
	relative(t, "U of the offset", r.UOffset, 2*math.Sqrt(0.002*0.002/3+count), 1e-9)
	if len(r.Notes) == 0 || !strings.Contains(r.Notes[0], "two pairs") {
		t.Errorf("notes %q, want what two pairs leave open first", r.Notes)
	}
}

func TestNonsenseIsRefused(t *testing.T) {
	for name, c := range map[string]struct {
		pairs []calibrate.Pair
		o     calibrate.Options
		want  string
	}{
		"NoPair":       {nil, calibrate.Options{}, "at least two"},
		"OnePair":      {pairs(1, 1), calibrate.Options{}, "at least two"},
		"OneLevel":     {pairs(1, 2, 1.1, 2, 0.9, 2), calibrate.Options{}, "every pair"},
		"NaN":          {pairs(math.NaN(), 1, 2, 2), calibrate.Options{}, "pair 1"},
		"Infinite":     {pairs(1, 1, 2, math.Inf(1)), calibrate.Options{}, "pair 2"},
		"NoGain":       {pairs(1, 1, 1, 5), calibrate.Options{}, "gain of 0"},
		"Falling":      {pairs(0, 0, 4, -4), calibrate.Options{}, "reversed"},
		"NotReversed":  {pairs(0, 0, 4, 4), calibrate.Options{Reversed: true}, "rise together"},
		"AbsurdlyMany": {make([]calibrate.Pair, 1001), calibrate.Options{}, "at most"},
	} {
		t.Run(name, func(t *testing.T) {
			if r, err := calibrate.Fit(c.pairs, c.o); err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("%+v, %v: want an error with %q", r, err, c.want)
			}
		})
	}
	if _, err := calibrate.Fit(pairs(0, 0, 4, -4), calibrate.Options{Reversed: true}); err != nil {
		t.Errorf("reversed leads that are said so: %v", err)
	}
}

// A meter that shows 1.500 has a count of 0.001, whatever is left of it as a number.
func TestTheLastPlaceIsThatWhichWasWritten(t *testing.T) {
	for want, written := range map[float64][]string{0: nil, 1: {"1", "2"}, 0.1: {"1.5", "3"}, 0.001: {"0.000", " 1.5 "}} {
		if got := calibrate.LastPlace(written...); got != want {
			t.Errorf("%q: %g, want %g", written, got, want)
		}
	}
	acc := trace.Accuracy{Percent: 0.5, Counts: 2}
	list := pairs(0, 0.004, 1.5, 1.471, 3, 2.938, 4.5, 4.409)
	coarse, err := calibrate.Fit(list, calibrate.Options{Trusted: acc})
	if err != nil {
		t.Fatal(err)
	}
	fine, err := calibrate.Fit(list, calibrate.Options{Trusted: acc, TrustedResolution: 0.001})
	if err != nil {
		t.Fatal(err)
	}
	if fine.UOffset > 0.01 || coarse.UOffset < 0.2 {
		t.Errorf("U of the offset is %g with a count of 1 mA and %g with one of 0.1 A", fine.UOffset, coarse.UOffset)
	}
}

// Whatever the pairs are: refused in words, or a calibration that holds together and leaves no reading without
// a number.
func FuzzFit(f *testing.F) {
	f.Add(0.0, 0.01, 1.5, 1.47, 3.0, 2.93, false)
	f.Add(0.0, 0.0, 4.0, -4.0, 2.0, -2.0, true)
	f.Add(1e4, -1e4, 1e-300, 1e-300, 0.0, 5e-324, false)
	f.Fuzz(func(t *testing.T, a, b, c, d, e, g float64, reversed bool) {
		r, err := calibrate.Fit(pairs(a, b, c, d, e, g), calibrate.Options{Reversed: reversed, Trusted: trace.Accuracy{Percent: 1, Counts: 2}})
		if err != nil {
			if err.Error() == "" {
				t.Error("refused without a word")
			}
			return
		}
		if err := r.Validate(); err != nil || !r.Known() || r.Gain < 0 != reversed {
			t.Errorf("%+v, %v", r, err)
		}
		for _, v := range []float64{r.UOffset, r.UGain, r.U(0), r.U(1e4), r.Correct(b), r.ResidualS} {
			if math.IsNaN(v) || math.IsInf(v, 0) {
				t.Errorf("%+v has what is no number", r)
			}
		}
	})
}
