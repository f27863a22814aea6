package main

import (
	"math"
	"strconv"
	"strings"
	"testing"
)

// What is read is what stands there, number by number; anything else is refused.
func FuzzLoadIsReadOrRefused(f *testing.F) {
	for _, s := range []string{"0.5,12.1", "0.5,12.1,0.01,0.02", "", ",", "1,2,3", "1e3, 2", "NaN,1", "0,5,1"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		p, err := parseLoadPoint(s)
		if err != nil {
			return
		}
		fields := strings.Split(s, ",")
		if len(fields) != 2 && len(fields) != 4 {
			t.Fatalf("%q is read as %+v", s, p)
		}
		for i, got := range []float64{p.A, p.V, p.UA, p.UV}[:len(fields)] {
			want, err := strconv.ParseFloat(strings.TrimSpace(fields[i]), 64)
			if err != nil || got != want && !(math.IsNaN(got) && math.IsNaN(want)) {
				t.Errorf("%q: number %d is %v, want %v", s, i+1, got, want)
			}
		}
	})
}
