package assess

import (
	"encoding/csv"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"gonum.org/v1/gonum/stat"
)

// column reads the numbers that stand after the line of dashes.
func nistRows(t testing.TB, name string) (head string, rows [][]float64) {
	t.Helper()
	b, err := os.ReadFile(filepath.Join("testdata", "nist", name))
	if err != nil {
		t.Fatal(err)
	}
	text := strings.ReplaceAll(string(b), "\r", "")
	if strings.HasSuffix(name, ".dat") {
		cut := strings.LastIndex(text, "---\n")
		if cut < 0 {
			cut = strings.LastIndex(text, "Data:")
			cut += strings.Index(text[cut:], "\n")
		}
		head, text = text[:cut], text[cut:]
	}
	for line := range strings.Lines(text) {
		var row []float64
		for _, f := range strings.Fields(line) {
			v, err := strconv.ParseFloat(f, 64)
			if err != nil {
				row = nil
				break
			}
			row = append(row, v)
		}
		if len(row) > 0 {
			rows = append(rows, row)
		}
	}
	return head, rows
}

// NIST StRD, univariate. The digits that float64 can reach: NumAcc3 and NumAcc4 are not exact in binary.
func TestMeanAndDeviationAreNISTs(t *testing.T) {
	for _, c := range []struct {
		file            string
		n               int
		mean, sd, r1    float64
		dMean, dSD, dR1 float64
	}{
		{"PiDigits.txt", 5000, 4.5348, 2.86733906028871, -0.00355099287237972, 1e-14, 1e-13, 1e-13},
		{"Lottery.dat", 218, 518.958715596330, 291.699727470969, -0.120948622967393, 1e-12, 1e-11, 1e-13},
		{"Lew.dat", 200, -177.435, 277.332168044316, -0.307304800605679, 1e-12, 1e-11, 1e-13},
		{"Mavro.dat", 50, 2.001856, 0.000429123454003053, 0.937989183438248, 1e-14, 1e-14, 1e-10},
		{"Michelso.dat", 100, 299.8524, 0.0790105478190518, 0.535199668621283, 1e-12, 1e-13, 1e-10},
		{"NumAcc1.dat", 3, 10000002, 1, -0.5, 0, 0, 0},
		{"NumAcc2.dat", 1001, 1.2, 0.1, -0.999, 1e-14, 1e-13, 1e-12},
		{"NumAcc3.dat", 1001, 1000000.2, 0.1, -0.999, 1e-9, 1e-8, 1e-8},
		{"NumAcc4.dat", 1001, 10000000.2, 0.1, -0.999, 1e-8, 1e-8, 1e-8},
	} {
		_, rows := nistRows(t, c.file)
		var x []float64
		for _, r := range rows {
			x = append(x, r[0])
		}
		if len(x) != c.n {
			t.Errorf("%s: %d values, want %d", c.file, len(x), c.n)
			continue
		}
		mean, sd := meanSD(x)
		r1 := lag1(x)
		if math.Abs(mean-c.mean) > c.dMean || math.Abs(sd-c.sd) > c.dSD || math.Abs(r1-c.r1) > c.dR1 {
			t.Errorf("%s: mean %.15g, sd %.15g, r1 %.15g; certified %.15g, %.15g, %.15g", c.file, mean, sd, r1, c.mean, c.sd, c.r1)
		}
		// gonum as reference.
		gm, gs := stat.MeanStdDev(x, nil)
		if math.Abs(gm-mean) > 1e-9*math.Abs(mean) || math.Abs(gs-sd) > 1e-7*sd {
			t.Errorf("%s: gonum has %v, %v", c.file, gm, gs)
		}
	}
}

// NIST StRD, linear: Norris, y on x.
func TestALineIsNISTs(t *testing.T) {
	_, rows := nistRows(t, "Norris.dat")
	var x, y []float64
	for _, r := range rows {
		y, x = append(y, r[0]), append(x, r[1])
	}
	if len(x) != 36 {
		t.Fatalf("%d points", len(x))
	}
	l, ok := fitLine(x, y)
	for name, c := range map[string][2]float64{"B0": {l.b0, -0.262323073774029}, "B1": {l.b1, 1.00211681802045}, "sd of B0": {l.sdB0, 0.232818234301152},
		"sd of B1": {l.sdB1, 0.429796848199937e-3}, "residual": {l.residual, 0.884796396144373}} {
		if !ok || math.Abs(c[0]-c[1]) > 1e-11*max(1, math.Abs(c[1])) {
			t.Errorf("%s: %.15g, certified %.15g", name, c[0], c[1])
		}
	}
	if _, ok := fitLine([]float64{1, 1, 1}, []float64{1, 2, 3}); ok {
		t.Error("a line through one x")
	}
}

// Student's factors as the NIST/SEMATECH e-Handbook tables them (95 %), and to more digits.
func TestStudentsFactors(t *testing.T) {
	for _, c := range []struct{ freedom, t95, t9545, t99 float64 }{
		{1, 12.706205, 13.967730, 63.656741}, {2, 4.302653, 4.526537, 9.924843}, {3, 3.182446, 3.306822, 5.840909}, {4, 2.776445, 2.869309, 4.604095},
		{5, 2.570582, 2.648649, 4.032143}, {6, 2.446912, 2.516524, 3.707428}, {7, 2.364624, 2.428805, 3.499483}, {8, 2.306004, 2.366416, 3.355387},
		{9, 2.262157, 2.319806, 3.249836}, {10, 2.228139, 2.283678, 3.169273}, {16, 2.119905, 2.168940, 2.920782},
		{20, 2.085963, 2.133025, 2.845340}, {30, 2.042272, 2.086844, 2.749996}, {100, 1.983972, 2.025309, 2.625891},
	} {
		for level, want := range map[float64]float64{0.95: c.t95, 0.954499736: c.t9545, 0.99: c.t99} {
			if got := tFactor(level, c.freedom); math.Abs(got-want) > 2e-6*want {
				t.Errorf("t of %g for %g: %.6f, want %.6f", level, c.freedom, got, want)
			}
		}
	}
}

// The eight masses of NIST/SEMATECH e-Handbook section 1.3.5.17.1: G is 2.4687, and the last is an outlier.
func TestGrubbsFindsTheHandbooksOutlier(t *testing.T) {
	x := []float64{199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57}
	at, g, critical := grubbs(x, 0.05)
	if at != 7 || math.Abs(g-2.4687) > 1e-4 || math.Abs(critical-2.126) > 1e-3 { // 2.126: two-sided table for n = 8, from memory
		t.Errorf("%d, G %.4f, critical %.4f", at, g, critical)
	}
	if _, _, oneSided := grubbs(x, 0.10); math.Abs(oneSided-2.032) > 1e-3 { // the handbook's one-sided value
		t.Errorf("critical %.4f, want 2.032", oneSided)
	}
	if at, _, _ := grubbs(x[:7], 0.05); at >= 0 {
		t.Errorf("without it there is none, found %d", at)
	}
	if at, _, _ := grubbs([]float64{1, 1, 1, 1}, 0.05); at >= 0 {
		t.Error("all are the same")
	}
}

// JCGM 100:2008 H.2: five readings each, means and their standard uncertainties.
func TestMeansOfTheGUMsExample(t *testing.T) {
	for name, c := range map[string]struct {
		x       []float64
		mean, u float64
	}{
		"V":   {[]float64{5.007, 4.994, 5.005, 4.990, 4.999}, 4.999, 0.0032093613071761794},
		"I":   {[]float64{19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3}, 0.019661, 9.471008394041335e-06},
		"phi": {[]float64{1.0456, 1.0438, 1.0468, 1.0428, 1.0433}, 1.04446, 0.0007520638270785368},
	} {
		mean, sd := meanSD(c.x)
		if u := sd / math.Sqrt(5); math.Abs(mean-c.mean) > 1e-14 || math.Abs(u-c.u) > 1e-13*c.u*1e3 {
			t.Errorf("%s: %.16g, %.16g; want %.16g, %.16g", name, mean, u, c.mean, c.u)
		}
	}
}

func relayTimes(t testing.TB) [][]string {
	t.Helper()
	f, err := os.Open(filepath.Join("testdata", "relay_times.csv"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil || len(rows) != 77 {
		t.Fatalf("%d rows, %v", len(rows), err)
	}
	return rows[1:]
}
