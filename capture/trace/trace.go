// Package trace is the vocabulary that the whole program shares: channels, samples, marks, phases,
// figures, units and the settings of a derivation. It imports nothing of ours and does no I/O.
//
// Two conventions hold everywhere. A sample's time is whole nanoseconds on the time base of the
// bench or of the file it came from (exact, so that a trace read back is the trace written); every
// other time is seconds as float64. Quantities carry their unit in the name.
package trace

import (
	"fmt"
	"math"
)

// Quantity is what a channel measures.
type Quantity uint8

// The quantities that an instrument can send.
const (
	Current Quantity = iota // amperes
	Voltage                 // volts
)

// String gives the word used in JSON, CSV and on pages.
func (q Quantity) String() string {
	if q == Voltage {
		return "voltage"
	}
	return "current"
}

// Unit gives the SI symbol of the quantity's base unit.
func (q Quantity) Unit() string {
	if q == Voltage {
		return "V"
	}
	return "A"
}

// MarshalText writes the word of the quantity.
func (q Quantity) MarshalText() ([]byte, error) { return []byte(q.String()), nil }

// UnmarshalText reads "current" or "voltage".
func (q *Quantity) UnmarshalText(b []byte) error {
	switch string(b) {
	case "current":
		*q = Current
	case "voltage":
		*q = Voltage
	default:
		return fmt.Errorf("unknown quantity %q: want current or voltage", b)
	}
	return nil
}

// Channel names one stream of samples: which instrument, which quantity.
type Channel struct {
	Instrument string   `json:"instrument"`
	Quantity   Quantity `json:"quantity"`
}

// Flags say what is special about one sample.
type Flags uint8

const (
	// Over: beyond the instrument's range. Value is the most the range shows, signed; where the
	// instrument sent no number at all it is an infinity with the sign of the excursion.
	Over Flags = 1 << iota
	// Gap: something was lost between the sample before and this one.
	Gap
)

// Sample is a reading placed on the time base. Which channel it belongs to is said once per batch.
type Sample struct {
	AtNS  int64   // nanoseconds on the time base
	Value float64 // A or V; see Over for readings beyond the range
	Flags Flags
}

// At gives the sample's time in seconds.
func (s Sample) At() float64 { return float64(s.AtNS) / 1e9 }

// NS turns seconds into the nanoseconds of the time base. Times beyond about 292 years saturate,
// and NaN becomes 0: a time base never wraps.
func NS(t float64) int64 {
	switch ns := math.Round(t * 1e9); {
	case math.IsNaN(ns):
		return 0
	case ns >= math.MaxInt64:
		return math.MaxInt64
	case ns <= math.MinInt64:
		return math.MinInt64
	default:
		return int64(ns)
	}
}

// Batch is a run of samples of one channel in the order they were received.
type Batch struct {
	Channel Channel
	Samples []Sample
}
