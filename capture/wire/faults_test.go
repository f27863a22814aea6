package wire_test

import (
	"math"
	"testing"
	"time"

	"letthrough/capture/sim"
	"letthrough/capture/trace"
	"letthrough/capture/wire"
)

// speaker is a format with the simulated instrument that speaks it.
type speaker struct {
	format, options string
	encoder         func() sim.Encoder
	responder       func() sim.Responder
	// sure: a lost or flipped byte is always found out (a checksum, a CRC). Elsewhere one lost digit leaves a
	// number that nobody can tell from a good one.
	sure bool
}

var speakers = map[string]speaker{
	"text":    {"text", "time=us", func() sim.Encoder { return sim.Text{TimeUnit: "us", WrapBits: 32, Decimals: 4} }, nil, false},
	"summed":  {"text", "time=us&checksum=xor", func() sim.Encoder { return sim.Text{TimeUnit: "us", Decimals: 4, Checksum: true} }, nil, true},
	"packets": {"codes", "form=packets&lsb=0.5mA", func() sim.Encoder { return &sim.Packets{Rows: 8, Width: 2, LSBA: 0.0005} }, nil, true},
	"scpi":    {"scpi", "timeout=0.3", nil, func() sim.Responder { return sim.NewResponder("scpi") }, false},
	"modbus":  {"modbus", "timeout=0.3", nil, func() sim.Responder { return sim.NewResponder("modbus") }, true},
}

// Every format stands what real instruments and lines do: readings go on, their times rise, none is absurd, and
// what went wrong is counted.
func TestEveryFormatStandsTheFaultsOfRealOnes(t *testing.T) {
	for fault, c := range map[string]struct {
		change  func(o *sim.StandOptions)
		counted func(s wire.Status, c []trace.Sample) bool
		spoils  bool // bytes arrive wrong
		talkers bool // nothing for an instrument that is asked
	}{
		"LateAndMerged": {change: func(o *sim.StandOptions) { o.Burst = 60 * time.Millisecond }},
		"Split":         {change: func(o *sim.StandOptions) { o.Faults.Split = true }},
		"LostBytes": {change: func(o *sim.StandOptions) { o.Faults.LoseByte = 0.003 }, spoils: true,
			counted: func(s wire.Status, _ []trace.Sample) bool { return s.Counts.Garbled+s.Counts.TimedOut > 0 }},
		"FlippedBytes": {change: func(o *sim.StandOptions) { o.Faults.FlipByte = 0.003 }, spoils: true,
			counted: func(s wire.Status, _ []trace.Sample) bool { return s.Counts.Garbled+s.Counts.TimedOut > 0 }},
		"SentTwice": {change: func(o *sim.StandOptions) { o.Faults.RepeatLine = 0.05 }, talkers: true,
			counted: func(s wire.Status, _ []trace.Sample) bool { return s.Counts.Duplicates > 0 }},
		"NoiseAtOpening": {change: func(o *sim.StandOptions) { o.Faults.NoiseAtOpen = 200 },
			counted: func(s wire.Status, _ []trace.Sample) bool {
				return s.Counts.Garbled+s.Counts.Partial+s.Counts.Headers > 0
			}},
		"OverRange": {change: func(o *sim.StandOptions) { o.Meter.FullScaleA, o.Meter.OverWord = 0.2, true },
			counted: func(s wire.Status, c []trace.Sample) bool {
				return s.Counts.Over > 0 && c[len(c)-1].Flags&trace.Over != 0 && s.State == "over_range"
			}},
		"Restart": {change: func(o *sim.StandOptions) { o.Faults.RestartAtS = []float64{0.4} },
			counted: func(s wire.Status, c []trace.Sample) bool { return c[len(c)-1].AtNS-c[0].AtNS > 500e6 }},
		"Silence": {change: func(o *sim.StandOptions) { o.Faults.Silent = []sim.Span{{FromS: 0.3, ToS: 0.7}} },
			counted: func(s wire.Status, c []trace.Sample) bool {
				for _, x := range c {
					if x.Flags&trace.Gap != 0 {
						return true
					}
				}
				return s.Counts.TimedOut > 0
			}},
	} {
		for name, sp := range speakers {
			counted := c.counted
			switch {
			case c.talkers && sp.responder != nil, name == "packets" && fault == "OverRange":
				continue // codes have no word: their own range's end is over
			case name == "modbus" && fault == "NoiseAtOpening":
				counted = nil // a frame that stands behind noise is a frame
			}
			t.Run(fault+"/"+name, func(t *testing.T) {
				t.Parallel()
				o := fern(false)
				if sp.encoder != nil {
					o.Encoder = sp.encoder()
				} else {
					o.Responder = sp.responder()
				}
				c.change(&o)
				got, _, status := poll(t, o, sp.format, sp.options, func(got []trace.Sample, s wire.Status) bool {
					return len(got) >= 30 && (counted == nil || counted(s, got))
				})
				last := int64(math.MinInt64)
				for i, s := range got {
					if s.AtNS <= last {
						t.Fatalf("sample %d: %+v after %d", i, s, last)
					}
					last = s.AtNS
					if s.Flags&trace.Over == 0 && (math.IsNaN(s.Value) || math.Abs(s.Value) > 0.7) && (sp.sure || !c.spoils) {
						t.Fatalf("sample %d: %+v; the unit never gives more than 0.6 A", i, s)
					}
				}
				if status.Counts.Readings < int64(len(got)) {
					t.Errorf("%d samples of %+v", len(got), status.Counts)
				}
			})
		}
	}
}
