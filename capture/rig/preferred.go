package rig

import (
	"fmt"
	"math"
	"slices"
	"strings"
)

// The preferred values of IEC 60063 for one decade. E6 to E24 are older than the rounding rule of the finer
// series and do not follow it: 2.7 to 4.7 and 8.2 are as the standard prints them.
var (
	e6  = []float64{1.0, 1.5, 2.2, 3.3, 4.7, 6.8}
	e12 = []float64{1.0, 1.2, 1.5, 1.8, 2.2, 2.7, 3.3, 3.9, 4.7, 5.6, 6.8, 8.2}
	e24 = []float64{1.0, 1.1, 1.2, 1.3, 1.5, 1.6, 1.8, 2.0, 2.2, 2.4, 2.7, 3.0, 3.3, 3.6, 3.9, 4.3, 4.7, 5.1, 5.6, 6.2, 6.8, 7.5, 8.2, 9.1}
)

// SeriesNames are the series that a ladder may be made of.
var SeriesNames = []string{"E6", "E12", "E24", "E48", "E96", "E192"}

// Preferred gives one decade of a series of IEC 60063, 1 to below 10, rising.
func Preferred(series string) ([]float64, error) {
	switch strings.ToUpper(series) {
	case "E6":
		return slices.Clone(e6), nil
	case "E12":
		return slices.Clone(e12), nil
	case "E24":
		return slices.Clone(e24), nil
	case "E48":
		return rounded(48), nil
	case "E96":
		return rounded(96), nil
	case "E192":
		all := rounded(192)
		all[185] = 9.20 // the standard has 920 where the rule gives 919
		return all, nil
	}
	return nil, fmt.Errorf("series: %.20q is none of %s", series, strings.Join(SeriesNames, ", "))
}

// rounded is the rule of the finer series: three digits of 10^(i/n).
func rounded(n int) []float64 {
	out := make([]float64, n)
	for i := range out {
		out[i] = math.Round(100*math.Pow(10, float64(i)/float64(n))) / 100
	}
	return out
}

// beside gives the values of a series nearest to v, n on either side, Ω.
func beside(decade []float64, v float64, n int) []float64 {
	if !(v > 0) || math.IsInf(v, 1) {
		return nil
	}
	exp := math.Floor(math.Log10(v))
	var all []float64
	for e := exp - 1; e <= exp+1; e++ {
		for _, d := range decade {
			all = append(all, tidy(d*math.Pow(10, e)))
		}
	}
	at, _ := slices.BinarySearch(all, v)
	return all[max(0, at-n):min(len(all), at+n)]
}

// tidy takes off what binary arithmetic leaves behind three digits.
func tidy(v float64) float64 {
	scale := math.Pow(10, 3-math.Floor(math.Log10(v)))
	return math.Round(v*scale) / scale
}
