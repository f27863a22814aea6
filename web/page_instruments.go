package web

import (
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"letthrough/capture"
	"letthrough/capture/trace"
	"letthrough/capture/wire"
	"letthrough/capture/words"
)

// instrumentRow is one line of the list.
type instrumentRow struct {
	instrumentJSON
	Path    string // of its own page
	Shape   string // of its state
	Reading string
	Counts  string
	Right   []string // its calibrations in words
	Open    bool
}

// optionField is one option of a format in the form.
type optionField struct {
	ID, Name, Value string
	wire.Option
}

// formatFields are a format's own options.
type formatFields struct {
	wire.Format
	Fields []optionField
	Chosen bool
	Filled bool // one of them is given
}

// portChoice is a port in the form.
type portChoice struct {
	Path, Text string
	Chosen     bool
}

// pastCalibration is one line of the history.
type pastCalibration struct {
	Day, Quantity, Say, Note, Trusted, Ended string
	InForce                                  bool
}

// instrumentSheet is the instrument open beside the list.
type instrumentSheet struct {
	instrumentJSON
	New      bool
	Path     string // of its page
	Ports    []portChoice
	Other    string // a port that is none of those
	PortsSay string // why none are listed
	Formats  []formatFields
	Common   []optionField
	Filled   bool // one of the common options is given
	Measures []trace.Quantity
	Past     []pastCalibration
}

type instrumentsView struct {
	Rows     []instrumentRow
	Contact  *contactPanel // nil while an instrument is open beside the list
	Sheet    *instrumentSheet
	Operator bool
}

var stateShapes = map[string]string{capture.Receiving: "live", capture.Unplugged: "fail", capture.Garbled: "caution", capture.OverRange: "caution"}

func (s *Server) instrumentsPage(w http.ResponseWriter, r *http.Request) error {
	all, err := s.instruments(r)
	if err != nil {
		return err
	}
	v := instrumentsView{Operator: roleOf(r) == roleOperator}
	name := r.PathValue("name")
	switch {
	case name == "new" || name == "" && len(all) == 0 && v.Operator:
		v.Sheet, err = s.instrumentSheet(nil)
	case name != "":
		var in instrumentJSON
		if in, err = s.instrument(r, name); err == nil {
			v.Sheet, err = s.instrumentSheet(&in)
		}
	}
	if err != nil {
		return err
	}
	for _, in := range all {
		row := instrumentRow{instrumentJSON: in, Path: instrumentPath(in), Shape: stateShapes[in.State], Open: v.Sheet != nil && !v.Sheet.New && v.Sheet.Name == in.Name,
			Reading: reading(in.Latest), Counts: lineCounts(in.InstrumentState)}
		if row.Shape == "" {
			row.Shape = "unknown"
		}
		for _, q := range []trace.Quantity{trace.Current, trace.Voltage} {
			if c := in.Calibrations[q]; c.Known() {
				row.Right = append(row.Right, words.Calibration(c, q))
			}
		}
		v.Rows = append(v.Rows, row)
	}
	if v.Sheet == nil || v.Sheet.New {
		v.Contact = s.contactPanel()
	}
	f := s.frameOf(r, "Instruments", "/instruments", "instruments.js", false)
	f.Page = v
	return s.render(w, r, http.StatusOK, "instruments", f)
}

// instrumentPath is the address of an instrument's page. One called "new" has only its number there.
func instrumentPath(in instrumentJSON) string {
	if in.Name == "new" && in.ID != nil {
		return "/instruments/" + strconv.FormatInt(*in.ID, 10)
	}
	return "/instruments/" + url.PathEscape(in.Name)
}

// reading says the latest values as they are received.
func reading(latest []capture.LatestJSON) string {
	var parts []string
	for _, l := range latest {
		if l.Flags&trace.Over != 0 {
			parts = append(parts, "over range")
			continue
		}
		value, _ := words.Number(l.Value, 0)
		parts = append(parts, value+" "+l.Quantity.Unit())
	}
	if len(parts) == 0 {
		return "none yet"
	}
	return strings.Join(parts, ", ")
}

func lineCounts(in capture.InstrumentState) string {
	s := "lost " + strconv.FormatUint(in.Lost, 10) + ", garbled " + strconv.FormatUint(in.Garbled, 10)
	if in.LastGarbled != "" {
		s += " (last “" + in.LastGarbled + "”)"
	}
	return s + ", twice " + strconv.FormatUint(in.Duplicate, 10)
}

// instrumentSheet fills the form, for a new instrument where none is given.
func (s *Server) instrumentSheet(in *instrumentJSON) (*instrumentSheet, error) {
	sheet := &instrumentSheet{New: in == nil}
	var spec wire.Spec
	given := map[string]string{}
	if in != nil {
		sheet.instrumentJSON, sheet.Path = *in, instrumentPath(*in)
		var err error
		if spec, err = wire.ParseSpec(in.Spec); err == nil {
			given = optionValues(spec)
		} else {
			spec.Port, spec.Format = in.Port, in.Format
		}
	}
	ports, err := s.ports()
	if err != nil {
		sheet.PortsSay = "The ports cannot be listed: " + err.Error()
	} else if len(ports) == 0 {
		sheet.PortsSay = "No serial port is present. Plug the instrument in and load this page again, or write where it will be."
	}
	sheet.Ports, sheet.Other = portChoices(ports, spec.Port)
	for _, f := range wire.Formats() {
		fields := formatFields{Format: f, Chosen: f.Name == spec.Format || in == nil && f.Name == "text"}
		for _, o := range f.Options {
			field := optionField{ID: f.Name + "-" + o.Name, Name: o.Name, Option: o}
			if f.Name == spec.Format {
				field.Value = given[o.Name]
			}
			fields.Filled = fields.Filled || field.Value != ""
			fields.Fields = append(fields.Fields, field)
		}
		sheet.Formats = append(sheet.Formats, fields)
	}
	for _, o := range wire.CommonOptions() {
		sheet.Common = append(sheet.Common, optionField{ID: "common-" + o.Name, Name: o.Name, Value: given[o.Name], Option: o})
		sheet.Filled = sheet.Filled || given[o.Name] != ""
	}
	if in != nil {
		sheet.measures(spec)
		sheet.history()
	}
	return sheet, nil
}

// optionValues takes an instrument's line apart into what stands in each field.
func optionValues(spec wire.Spec) map[string]string {
	out := map[string]string{}
	_, query, _ := strings.Cut(spec.String(), "?")
	if values, err := url.ParseQuery(query); err == nil {
		for name := range values {
			out[name] = values.Get(name)
		}
	}
	return out
}

// portText says a port as a person recognises it.
func portText(p Port) string {
	text := p.Device
	if p.Says != "" {
		text += ", " + p.Says
	}
	if p.USB != "" {
		text += " (USB " + p.USB + ")"
	}
	if p.Problem != "" {
		text += ": " + p.Problem
	}
	return text
}

// measures tells what can be calibrated.
func (v *instrumentSheet) measures(spec wire.Spec) {
	if stream, err := wire.NewStream(spec); err == nil {
		for _, c := range stream.Channels() {
			if !slices.Contains(v.Measures, c.Quantity) {
				v.Measures = append(v.Measures, c.Quantity)
			}
		}
	}
	if len(v.Measures) == 0 {
		v.Measures = []trace.Quantity{trace.Current}
	}
}

func (v *instrumentSheet) history() {
	for _, c := range v.History {
		day, _, _ := strings.Cut(c.Made, "T")
		ended, _, _ := strings.Cut(c.Ended, "T")
		p := pastCalibration{Day: day, Quantity: c.Quantity.String(), Say: words.Calibration(c.Calibration, c.Quantity), Note: c.Note, Ended: ended, InForce: c.Ended == ""}
		if c.Trusted != (trace.Accuracy{}) {
			p.Trusted = "trusted meter " + words.Accuracy(c.Trusted)
		}
		v.Past = append(v.Past, p)
	}
}
