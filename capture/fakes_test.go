package capture

import (
	"context"
	"io"
	"iter"
	"math"
	"slices"
	"sync"
	"testing"
	"time"

	"letthrough/capture/trace"
	"letthrough/capture/trip"
	"letthrough/capture/wire"
	"letthrough/capture/words"
)

// handClock is a Clock that moves only when it is told to.
type handClock struct {
	mu     sync.Mutex
	ns     int64
	timers []*handTimer
}

var wallZero = time.Date(2026, 3, 1, 14, 0, 0, 0, time.FixedZone("", 3600))

func (c *handClock) NowNS() int64 {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.ns
}

func (c *handClock) WallAt(ns int64) time.Time { return wallZero.Add(time.Duration(ns)) }

func (c *handClock) NewTimer(d time.Duration) Timer {
	c.mu.Lock()
	defer c.mu.Unlock()
	t := &handTimer{clock: c, at: c.ns + int64(d), c: make(chan time.Time, 1)}
	c.timers = append(c.timers, t)
	t.fire()
	return t
}

func (c *handClock) set(ns int64) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.ns = max(c.ns, ns)
	for _, t := range c.timers {
		t.fire()
	}
}

type handTimer struct {
	clock *handClock
	at    int64
	c     chan time.Time
	fired bool
}

func (t *handTimer) fire() {
	if !t.fired && t.clock.ns >= t.at {
		t.fired = true
		t.c <- wallZero.Add(time.Duration(t.at))
	}
}

func (t *handTimer) C() <-chan time.Time { return t.c }

func (t *handTimer) Stop() {
	t.clock.mu.Lock()
	defer t.clock.mu.Unlock()
	t.clock.timers = slices.DeleteFunc(t.clock.timers, func(o *handTimer) bool { return o == t })
}

// memory is a Recorder that keeps everything where a test can look at it.
type memory struct {
	mu     sync.Mutex
	starts []trace.RunStart
	ends   map[int64]trace.RunEnd
	data   map[trace.Channel][]trace.Sample // of the newest run
	order  []trace.Channel                  // as they first came
	marks  []trace.Mark                     // as they came
	amends []trace.Settings
}

func (m *memory) Begin(r trace.RunStart) (int64, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.starts = append(m.starts, r)
	m.data = map[trace.Channel][]trace.Sample{}
	m.order, m.marks, m.amends = nil, nil, nil
	return int64(len(m.starts)), nil
}

func (m *memory) Append(_ int64, b trace.Batch) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if len(m.data[b.Channel]) == 0 {
		m.order = append(m.order, b.Channel)
	}
	m.data[b.Channel] = append(m.data[b.Channel], b.Samples...)
}

func (m *memory) Marks(_ int64, marks []trace.Mark) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.marks = append(m.marks, marks...)
}

func (m *memory) Amend(_ int64, s trace.Settings) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.amends = append(m.amends, s)
}

func (m *memory) End(run int64, e trace.RunEnd) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.ends == nil {
		m.ends = map[int64]trace.RunEnd{}
	}
	m.ends[run] = e
}

func (m *memory) Trouble() (string, uint64) { return "", 0 }

// outside gives the marks that came from outside, as a store would keep them.
func (m *memory) outside() []trace.Mark {
	var out []trace.Mark
	for _, k := range m.marks {
		if k.By != trace.Detector {
			out = append(out, k)
		}
	}
	return out
}

// again derives the newest run from what was kept, as somebody does who reads it back later: all
// channels together in the order of time.
func (m *memory) again(t testing.TB, s trace.Settings) trace.Derivation {
	t.Helper()
	d, err := trip.New(s)
	if err != nil {
		t.Fatal(err)
	}
	marks := m.outside()
	var sources []iter.Seq2[trace.Batch, error]
	for _, c := range m.order {
		sources = append(sources, func(yield func(trace.Batch, error) bool) {
			yield(trace.Batch{Channel: c, Samples: m.data[c]}, nil)
		})
	}
	for b := range trace.Merge(sources...) {
		for _, sample := range b.Samples {
			for len(marks) > 0 && marks[0].T < sample.At() {
				d.Mark(marks[0])
				marks = marks[1:]
			}
			if b.Channel.Quantity == trace.Voltage {
				d.Voltage([]trace.Sample{sample})
			} else {
				d.Current([]trace.Sample{sample})
			}
		}
	}
	for _, k := range marks {
		d.Mark(k)
	}
	out := d.Finish()
	words.Fill(&out, s)
	return out
}

// scripted is a Source that gives what a test hands it.
type scripted struct {
	channels []trace.Channel
	give     chan []trace.Batch
	once     sync.Once
	closed   chan struct{}

	mu     sync.Mutex
	status SourceStatus
}

func newScripted(quantities ...trace.Quantity) *scripted {
	s := &scripted{give: make(chan []trace.Batch), closed: make(chan struct{}), status: SourceStatus{State: Receiving}}
	for _, q := range quantities {
		s.channels = append(s.channels, trace.Channel{Instrument: "board", Quantity: q})
	}
	return s
}

func (s *scripted) Channels() []trace.Channel { return s.channels }

func (s *scripted) Next(ctx context.Context) ([]trace.Batch, error) {
	select {
	case b := <-s.give:
		return b, nil
	case <-s.closed:
		return nil, io.EOF
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}

func (s *scripted) Status() SourceStatus {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.status
}

func (s *scripted) Close() error {
	s.once.Do(func() { close(s.closed) })
	return nil
}

// stand is a bench without goroutines: the test moves the clock and steps it.
type stand struct {
	t     testing.TB
	b     *Bench
	clock *handClock
	rec   *memory
	in    *instrument
	src   *scripted
}

func newStand(t testing.TB, o Options, quantities ...trace.Quantity) *stand {
	t.Helper()
	if len(quantities) == 0 {
		quantities = []trace.Quantity{trace.Current}
	}
	s := &stand{t: t, clock: &handClock{}, rec: &memory{}}
	o.Clock, o.Recorder = s.clock, s.rec
	s.b = New(o)
	s.src = newScripted(quantities...)
	s.b.mu.Lock()
	s.in = s.b.attach(wire.Spec{Name: "board", Format: "text", Port: "/dev/null"}, s.src)
	s.b.mu.Unlock()
	s.in.box.tell(s.src.Status())
	return s
}

// step moves the clock and lets the bench look round.
func (s *stand) step(atS float64) {
	s.clock.set(trace.NS(atS))
	s.b.mu.Lock()
	s.b.step(s.clock.NowNS())
	s.b.mu.Unlock()
	if s.b.actOnContact() { // as the bench's goroutine does
		s.step(atS)
	}
}

// play lets the instrument send what current says, from..to in seconds at rate, in deliveries of n
// samples.
func (s *stand) play(from, to, rate float64, n int, current func(t float64) float64) {
	var batch, volts []trace.Sample
	put := func() {
		s.in.box.put(0, batch)
		if len(s.src.channels) > 1 {
			s.in.box.put(1, volts)
		}
		batch, volts = batch[:0], volts[:0]
	}
	for k := int64(math.Ceil(from * rate)); float64(k)/rate < to; k++ {
		at := float64(k) / rate
		i := current(at)
		batch = append(batch, trace.Sample{AtNS: trace.NS(at), Value: i + hiss(k)})
		volts = append(volts, trace.Sample{AtNS: trace.NS(at), Value: 12 - 2.6*i + hiss(k+7)})
		if len(batch) == n {
			put()
			s.step(at)
		}
	}
	put()
	s.step(to)
}

// hiss is noise of some 4 mA that is the same every time.
func hiss(k int64) float64 {
	x := uint64(k)*0x9E3779B97F4A7C15 + 1
	x ^= x >> 29
	x *= 0xBF58476D1CE4E5B9
	x ^= x >> 32
	return (float64(x%1000)/1000 - 0.5) * 0.014
}

// retrying is a unit that cuts off 0.9 s after the short at onset and tries again every 2.6 s for
// 0.25 s, until the short is taken off.
func retrying(onset, removed float64) func(float64) float64 {
	return func(t float64) float64 {
		switch since := t - onset; {
		case since < 0 || t >= removed:
			return 0
		case since < 0.9:
			return 4.5 - 0.3*since
		case math.Mod(since-0.9, 2.6) > 2.35:
			return 4.2
		}
		return 0
	}
}

func never(float64) float64 { return 0 }

var tin = trace.Unit{Name: "Tin", RatedCurrentA: 1.4, RatedVoltageV: 12, Waveform: trace.DC}

func (s *stand) arm(holdS float64) {
	s.t.Helper()
	if err := s.b.Arm(ArmRequest{Unit: tin, HoldS: &holdS}); err != nil {
		s.t.Fatal(err)
	}
}

func (s *stand) mode(want Mode) State {
	s.t.Helper()
	st := s.b.State()
	if st.Bench != want {
		s.t.Fatalf("at %.3f s: bench is %s, want %s", st.NowAtS, st.Bench, want)
	}
	return st
}

func (s *stand) ended(run int64) trace.RunEnd {
	s.t.Helper()
	e, ok := s.rec.ends[run]
	if !ok {
		s.t.Fatalf("run %d has not ended", run)
	}
	return e
}

func figure(t testing.TB, d trace.Derivation, key string) trace.Figure {
	t.Helper()
	f, ok := d.Figures.Get(key)
	if !ok {
		t.Fatalf("no figure %s in %v", key, d.Figures)
	}
	return f
}
