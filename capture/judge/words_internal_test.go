package judge

import "testing"

// Nobody reads powers of ten at a glance.
func TestShortNumbersHaveNoPowersOfTen(t *testing.T) {
	for v, want := range map[float64]string{
		0.0005: "under 0.001", 0.00123: "0.0012", 0.25: "0.25", 1: "1", 9.94: "9.9", 9.96: "10", 31.4: "31", 99.7: "100", 100: "over 100", 1e9: "over 100",
	} {
		if got := short(v); got != want {
			t.Errorf("%v is %q, want %q", v, got, want)
		}
	}
}
