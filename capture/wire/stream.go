package wire

import (
	"fmt"
	"math"
	"slices"

	"letthrough/capture/clock"
	"letthrough/capture/trace"
)

const (
	// maxHeld bounds the readings that wait for the clock to settle.
	maxHeld = 1 << 16
	// garbledWindow is how many of the last lines are looked at for the state "garbled"; half of them
	// make it, or two before the first reading, or so many bytes without a reading.
	garbledWindow = 16
	garbledBytes  = 4096
)

// Latest is a channel's newest reading.
type Latest struct {
	Quantity trace.Quantity
	Value    float64 // A or V
	Flags    trace.Flags
	AtNS     int64
	Known    bool // false until the first reading
}

// Status of a stream, to be shown.
type Status struct {
	// State is "garbled" or "over_range" where that is what a person should know, else empty.
	State   string
	RateHz  float64 // readings a second of each channel, 0 until known
	Counts  Counts
	Latest  []Latest
	ClockUS float64 // expanded uncertainty of the time base, s
	// RateU is the expanded relative uncertainty of a duration on this clock: what a duration adds
	// to its uncertainty is RateU times itself.
	RateU     float64
	OffsetUS  float64 // expanded uncertainty of the whole time base against the bench's, s
	Warning   string
	Identity  string // what the instrument calls itself; empty where it does not say
	Complaint string // what it last said was wrong
}

// held is a reading that waits for the clock to settle.
type held struct {
	r     Reading
	stamp clock.Stamp
	first bool // of its stamp
}

// Stream makes the samples of one instrument out of its bytes: decoder and clock together. It has no
// goroutine and is used by one.
type Stream struct {
	dec      Decoder
	asker    Asker // nil where the instrument talks by itself
	clk      *clock.Clock
	channels []trace.Channel

	timed    bool // readings carry device time
	readings []Reading
	waiting  []held
	settled  bool
	stamp    clock.Stamp // of the readings being placed
	at       int64       // its time
	flags    trace.Flags // Gap where something was lost before it
	ok       bool        // it has a time
	lostGap  bool        // a reading with a gap was set aside: the next one carries it

	out     []trace.Batch // what Feed returns
	samples [][]trace.Sample

	query   []byte
	askedNS int64

	latest     []Latest
	duplicates int64
	backwards  int64
	recentBad  int // garbled lines since readings were plenty
	unread     int // bytes since the last reading
	garbled    int64
	over       bool
}

// NewStream makes the stream of an instrument.
func NewStream(s Spec) (*Stream, error) {
	f, ok := FindFormat(s.Format)
	if !ok {
		return nil, fmt.Errorf("format %q is unknown", s.Format)
	}
	dec, err := f.New(s)
	if err != nil {
		return nil, err
	}
	return newStream(s, dec), nil
}

func newStream(s Spec, dec Decoder) *Stream {
	st := &Stream{dec: dec}
	st.asker, _ = dec.(Asker)
	t, timed := dec.Time()
	if !timed {
		t = DeviceTime{}
	}
	st.timed = timed
	st.clk = clock.New(clock.Config{TickNS: t.TickNS, WrapNS: t.WrapNS, Polled: st.asker != nil})
	for _, q := range dec.Channels() {
		st.channels = append(st.channels, trace.Channel{Instrument: s.Name, Quantity: q})
		st.latest = append(st.latest, Latest{Quantity: q})
	}
	st.samples = make([][]trace.Sample, len(st.channels))
	return st
}

// Channels lists what the stream brings; batches name one of these.
func (s *Stream) Channels() []trace.Channel { return slices.Clone(s.channels) }

// Feed takes one chunk and the bench's time of its arrival, and gives the samples that are ready, one
// batch a channel, valid until the next call. Without bytes it only lets time pass.
func (s *Stream) Feed(data []byte, arrivalNS int64) []trace.Batch {
	s.begin()
	s.readings = s.dec.Decode(s.readings[:0], data)
	s.take(arrivalNS)
	if !s.settled && s.clk.Settled(arrivalNS) {
		s.release()
	}
	s.note(len(data))
	return s.batches()
}

// take hands the chunk's readings to the clock.
func (s *Stream) take(arrivalNS int64) {
	behind := 0
	if !s.timed { // how many readings a chunk brought matters only where they are counted
		behind = lines(s.readings)
	}
	s.stamp.ArrivalNS, s.stamp.AskedNS = arrivalNS, s.askedNS
	end := math.MinInt
	for i := range s.readings {
		r := &s.readings[i]
		first := r.End != end
		if first {
			end = r.End
			behind--
			s.stamp.DeviceNS, s.stamp.Missed, s.stamp.Gap = r.DeviceNS, int(r.Missed), r.Flags&trace.Gap != 0
			s.stamp.Behind = max(0, behind)
			if s.settled {
				at, gap, what := s.clk.Next(&s.stamp)
				if what == clock.Held {
					s.settled = false
				} else {
					s.place(at, gap, what)
				}
			} else {
				s.clk.Learn(&s.stamp)
			}
		}
		if s.settled {
			s.put(r)
			continue
		}
		s.waiting = append(s.waiting, held{*r, s.stamp, first})
		if len(s.waiting) == maxHeld {
			s.clk.Settle()
			s.release()
			s.stamp.ArrivalNS, s.stamp.AskedNS = arrivalNS, s.askedNS
		}
	}
}

// lines counts the lines that readings came from.
func lines(rs []Reading) (n int) {
	for i := range rs {
		if i == 0 || rs[i].End != rs[i-1].End {
			n++
		}
	}
	return n
}

// release gives out what waited for the clock.
func (s *Stream) release() {
	s.settled = true
	for i := range s.waiting {
		h := &s.waiting[i]
		if h.first {
			s.stamp = h.stamp
			s.place(s.clk.Place(&s.stamp))
		}
		s.put(&h.r)
	}
	if len(s.waiting) > 1<<10 {
		s.waiting = nil // only the first hold of a fast instrument is that long
	}
	s.waiting = s.waiting[:0]
}

// place notes the time of the readings of one line.
func (s *Stream) place(at int64, gap bool, what clock.Outcome) {
	s.at, s.ok, s.flags = at, what == clock.Placed, 0
	if s.ok {
		if gap || s.lostGap {
			s.flags, s.lostGap = trace.Gap, false
		}
		return
	}
	s.lostGap = s.lostGap || gap || s.stamp.Gap
	if what == clock.Duplicate {
		s.duplicates++
	} else {
		s.backwards++
	}
}

// put makes a sample of a reading whose line has its time.
func (s *Stream) put(r *Reading) {
	if s.ok {
		list := &s.samples[r.Channel]
		// Boards print -0.000; no current is minus nothing, and as a sample of its own it would pack badly.
		*list = append(*list, trace.Sample{AtNS: s.at, Value: r.Value + 0, Flags: r.Flags&^trace.Gap | s.flags})
	}
}

func (s *Stream) begin() {
	for i := range s.samples {
		s.samples[i] = s.samples[i][:0]
	}
}

func (s *Stream) batches() []trace.Batch {
	s.out = s.out[:0]
	s.over = false
	for i, samples := range s.samples {
		if len(samples) > 0 {
			last := samples[len(samples)-1]
			s.latest[i] = Latest{s.channels[i].Quantity, last.Value, last.Flags, last.AtNS, true}
			s.out = append(s.out, trace.Batch{Channel: s.channels[i], Samples: samples})
		}
		s.over = s.over || s.latest[i].Flags&trace.Over != 0
	}
	return s.out
}

// note keeps how many of the last lines were garbled.
func (s *Stream) note(bytes int) {
	s.unread = min(s.unread+bytes, garbledBytes)
	if len(s.readings) > 0 {
		s.unread = 0
	}
	n := s.dec.Counts().Garbled
	s.recentBad = min(s.recentBad+int(n-s.garbled), 2*garbledWindow)
	s.garbled = n
	s.recentBad = max(0, s.recentBad-len(s.readings))
}

// Lost says that bytes are missing before the next chunk: a queue ran over or the port was reopened.
func (s *Stream) Lost() { s.dec.Lost() }

// Flush gives what was held back: nothing more will come.
func (s *Stream) Flush() []trace.Batch {
	s.begin()
	if !s.settled {
		s.clk.Settle()
		s.release()
	}
	return s.batches()
}

// Query gives what is to be written to the port now, or nil: only instruments that must be asked have
// anything, and only while no answer is outstanding. Call it before every wait for the next chunk.
func (s *Stream) Query(nowNS int64) []byte {
	if s.asker == nil {
		return nil
	}
	s.query = s.asker.Ask(s.query[:0], nowNS)
	if len(s.query) == 0 {
		return nil
	}
	s.askedNS = nowNS
	return s.query
}

// Due is the bench's time at which to call Query again even if nothing comes; 0 where an instrument talks
// by itself.
func (s *Stream) Due() int64 {
	if s.asker == nil {
		return 0
	}
	return s.asker.Due()
}

// Status gives a copy of the state and the counts.
func (s *Stream) Status() Status {
	out := Status{
		RateHz: s.clk.RateHz(), Counts: s.dec.Counts(), Latest: slices.Clone(s.latest),
		ClockUS: s.clk.UncertaintyS(), RateU: s.clk.RateU(), OffsetUS: s.clk.OffsetUS(), Warning: s.clk.Warning(),
	}
	if i, ok := s.dec.(Introduced); ok {
		out.Identity, out.Complaint = i.Identity(), i.Complaint()
	}
	if a, ok := s.dec.(Advising); ok && a.Advice() != "" {
		out.Warning = a.Advice()
	}
	out.Counts.Duplicates += s.duplicates
	out.Counts.Backwards += s.backwards
	switch {
	case s.recentBad >= garbledWindow/2, s.unread == garbledBytes, out.Counts.Readings == 0 && out.Counts.Garbled >= 2:
		out.State = "garbled"
	case s.over:
		out.State = "over_range"
	}
	return out
}
