package web

import (
	"bytes"
	"context"
	"fmt"
	"html/template"
	"io/fs"
	"math"
	"regexp"
	"strconv"
	"strings"

	"letthrough/capture/compare"
	"letthrough/capture/trace"
)

// Side by side as one file: the same words, table and charts, with the chart library, the scripts and the
// traces inside. It opens from a memory stick and asks nobody for anything.

// Columns in a file: of all there is, and of the close look. More would be a larger file.
const (
	fileWhole = 3000
	fileClose = 2000
)

// sideFileColumns are the traces that a file carries.
type sideFileColumns struct {
	Whole      []fileColumns `json:"whole"` // by run
	Close      []fileColumns `json:"close"`
	Bands      []fileBand    `json:"bands"`
	CloseBands [][]fileBand  `json:"close_bands"` // of one stretch of time after another
}

type fileColumns struct {
	T      fewDigits `json:"t_s"`
	Min    fewDigits `json:"min"`
	Max    fewDigits `json:"max"`
	Mean   fewDigits `json:"mean"`
	Flags  flagBits  `json:"flags"`
	Single bool      `json:"single"`
}

type fileBand struct {
	T    fewDigits `json:"t"`
	Min  fewDigits `json:"min"`
	Mean fewDigits `json:"mean"`
	Max  fewDigits `json:"max"`
}

// fewDigits are numbers for a picture: nine digits are a nanosecond in a second and a millionth of any
// current.
type fewDigits []float64

// MarshalJSON writes the list; what is no number is null.
func (ns fewDigits) MarshalJSON() ([]byte, error) {
	b := append(make([]byte, 0, 2+10*len(ns)), '[')
	for i, v := range ns {
		if i > 0 {
			b = append(b, ',')
		}
		if math.IsNaN(v) || math.IsInf(v, 0) {
			b = append(b, "null"...)
		} else {
			b = strconv.AppendFloat(b, v, 'g', 9, 64)
		}
	}
	return append(b, ']'), nil
}

// SidePage is how a saved page looks at its runs; the zero value is what the page itself would choose.
type SidePage struct {
	View  string // over, stack, beside
	Rated bool
	Log   bool
}

// File gives the runs side by side as one self-contained HTML file.
func (s *Sides) File(ctx context.Context, files fs.FS, p SidePage, version string) ([]byte, error) {
	c := sideChoice{Align: s.Align, View: p.View, Rated: p.Rated, Log: p.Log, From: math.NaN(), To: math.NaN()}
	if err := s.settle(&c); err != nil {
		return nil, err
	}
	return s.file(ctx, files, c, version)
}

func (s *Sides) file(ctx context.Context, files fs.FS, c sideChoice, version string) ([]byte, error) {
	d := s.data(c)
	d.Ask = ""
	var err error
	if d.Columns, err = s.fileColumns(ctx, d); err != nil {
		return nil, err
	}
	library, err := fs.ReadFile(files, chartLibrary)
	if err != nil {
		return nil, &fault{503, codeUnavailable, "the chart library is not part of this build", "run make assets, build again and restart"}
	}
	script, err := linkModules(files, "scripts/sidefile.js")
	if err != nil {
		return nil, err
	}
	var style strings.Builder
	for _, name := range []string{"tokens", "base", "frame", "parts", "charts", "pages", "sides"} {
		b, err := fs.ReadFile(files, "styles/"+name+".css")
		if err != nil {
			return nil, err
		}
		style.Write(b)
	}
	for name, text := range map[string]string{"chart library": string(library), "script": script, "style": style.String()} {
		lower := strings.ToLower(text)
		for _, ends := range []string{"</script", "</style", "<!--", "<script"} {
			if strings.Contains(lower, ends) {
				return nil, fmt.Errorf("the %s cannot stand in a page: it holds %q", name, ends)
			}
		}
	}
	v := s.view(c)
	var b bytes.Buffer
	err = parsePages(files)["sidefile"].ExecuteTemplate(&b, "file", struct {
		Page                  sidesView
		Data                  sideData
		Style                 template.CSS
		Library, Script       template.JS
		Version, Looked, Made string
	}{v, d, template.CSS(style.String()), template.JS(library), template.JS(script), version, looked(v.Choices), ""})
	return b.Bytes(), err
}

// looked says the choices that a file was saved with.
func looked(groups []choiceGroup) string {
	var parts []string
	for _, g := range groups {
		for _, c := range g.Choices {
			if c.Now {
				parts = append(parts, g.Say+" "+c.Say)
			}
		}
	}
	return strings.Join(parts, ", ")
}

func (s *Sides) fileColumns(ctx context.Context, d sideData) (*sideFileColumns, error) {
	near := d.Close
	if d.Chosen != nil {
		near = *d.Chosen
	}
	out := &sideFileColumns{}
	windows := []sideWindow{near}
	if d.Log {
		windows = nil
		for from := d.Span.From; from < d.Span.To; from *= 10 {
			windows = append(windows, sideWindow{from, min(10*from, d.Span.To)})
		}
	}
	wholes, closes := make([]compare.Trace, len(s.sides)), make([]compare.Trace, len(s.sides))
	for i := range s.sides {
		whole, err := s.currentIn(ctx, i, d.Span, fileWhole)
		if err != nil {
			return nil, err
		}
		var close compare.Trace
		for _, w := range windows {
			part, err := s.currentIn(ctx, i, w, fileClose/len(windows))
			if err != nil {
				return nil, err
			}
			close = joined(close, part)
		}
		wholes[i], closes[i] = whole, close
		out.Whole, out.Close = append(out.Whole, fileColumnsOf(whole)), append(out.Close, fileColumnsOf(close))
	}
	out.Bands = s.fileBands(wholes, d.Span, fileWhole)
	for _, w := range windows {
		out.CloseBands = append(out.CloseBands, s.fileBands(closes, w, fileClose/len(windows)))
	}
	return out, nil
}

// fileBands are the bands of the runs' traces in a window, in n columns.
func (s *Sides) fileBands(traces []compare.Trace, w sideWindow, n int) []fileBand {
	var out []fileBand
	for _, e := range s.envelopes(traces, w.From, w.To, n) {
		out = append(out, fileBand{e.T, e.Min, e.Mean, e.Max})
	}
	return out
}

// currentIn gives one run's current in a window.
func (s *Sides) currentIn(ctx context.Context, i int, w sideWindow, n int) (compare.Trace, error) {
	found, err := s.channelsOf(ctx, i, w.From, w.To, n)
	if err != nil || len(found) == 0 || found[0].Quantity != trace.Current {
		return compare.Trace{}, err
	}
	return found[0].Trace, nil
}

// joined puts a trace behind another; what is not later is left out.
func joined(a, b compare.Trace) compare.Trace {
	skip := 0
	for len(a.T) > 0 && skip < len(b.T) && b.T[skip] <= a.T[len(a.T)-1] {
		skip++
	}
	a.T, a.Min, a.Max = append(a.T, b.T[skip:]...), append(a.Min, b.Min[skip:]...), append(a.Max, b.Max[skip:]...)
	a.Mean, a.Flags = append(a.Mean, b.Mean[skip:]...), append(a.Flags, b.Flags[skip:]...)
	return a
}

func fileColumnsOf(t compare.Trace) fileColumns {
	flags := flagBits(t.Flags)
	return fileColumns{t.T, t.Min, t.Max, t.Mean, flags, t.Single}
}

var (
	importLine = regexp.MustCompile(`(?m)^import \{ ([\w, ]+) \} from "\./([\w]+)\.js";\n`)
	exportWord = regexp.MustCompile(`(?m)^export (async function|function|class|const|let) (\w+)`)
	anyImport  = regexp.MustCompile(`(?m)^(import|export)\b`)
)

// linkModules makes one plain script of a module and all that it imports, for a file has no server to get
// modules from. Each keeps its own scope and hands out what it exports. It knows the forms that our own
// scripts are written in and refuses others.
func linkModules(files fs.FS, entry string) (string, error) {
	l := linker{files: files, done: map[string]bool{}}
	l.out.WriteString("\"use strict\";\n")
	if err := l.add(strings.TrimSuffix(strings.TrimPrefix(entry, "scripts/"), ".js")); err != nil {
		return "", err
	}
	return l.out.String(), nil
}

type linker struct {
	files fs.FS
	done  map[string]bool
	out   strings.Builder
}

func (l *linker) add(name string) error {
	if l.done[name] {
		return nil
	}
	l.done[name] = true
	b, err := fs.ReadFile(l.files, "scripts/"+name+".js")
	if err != nil {
		return err
	}
	text := string(b)
	for _, m := range importLine.FindAllStringSubmatch(text, -1) {
		if err := l.add(m[2]); err != nil {
			return err
		}
	}
	text = importLine.ReplaceAllString(text, "const { $1 } = module_$2;\n")
	var names []string
	for _, m := range exportWord.FindAllStringSubmatch(text, -1) {
		names = append(names, m[2])
	}
	text = exportWord.ReplaceAllString(text, "$1 $2")
	if form := anyImport.FindString(text); form != "" {
		return fmt.Errorf("script %s.js: this form of %s is not known here", name, form)
	}
	fmt.Fprintf(&l.out, "const module_%s = (() => {\n%s\nreturn { %s };\n})();\n", name, text, strings.Join(names, ", "))
	return nil
}
