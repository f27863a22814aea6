package trace

import "fmt"

// Series is a test of one unit that is repeated by itself, with pauses in which everything cools.
type Series struct {
	ID        int64     `json:"id"`
	Unit      string    `json:"unit"`
	Output    string    `json:"output"`
	Setting   string    `json:"setting"`
	Rig       string    `json:"rig"`
	Note      string    `json:"note"`
	Procedure Procedure `json:"procedure"`
	HoldS     float64   `json:"hold_s"` // of each run
	N         int       `json:"n"`      // runs wanted
	RestS     float64   `json:"rest_s"` // that the unit rests between two runs at least
	Made      string    `json:"made"`   // time of day, RFC 3339; given by the store
	State     string    `json:"state"`  // SeriesOpen, SeriesComplete, SeriesStopped
	Reason    string    `json:"reason"` // why it was stopped
}

// The states of a series.
const (
	SeriesOpen     = "open"
	SeriesComplete = "complete"
	SeriesStopped  = "stopped" // it can be resumed
)

// What a series may be.
const (
	MostRepeats = 100
	mostRestS   = 86400
)

// SeriesRun is one run of a series as it counts for what is still to be done.
type SeriesRun struct {
	Run       int64     `json:"run"`
	Place     int       `json:"place"` // from 1
	State     RunState  `json:"state"`
	Behaviour Behaviour `json:"behaviour"`
	HoldS     float64   `json:"hold_s"` // as it really was
}

// Counts tells whether a run is one of those that were wanted: it is whole, was held as long as asked for, and
// something was seen of the short.
func (s Series) Counts(r SeriesRun) bool {
	return r.State == RunComplete && r.HoldS > 0.99*s.HoldS-0.05 && r.Behaviour != "" && r.Behaviour != None && r.Behaviour != BehaviourUnsure
}

// Validate says what is wrong with a series in one sentence, or nil.
func (s Series) Validate() error {
	if s.Unit == "" {
		return fmt.Errorf("unit: a series is of one unit: name it")
	}
	if s.N < 2 || s.N > MostRepeats {
		return fmt.Errorf("n: %d is out of range, a series is 2 to %d runs", s.N, MostRepeats)
	}
	return inRanges([]ranged{{"rest_s", s.RestS, 0, mostRestS}, {"hold_s", s.HoldS, 0, 86400}})
}
