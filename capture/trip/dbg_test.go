package trip

import (
	"fmt"
	"os"
	"testing"

	"letthrough/capture/sim"
)

func TestDbg(t *testing.T) {
	if os.Getenv("DBG") == "" {
		t.Skip()
	}
	u, _ := sim.Find("Amber")
	for seed := range 40 {
		rec, _ := sim.Record(u, sim.ShortTest(3+float64(seed%7)*0.0137, 30, 10), sim.Meter{RateHz: 200, NoiseA: 0.005, ResolutionA: 0.001, PhaseS: -1}, uint64(seed+1))
		d, _ := New(rec.Settings)
		for i := range rec.Current {
			d.Current(rec.Current[i : i+1])
			if d.state == on && d.fold.pending && os.Getenv("DBG") == "2" {
				fmt.Println(d.now(), d.fold.pending, d.fold.before, d.fold.last)
			}
		}
		g := d.Finish()
		p := d.pulses[0]
		fmt.Println(seed, g.Behaviour, "on", p.on.t, "lows", p.lows, "bounces", p.bounces, "period", d.ripple.period, "fold", d.fold.pending, d.fold.before, d.fold.confirmed, d.fold.last)
		if g.Behaviour != "fold_back" && os.Getenv("DBG") == "3" {
			for k := 0; k < 420; k += 1 {
				fmt.Printf("%.3f ", rec.Current[3000+k].Value)
			}
		}
	}
}
