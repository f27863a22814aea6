package web

import (
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"letthrough/capture/trace"
	"letthrough/capture/words"
	"letthrough/store"
)

// runView is one stored run.
type runView struct {
	Run       store.Run
	Title     string
	Under     string
	Behaviour string
	Recovery  string
	Why       []whyRow
	Marks     []runMark
	Jumps     []jump
	Speeds    []float64
	Fields    []settingField
	Settings  []fact
	Facts     []fact
	Counts    []fact
	Open      bool
	Operator  bool
	Asked     bool // nobody has said yet whose the last fall was
	Edits     []editRow
	Choices   []choice // the marks that can be moved or struck
	Kinds     []choice // ... and the kinds that can be added
	// Derivations are what was kept of this run; Older: what is shown is not the current one.
	Derivations []derivationRow
	Older       bool
}

// AsSentence is for the template.
func (runView) AsSentence(s string) string { return asSentence(s) }

// jump is a part of the run to look at.
type jump struct {
	Say      string
	From, To float64
}

// replaySpeeds are offered on the page; the socket takes any between the first and the last.
var replaySpeeds = []float64{0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100}

type fact struct{ Name, Value string }

type runData struct {
	Option     map[string]any `json:"option"`
	Words      pageWords      `json:"words"`
	ID         int64          `json:"id"`
	HoldS      float64        `json:"hold_s"`
	Unit       trace.Unit     `json:"unit"`
	Marks      []markData     `json:"marks"`
	Lines      []words.Line   `json:"lines"`
	Levels     []levelData    `json:"levels"`
	FullScaleA float64        `json:"full_scale_a"` // the most that the range shows; 0 where unknown
	FromS      float64        `json:"from_s"`
	ToS        float64        `json:"to_s"`
	// IntervalS is the mean time between two readings of the channel that has the most.
	IntervalS float64 `json:"interval_s"`
	Operator  bool    `json:"operator"` // ... who may change marks
	Current   bool    `json:"current"`  // what is shown is the current derivation
}

// levelData is a level of the current with its name: the stair that was carried, the trip.
type levelData struct {
	A    float64  `json:"a"`
	Text string   `json:"text"`
	Left bool     `json:"left"`           // its name stands at the left, above a load that rises from there
	ToS  *float64 `json:"to_s,omitempty"` // it is of interest up to then
}

type markData struct {
	ID   int            `json:"id"`
	Kind trace.MarkKind `json:"kind"`
	T    float64        `json:"t"`
	By   trace.By       `json:"by"`
	Say  string         `json:"say"`
	Text string         `json:"text,omitempty"`
	WasS *float64       `json:"was_s,omitempty"` // where the program itself had put it
}

func (s *Server) runPage(w http.ResponseWriter, r *http.Request) error {
	id, err := idOf(r, "run")
	if err != nil {
		return err
	}
	run, err := s.store.Run(r.Context(), id)
	if err != nil {
		return err
	}
	shown, err := s.showOlder(r, &run)
	if err != nil {
		return err
	}
	lines := linesOf(run.Derivation.Figures, run.DerivedWith)
	v := runView{
		Run: run, Title: run.Unit + ", run " + strconv.FormatInt(id, 10), Under: runUnder(run),
		Behaviour: words.Behaviour(run.Derivation.Behaviour), Recovery: words.Recovery(run.Derivation.Recovery),
		Why: whyRows(run), Marks: runMarks(run), Jumps: jumpsOf(run), Speeds: replaySpeeds, Fields: settingFields(run),
		Derivations: derivationRows(run, shown), Older: shown != 0, Settings: settingFacts(run), Facts: runFacts(run), Counts: countFacts(run.Counts),
		Open: run.State == trace.RunOpen, Operator: roleOf(r) == roleOperator,
		Edits: editRows(run.Edits), Choices: markChoices(run), Kinds: kindChoices(),
		Asked: slices.ContainsFunc(run.Derivation.Warnings, func(w trace.Warning) bool { return w.Code == "final_fall" }),
	}
	if v.Asked && run.Derivation.Behaviour == trace.BehaviourUnsure {
		v.Behaviour = "The current fell; whose doing is open"
	}
	d := runData{Option: chartOption(), Words: wordsForPages(), ID: id, HoldS: run.HoldS, Unit: run.Plate, Lines: lines, Marks: markDataOf(run), Levels: levelsOf(run), FullScaleA: run.DerivedWith.FullScaleA,
		Operator: v.Operator && !v.Open && !v.Older, Current: !v.Older}
	if h := run.DerivedWith.HoldS; h > 0 {
		d.HoldS = h
	}
	d.IntervalS = 1e-3
	most := int64(0)
	for _, c := range run.Channels {
		d.FromS, d.ToS = min(d.FromS, c.FromS), max(d.ToS, c.ToS)
		if c.Samples > max(most, 1) {
			most, d.IntervalS = c.Samples, (c.ToS-c.FromS)/float64(c.Samples-1)
		}
	}
	f := s.frameOf(r, v.Title, "/runs", "run.js", true)
	f.Page, f.Data = v, d
	return s.render(w, r, http.StatusOK, "run", f)
}

// showOlder puts another derivation of the run in the current one's place where the address asks for one, and gives
// its number; 0: the current one is shown.
func (s *Server) showOlder(r *http.Request, run *store.Run) (int64, error) {
	text := r.URL.Query().Get("derivation")
	if text == "" {
		return 0, nil
	}
	id, err := strconv.ParseInt(text, 10, 64)
	if err != nil {
		return 0, malformed("the run's page lists its derivations", "derivation: %q is no number of one", clip(text))
	}
	for _, d := range run.Derivations {
		if d.ID == id && d.Current {
			return 0, nil
		}
	}
	d, set, err := s.store.DerivationByID(r.Context(), run.ID, id)
	if err != nil {
		return 0, err
	}
	run.Derivation, run.DerivedWith = d, set
	return id, nil
}

func runUnder(run store.Run) string {
	parts := []string{words.Procedure(run.Procedure), run.Started.Format("2 January 2006, 15:04:05")}
	out := strings.Join(parts, ", ") + ". Rated " + plate(run.Plate)
	if run.Plate.Waveform != "" {
		out += ", " + words.Waveform(run.Plate.Waveform)
	}
	return out + "."
}

// runFacts say what was tested with what.
func runFacts(run store.Run) []fact {
	facts := []fact{{"Unit", run.Unit}, {"Rated", plate(run.Plate)}}
	add := func(name, value string) {
		if value != "" {
			facts = append(facts, fact{name, value})
		}
	}
	add("Output", run.Output)
	add("Setting", orFull(run.Setting))
	add("Rig", run.Rig)
	for _, i := range run.Instruments {
		add("Instrument", i.Name+", "+i.Format)
		add("Port", i.Port)
		add("Set up as", i.Spec)
	}
	for _, c := range run.Channels {
		add(asTitle(c.Quantity.String()), strconv.FormatInt(c.Samples, 10)+" readings")
	}
	add("Made by", strings.TrimSpace("letthrough "+run.Version))
	if run.Ended != nil {
		add("Ended", run.Ended.Format(time.DateTime))
	}
	return facts
}

func orFull(setting string) string {
	if setting == "" {
		return "full"
	}
	return setting
}

func asTitle(s string) string { return strings.ToUpper(s[:1]) + s[1:] }

func countFacts(c trace.Counts) []fact {
	return []fact{
		{"Lost", strconv.FormatInt(c.Lost, 10)}, {"Garbled", strconv.FormatInt(c.Garbled, 10)}, {"Received twice", strconv.FormatInt(c.Duplicate, 10)},
	}
}

// shortNumber writes a number as a person reads it; the exact one is in the JSON.
func shortNumber(v float64) string {
	const digits = 6
	short, err := strconv.ParseFloat(strconv.FormatFloat(v, 'g', digits, 64), 64)
	if err != nil {
		return plainNumber(v)
	}
	return plainNumber(short)
}

// settingFacts list every setting that the figures were derived with, so that a stranger can derive
// them again.
func settingFacts(run store.Run) []fact {
	s := run.DerivedWith
	var facts []fact
	number := func(name string, v float64, unit string) {
		if v != 0 {
			facts = append(facts, fact{name, shortNumber(v) + " " + unit})
		}
	}
	facts = append(facts, fact{"Procedure", words.Procedure(s.Procedure)})
	number("Rated current", s.RatedCurrentA, "A")
	number("Rated voltage", s.RatedVoltageV, "V")
	if s.Accuracy != (trace.Accuracy{}) {
		facts = append(facts, fact{"Accuracy", words.Accuracy(s.Accuracy)})
	}
	if s.Calibration.Known() {
		facts = append(facts, fact{"Calibration", words.Calibration(s.Calibration, trace.Current)})
	}
	if s.VoltageCalibration.Known() {
		facts = append(facts, fact{"Calibration of the voltage", words.Calibration(s.VoltageCalibration, trace.Voltage)})
	}
	number("Resolution", s.ResolutionA, "A")
	number("Full scale", s.FullScaleA, "A")
	if s.AveragingS != nil {
		facts = append(facts, fact{"Averaging", plainNumber(*s.AveragingS) + " s"})
	}
	if s.Waveform != "" {
		facts = append(facts, fact{"Waveform", words.Waveform(s.Waveform)})
	}
	number("Hold", s.HoldS, "s")
	number("Dwell", s.DwellS, "s")
	number("Rig resistance", s.RigResistanceOhm, "Ω")
	number("Prospective current, stated", s.ProspectiveA, "A")
	number("Clock, to within", s.ClockUS*1e6, "µs")
	number("Clock's rate, to within", s.ClockRateU*1e6, "parts in a million")
	return facts
}
