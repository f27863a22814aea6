package web

import (
	"fmt"
	"net/http"
	"net/url"
	"strconv"
	"strings"

	"letthrough/capture/judge"
	"letthrough/capture/trace"
	"letthrough/capture/wire"
	"letthrough/capture/words"
)

// What a meter can tell: the simulated shelf played through an instrument that is here, or through one that
// somebody thinks of buying.

// pageTrials of each unit are played for a page: about a second.
const pageTrials = 5

// question is what is asked of the judge, as it stands in an address and in the form.
type question struct {
	Instrument string
	RateHz     string
	AveragingS string
	Resolution string
	FullScale  string
	Accuracy   string
	NoiseA     string
	Voltage    bool
	Procedure  trace.Procedure

	meter judge.Meter
	test  judge.Test
}

// questionOf reads an address: what it says has the word over what the instrument's own line says.
func (s *Server) questionOf(r *http.Request) (q question, err error) {
	values, err := query(r, "instrument", "rate_hz", "averaging_s", "resolution_a", "full_scale_a", "accuracy", "noise_a", "voltage", "procedure", "trials")
	if err != nil {
		return q, err
	}
	q.Instrument = values.Get("instrument")
	q.Procedure = trace.Procedure(values.Get("procedure"))
	if q.Procedure == "" {
		q.Procedure = trace.Short
	}
	if q.Instrument != "" {
		if err := s.prefill(r, &q); err != nil {
			return q, err
		}
	}
	for name, to := range map[string]*string{
		"rate_hz": &q.RateHz, "averaging_s": &q.AveragingS, "resolution_a": &q.Resolution, "full_scale_a": &q.FullScale,
		"accuracy": &q.Accuracy, "noise_a": &q.NoiseA,
	} {
		if values.Has(name) {
			*to = strings.TrimSpace(strings.ReplaceAll(values.Get(name), ",", "."))
		}
	}
	if values.Has("voltage") {
		q.Voltage = values.Get("voltage") == "1"
	}
	return q, q.read(values)
}

// prefill takes over what is known of an instrument that is kept or open.
func (s *Server) prefill(r *http.Request, q *question) error {
	in, err := s.instrument(r, q.Instrument)
	if err != nil {
		return err
	}
	if in.RateHz > 0 {
		q.RateHz = strconv.FormatFloat(in.RateHz, 'g', 3, 64)
	}
	spec, err := wire.ParseSpec(in.Spec)
	if err != nil {
		return nil // its line is of an older program: the form stands empty
	}
	var set trace.Settings
	spec.Apply(&set)
	if set.AveragingS != nil {
		q.AveragingS = plainNumber(*set.AveragingS)
	}
	if set.ResolutionA > 0 {
		q.Resolution = strconv.FormatFloat(set.ResolutionA, 'g', 4, 64)
	}
	if set.FullScaleA > 0 {
		q.FullScale = plainNumber(set.FullScaleA)
	}
	q.Accuracy = ""
	if set.Accuracy != (trace.Accuracy{}) {
		q.Accuracy = set.Accuracy.String()
	}
	q.Voltage = spec.Options["voltage"] != ""
	return nil
}

// read turns the texts into numbers; an empty one is unknown.
func (q *question) read(values url.Values) error {
	number := func(name, text string, most float64) (float64, error) {
		if text == "" {
			return 0, nil
		}
		v, err := strconv.ParseFloat(text, 64)
		if err != nil || !(v >= 0 && v <= most) {
			return 0, outOfRange("leave it empty where it is not known", "%s: %s: want a number from 0 to %g", name, clip(text), most)
		}
		return v, nil
	}
	var err error
	m := &q.meter
	if m.RateHz, err = number("rate_hz", q.RateHz, judge.MostRateHz); err != nil {
		return err
	}
	if q.AveragingS != "" {
		a, err := number("averaging_s", q.AveragingS, 60)
		if err != nil {
			return err
		}
		m.AveragingS = &a
	}
	if m.ResolutionA, err = number("resolution_a", q.Resolution, 100); err != nil {
		return err
	}
	if m.FullScaleA, err = number("full_scale_a", q.FullScale, 10000); err != nil {
		return err
	}
	if m.NoiseA, err = number("noise_a", q.NoiseA, 100); err != nil {
		return err
	}
	if m.Accuracy, err = trace.ParseAccuracy(q.Accuracy); err != nil {
		return outOfRange("write it as in the manual, such as 0.8%+3", "%s", err)
	}
	m.Voltage = q.Voltage
	q.test = judge.Test{Procedure: q.Procedure, Trials: pageTrials}
	trials, err := number("trials", values.Get("trials"), judge.MostTrials)
	if err == nil && trials > 0 {
		q.test.Trials = int(trials)
	}
	return err
}

// judged plays the shelf, one at a time: it takes a processor for a second or more.
func (s *Server) judged(r *http.Request, q question) (judge.Report, error) {
	if q.meter.RateHz == 0 {
		return judge.Report{}, outOfRange("the manual says, or what the instrument shows on the Bench page", "rate_hz: how many readings a second it gives is missing")
	}
	select {
	case s.judging <- struct{}{}:
		defer func() { <-s.judging }()
	default:
		return judge.Report{}, &fault{http.StatusTooManyRequests, codeTooMany, "another meter is being judged", "try again in a moment"}
	}
	report, err := judge.Run(r.Context(), q.meter, q.test)
	if err != nil && r.Context().Err() == nil {
		return report, outOfRange("", "%s", err)
	}
	return report, err
}

func (s *Server) getJudge(w http.ResponseWriter, r *http.Request) error {
	q, err := s.questionOf(r)
	if err != nil {
		return err
	}
	report, err := s.judged(r, q)
	if err != nil {
		return err
	}
	s.writeJSON(w, r, http.StatusOK, struct {
		Meter string `json:"meter"`
		judge.Report
	}{q.meter.Words(), report})
	return nil
}

// meterView is the page.
type meterView struct {
	question
	Instruments []string
	Procedures  []choice
	Meter       string // in words; empty while nothing was played
	Tests       int
	What        string
	Behaviours  []behaviourRow
	Figures     []judge.Row
	Wrong       string
}

type behaviourRow struct{ Unit, Does, Says, Shape string }

func (s *Server) meterPage(w http.ResponseWriter, r *http.Request) error {
	q, err := s.questionOf(r)
	v := meterView{question: q}
	status := http.StatusOK
	if err != nil {
		f, known := faultOf(err)
		if !known || f.status == http.StatusNotFound {
			return err
		}
		v.Wrong, status = asSentence(f.text), f.status
	} else if q.meter.RateHz > 0 {
		if status, err = s.fill(r, q, &v); err != nil {
			return err
		}
	}
	all, err := s.instruments(r)
	if err != nil {
		return err
	}
	for _, in := range all {
		v.Instruments = append(v.Instruments, in.Name)
	}
	for _, p := range trace.Procedures {
		v.Procedures = append(v.Procedures, choice{string(p), words.Procedure(p)})
	}
	f := s.frameOf(r, "What a meter can tell", "/instruments", "", false)
	f.Page = v
	return s.render(w, r, status, "meter", f)
}

// fill plays the shelf and puts what came of it into words; what is wrong with the question stands on the page.
func (s *Server) fill(r *http.Request, q question, v *meterView) (status int, err error) {
	report, err := s.judged(r, q)
	if err != nil {
		f, known := faultOf(err)
		if !known {
			return 0, err
		}
		v.Wrong = asSentence(f.text) + " " + asSentence(f.hint)
		return f.status, nil
	}
	v.Meter, v.Tests, v.What = q.meter.Words(), report.Tests, strings.ToLower(words.Procedure(report.Procedure))
	for _, b := range report.Behaviours {
		row := behaviourRow{b.Unit, words.Behaviour(b.Behaviour), b.Words(), "pass"}
		switch {
		case b.Wrong > 0:
			row.Shape = "fail"
		case b.Unsure > 0:
			row.Shape = "unknown"
		}
		v.Behaviours = append(v.Behaviours, row)
	}
	for _, t := range report.Figures {
		v.Figures = append(v.Figures, t.Row())
	}
	return http.StatusOK, nil
}

// Title is the page's heading.
func (v meterView) Title() string {
	if v.Instrument != "" {
		return fmt.Sprintf("What %s can tell", v.Instrument)
	}
	return "What a meter can tell"
}
