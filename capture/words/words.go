// Package words makes what a person reads: the sentence of a figure, its unit, its rounding, a bound
// as words. Page, read-out, captions, report and command line use it and so never disagree.
package words

import "letthrough/capture/trace"

// Line is one figure in the pieces a page lays out.
type Line struct {
	Key   string `json:"key"`
	Say   string `json:"say"`   // the words above: "Cut off after"
	Lead  string `json:"lead"`  // "at most", "at least" or empty
	Value string `json:"value"` // the number, rounded
	PM    string `json:"pm"`    // "± 0.02" or empty
	Unit  string `json:"unit"`
	More  string `json:"more"` // "4.3 × rated", or why it is a bound
}

// Fill sets the text of every figure.
func Fill(d *trace.Derivation, s trace.Settings) {}

// Sentence gives the pieces of one figure.
func Sentence(f trace.Figure, s trace.Settings) Line { return Line{Key: f.Key} }

// Behaviour says a behaviour as a person would.
func Behaviour(b trace.Behaviour) string { return string(b) }

// Phase says a phase.
func Phase(p trace.Phase) string { return string(p) }

// Mark says a kind of mark.
func Mark(k trace.MarkKind) string { return string(k) }

// Recovery says a recovery.
func Recovery(r trace.Recovery) string { return string(r) }

// Procedure says a procedure.
func Procedure(p trace.Procedure) string { return string(p) }

// Waveform says a waveform.
func Waveform(w trace.Waveform) string { return string(w) }

// Duration says a duration.
func Duration(s float64) string { return "" }
