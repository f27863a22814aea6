package rig

import "letthrough/capture/trace"

// invented marks a number of the starter set that stands for no part in particular.
const invented = "Generic: ratings are invented for an ordinary part of its kind. Put in those of your own."

// Starter is a set of parts to begin with: ordinary ones, none of them of any maker. A user puts in the ratings of
// the own ones.
func Starter() []trace.Part {
	part := func(p trace.RigPart) trace.Part {
		if p.Note == "" {
			p.Note = invented
		}
		return trace.Part{RigPart: p}
	}
	sheet := "Opening times by the gates of its sheet; melting heat is not stated."
	lead := func(name string, m, mm2, a float64) trace.Part {
		return part(trace.RigPart{Kind: "lead", Name: name, LengthM: m, AreaMM2: mm2, Material: "copper", Insulation: "PVC", RatedA: a,
			Note: "Resistance by IEC 60228, class 5. What it carries for ever is invented."})
	}
	fuse := func(name string, a float64, id string) trace.Part {
		return part(trace.RigPart{Kind: "fuse", Name: name, RatedA: a, FuseSheet: id, Note: sheet})
	}
	return []trace.Part{
		part(trace.RigPart{Kind: "instrument", Name: "hand-held meter, 10 A input", Ohm: 0.02, FullScaleA: 10, RatedA: 10, MaxOnS: 30, RestS: 900, FuseA: 10, IntervalS: 0.4}),
		part(trace.RigPart{Kind: "instrument", Name: "hand-held meter, mA input", Ohm: 1.5, FullScaleA: 0.4, RatedA: 0.4, FuseA: 0.5, FuseSheet: "60127-2/2", IntervalS: 0.4}),
		part(trace.RigPart{Kind: "instrument", Name: "shunt board's input", FullScaleA: 16, IntervalS: 0.001, Note: "Across a shunt, so that no fault current flows in it. " + invented}),
		part(trace.RigPart{Kind: "shunt", Name: "shunt 0.1 Ω 1 W", Ohm: 0.1, TolerancePct: 1, RatedW: 1, OverloadFactor: 5, OverloadS: 5}),
		part(trace.RigPart{Kind: "shunt", Name: "shunt 0.1 Ω 5 W", Ohm: 0.1, TolerancePct: 1, RatedW: 5, OverloadFactor: 5, OverloadS: 5}),
		part(trace.RigPart{Kind: "shunt", Name: "shunt 0.01 Ω 3 W", Ohm: 0.01, TolerancePct: 1, RatedW: 3, OverloadFactor: 5, OverloadS: 5}),
		part(trace.RigPart{Kind: "shunt", Name: "shunt 0.001 Ω 3 W", Ohm: 0.001, TolerancePct: 1, RatedW: 3, OverloadFactor: 5, OverloadS: 5}),
		lead("test lead 0.6 m 0.75 mm²", 0.6, 0.75, 6),
		lead("test lead 1 m 1 mm²", 1, 1, 10),
		lead("test lead 1 m 2.5 mm²", 1, 2.5, 20),
		part(trace.RigPart{Kind: "contact", Name: "crocodile clips", Ohm: 0.01, RatedA: 10}),
		part(trace.RigPart{Kind: "contact", Name: "plug and socket 4 mm", Ohm: 0.005, RatedA: 19}),
		part(trace.RigPart{Kind: "switch", Name: "toggle switch 10 A", Ohm: 0.01, RatedA: 10, RatedV: 30, MakeA: 15, BreakA: 10}),
		part(trace.RigPart{Kind: "relay", Name: "relay 30 A", Ohm: 0.005, RatedA: 30, RatedV: 30, MakeA: 60, BreakA: 30}),
		fuse("fuse F 1 A, 5 × 20", 1, "60127-2/2"),
		fuse("fuse F 3.15 A, 5 × 20", 3.15, "60127-2/2"),
		fuse("fuse F 6.3 A, 5 × 20", 6.3, "60127-2/2"),
		fuse("fuse F 10 A, 5 × 20", 10, "60127-2/2"),
		fuse("fuse T 3.15 A, 5 × 20", 3.15, "60127-2/3"),
		fuse("fuse T 6.3 A, 5 × 20", 6.3, "60127-2/3"),
		part(trace.RigPart{Kind: "lamp", Name: "car lamp 12 V 5 W", RatedV: 12, RatedW: 5}),
		part(trace.RigPart{Kind: "lamp", Name: "car lamp 12 V 21 W", RatedV: 12, RatedW: 21}),
	}
}

// StarterRig is a rig of parts of the starter set that stands an ordinary small unit.
func StarterRig() trace.Rig {
	r := trace.Rig{Name: "bench1", Note: "Put together of generic parts; put in your own."}
	for _, name := range []string{"fuse T 6.3 A, 5 × 20", "test lead 1 m 2.5 mm²", "relay 30 A", "shunt 0.01 Ω 3 W", "shunt board's input", "test lead 1 m 2.5 mm²"} {
		for _, p := range Starter() {
			if p.Name == name {
				r.Parts = append(r.Parts, p.RigPart)
			}
		}
	}
	return r
}
