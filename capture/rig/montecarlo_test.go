package rig_test

import (
	"math"
	"math/rand/v2"
)

func newNormal(seed uint64) func() float64 { return rand.New(rand.NewPCG(seed, 2)).NormFloat64 }

type sums struct{ n, mean, m2 float64 }

func (s *sums) add(v float64) {
	s.n++
	d := v - s.mean
	s.mean += d / s.n
	s.m2 += d * (v - s.mean)
}

func (s *sums) sd() float64 { return math.Sqrt(s.m2 / (s.n - 1)) }
