package wire

import (
	"bytes"
	"strconv"
	"testing"

	"letthrough/capture/trace"
)

// meter is a minimal instrument that must be asked: it shows that the interface serves one.
type meter struct {
	counts Counts
	poll
	stale int // answers still to come that nobody waits for
	buf   []byte
}

func (m *meter) Channels() []trace.Quantity { return []trace.Quantity{trace.Current} }
func (m *meter) Time() (DeviceTime, bool)   { return DeviceTime{}, false }
func (m *meter) Lost()                      { m.buf, m.waiting, m.stale = nil, false, 0 }

func (m *meter) Counts() Counts {
	c := m.counts
	c.TimedOut = m.timedOut
	return c
}

func (m *meter) Ask(dst []byte, nowNS int64) []byte {
	may, late := m.turn(nowNS)
	if late {
		m.stale++
	}
	if !may {
		return dst
	}
	m.asked(nowNS)
	return append(dst, "READ?\n"...)
}

func (m *meter) Decode(dst []Reading, chunk []byte) []Reading {
	m.buf = append(m.buf, chunk...)
	for {
		line, rest, ok := bytes.Cut(m.buf, []byte("\n"))
		if !ok {
			return dst
		}
		m.buf = rest
		if m.stale > 0 {
			m.stale--
			continue
		}
		m.waiting = false
		v, err := strconv.ParseFloat(string(line), 64)
		if err != nil {
			m.counts.Garbled++
			m.counts.LastGarbled = Printable(line)
			continue
		}
		m.counts.Readings++
		dst = append(dst, Reading{Value: v, End: len(chunk) - len(rest)})
	}
}

func TestAskedInstrument(t *testing.T) {
	const ms = int64(1e6)
	s := newStream(Spec{Name: "meter"}, &meter{poll: poll{timeoutNS: 1e9}})
	one := func(batches []trace.Batch) trace.Sample {
		t.Helper()
		if len(batches) != 1 || len(batches[0].Samples) != 1 {
			t.Fatalf("got %v, want one sample", batches)
		}
		return batches[0].Samples[0]
	}
	if q := s.Query(100 * ms); string(q) != "READ?\n" {
		t.Fatalf("query %q", q)
	}
	if due := s.Due(); due != 1100*ms+1 {
		t.Errorf("due at %d, want when the answer is late", due)
	}
	if q := s.Query(101 * ms); q != nil {
		t.Errorf("asked again with %q while the answer is outstanding", q)
	}
	if b := s.Feed([]byte("1."), 110*ms); len(b) != 0 {
		t.Errorf("half an answer gave %v", b)
	}
	if got, want := one(s.Feed([]byte("5\n"), 120*ms)), (trace.Sample{AtNS: 110 * ms, Value: 1.5}); got != want {
		t.Errorf("got %+v, want %+v: the middle of query and answer", got, want)
	}

	// No answer: after a second the query is given up, and its late answer is nobody's.
	s.Query(200 * ms)
	s.Feed(nil, 900*ms)
	if q := s.Query(900 * ms); q != nil {
		t.Errorf("asked again after 0.7 s")
	}
	q := s.Query(1300 * ms)
	if n := s.Status().Counts.TimedOut; n != 1 {
		t.Errorf("%d queries timed out, want 1", n)
	}
	if q == nil {
		t.Fatal("not asked again after the time-out")
	}
	if b := s.Feed([]byte("7.5\n"), 1310*ms); len(b) != 0 {
		t.Errorf("the late answer gave %v", b)
	}
	if got := one(s.Feed([]byte("2.5\n"), 1320*ms)); got.Value != 2.5 || got.AtNS != 1310*ms {
		t.Errorf("got %+v, want 2.5 at 1310 ms", got)
	}
	if s.Query(1330*ms) == nil {
		t.Fatal("not asked")
	}
	s.Feed([]byte("ERR\n"), 1340*ms)
	if st := s.Status(); st.Counts.Garbled != 1 || s.Query(1350*ms) == nil {
		t.Errorf("after a garbled answer: %+v; want it counted and the next query made", st.Counts)
	}
	if u := s.Status().ClockUS; u <= 0 || u > 0.02 {
		t.Errorf("uncertainty %g s, want half the round trip", u)
	}
}
