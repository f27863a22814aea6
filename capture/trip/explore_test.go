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

func TestExplore(t *testing.T) {
	if os.Getenv("EXPLORE") == "" {
		t.Skip()
	}
	rate, _ := strconv.ParseFloat(os.Getenv("RATE"), 64)
	if rate == 0 {
		rate = 1000
	}
	avg, _ := strconv.ParseFloat(os.Getenv("AVG"), 64)
	only := os.Getenv("UNIT")
	for _, u := range sim.Shelf() {
		if only != "" && u.Plate.Name != only {
			continue
		}
		rec, err := sim.Record(u, sim.ShortTest(3, 30, 10), sim.Meter{RateHz: rate, NoiseA: 0.005, ResolutionA: 0.001, PhaseS: -1, AveragingS: avg}, 7)
		if err != nil {
			t.Fatal(err)
		}
		d, err := trip.New(rec.Settings)
		if err != nil {
			t.Fatal(err)
		}
		d.Current(rec.Current)
		got := d.Finish()
		fmt.Printf("== %s  got %s (app %s)/%s  want %s/%s  removed %v\n", u.Plate.Name, got.Behaviour, got.ApparentBehaviour, got.Recovery, rec.Truth.Behaviour, rec.Truth.Recovery, rec.Settings.RemovedAtS != nil)
		for _, m := range got.Marks[:min(8, len(got.Marks))] {
			fmt.Printf("   %s %.5f±%.5f  ", m.Kind, m.T, m.U)
		}
		fmt.Println()
		for _, m := range rec.Truth.Marks[:min(8, len(rec.Truth.Marks))] {
			fmt.Printf("   %s %.5f  ", m.Kind, m.T)
		}
		fmt.Println()
		seen := map[string]bool{}
		for _, f := range got.Figures {
			seen[f.Key] = true
			w, ok := rec.Truth.Figures[f.Key]
			flag := ""
			if ok && f.Bound.HasValue() {
				switch {
				case f.Bound == trace.Exact && (w < f.Value-f.U || w > f.Value+f.U):
					flag = "<<<<<"
				case f.Bound == trace.AtMost && w > f.Value+f.U, f.Bound == trace.AtLeast && w < f.Value-f.U:
					flag = "<<<<< bound"
				}
			} else if ok != f.Bound.HasValue() {
				flag = "(only one)"
			}
			fmt.Printf("   %-24s %10.5g ± %-10.4g %-14s truth %10.5g %v %s %s\n", f.Key, f.Value, f.U, f.Bound, w, ok, flag, f.Why)
		}
		var missing []string
		for k := range rec.Truth.Figures {
			if !seen[k] {
				missing = append(missing, k)
			}
		}
		sort.Strings(missing)
		fmt.Println("   truth only:", missing)
		for _, w := range got.Warnings {
			fmt.Println("   warn", w.Code, w.Text)
		}
	}
}
