package trip_test

import (
	"fmt"
	"os"
	"sort"
	"strconv"
	"testing"

	"letthrough/capture/sim"
	"letthrough/capture/trace"
	"letthrough/capture/trip"
)

func TestCover(t *testing.T) {
	if os.Getenv("COVER") == "" {
		t.Skip()
	}
	n, _ := strconv.Atoi(os.Getenv("COVER"))
	only := os.Getenv("UNIT")
	rates := []float64{5000, 1000, 200, 50, 10, 2.5}
	if r, err := strconv.ParseFloat(os.Getenv("RATE"), 64); err == nil {
		rates = []float64{r}
	}
	for _, rate := range rates {
		type tally struct {
			exact, in, bound, boundIn, none int
			err, u                          float64
		}
		total := map[string]*tally{}
		for _, u := range sim.Shelf() {
			if only != "" && u.Plate.Name != only {
				continue
			}
			beh := map[string]int{}
			var want trace.Behaviour
			tal := map[string]*tally{}
			for seed := range n {
				m := sim.Meter{RateHz: rate, NoiseA: 0.005, ResolutionA: 0.001, PhaseS: -1, Voltage: os.Getenv("VOLT") != ""}
				if rate < 20 {
					m.AveragingS = 1 / rate
				}
				rec, err := sim.Record(u, sim.ShortTest(3+float64(seed%7)*0.0137, 30, 10), m, uint64(seed+1))
				if err != nil {
					t.Fatal(err)
				}
				d, err := trip.New(rec.Settings)
				if err != nil {
					t.Fatal(err)
				}
				d.Current(rec.Current)
				if rec.Voltage != nil {
					d.Voltage(rec.Voltage)
				}
				got := d.Finish()
				want = rec.Truth.Behaviour
				beh[fmt.Sprint(got.Behaviour, "/", got.ApparentBehaviour, "/", got.Recovery)]++
				for _, f := range got.Figures {
					w, ok := rec.Truth.Figures[f.Key]
					if !ok {
						continue
					}
					for _, m := range []map[string]*tally{tal, total} {
						if m[f.Key] == nil {
							m[f.Key] = &tally{}
						}
						a := m[f.Key]
						switch f.Bound {
						case trace.Exact:
							a.exact++
							a.err += f.Value - w
							a.u += f.U
							if w >= f.Value-f.U && w <= f.Value+f.U {
								a.in++
							}
						case trace.AtMost, trace.AtLeast:
							a.bound++
							if (f.Bound == trace.AtMost && w <= f.Value+f.U) || (f.Bound == trace.AtLeast && w >= f.Value-f.U) {
								a.boundIn++
							}
						default:
							a.none++
						}
					}
				}
			}
			fmt.Printf("--- %g/s %s want %s got %v\n", rate, u.Plate.Name, want, beh)
			var keys []string
			for k := range tal {
				keys = append(keys, k)
			}
			sort.Strings(keys)
			for _, k := range keys {
				a := tal[k]
				if (a.exact > 0 && float64(a.in) < 0.9*float64(a.exact)) || a.boundIn < a.bound {
					fmt.Printf("      %-24s exact %d in %d (mean err %.3g, mean U %.3g), bound %d in %d, none %d\n", k, a.exact, a.in, a.err/float64(max(a.exact, 1)), a.u/float64(max(a.exact, 1)), a.bound, a.boundIn, a.none)
				}
			}
		}
	}
}
