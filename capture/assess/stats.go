package assess

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// meanSD gives mean and standard deviation (n-1), in two passes with the rest of the first taken out of
// both: what float64 can reach. sd is NaN below two values.
func meanSD(x []float64) (mean, sd float64) {
	if len(x) == 0 {
		return math.NaN(), math.NaN()
	}
	sum := 0.0
	for _, v := range x {
		sum += v
	}
	mean = sum / float64(len(x))
	var rest, squares float64
	for _, v := range x {
		d := v - mean
		rest += d
		squares += d * d
	}
	n := float64(len(x))
	mean += rest / n
	if len(x) < 2 {
		return mean, math.NaN()
	}
	return mean, math.Sqrt((squares - rest*rest/n) / (n - 1))
}

// lag1 is the autocorrelation of neighbours: sum (y_i-m)(y_i+1-m) over sum (y_i-m)².
func lag1(x []float64) float64 {
	mean, _ := meanSD(x)
	var top, all float64
	for i, v := range x {
		d := v - mean
		all += d * d
		if i > 0 {
			top += d * (x[i-1] - mean)
		}
	}
	return top / all
}

// tFactor is the factor of Student's distribution for a two-sided interval of that level.
func tFactor(level, freedom float64) float64 {
	return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: freedom}.Quantile((1 + level) / 2)
}

// line is a straight line by least squares, y = b0 + b1 x.
type line struct {
	b0, b1       float64
	sdB0, sdB1   float64 // standard uncertainties
	residual     float64 // standard deviation about the line
	freedom      float64
	meanX, sumXX float64 // of x about its mean
	n            float64
}

// fitLine fits it; ok is false below three points or where all x are the same. The sums are taken about
// the means, so that large offsets cost no digits.
func fitLine(x, y []float64) (l line, ok bool) {
	if len(x) < 3 || len(x) != len(y) {
		return l, false
	}
	mx, _ := meanSD(x)
	my, _ := meanSD(y)
	var xx, xy float64
	for i := range x {
		xx += (x[i] - mx) * (x[i] - mx)
		xy += (x[i] - mx) * (y[i] - my)
	}
	if !(xx > 0) {
		return l, false
	}
	n := float64(len(x))
	l = line{b1: xy / xx, freedom: n - 2, meanX: mx, sumXX: xx, n: n}
	l.b0 = my - l.b1*mx
	squares := 0.0
	for i := range x {
		r := (y[i] - my) - l.b1*(x[i]-mx)
		squares += r * r
	}
	l.residual = math.Sqrt(squares / l.freedom)
	l.sdB1 = l.residual / math.Sqrt(xx)
	l.sdB0 = l.residual * math.Sqrt(1/n+mx*mx/xx)
	return l, true
}

// grubbs looks for one value that does not belong to the others: Grubbs' two-sided test (NIST/SEMATECH
// e-Handbook of Statistical Methods, section 1.3.5.17.1). at is -1 where there is none.
func grubbs(x []float64, alpha float64) (at int, g, critical float64) {
	mean, sd := meanSD(x)
	n := float64(len(x))
	if len(x) < 3 || !(sd > 0) {
		return -1, 0, math.Inf(1)
	}
	far := 0
	for i, v := range x {
		if d := math.Abs(v-mean) / sd; d > g {
			g, far = d, i
		}
	}
	t := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: n - 2}.Quantile(1 - alpha/(2*n))
	critical = (n - 1) / math.Sqrt(n) * math.Sqrt(t*t/(n-2+t*t))
	if g > critical {
		return far, g, critical
	}
	return -1, g, critical
}
