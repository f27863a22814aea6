package web

import (
	"slices"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"letthrough/capture/rig"
	"letthrough/capture/trace"
)

// Whatever stands in a rig, both drawings number each part once, as the table does, and nothing lies outside of them.
func TestDrawingsNumberEveryPartOnceAndStayInside(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		parts := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) trace.RigPart {
			p := trace.RigPart{Kind: rapid.SampledFrom(trace.RigPartKinds).Draw(t, "kind"), Name: rapid.StringN(0, 12, 80).Draw(t, "name")}
			if rapid.Bool().Draw(t, "rated") {
				p.RatedA, p.Ohm, p.RatedW = 10, 0.1, 1
			}
			return p
		}), 0, 45).Draw(t, "parts")
		unit := trace.Unit{Name: rapid.StringN(1, 60, 80).Draw(t, "unit"), RatedCurrentA: 1.4, RatedVoltageV: 12}
		answer, err := rig.Check(trace.Rig{Name: "r", Parts: parts}, rig.Test{Unit: unit, HoldS: 30})
		if err != nil {
			t.Skip(err)
		}
		load := rapid.Bool().Draw(t, "load")
		for name, d := range map[string]drawing{"lying": drawLying(parts, answer, unit, load), "upright": drawUpright(parts, answer, unit, load)} {
			var numbers []string
			for _, m := range d.Marks {
				if m.X < 0 || m.Y < 0 || m.X+m.W > float64(d.Width) || m.Y+m.H > float64(d.Height) {
					t.Fatalf("%s: %+v lies outside of %d × %d", name, m, d.Width, d.Height)
				}
				if m.Class == "part-n" && m.More != "" {
					numbers = append(numbers, strings.Split(m.Text, ",")...)
				}
			}
			var want []string
			for i := range parts {
				want = append(want, strconv.Itoa(i+1))
			}
			slices.Sort(numbers)
			slices.Sort(want)
			if !slices.Equal(numbers, want) {
				t.Fatalf("%s numbers %v, want %v", name, numbers, want)
			}
		}
	})
}
