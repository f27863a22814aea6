package sim_test

import (
	"fmt"
	"math"
	"testing"

	"letthrough/capture/sim"
)

func TestTextLines(t *testing.T) {
	r := sim.Reading{DeviceUS: 1<<32 + 12345678, CurrentA: 1.23449, VoltageV: 12.5}
	with := func(f func(*sim.Reading)) sim.Reading { r := r; f(&r); return r }
	for _, c := range []struct {
		e    sim.Text
		r    sim.Reading
		want string
	}{
		{sim.Text{TimeUnit: "us", WrapBits: 32, Decimals: 4}, r, "12345678,1.2345\n"},
		{sim.Text{TimeUnit: "ms", Decimals: 3}, r, "4307312,1.234\n"},
		{sim.Text{TimeUnit: "s", Decimals: 1, CRLF: true}, r, "4307,1.2\r\n"},
		{sim.Text{Decimals: 4}, r, "1.2345\n"},
		{sim.Text{TimeUnit: "us", WrapBits: 16, Decimals: 2, Comma: true}, with(func(r *sim.Reading) { r.HasVoltage = true }), "24910;1,23;12,5\n"},
		{sim.Text{Decimals: 2}, with(func(r *sim.Reading) { r.Over, r.CurrentA = true, math.Inf(1) }), "OL\n"},
		{sim.Text{Decimals: 2}, with(func(r *sim.Reading) { r.Over, r.CurrentA = true, math.Inf(-1) }), "-OL\n"},
		{sim.Text{Decimals: 2}, with(func(r *sim.Reading) { r.CurrentA = math.Copysign(0, -1) }), "0.00\n"},
		{sim.Text{Decimals: 1, Checksum: true}, with(func(r *sim.Reading) { r.CurrentA = 1 }), fmt.Sprintf("1.0*%02X\n", '1'^'.'^'0')},
	} {
		if got := string(c.e.Encode(nil, c.r)); got != c.want {
			t.Errorf("%+v: %q, want %q", c.e, got, c.want)
		}
	}
}
