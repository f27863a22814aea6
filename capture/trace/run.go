package trace

import (
	"fmt"
	"time"
)

// RunState says how a run stands.
type RunState string

// The states of a run. Excluded is said by a person, with a reason, and can be taken back.
const (
	RunOpen        RunState = "open"
	RunComplete    RunState = "complete"
	RunInterrupted RunState = "interrupted" // crash, lost power, port gone
	RunExcluded    RunState = "excluded"
)

// RunInstrument describes one instrument as it was set up during a run.
type RunInstrument struct {
	Name   string `json:"name"`
	Format string `json:"format"`
	Port   string `json:"port"`
	Spec   string `json:"spec"` // as a person gave it: options, accuracy
	// Calibrations were in force during the run; samples are kept as they were shown.
	Calibrations map[Quantity]Calibration `json:"calibrations,omitempty"`
}

// RunStart is what is known of a run when it opens. The run's own time base starts with its first
// kept sample, pre-record included.
type RunStart struct {
	Unit        Unit // ID 0: found by name, or made
	Output      string
	Setting     string // how far the unit's control was turned up; empty is full
	Rig         string
	Built       *Rig // the rig by its parts, as it was then; nil: not known, or whoever keeps the run knows it by its name
	Note        string
	Series      int64 // 0: of none
	SeriesPlace int   // from 1
	Settings    Settings
	Started     time.Time // wall clock, with offset, at the run's time 0
	OriginNS    int64     // time of the run's time 0 on the bench's time base
	OpenedNS    int64     // when it opened, on the run's own time base: 0 without a pre-record
	Instruments []RunInstrument
	Version     string // of the program
}

// RunEnd is what is known of a run once it is over. All times are on the run's own time base.
type RunEnd struct {
	State      RunState // RunComplete or RunInterrupted
	Reason     string   // of an interruption; else empty
	Settings   Settings // as finally used: the hold as it really was
	Derivation Derivation
	Ended      time.Time
	EndNS      int64
	Note       string // replaces the note where it is not empty
	Counts     Counts
}

// Counts are what did not become a sample of a run.
type Counts struct {
	Lost      int64 `json:"lost"`      // samples that could not be kept or never arrived
	Garbled   int64 `json:"garbled"`   // lines or frames that were no reading
	Duplicate int64 `json:"duplicate"` // readings received twice
}

// Validate says what is wrong with a run's end, or nil.
func (e RunEnd) Validate() error {
	if e.State != RunComplete && e.State != RunInterrupted {
		return fmt.Errorf("state: a run ends as %s or %s, not as %q", RunComplete, RunInterrupted, string(e.State))
	}
	return nil
}
