package web

import (
	"encoding/json"
	"fmt"
	"html"
	"math"
	"regexp"
	"slices"
	"strings"

	"letthrough/capture/trace"
	"letthrough/capture/words"
)

// Tampered is one thing in a report's file that does not come out.
type Tampered struct {
	What, Says, Gives string
}

// shownCell finds the figures in a report's table.
var (
	shownCell = regexp.MustCompile(`(?s)<span class="q" data-run="([^"]*)" data-figure="([^"]*)">(.*?)</span>`)
	markup    = regexp.MustCompile(`<[^>]*>`)
)

// CheckReport holds what a report says, as JSON and in the cells of its table, against the figures that the
// samples in it give; derived are those, by the runs' UUIDs. A run that is carried thinned gives its figures
// less well: they have to agree within both uncertainties. figures is how many the page tells.
func CheckReport(says, page []byte, derived map[string]trace.Derivation) (out []Tampered, figures int, err error) {
	var rep Report
	if err := json.Unmarshal(says, &rep); err != nil {
		return nil, 0, fmt.Errorf("what the report says cannot be read: %w", err)
	}
	told := map[[2]string][]string{}
	for _, u := range rep.Units {
		for _, f := range u.Figures {
			figures++
			d, carried := derived[f.UUID]
			got, ok := d.Figures.Get(f.Key)
			what := fmt.Sprintf("%s of %s (run %d)", f.Key, u.Unit, f.Run)
			switch {
			case !carried:
				out = append(out, Tampered{what, words.Text(withKey(f)), "nothing: the file does not carry that run"})
			case slices.Contains(rep.carried(f.UUID).TooThin, f.Key):
				// The file says itself that its samples are too thin for this one.
			case !ok || !agrees(withKey(f), got, rep.carried(f.UUID).thinned()):
				out = append(out, Tampered{what, words.Text(withKey(f)), words.Text(got)})
			}
			told[[2]string{f.UUID, f.Key}] = append(told[[2]string{f.UUID, f.Key}], shownText(words.Sentence(withKey(f), trace.Settings{})))
		}
	}
	cells := 0
	for _, m := range shownCell.FindAllStringSubmatch(string(page), -1) {
		cells++
		key := [2]string{html.UnescapeString(m[1]), html.UnescapeString(m[2])}
		shown := strings.Join(strings.Fields(html.UnescapeString(markup.ReplaceAllString(m[3], ""))), " ")
		want := told[key]
		if len(want) == 0 {
			out = append(out, Tampered{"a cell of the table", shown, "nothing: no such figure is told"})
		} else if shown != want[0] {
			out = append(out, Tampered{"the table's " + key[1], shown, want[0]})
		}
	}
	if cells == 0 && len(told) > 0 {
		out = append(out, Tampered{"the table", "no figure", "some"})
	}
	return out, figures, nil
}

func withKey(f ReportFigure) trace.Figure {
	g := f.Figure
	g.Key = f.Key
	return g
}

func (rep Report) carried(uuid string) (c CarriedRun) {
	if i := slices.IndexFunc(rep.Carried, func(c CarriedRun) bool { return c.UUID == uuid }); i >= 0 {
		c = rep.Carried[i]
	}
	return c
}

func (c CarriedRun) thinned() bool { return c.Samples < c.Of }

func agrees(says, gives trace.Figure, thinned bool) bool {
	near := func(a, b, most float64) bool { return a == b || math.Abs(a-b) <= most }
	if !thinned {
		return says.Bound == gives.Bound && near(says.Value, gives.Value, 1e-9*math.Abs(says.Value)) && near(says.U, gives.U, 1e-9*math.Abs(says.U))
	}
	if !gives.Bound.HasValue() {
		return true // too thin to tell contradicts nothing
	}
	apart := says.Value - gives.Value
	if strings.HasPrefix(says.Key, "peak_") && apart >= 0 {
		return true // the sample that showed it may have been left out; it is among the extremes
	}
	room := math.Hypot(says.U, gives.U)
	switch {
	case says.Bound == trace.AtMost && gives.Bound != trace.AtMost:
		return apart >= -room
	case says.Bound == trace.AtLeast && gives.Bound != trace.AtLeast:
		return apart <= room
	case says.Bound == trace.Exact && gives.Bound == trace.AtMost:
		return apart <= room
	case says.Bound == trace.Exact && gives.Bound == trace.AtLeast:
		return apart >= -room
	case says.Bound != trace.Exact:
		return true // two bounds on one side
	}
	return near(says.Value, gives.Value, room)
}
