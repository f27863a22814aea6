package capture

import (
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"letthrough/capture/port"
	"letthrough/capture/trace"
	"letthrough/capture/wire"
)

// Source is an opened instrument. One goroutine calls everything but Close.
type Source interface {
	// Channels is what the instrument measures; it never changes.
	Channels() []trace.Channel
	// Next waits a moment (some 50 ms) for samples on the bench's time base, in order of time, and
	// may come back without any. The batches are valid until the next call. It ends with io.EOF
	// after Close, or with the context's error; an unplugged instrument is no error.
	Next(ctx context.Context) ([]trace.Batch, error)
	// Status says how the instrument is doing.
	Status() SourceStatus
	// Close makes Next end. It may be called from any goroutine, and twice.
	Close() error
}

// The states of an instrument, as a person reads them.
const (
	Receiving    = "receiving"
	Silent       = "silent"
	Garbled      = "garbled"
	OverRange    = "over_range"
	Unplugged    = "unplugged"
	Reconnecting = "reconnecting"
)

// SourceStatus says how an instrument is doing.
type SourceStatus struct {
	State       string // one of the states above
	RateHz      float64
	Latest      []Latest
	Lost        uint64  // pieces lost on the way, as far as the format can tell
	Garbled     uint64  // what could not be read
	LastGarbled string  // its bytes, made safe to show
	Duplicate   uint64  // readings that came twice
	ClockUS     float64 // expanded uncertainty of the time base, s
	OffsetUS    float64 // expanded uncertainty of the whole time base against the bench's, s
	ClockRateU  float64 // expanded relative uncertainty of a duration on it
	SilentForS  float64
	Problem     string  // why it is unplugged, or what looks wrong, in words
	Identity    string  // what it calls itself, where it says so
	Typed       []Typed // the last readings, oldest first, where a person types them
}

// Latest is the newest reading of one quantity.
type Latest struct {
	Quantity trace.Quantity
	Value    float64
	Flags    trace.Flags
	Known    bool // a reading has come at all
}

// openSerial opens a real instrument.
func openSerial(spec wire.Spec, o port.Options) (Source, error) {
	stream, err := wire.NewStream(spec)
	if err != nil {
		return nil, fmt.Errorf("instrument %s: %w", spec.Name, err)
	}
	o.Wait = o.Wait || spec.Wait
	link, err := port.Open(PortSpec(spec), o)
	if err != nil {
		return nil, fmt.Errorf("instrument %s: %w", spec.Name, err)
	}
	return &serialSource{link: link, stream: stream, now: o.Now}, nil
}

// PortSpec is how the port of an instrument is opened.
func PortSpec(s wire.Spec) port.Spec {
	s = s.Opened()
	out := port.Spec{Path: s.Port, Baud: s.Baud, DTR: s.DTR, RTS: s.RTS}
	if len(s.Line) == 3 {
		out.DataBits, out.StopBits = int(s.Line[0]-'0'), int(s.Line[2]-'0')
		out.Parity = map[byte]port.Parity{'E': port.EvenParity, 'O': port.OddParity}[s.Line[1]]
	}
	return out
}

// Listen opens an instrument, listens for so long, and says how it does: above all at what rate it reads.
func Listen(ctx context.Context, spec wire.Spec, d time.Duration) (SourceStatus, error) {
	began := time.Now()
	src, err := openSerial(spec, port.Options{Now: func() int64 { return time.Since(began).Nanoseconds() }})
	if err != nil {
		return SourceStatus{}, err
	}
	defer src.Close()
	for time.Since(began) < d {
		if _, err := src.Next(ctx); err != nil {
			return SourceStatus{}, err
		}
	}
	return src.Status(), nil
}

// serialSource is a port, its wire format and the clock behind it.
type serialSource struct {
	link   *port.Link
	stream *wire.Stream
	now    func() int64
	ended  bool
}

func (s *serialSource) Channels() []trace.Channel { return s.stream.Channels() }

func (s *serialSource) Next(ctx context.Context) ([]trace.Batch, error) {
	if s.ended {
		return nil, io.EOF
	}
	if q := s.stream.Query(s.now()); q != nil {
		// A query that cannot be written is an unplugged port: the link says so and reopens it.
		_, _ = s.link.Write(q)
	}
	c, err := s.link.Next(ctx, s.stream.Due())
	if errors.Is(err, io.EOF) {
		s.ended = true
		return s.stream.Flush(), nil
	}
	if err != nil {
		return nil, err
	}
	if c.LostBytes > 0 || c.Reopened {
		s.stream.Lost()
	}
	return s.stream.Feed(c.Data, c.AtNS), nil
}

func (s *serialSource) Close() error { return s.link.Close() }

// Status joins what the port and the format know: a port that does not receive has the last word.
func (s *serialSource) Status() SourceStatus {
	l, w := s.link.Status(), s.stream.Status()
	out := SourceStatus{
		State: string(l.State), RateHz: w.RateHz,
		Lost:        uint64(l.LostChunks + w.Counts.LostPackets),
		Garbled:     uint64(w.Counts.Garbled),
		LastGarbled: w.Counts.LastGarbled,
		Duplicate:   uint64(w.Counts.Duplicates),
		ClockUS:     w.ClockUS,
		ClockRateU:  w.RateU,
		OffsetUS:    w.OffsetUS,
		SilentForS:  l.SilentFor.Seconds(),
		Problem:     l.Problem,
		Identity:    w.Identity,
	}
	if out.State == Receiving && w.State != "" {
		out.State = w.State
	}
	if out.State != Receiving {
		out.RateHz = 0
	}
	if out.Problem == "" {
		out.Problem = w.Warning
	}
	if out.Problem == "" && w.Complaint != "" {
		out.Problem = "the instrument reports: " + w.Complaint
	}
	if out.Problem == "" && out.State == Garbled {
		out.Problem = w.Counts.LastReason
	}
	for _, q := range w.Latest {
		out.Latest = append(out.Latest, Latest{Quantity: q.Quantity, Value: q.Value, Flags: q.Flags, Known: q.Known})
	}
	return out
}

// tellEvery is how often an instrument's goroutine reports its status, in real time: a page shows
// five states a second.
const tellEvery = 100 * time.Millisecond

// listen is an instrument's goroutine.
func listen(ctx context.Context, src Source, box *inbox) {
	index := map[trace.Channel]int{}
	for i, c := range src.Channels() {
		index[c] = i
	}
	var told time.Time
	for {
		batches, err := src.Next(ctx)
		for _, b := range batches {
			if i, ok := index[b.Channel]; ok {
				box.put(i, b.Samples)
			}
		}
		if now := time.Now(); err != nil || now.Sub(told) >= tellEvery {
			told = now
			box.tell(src.Status())
		}
		if err != nil {
			return
		}
	}
}
