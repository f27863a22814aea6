package main

import (
	"fmt"
	"math"
	"os"
	"regexp"
	"slices"
	"strconv"

	"letthrough/capture/file"
	"letthrough/capture/trace"
	"letthrough/web"
)

type verifyCmd struct {
	Files []string `arg:"" name:"file" help:"Reports, bundles, or runs as JSON."`
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
	// Earlier is how many derivations the present one took the place of, and how many of those do not come
	// out any more: another version of the program may have made them.
	Earlier       int `json:"earlier"`
	EarlierDiffer int `json:"earlier_differ"`
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
	earlier := ""
	if v.EarlierDiffer > 0 {
		earlier = fmt.Sprintf("; %d of %d earlier derivations do not come out any more", v.EarlierDiffer, v.Earlier)
	}
	if v.Agrees {
		fmt.Fprintf(env.stdout, "%s: %s %s: all %d figures agree%s\n", v.File, v.Unit, v.UUID, v.Figures, earlier)
		return
	}
	n := len(v.Differing)
	if v.Behaviour != nil {
		n++
	}
	fmt.Fprintf(env.stdout, "%s: %s %s: %d of its figures and marks do not come out%s\n", v.File, v.Unit, v.UUID, n, earlier)
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
	report, err := verifyReport(path)
	return append(out, report...), err
}

// verifyReport holds what a report's page says against the figures that its samples give.
func verifyReport(path string) ([]verified, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return nil, err
	}
	says, page, ok, err := file.ReportSays(f, info.Size(), path)
	if !ok {
		return nil, err
	}
	runs, err := file.OpenRuns(path)
	if err != nil {
		return nil, err
	}
	defer runs.Close()
	derived := map[string]trace.Derivation{}
	for rec, err := range runs.All() {
		if err != nil {
			return nil, err
		}
		if derived[rec.UUID], err = derive(rec.End.Settings, trace.EditedMarks(rec.Marks, rec.Edits), rec.Batches); err != nil {
			return nil, fmt.Errorf("%s: run %s: %w", path, rec.UUID, err)
		}
	}
	wrong, figures, err := web.CheckReport(says, page, derived)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	v := verified{File: path, Unit: "what the page says", Agrees: len(wrong) == 0, Figures: figures, Differing: []differs{}}
	for _, w := range wrong {
		v.Differing = append(v.Differing, differs{w.What, w.Says, w.Gives})
	}
	return []verified{v}, nil
}

// verifyRun derives a run again, and holds against it what the file says: where a reader looks first, in
// the record itself, and in the derivations there were before.
func verifyRun(rec trace.Recording) (verified, error) {
	v, err := verifyOne(rec, rec.End.Settings, rec.End.Derivation)
	if err != nil {
		return v, err
	}
	if rec.Shown != nil {
		shown, err := verifyOne(rec, rec.End.Settings, rec.Shown.Shifted(float64(rec.ZeroNS())/1e9, "file"))
		if err != nil {
			return v, err
		}
		if v.Agrees {
			v = shown
		}
	}
	v.Earlier = len(rec.Earlier)
	for _, past := range rec.Earlier {
		old, err := verifyOne(rec, past.Settings, past.Derivation)
		if err != nil {
			return v, err
		}
		if !old.Agrees {
			v.EarlierDiffer++
		}
	}
	return v, nil
}

// verifyOne derives a run again with the settings of one derivation: with the marks as a person left them,
// or as they were recorded where it is older than that.
func verifyOne(rec trace.Recording, s trace.Settings, says trace.Derivation) (v verified, err error) {
	for _, marks := range [][]trace.Mark{trace.EditedMarks(rec.Marks, rec.Edits), rec.Marks} {
		d, err := derive(s, marks, rec.Batches)
		if err != nil {
			return v, err
		}
		v = compared(says, d)
		if v.Differing = append(v.Differing, marksDiffer(says, d)...); len(v.Differing) > 0 {
			v.Agrees = false
		}
		if v.Agrees || len(rec.Edits) == 0 {
			return v, nil
		}
	}
	return v, nil
}

// compared holds the figures that a file says against those that its samples give. A sentence may be put
// differently by another version of the program; its numbers may not.
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
		switch {
		case a.Bound != b.Bound, a.Bound.HasValue() && !(near(a.Value, b.Value) && near(a.U, b.U)):
			v.Differing = append(v.Differing, differs{key, told(a), told(b)})
		case a.Bound.HasValue() && a.Text != "" && !slices.Equal(numbers.FindAllString(a.Text, -1), numbers.FindAllString(b.Text, -1)):
			v.Differing = append(v.Differing, differs{key, strconv.Quote(a.Text), strconv.Quote(b.Text)})
		}
	}
	v.Agrees = v.Behaviour == nil && len(v.Differing) == 0
	return v
}

var numbers = regexp.MustCompile(`[0-9]+(\.[0-9]+)?(e[+-]?[0-9]+)?`)

// marksDiffer holds the marks that a file says against those that come out.
func marksDiffer(says, gives trace.Derivation) (out []differs) {
	for i := range max(len(says.Marks), len(gives.Marks)) {
		a, b := "none", "none"
		if i < len(says.Marks) {
			a = fmt.Sprintf("%s at %.6f s", says.Marks[i].Kind, tidy6(says.Marks[i].T))
		}
		if i < len(gives.Marks) {
			b = fmt.Sprintf("%s at %.6f s", gives.Marks[i].Kind, tidy6(gives.Marks[i].T))
		}
		if a != b {
			return append(out, differs{fmt.Sprintf("mark %d", i+1), a, b}) // those after it are shifted
		}
	}
	return nil
}

func tidy6(t float64) float64 { return math.Round(t*1e6)/1e6 + 0 }

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
