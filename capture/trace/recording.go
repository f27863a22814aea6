package trace

import (
	"cmp"
	"iter"
	"slices"
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

// MarkEdit is what a person says of a mark afterwards: added (no WasTS), moved, or struck (no TS).
type MarkEdit struct {
	Made   time.Time `json:"made"`
	Kind   MarkKind  `json:"kind"`
	WasTS  *float64  `json:"was_t_s"` // seconds on the time base that the holder states
	TS     *float64  `json:"t_s"`
	Reason string    `json:"reason"`
}

// Shifted moves the times of an edit by dt seconds.
func (e MarkEdit) Shifted(dt float64) MarkEdit {
	for _, t := range []**float64{&e.WasTS, &e.TS} {
		if *t != nil {
			v := **t + dt
			*t = &v
		}
	}
	return e
}

// handMark is the number of the first mark that a person adds afterwards.
const handMark = 1 << 24

// EditedMarks gives the marks from outside as a derivation made again is to heed them: one struck is
// left out, one moved stands where the person put it, one added is there. What is said of the detector's
// own marks changes nothing here: it finds them again.
func EditedMarks(marks []Mark, edits []MarkEdit) []Mark {
	marks = slices.Clone(marks)
	for i, e := range edits {
		if e.WasTS != nil {
			at := slices.IndexFunc(marks, func(m Mark) bool { return m.Kind == e.Kind && m.T == *e.WasTS })
			if at < 0 {
				continue
			}
			marks = slices.Delete(marks, at, at+1)
		} else if e.Kind != Applied && e.Kind != Removed && e.Kind != Note {
			continue
		}
		if e.TS != nil {
			marks = append(marks, Mark{ID: handMark + i, Kind: e.Kind, T: *e.TS, U: HandU, By: Hand, Text: e.Reason})
		}
	}
	slices.SortStableFunc(marks, func(a, b Mark) int { return cmp.Compare(a.T, b.T) })
	return marks
}
