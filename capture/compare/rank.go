package compare

import (
	"math/bits"
	"slices"
)

// ranked gives the largest set of runs whose every two are told apart, the one with the most first. order
// says how run i stands to run j. There are at most six runs, so every set is tried; of several that are
// equally large the one with more exact figures counts, then the one with the earlier runs.
func ranked(n int, order func(i, j int) Order, exact func(i int) bool) []int {
	var best uint
	most := 0
	for set := uint(1); set < 1<<n; set++ {
		worth := 0
		for i := range n {
			if set>>i&1 == 1 {
				worth += Most + 1
				if exact(i) {
					worth++
				}
			}
		}
		if worth > most && toldApart(set, n, order) {
			best, most = set, worth
		}
	}
	if bits.OnesCount(best) < 2 {
		return nil
	}
	var out []int
	for i := range n {
		if best>>i&1 == 1 {
			out = append(out, i)
		}
	}
	slices.SortFunc(out, func(i, j int) int {
		if order(i, j) == More {
			return -1
		}
		return 1
	})
	return out
}

func toldApart(set uint, n int, order func(i, j int) Order) bool {
	for i := range n {
		for j := i + 1; j < n; j++ {
			if set>>i&1 == 1 && set>>j&1 == 1 && !order(i, j).decided() {
				return false
			}
		}
	}
	return true
}
