package web

import (
	"encoding/json"

	"letthrough/capture"
	"letthrough/capture/trace"
	"letthrough/capture/words"
)

// The text messages of the live socket; static/help/live.md documents them.

type helloMessage struct {
	Type     string                `json:"type"`
	Role     role                  `json:"role"`
	Channels []capture.ChannelInfo `json:"channels"`
	capture.State
}

type stateMessage struct {
	Type string `json:"type"`
	capture.State
}

type markMessage struct {
	Type        string         `json:"type"`
	Run         int64          `json:"run"`
	ID          int            `json:"id"`
	Kind        trace.MarkKind `json:"kind"`
	TS          float64        `json:"t_s"`
	AtS         float64        `json:"at_s"`
	US          float64        `json:"u_s"`
	Provisional bool           `json:"provisional"`
	By          trace.By       `json:"by"`
	Text        string         `json:"text"`
	LevelA      float64        `json:"level_a"`
	Withdrawn   bool           `json:"withdrawn"`
	Say         string         `json:"say"`
}

type figuresMessage struct {
	Type              string          `json:"type"`
	Run               int64           `json:"run"`
	Behaviour         trace.Behaviour `json:"behaviour"`
	ApparentBehaviour trace.Behaviour `json:"apparent_behaviour"`
	Recovery          trace.Recovery  `json:"recovery"`
	Say               string          `json:"say"`
	Figures           trace.Figures   `json:"figures"`
	Lines             []words.Line    `json:"lines"`
	Warnings          []trace.Warning `json:"warnings"`
	Anew              bool            `json:"anew,omitempty"` // derived again after the run had ended
}

type runMessage struct {
	Type      string          `json:"type"`
	Run       int64           `json:"run"`
	State     trace.RunState  `json:"state"`
	Unit      *trace.Unit     `json:"unit,omitempty"`
	Procedure trace.Procedure `json:"procedure,omitempty"`
	ZeroAtS   *float64        `json:"zero_at_s"`
	OpenedAtS *float64        `json:"opened_at_s"`
	Started   string          `json:"started,omitempty"` // RFC 3339, at the run's first kept sample
}

type guardMessage struct {
	Type string  `json:"type"`
	Run  int64   `json:"run"` // 0: no run is open
	AtS  float64 `json:"at_s"`
	capture.Guard
}

type skippedMessage struct {
	Type     string  `json:"type"`
	Messages int     `json:"messages"`
	Seconds  float64 `json:"seconds"`
}

// markOf puts a mark on the page's time: seconds from the run's onset, before there is one from its
// opening.
func markOf(e capture.Event, zeroNS int64) markMessage {
	m := e.Mark
	return markMessage{
		Type: "mark", Run: e.Run, ID: m.ID, Kind: m.Kind, TS: float64(e.AtNS-zeroNS) / 1e9, AtS: float64(e.AtNS) / 1e9, US: m.U,
		Provisional: m.Provisional, By: m.By, Text: m.Text, LevelA: finite(m.Level), Withdrawn: m.Withdrawn, Say: words.Mark(m.Kind),
	}
}

func figuresOf(e capture.Event) figuresMessage {
	d := e.Figures
	m := figuresMessage{
		Type: "figures", Run: e.Run, Behaviour: d.Behaviour, ApparentBehaviour: d.ApparentBehaviour, Recovery: d.Recovery,
		Say: words.Behaviour(d.Behaviour), Figures: d.Figures, Lines: linesOf(d.Figures, e.Settings), Warnings: d.Warnings,
	}
	if e.RunState == trace.RunOpen {
		m.Say = words.BehaviourSoFar(d.Behaviour)
	}
	if m.Warnings == nil {
		m.Warnings = []trace.Warning{}
	}
	return m
}

// rederivedOf tells everybody who shows a run that its figures were derived anew.
func rederivedOf(run int64, d trace.Derivation, s trace.Settings) figuresMessage {
	m := figuresMessage{
		Type: "figures", Run: run, Behaviour: d.Behaviour, ApparentBehaviour: d.ApparentBehaviour, Recovery: d.Recovery,
		Say: words.Behaviour(d.Behaviour), Figures: d.Figures, Lines: linesOf(d.Figures, s), Warnings: d.Warnings, Anew: true,
	}
	if m.Warnings == nil {
		m.Warnings = []trace.Warning{}
	}
	return m
}

// linesOf gives the figures as a page lays them out.
func linesOf(fs trace.Figures, s trace.Settings) []words.Line {
	return words.Lines(trace.Derivation{Figures: fs}, s)
}

func runOf(e capture.Event) runMessage {
	opened := float64(e.OpenedNS) / 1e9
	m := runMessage{Type: "run", Run: e.Run, State: e.RunState, Unit: &e.Unit, Procedure: e.Procedure, OpenedAtS: &opened}
	if e.ZeroNS != nil {
		zero := float64(*e.ZeroNS) / 1e9
		m.ZeroAtS = &zero
	}
	if !e.Started.IsZero() {
		m.Started = e.Started.Format(rfc3339Milli)
	}
	return m
}

// rfc3339Milli is RFC 3339 with offset and whole milliseconds.
const rfc3339Milli = "2006-01-02T15:04:05.000Z07:00"

// finite keeps a level of an over-range sample, which may be infinite, out of JSON.
func finite(v float64) float64 {
	if v-v != 0 {
		return 0
	}
	return v
}

// encodeText makes JSON of a message of ours. That fails only where a figure is no number.
func encodeText(v any) ([]byte, error) { return json.Marshal(v) }
