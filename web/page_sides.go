package web

import (
	"context"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"letthrough/capture/compare"
	"letthrough/capture/trace"
	"letthrough/capture/words"
	"letthrough/store"
)

// sideChoice is how runs side by side are looked at; the address of the page holds it.
type sideChoice struct {
	Runs  []int64
	Align compare.Align
	View  string // over, stack, beside
	Rated bool   // as multiples of the rating
	Log   bool   // logarithmic time
	From  float64
	To    float64 // of the close look; NaN: the page's own choice
}

// Names of the choices in the address.
const (
	unitAmperes, unitRated = "a", "rated"
	timeLinear, timeLog    = "lin", "log"
)

func sideChoiceOf(q url.Values) (c sideChoice, err error) {
	c = sideChoice{Align: compare.AtOnset, View: q.Get("view"), From: math.NaN(), To: math.NaN()}
	if a := q.Get("align"); a != "" {
		c.Align = compare.Align(a)
	}
	for _, one := range []struct {
		name   string
		words  []string
		chosen *bool
	}{{"unit", []string{"", unitAmperes, unitRated}, &c.Rated}, {"time", []string{"", timeLinear, timeLog}, &c.Log}} {
		word := q.Get(one.name)
		if !slices.Contains(one.words, word) {
			return c, outOfRange("use "+one.words[1]+" or "+one.words[2], "%s: there is no choice %q", one.name, clip(word))
		}
		*one.chosen = word == one.words[2]
	}
	if !slices.Contains([]string{"", viewOver, viewStack, viewBeside}, c.View) {
		return c, outOfRange("use over, stack or beside", "view: there is no choice %q", clip(c.View))
	}
	if c.From, err = seconds(q, "from"); err == nil {
		c.To, err = seconds(q, "to")
	}
	if !(c.From < c.To) {
		c.From, c.To = math.NaN(), math.NaN()
	}
	return c, err
}

// query writes the choice as an address holds it; change edits a copy first.
func (c sideChoice) query(change ...func(*sideChoice)) string {
	for _, f := range change {
		f(&c)
	}
	ids := make([]string, len(c.Runs))
	for i, id := range c.Runs {
		ids[i] = strconv.FormatInt(id, 10)
	}
	q := "?runs=" + strings.Join(ids, ",")
	add := func(name, value string, usual bool) {
		if !usual {
			q += "&" + name + "=" + value
		}
	}
	add("align", string(c.Align), c.Align == compare.AtOnset)
	add("view", c.View, c.View == "")
	add("unit", unitRated, !c.Rated)
	add("time", timeLog, !c.Log)
	if !math.IsNaN(c.From) {
		q += "&from=" + plainNumber(c.From) + "&to=" + plainNumber(c.To)
	}
	return q
}

// sidesView is what the page and the file show.
type sidesView struct {
	Title   string
	Under   string
	Unlike  []string
	Says    []string
	Choices []choiceGroup
	Facts   []sideFact
	Names   []sideHead
	Rows    []sideRow
	Bands   []sideBandView
	Notes   []string
	Two     bool
	Aligned bool   // each trace stands over its column of the table, where the window is wide enough
	Change  string // address to choose other runs
	Save    string // address of the file
}

type choiceGroup struct {
	Say     string
	Choices []choiceLink
}

type choiceLink struct {
	Say  string
	Href string // empty: not possible, for the reason Why
	Now  bool
	Why  string
}

type sideHead struct {
	Name, Plate string
	Run         int64
}

type sideFact struct {
	Say     string
	Values  []string
	Shapes  []string // before each value; empty: none
	Between string
}

type sideRow struct {
	Key            string
	Say            string
	Cells          []*compare.Cell
	Between, Aside string
	Unsure         bool // nothing is told between them
}

type sideBandView struct {
	Unit, Runs string
	Rows       []compare.BandRow
}

// sideBandKey is what ground and line of a band are called.
type sideBandKey struct {
	LeastToMost string `json:"least_to_most"`
	Mean        string `json:"mean"`
}

// sideData is what the script draws from. Only a file carries the columns; the page asks for them.
type sideData struct {
	Option  map[string]any   `json:"option"`
	Panels  []sidePanel      `json:"panels"`
	View    string           `json:"view"`
	Rated   bool             `json:"rated"`
	Log     bool             `json:"log"`
	Runs    []sideRunData    `json:"runs"`
	Bands   [][]int          `json:"bands"`
	Keys    []sideBandKey    `json:"band_keys"`
	Span    sideWindow       `json:"span"`
	Close   sideWindow       `json:"close"`
	Chosen  *sideWindow      `json:"chosen"` // the window of the address
	Words   sideWords        `json:"words"`
	Ask     string           `json:"ask"` // the address of the columns
	File    string           `json:"file"`
	Columns *sideFileColumns `json:"columns,omitempty"`
}

type sideWindow struct {
	From float64 `json:"from"`
	To   float64 `json:"to"`
}

type sideWords struct {
	Close string `json:"close"`
	Whole string `json:"whole"`
	Zero  string `json:"zero"`
}

type sideRunData struct {
	Name      string          `json:"name"`
	Plate     string          `json:"plate"`
	RatedA    float64         `json:"rated_a"`
	Stretches []trace.Stretch `json:"stretches"`
	Labels    []sideLabel     `json:"labels"`
}

// view lays the comparison out.
func (s *Sides) view(c sideChoice) sidesView {
	v := sidesView{Title: s.Title, Under: s.under(), Notes: s.Notes, Two: len(s.sides) == 2, Choices: s.choices(c),
		Aligned: c.View == viewBeside && (len(s.sides) == 3 || len(s.sides) == 4)}
	for _, u := range s.Conditions {
		if u.Unlike {
			v.Unlike = append(v.Unlike, u.Text)
		}
	}
	if s.Says != "" {
		v.Says = append(v.Says, asSentence(s.Says))
	}
	for i, r := range s.Runs() {
		v.Names = append(v.Names, sideHead{s.Names[i], plate(r.Unit), r.ID})
	}
	for _, f := range s.Facts {
		fact := sideFact{Say: f.Say, Values: f.Values, Shapes: make([]string, len(f.Values)), Between: f.Between}
		for i, word := range f.Words {
			if f.Key == "verdict" {
				fact.Shapes[i] = verdictShape(word)
			}
		}
		v.Facts = append(v.Facts, fact)
	}
	for _, r := range s.Rows {
		if r.In == "" {
			v.Rows = append(v.Rows, sideRow{r.Key, r.Say, r.Cells, r.Between, r.Aside, len(r.Order) == 0 && strings.HasPrefix(r.Between, "not ")})
		}
	}
	for _, b := range s.Comparison.Bands {
		var names []string
		for _, i := range b.Runs {
			names = append(names, s.Names[i])
		}
		v.Bands = append(v.Bands, sideBandView{b.Unit, words.List(names), b.Rows})
	}
	return v
}

// under says what is compared and what was alike.
func (s *Sides) under() string {
	var ids []string
	for _, r := range s.Runs() {
		if r.ID != 0 {
			ids = append(ids, strconv.FormatInt(r.ID, 10))
		}
	}
	say := words.Procedure(s.Procedure)
	if len(ids) == len(s.sides) {
		say += ", runs " + words.List(ids)
	}
	say += ", aligned at " + words.AlignedAt(string(s.Align)) + "."
	var alike []string
	for _, u := range s.Conditions {
		if !u.Unlike && slices.Contains([]string{"rig", "instrument", "hold"}, u.Key) {
			alike = append(alike, map[string]string{"rig": "rig", "instrument": "instrument", "hold": "hold"}[u.Key])
		}
	}
	if len(alike) > 0 {
		say += " Same " + words.List(alike) + "."
	}
	return say
}

func (s *Sides) choices(c sideChoice) []choiceGroup {
	link := func(say string, now bool, change func(*sideChoice)) choiceLink {
		return choiceLink{Say: say, Now: now, Href: "/compare" + c.query(change)}
	}
	align := choiceGroup{Say: "Aligned at"}
	for _, a := range compare.Alignments {
		align.Choices = append(align.Choices, link(words.AlignedAt(string(a)), c.Align == a, func(c *sideChoice) { c.Align, c.From, c.To = a, math.NaN(), math.NaN() }))
	}
	laid := choiceGroup{Say: "laid"}
	for _, view := range []choice{{viewOver, "over each other"}, {viewStack, "one above another"}, {viewBeside, "beside each other"}} {
		laid.Choices = append(laid.Choices, link(view.Say, c.View == view.Value, func(c *sideChoice) { c.View = view.Value }))
	}
	in := choiceGroup{Say: "in", Choices: []choiceLink{
		link("amperes", !c.Rated, func(c *sideChoice) { c.Rated = false }),
		link("multiples of the rating", c.Rated, func(c *sideChoice) { c.Rated = true }),
	}}
	if unknown := s.withoutRating(); len(unknown) > 0 {
		in.Choices[1].Href, in.Choices[1].Why = "", "the rating of "+words.List(unknown)+" is not known"
	}
	along := choiceGroup{Say: "along", Choices: []choiceLink{
		link("linear time", !c.Log, func(c *sideChoice) { c.Log, c.From, c.To = false, math.NaN(), math.NaN() }),
		link("logarithmic time", c.Log, func(c *sideChoice) { c.Log, c.From, c.To = true, math.NaN(), math.NaN() }),
	}}
	return []choiceGroup{align, laid, in, along}
}

func (s *Sides) withoutRating() []string {
	var out []string
	for i := range s.sides {
		if !(s.rated(i) > 0) {
			out = append(out, s.Names[i])
		}
	}
	return out
}

// rated is the rating that a run's figures went by, else that of its plate.
func (s *Sides) rated(i int) float64 {
	r := s.Runs()[i]
	if r.Settings.RatedCurrentA > 0 {
		return r.Settings.RatedCurrentA
	}
	return r.Unit.RatedCurrentA
}

// settle makes a choice one that can be shown.
func (s *Sides) settle(c *sideChoice) error {
	if c.View == "" {
		c.View = viewBeside
		if len(s.sides) == 2 {
			c.View = viewOver
		}
	}
	if c.Rated {
		if unknown := s.withoutRating(); len(unknown) > 0 {
			return outOfRange("look at amperes, or say the rating on the page Units and derive anew", "the rating of %s is not known, so there are no multiples of it", words.List(unknown))
		}
	}
	if _, to := s.span(); c.Log && !(to > 0) {
		return outOfRange("look at linear time, or align at the onset", "nothing was read after the instant of alignment, so there is no logarithmic time")
	}
	return nil
}

// data is what the script draws from.
func (s *Sides) data(c sideChoice) sideData {
	n := len(s.sides)
	d := sideData{Panels: sidePanels(n, c.View), View: c.View, Rated: c.Rated, Log: c.Log, Bands: [][]int{}, Keys: []sideBandKey{}}
	d.Span.From, d.Span.To = s.span()
	d.Close = s.closeLook()
	if c.Log {
		d.Span.From = s.leastTime(d.Span.To)
		d.Close = d.Span
	}
	if !math.IsNaN(c.From) && c.From < c.To {
		d.Chosen = &sideWindow{c.From, c.To}
	}
	for _, b := range s.Comparison.Bands {
		of := fmt.Sprintf("%s, %d runs: ", b.Unit, len(b.Runs))
		d.Bands, d.Keys = append(d.Bands, b.Runs), append(d.Keys, sideBandKey{of + "min–max", of + "mean"})
	}
	d.Option = sidesOption(d.Panels, s.Names, len(d.Bands))
	for i := range s.sides {
		j := s.side(i)
		under := plate(j.Unit)
		if j.ID != 0 {
			under = "run " + strconv.FormatInt(j.ID, 10) + ", " + under
		}
		d.Runs = append(d.Runs, sideRunData{s.Names[i], under, s.rated(i), j.Stretches, j.Labels})
	}
	d.Words = s.chartWords(d)
	d.Ask = "/api/compare" + sideChoice{Runs: c.Runs, Align: c.Align, From: math.NaN()}.query()
	d.File = fileWord(s.Title)
	return d
}

func (s *Sides) chartWords(d sideData) sideWords {
	w := sideWords{Whole: "all " + words.Significant(d.Span.To-max(0, d.Span.From), 3) + " s", Zero: "from " + words.AlignedAt(string(s.Align))}
	switch {
	case d.Log:
		w.Close = "from " + words.Significant(d.Close.From, 2) + " s on"
	case s.Align == compare.AtOnset && d.Close.From <= 0:
		w.Close = "the first " + words.Significant(d.Close.To, 3) + " s"
	default:
		w.Close = words.Significant(d.Close.From, 3) + " s to " + words.Significant(d.Close.To, 3) + " s"
	}
	if s.Align == compare.AtClock {
		first := slices.MinFunc(s.sides, func(a, b Side) int { return a.Zero.Compare(b.Zero) })
		w.Zero = "from " + first.Zero.Format(time.TimeOnly)
	}
	w.Close, w.Whole = asTitle(w.Close), asTitle(w.Whole)
	return w
}

// leastTime is where logarithmic time begins: at what the fastest instrument could tell.
func (s *Sides) leastTime(to float64) float64 {
	rate := 0.0
	for _, r := range s.Runs() {
		rate = max(rate, r.RateHz)
	}
	least := to / 1e5
	if rate > 0 {
		least = max(least, 1/rate)
	}
	return math.Pow(10, math.Floor(math.Log10(min(least, to/10))))
}

// closeLook is what is looked at nearer by itself: the fault until the last of them stopped or limited it,
// and half as much again.
func (s *Sides) closeLook() sideWindow {
	from, to := s.span()
	first, last := math.Inf(1), math.Inf(-1)
	for i := range s.sides {
		for _, m := range s.side(i).Marks {
			if m.Kind == trace.Onset {
				first = min(first, m.T)
			}
			if m.Kind == trace.CutOff || m.Kind == trace.Limited {
				last = max(last, m.T)
				break
			}
		}
	}
	fault := last - first
	if !(fault > 0) || math.IsInf(fault, 0) || 1.5*fault > 0.7*(to-from) {
		if s.Procedure == trace.Short || s.Procedure == trace.Overload || math.IsInf(fault, 0) {
			return sideWindow{max(from, -0.01*to), to / 5}
		}
		return sideWindow{max(from, last-0.15*(to-from)), min(to, last+0.05*(to-from))}
	}
	if s.Align == compare.AtOnset {
		wide := roundUp(1.5 * fault)
		return sideWindow{max(from, -0.1*wide), min(wide, to)}
	}
	return sideWindow{max(from, first-0.15*fault), min(to, last+0.5*fault)}
}

// roundUp gives the next of 1, 1.5, 2, 3, 5 and 7 times a power of ten.
func roundUp(v float64) float64 {
	p := math.Pow(10, math.Floor(math.Log10(v)))
	for _, f := range []float64{1, 1.5, 2, 3, 5, 7} {
		if f*p >= v*(1-1e-9) {
			return f * p
		}
	}
	return 10 * p
}

func (s *Server) sidesPage(w http.ResponseWriter, r *http.Request) error {
	q := r.URL.Query()
	if chosen := q["run"]; len(chosen) > 0 { // from the list of runs, where no script puts them together
		http.Redirect(w, r, "/compare?runs="+url.QueryEscape(strings.Join(chosen, ",")), http.StatusSeeOther)
		return nil
	}
	if strings.TrimSpace(q.Get("runs")) == "" {
		return s.sidesToChoose(w, r)
	}
	c, sides, err := s.sidesChosen(r)
	if err != nil {
		return err
	}
	v, d := sides.view(c), sides.data(c)
	v.Change = "/runs?chosen=" + strings.TrimPrefix(sideChoice{Runs: c.Runs, Align: compare.AtOnset, From: math.NaN()}.query(), "?runs=")
	v.Save = "/api/compare/page" + c.query()
	f := s.frameOf(r, v.Title+" side by side", "/compare", "sides.js", true)
	f.Page, f.Data = v, d
	return s.render(w, r, http.StatusOK, "sides", f)
}

func (s *Server) sidesChosen(r *http.Request) (sideChoice, *Sides, error) {
	q, err := query(r, "runs", "align", "view", "unit", "time", "from", "to")
	if err != nil {
		return sideChoice{}, nil, err
	}
	c, err := sideChoiceOf(q)
	if err != nil {
		return c, nil, err
	}
	sides, err := s.sidesAsked(r, q)
	if err != nil {
		return c, nil, err
	}
	for _, one := range sides.Runs() {
		c.Runs = append(c.Runs, one.ID)
	}
	return c, sides, sides.settle(&c)
}

// getSidesPage gives the page as one file that needs neither program nor network.
func (s *Server) getSidesPage(w http.ResponseWriter, r *http.Request) error {
	c, sides, err := s.sidesChosen(r)
	if err != nil {
		return err
	}
	page, err := sides.file(r.Context(), s.opts.Files, c, s.opts.Version)
	if err != nil {
		return err
	}
	h := w.Header()
	h.Set("Content-Type", "text/html; charset=utf-8")
	h.Set("Content-Disposition", `attachment; filename="`+fileWord(sides.Title)+`.html"`)
	h.Set("Cache-Control", "no-store")
	h.Set("Content-Length", strconv.Itoa(len(page)))
	_, err = w.Write(page)
	return err
}

// suggestion is what could be set side by side.
type suggestion struct{ Say, Href string }

// sidesToChoose helps whoever has chosen nothing yet.
func (s *Server) sidesToChoose(w http.ResponseWriter, r *http.Request) error {
	offers, err := s.suggestions(r.Context())
	if err != nil {
		return err
	}
	f := s.frameOf(r, "Side by side", "/compare", "", false)
	f.Page = offers
	return s.render(w, r, http.StatusOK, "tochoose", f)
}

func (s *Server) suggestions(ctx context.Context) ([]suggestion, error) {
	page, err := s.store.Runs(ctx, store.RunQuery{Limit: 200})
	if err != nil {
		return nil, err
	}
	newest := map[trace.Procedure][]store.RunSummary{} // the newest of each unit
	repeats := map[string][]store.RunSummary{}
	for _, run := range page.Runs {
		if run.Unit == "" || run.State == trace.RunOpen || run.State == trace.RunExcluded {
			continue
		}
		p := run.Procedure
		if !slices.ContainsFunc(newest[p], func(o store.RunSummary) bool { return o.Unit == run.Unit }) && len(newest[p]) < compare.Most {
			newest[p] = append(newest[p], run)
		}
		if of := run.Unit + "\n" + string(p); len(repeats[of]) < compare.Most {
			repeats[of] = append(repeats[of], run)
		}
	}
	var out []suggestion
	offer := func(say string, runs []store.RunSummary) {
		if len(runs) >= compare.Fewest {
			ids := make([]int64, len(runs))
			for i, run := range runs {
				ids[i] = run.ID
			}
			out = append(out, suggestion{say, "/compare" + sideChoice{Runs: ids, Align: compare.AtOnset, From: math.NaN()}.query()})
		}
	}
	for _, p := range trace.Procedures {
		var names []string
		for _, run := range newest[p] {
			names = append(names, run.Unit)
		}
		offer(fmt.Sprintf("%s: the newest of %s", words.Procedure(p), words.List(names)), newest[p])
	}
	for _, p := range trace.Procedures {
		for _, run := range newest[p] {
			again := repeats[run.Unit+"\n"+string(p)]
			offer(fmt.Sprintf("%s: the last %d of %s", words.Procedure(p), len(again), run.Unit), again)
		}
	}
	return out, nil
}

// fileWord makes a file's name of a title.
func fileWord(title string) string {
	word := strings.Map(func(r rune) rune {
		switch {
		case r >= 'a' && r <= 'z', r >= 'A' && r <= 'Z', r >= '0' && r <= '9':
			return r
		}
		return '-'
	}, title)
	for strings.Contains(word, "--") {
		word = strings.ReplaceAll(word, "--", "-")
	}
	if word = strings.Trim(word, "-"); word == "" {
		word = "side-by-side"
	}
	return word[:min(len(word), 60)]
}
