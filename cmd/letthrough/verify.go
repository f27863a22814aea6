package main

import (
	"fmt"
	"math"
	"slices"

	"letthrough/capture/file"
	"letthrough/capture/trace"
)

type verifyCmd struct {
	Files []string `arg:"" name:"file" help:"Bundles, or runs as JSON."`
	JSON  bool     `help:"Print JSON."`
}

// verified is what came of one run.
type verified struct {
	File      string    `json:"file"`
	UUID      string    `json:"uuid"`
	Unit      string    `json:"unit"`
	Agrees    bool      `json:"agrees"`
	Behaviour *differs  `json:"behaviour,omitempty"` // where it differs
	Figures   int       `json:"figures"`             // how many were compared
	Differing []differs `json:"differing"`
}

// differs is one thing that does not come out as the file says.
type differs struct {
	Key   string `json:"key"`
	Says  string `json:"says"`
	Gives string `json:"gives"`
}

// Run derives every figure again from the samples beside it. A figure that differs is a failure.
func (c verifyCmd) Run(env *surroundings) error {
	all := []verified{}
	for _, path := range c.Files {
		more, err := verifyFile(path)
		if err != nil {
			return err
		}
		all = append(all, more...)
	}
	bad := 0
	for _, v := range all {
		if !v.Agrees {
			bad++
		}
		if !c.JSON {
			v.print(env)
		}
	}
	if c.JSON {
		if err := printJSON(env.stdout, all); err != nil {
			return err
		}
	}
	if bad > 0 {
		return fmt.Errorf("%d of %d runs do not give the figures they say", bad, len(all))
	}
	if !c.JSON {
		fmt.Fprintf(env.stdout, "%d runs: every figure agrees\n", len(all))
	}
	return nil
}

func (v verified) print(env *surroundings) {
	if v.Agrees {
		fmt.Fprintf(env.stdout, "%s: %s %s: all %d figures agree\n", v.File, v.Unit, v.UUID, v.Figures)
		return
	}
	fmt.Fprintf(env.stdout, "%s: %s %s: %d of %d figures differ\n", v.File, v.Unit, v.UUID, len(v.Differing), v.Figures)
	for _, d := range v.Differing {
		fmt.Fprintf(env.stdout, "  %s: says %s, the samples give %s\n", d.Key, d.Says, d.Gives)
	}
	if d := v.Behaviour; d != nil {
		fmt.Fprintf(env.stdout, "  behaviour: says %s, the samples give %s\n", d.Says, d.Gives)
	}
}

func verifyFile(path string) (out []verified, err error) {
	runs, err := file.OpenRuns(path)
	if err != nil {
		return nil, err
	}
	defer runs.Close()
	for rec, err := range runs.All() {
		if err != nil {
			return nil, err
		}
		v, err := verifyRun(rec)
		if err != nil {
			return nil, fmt.Errorf("%s: run %s: %w", path, rec.UUID, err)
		}
		v.File, v.UUID, v.Unit = path, rec.UUID, rec.Start.Unit.Name
		out = append(out, v)
	}
	return out, nil
}

// verifyRun derives a run again: with the marks as a person left them, or as they were recorded where
// its figures are older than that.
func verifyRun(rec trace.Recording) (v verified, err error) {
	for _, marks := range [][]trace.Mark{trace.EditedMarks(rec.Marks, rec.Edits), rec.Marks} {
		d, err := derive(rec.End.Settings, marks, rec.Batches)
		if err != nil {
			return v, err
		}
		if v = compared(rec.End.Derivation, d); v.Agrees || len(rec.Edits) == 0 {
			return v, nil
		}
	}
	return v, nil
}

// compared holds what a file says against what its samples give.
func compared(says, gives trace.Derivation) verified {
	v := verified{Differing: []differs{}}
	if says.Behaviour != gives.Behaviour {
		v.Behaviour = &differs{"behaviour", string(says.Behaviour), string(gives.Behaviour)}
	}
	keys := map[string]bool{}
	var order []string
	for _, f := range slices.Concat(says.Figures, gives.Figures) {
		if !keys[f.Key] {
			keys[f.Key] = true
			order = append(order, f.Key)
		}
	}
	for _, key := range order {
		v.Figures++
		a, _ := says.Figures.Get(key)
		b, _ := gives.Figures.Get(key)
		if a.Bound != b.Bound || a.Bound.HasValue() && !(near(a.Value, b.Value) && near(a.U, b.U)) {
			v.Differing = append(v.Differing, differs{key, told(a), told(b)})
		}
	}
	v.Agrees = v.Behaviour == nil && len(v.Differing) == 0
	return v
}

// near allows what different machines round differently, and nothing a person would see.
func near(a, b float64) bool {
	return a == b || math.Abs(a-b) <= 1e-9*max(math.Abs(a), math.Abs(b))
}

func told(f trace.Figure) string {
	switch {
	case f.Bound == "":
		return "nothing"
	case f.Bound.HasValue():
		return fmt.Sprintf("%s %g ± %g", f.Bound, f.Value, f.U)
	}
	return string(f.Bound)
}
