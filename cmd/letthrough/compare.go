package main

import (
	"context"
	"fmt"
	"io"
	"path/filepath"
	"strconv"
	"strings"
	"text/tabwriter"

	"letthrough/capture/compare"
	"letthrough/capture/file"
	"letthrough/capture/trace"
	"letthrough/capture/words"
	"letthrough/static"
	"letthrough/store"
	"letthrough/web"
)

type compareCmd struct {
	dbFlag        `embed:""`
	Of            []string      `arg:"" name:"run" help:"Two to six runs by their numbers, or trace files as for read; a number is always a run, a file of that name is ./14."`
	JSON          bool          `help:"Print JSON, as GET /api/compare gives it, without the traces."`
	Output        string        `short:"o" help:"Also write the page, as one HTML file that needs neither program nor network." placeholder:"FILE"`
	Align         compare.Align `help:"On the page, where times count from: ${enum}." enum:"onset,cut_off,clock" default:"onset"`
	View          string        `help:"On the page, how traces lie: over each other, stack (one above another), beside each other; by itself two lie over each other." placeholder:"HOW"`
	Rated         bool          `help:"On the page, currents as multiples of each rating."`
	Log           bool          `help:"On the page, logarithmic time."`
	TimeColumn    string        `help:"Header or number (from 1) of the column with the time." placeholder:"COLUMN"`
	CurrentColumn string        `help:"Header or number of the column with the current." placeholder:"COLUMN"`
	VoltageColumn string        `help:"Header or number of the column with the voltage." placeholder:"COLUMN"`
	timecodeFlags `embed:""`
	settingsFlags `embed:""`
}

func (c compareCmd) Run(env *surroundings) error {
	if err := compare.Check(len(c.Of)); err != nil {
		return &usageError{err.Error()}
	}
	switch c.View {
	case "", "over", "stack", "beside":
	default:
		return &usageError{fmt.Sprintf("--view: %q is none of over, stack, beside", c.View)}
	}
	var ids []int64
	files := 0
	for _, one := range c.Of {
		id, err := strconv.ParseInt(one, 10, 64)
		if err != nil {
			files++
			continue
		}
		ids = append(ids, id)
	}
	if files == 0 && (c.settingsFlags != settingsFlags{} || c.Timecode) {
		return &usageError{"settings count for trace files; those of a stored run are its own: letthrough runs derive changes them"}
	}
	if len(ids) == 0 {
		return c.compare(env, nil, nil)
	}
	return withDB(env, c.dbFlag, func(db *store.DB) error {
		stored, err := web.StoredSides(env.ctx, db, ids)
		if err != nil {
			return hinted(err)
		}
		return c.compare(env, ids, stored)
	})
}

// compare puts stored runs and files into the order they were named in, and sets them side by side.
func (c compareCmd) compare(env *surroundings, ids []int64, stored []web.Side) error {
	var sides []web.Side
	for _, one := range c.Of {
		if len(ids) > 0 && one == strconv.FormatInt(ids[0], 10) {
			sides, stored, ids = append(sides, stored[0]), stored[1:], ids[1:]
			continue
		}
		side, err := c.file(env, one)
		if err != nil {
			return err
		}
		sides = append(sides, side)
	}
	s, err := web.SideBySide(sides, c.Align)
	if err != nil {
		return hinted(err)
	}
	if c.Output != "" {
		page, err := s.File(env.ctx, static.Files, web.SidePage{View: c.View, Rated: c.Rated, Log: c.Log}, release)
		if err != nil {
			return hinted(err)
		}
		if err := writeTo(env, c.Output, func(w io.Writer) error { _, err := w.Write(page); return err }); err != nil {
			return err
		}
		if c.Output == "-" {
			return nil
		}
	}
	if c.JSON {
		return printJSON(env.stdout, s.Told())
	}
	return differences(env.stdout, s)
}

// file reads a trace and derives its figures, as read does.
func (c compareCmd) file(env *surroundings, path string) (web.Side, error) {
	rate, err := c.rate()
	if err != nil {
		return web.Side{}, err
	}
	set, err := c.overWith(trace.Settings{}, rate)
	if err != nil {
		return web.Side{}, err
	}
	bar := newProgress(env.stderr, path)
	defer bar.done()
	t, err := readTrace(path, file.Options{Watch: bar.at, CSV: file.CSVOptions{
		TimeColumn: c.TimeColumn, CurrentColumn: c.CurrentColumn, VoltageColumn: c.VoltageColumn,
	}}, rate, &set)
	if err != nil {
		return web.Side{}, err
	}
	if set.ResolutionA == 0 {
		set.ResolutionA = t.ResolutionA
	}
	d, err := derive(set, t.Marks, t.Batches())
	if err != nil {
		return web.Side{}, fmt.Errorf("%s: %w", path, err)
	}
	side := web.Side{Zero: t.Started, Run: compare.Run{
		Name: strings.TrimSuffix(filepath.Base(path), filepath.Ext(path)), Settings: set, Derivation: d, State: trace.RunComplete,
		Unit: trace.Unit{RatedCurrentA: set.RatedCurrentA, RatedVoltageV: set.RatedVoltageV, Waveform: set.Waveform},
	}}
	if n := len(t.Current); n > 1 {
		side.FromS, side.ToS = t.Current[0].At(), t.Current[n-1].At()
		side.Run.RateHz = float64(n-1) / (side.ToS - side.FromS)
	}
	side.Columns = func(_ context.Context, fromS, toS float64, n int) ([]web.SideChannel, error) {
		current := set.Calibration.CorrectAll(nil, t.Current)
		return []web.SideChannel{{Channel: file.CurrentChannel, Unit: trace.Current.Unit(), Trace: compare.Reduce(current, fromS, toS, n)}}, nil
	}
	return side, nil
}

// hinted puts what to do behind what is wrong.
func hinted(err error) error {
	if hint := web.Hint(err); hint != "" {
		return fmt.Errorf("%w; %s", err, hint)
	}
	return err
}

// differences prints the table for a person.
func differences(w io.Writer, s *web.Sides) error {
	fmt.Fprintf(w, "%s side by side: %s\n", s.Title, words.Procedure(s.Procedure))
	for _, u := range s.Conditions {
		if u.Unlike {
			fmt.Fprintf(w, "  not measured alike: %s\n", u.Text)
		}
	}
	if s.Says != "" {
		fmt.Fprintf(w, "  %s\n", s.Says)
	}
	t := tabwriter.NewWriter(w, 0, 0, 3, ' ', 0)
	last := "between them"
	if len(s.Names) == compare.Fewest {
		last = "difference"
	}
	row := func(cells ...string) { fmt.Fprintf(t, "  %s\n", strings.Join(cells, "\t")) }
	row(append(append([]string{"figure"}, s.Names...), last)...)
	for _, f := range s.Facts {
		row(append(append([]string{f.Say}, f.Values...), f.Between)...)
	}
	for _, r := range s.Rows {
		if r.In != "" {
			continue
		}
		cells := []string{r.Say}
		for _, c := range r.Cells {
			cells = append(cells, short(c))
		}
		say := r.Between
		if r.Aside != "" {
			say += " (" + r.Aside + ")"
		}
		row(append(cells, say)...)
	}
	if err := t.Flush(); err != nil {
		return err
	}
	for _, b := range s.Comparison.Bands {
		fmt.Fprintf(w, "  %s, again and again:\n", b.Unit)
		for _, r := range b.Rows {
			fmt.Fprintf(w, "    %s: %s\n", r.Say, r.Text)
		}
	}
	for _, n := range s.Notes {
		fmt.Fprintf(w, "  note: %s\n", n)
	}
	return nil
}

// short says a figure in a cell.
func short(c *compare.Cell) string {
	if c == nil {
		return "not measured"
	}
	l := c.Line
	return strings.Join(strings.Fields(strings.Join([]string{l.Lead, l.Value, l.PM, l.Unit}, " ")), " ")
}
