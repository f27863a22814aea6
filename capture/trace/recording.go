package trace

import (
	"iter"
	"time"
)

// Recording is a run as it goes from one place to another: everything that is known of it and its
// samples. All times within it are on the run's own time base.
type Recording struct {
	UUID      string // the same run elsewhere has the same one; empty: it gets one
	Start     RunStart
	End       RunEnd // its Derivation is the one that counts
	Exclusion string // why a person left the run out; empty: it counts
	Marks     []Mark // from outside (contact, hand): deriving again needs them
	Edits     []MarkEdit
	Earlier   []PastDerivation
	Channels  []Channel
	// Load is the weakest one that the unit feeds, and Built the rig by its parts, as they are kept where
	// the run is; nil: not known. Criteria are those that somebody sent along.
	Load     *Load
	Built    *Rig
	Criteria []CriteriaSet
	// Shown is what a file says of the figures where a reader looks first; it should be End.Derivation. Only
	// a recording that comes from a file has it.
	Shown *Derivation
	// Batches gives the samples of all channels in the order of their time. It can be walked over
	// more than once.
	Batches iter.Seq2[Batch, error]
}

// PastDerivation is a derivation that another one took the place of.
type PastDerivation struct {
	Made       time.Time  `json:"made"`
	Origin     string     `json:"origin"` // live, interrupted, again
	Version    string     `json:"version"`
	Settings   Settings   `json:"settings"`
	Derivation Derivation `json:"derivation"`
}

// ZeroNS is the instant that a person counts the recording's times from: its onset, else when it
// opened.
func (r Recording) ZeroNS() int64 {
	if onset, ok := r.End.Derivation.FirstMark(Onset); ok {
		return NS(onset.T)
	}
	return r.Start.OpenedNS
}
