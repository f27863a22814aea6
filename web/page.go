package web

import (
	"bytes"
	"html/template"
	"io/fs"
	"maps"
	"net/http"
	"strconv"
	"strings"
	"time"

	"letthrough/capture/trace"
	"letthrough/capture/words"
)

// The pages are Go templates that hold everything a first look needs; the live socket keeps the Bench
// fresh. There is no inline script or style anywhere: what a script needs to know stands in the page
// as JSON, which no browser runs.

// styleSheets in the order they build on each other.
var styleSheets = []string{"tokens", "base", "frame", "parts", "charts", "guard", "pages", "runs", "sides", "report", "rig"}

// pageNames are the templates that fill the frame.
var pageNames = []string{"meter", "bench", "runs", "run", "units", "rig", "riglist", "instruments", "help", "login", "problem", "readout", "sides", "tochoose", "sidefile", "report"}

// navPages are the pages one can go to from everywhere; their order is that of the keys 1, 2, 3 ...
var navPages = []navItem{{Path: "/", Name: "Bench"}, {Path: "/runs", Name: "Runs"}, {Path: "/compare", Name: "Side by side"}, {Path: "/units", Name: "Units"}, {Path: "/rig", Name: "Rig"}, {Path: "/report", Name: "Report"}, {Path: "/instruments", Name: "Instruments"}, {Path: "/help/", Name: "Help"}}

type navItem struct {
	Path, Name string
	Here       bool
}

// pageFrame is what every page has around its own content.
type pageFrame struct {
	Title        string
	Nav          []navItem
	Styles       []string
	Script       string // the page's own module; empty: none
	Keys         string
	Library      string // address of the chart library; empty: the page draws no chart, or it is missing
	ChartMissing bool   // the page draws charts and the library is not part of this build
	Icon         string
	Role         role
	SignedIn     bool // by a token, so that one can sign out
	Operator     bool
	Version      string
	Bare         bool   // without header and navigation
	Ground       string // of the read-out: paper, or a plain colour
	Strip        bool   // carry the strip while a run is open
	StripScript  string
	Mode         string
	Data         any // for the script, as JSON
	Page         any
}

// plateFields are the fields of a rating plate; ID begins the ids of their elements.
type plateFields struct {
	ID        string
	Unit      trace.Unit
	Waveforms []trace.Waveform
	Half      bool // two of them share a row
}

// pages are the parsed templates, one set a page.
type pages map[string]*template.Template

func parsePages(files fs.FS) pages {
	funcs := template.FuncMap{
		"count": reportCount, "verdicts": reportVerdicts,
		"num": plainNumber, "plate": plate, "waveform": words.Waveform, "procedure": words.Procedure,
		"plateForm": func(id string, forms []trace.Waveform) plateFields {
			return plateFields{ID: id, Unit: trace.Unit{Waveform: trace.DC}, Waveforms: forms}
		},
		"sheetForm": func(id string, u *trace.Unit, forms []trace.Waveform) plateFields {
			return plateFields{ID: id, Unit: *u, Waveforms: forms, Half: true}
		},
	}
	maps.Copy(funcs, rigFuncs)
	base := template.Must(template.New("frame").Funcs(funcs).ParseFS(files, "templates/frame.html", "templates/parts.html", "templates/report_body.html", "templates/rigshapes.html"))
	out := pages{}
	for _, name := range pageNames {
		out[name] = template.Must(template.Must(base.Clone()).ParseFS(files, "templates/"+name+".html"))
	}
	return out
}

// pageRoutes registers the pages.
func (s *Server) pageRoutes(mux *http.ServeMux) {
	s.pages = parsePages(s.opts.Files)
	page := func(pattern string, h func(w http.ResponseWriter, r *http.Request) error) {
		mux.HandleFunc(pattern, func(w http.ResponseWriter, r *http.Request) {
			if err := h(w, r); err != nil {
				s.writeErr(w, r, err)
			}
		})
	}
	page("GET /{$}", s.benchPage)
	page("GET /runs", s.runsPage)
	page("GET /runs/{id}", s.runPage)
	page("GET /compare", s.sidesPage)
	page("GET /api/compare/page", s.getSidesPage)
	page("GET /units", s.unitsPage)
	page("GET /units/{id}", s.unitsPage)
	page("GET /units/loads/{id}", s.unitsPage)
	page("GET /report", s.reportPage)
	page("GET /rig", s.rigPage)
	page("GET /rig/list", s.rigListPage)
	page("GET /instruments", s.instrumentsPage)
	page("GET /instruments/{name}", s.instrumentsPage)
	page("GET /meter", s.meterPage)
	page("GET /readout", s.readoutPage)
	page("GET /help/bench.png", s.helpPicture)
}

// helpPicture serves the picture that the browser tests make for the help page and the README.
func (s *Server) helpPicture(w http.ResponseWriter, r *http.Request) error {
	png, err := fs.ReadFile(s.opts.Files, "help/bench.png")
	if err != nil {
		return notFound("there is no such picture")
	}
	w.Header().Set("Content-Type", "image/png")
	w.Header().Set("Cache-Control", "no-cache")
	http.ServeContent(w, r, "", time.Time{}, bytes.NewReader(png))
	return nil
}

// frameOf fills what a page has around it. here is the path of its place in the navigation, script
// its module; charts says that it draws traces.
func (s *Server) frameOf(r *http.Request, title, here, script string, charts bool) pageFrame {
	f := pageFrame{
		Title: title, Role: roleOf(r), Operator: roleOf(r) == roleOperator, SignedIn: !s.access.open() && roleOf(r) != roleNone,
		Version: s.opts.Version, Keys: s.asset("scripts/keys.js"), Icon: s.asset("styles/icon.svg"),
		Strip: here != "/" && roleOf(r) != roleNone, StripScript: s.asset("scripts/strip.js"),
	}
	for _, name := range styleSheets {
		f.Styles = append(f.Styles, s.asset("styles/"+name+".css"))
	}
	for _, n := range navPages {
		n.Here = n.Path == here
		f.Nav = append(f.Nav, n)
	}
	if script != "" {
		f.Script = s.asset("scripts/" + script)
	}
	if charts {
		f.ChartMissing = s.chartMissing()
		if !f.ChartMissing {
			f.Library = s.asset(chartLibrary)
		}
	}
	return f
}

// render writes a page. It is made whole first: half a page with an error in it helps nobody.
func (s *Server) render(w http.ResponseWriter, r *http.Request, status int, name string, f pageFrame) error {
	var b bytes.Buffer
	if err := s.pages[name].ExecuteTemplate(&b, "frame", f); err != nil {
		return err
	}
	h := w.Header()
	h.Set("Content-Type", "text/html; charset=utf-8")
	h.Set("Cache-Control", "no-store")
	body := b.Bytes()
	if z := compressed(body); z != nil && acceptsGzip(r) {
		h.Set("Content-Encoding", "gzip")
		body = z
	}
	h.Set("Vary", "Accept-Encoding")
	h.Set("Content-Length", strconv.Itoa(len(body)))
	w.WriteHeader(status)
	if r.Method != http.MethodHead {
		_, _ = w.Write(body)
	}
	return nil
}

// writeHelp puts a help page into the frame.
func (s *Server) writeHelp(w http.ResponseWriter, r *http.Request, title string, body template.HTML) {
	f := s.frameOf(r, title, "/help/", "", false)
	f.Page = body
	s.renderOrFail(w, r, http.StatusOK, "help", f)
}

// writeLogin shows the form for the token; problem says why the last one was refused.
func (s *Server) writeLogin(w http.ResponseWriter, r *http.Request, status int, problem string) {
	f := s.frameOf(r, "Sign in", "", "", false)
	f.Nav, f.Strip = nil, false
	next := r.FormValue("next")
	if next == "" && r.URL.Path != "/login" {
		next = r.URL.RequestURI()
	}
	f.Page = struct{ Problem, Next string }{problem, localPath(next)}
	s.renderOrFail(w, r, status, "login", f)
}

// writeProblem shows an error as a page.
func (s *Server) writeProblem(w http.ResponseWriter, r *http.Request, status int, text, hint string) {
	f := s.frameOf(r, http.StatusText(status), "", "", false)
	f.Page = struct{ Text, Hint string }{asSentence(text), asSentence(hint)}
	s.renderOrFail(w, r, status, "problem", f)
}

// renderOrFail is for pages that are themselves the last resort.
func (s *Server) renderOrFail(w http.ResponseWriter, r *http.Request, status int, name string, f pageFrame) {
	if err := s.render(w, r, status, name, f); err != nil {
		s.log.Error("page not made", "page", name, "err", err)
		http.Error(w, "the page could not be made; the log says why", http.StatusInternalServerError)
	}
}

// asSentence begins with a capital and ends with a stop.
func asSentence(s string) string {
	s = strings.TrimSpace(s)
	if s == "" {
		return ""
	}
	s = strings.ToUpper(s[:1]) + s[1:]
	if !strings.HasSuffix(s, ".") && !strings.HasSuffix(s, "?") && !strings.HasSuffix(s, "!") {
		s += "."
	}
	return s
}

// plainNumber writes a number as short as it is exact: 12, 1.4.
func plainNumber(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

// plate says a rating plate: "12 V, 1.4 A".
func plate(u trace.Unit) string {
	var parts []string
	if u.RatedVoltageV > 0 {
		parts = append(parts, plainNumber(u.RatedVoltageV)+" V")
	}
	if u.RatedCurrentA > 0 {
		parts = append(parts, plainNumber(u.RatedCurrentA)+" A")
	}
	if len(parts) == 0 {
		return "rating unknown"
	}
	return strings.Join(parts, ", ")
}

// pageWords are the words a script needs, made where all words are made.
type pageWords struct {
	Phases     map[trace.Phase]string     `json:"phases"`
	Procedures map[trace.Procedure]string `json:"procedures"`
	Waveforms  map[trace.Waveform]string  `json:"waveforms"`
	Marks      map[trace.MarkKind]string  `json:"marks"`
	Uses       map[trace.UseKind]string   `json:"uses"`
}

func wordsForPages() pageWords {
	w := pageWords{map[trace.Phase]string{}, map[trace.Procedure]string{}, map[trace.Waveform]string{}, map[trace.MarkKind]string{}, map[trace.UseKind]string{}}
	for _, p := range []trace.Phase{trace.Idle, trace.Fault, trace.Limiting, trace.Off, trace.Retry} {
		w.Phases[p] = words.Phase(p)
	}
	for _, p := range trace.Procedures {
		w.Procedures[p] = words.Procedure(p)
	}
	for _, k := range markKinds {
		w.Marks[k] = words.Mark(k)
	}
	for _, u := range []trace.UseKind{trace.UseEdge, trace.UseLevel, trace.UseSum, trace.UseMost, trace.UsePeak, trace.UseCount, trace.UseSlope} {
		w.Uses[u] = words.Use(u)
	}
	for _, f := range trace.Waveforms {
		w.Waveforms[f] = words.Waveform(f)
	}
	return w
}
