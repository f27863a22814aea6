package wire_test

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"math"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/creack/pty"
	"go.uber.org/goleak"
	"golang.org/x/sys/unix"

	"letthrough/capture/port"
	"letthrough/capture/trace"
	"letthrough/capture/wire"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

const ms = int64(1e6)

func mustStream(tb testing.TB, options string) *wire.Stream {
	tb.Helper()
	s, err := wire.ParseSpec("shunt=text:/dev/null?" + options)
	if err != nil {
		tb.Fatal(err)
	}
	st, err := wire.NewStream(s)
	if err != nil {
		tb.Fatal(err)
	}
	return st
}

// collect appends copies of the samples of each channel.
func collect(into map[trace.Channel][]trace.Sample, batches []trace.Batch) {
	for _, b := range batches {
		into[b.Channel] = append(into[b.Channel], b.Samples...)
	}
}

var current = trace.Channel{Instrument: "shunt", Quantity: trace.Current}
var voltage = trace.Channel{Instrument: "shunt", Quantity: trace.Voltage}

// feedTimed feeds one line a millisecond, as a board with its own clock sends them, from line a to b.
func feedTimed(st *wire.Stream, got map[trace.Channel][]trace.Sample, a, b int64, line func(i int64) string) {
	for i := a; i < b; i++ {
		collect(got, st.Feed([]byte(line(i)), 1000*ms+i*ms))
	}
}

func TestStream(t *testing.T) {
	twoValues := func(i int64) string { return fmt.Sprintf("%d,%d.5,12.25\n", i*1000, i) }

	t.Run("BothChannelsShareTheTime", func(t *testing.T) {
		st, got := mustStream(t, "time=us&voltage=3"), map[trace.Channel][]trace.Sample{}
		feedTimed(st, got, 0, 1000, twoValues)
		c, v := got[current], got[voltage]
		if len(c) != 998 || len(v) != 998 {
			t.Fatalf("%d and %d samples, want 998 of each (two lines tell how they are built)", len(c), len(v))
		}
		for i := range c {
			if want := 1000*ms + int64(i+2)*ms; c[i].AtNS != want || v[i].AtNS != want || c[i].Value != float64(i+2)+0.5 || v[i].Value != 12.25 {
				t.Fatalf("sample %d: %+v and %+v, want both at %d", i, c[i], v[i], want)
			}
		}
		s := st.Status()
		if math.Abs(s.RateHz-1000) > 20 || s.State != "" || s.Counts.Readings != 2*998 || s.ClockUS <= 0 {
			t.Errorf("status %+v", s)
		}
		if l := s.Latest[0]; !l.Known || l.Value != 999.5 || l.AtNS != 1999*ms {
			t.Errorf("latest current %+v", l)
		}
	})

	t.Run("HoldsBackUntilTheClockIsSettled", func(t *testing.T) {
		st, got := mustStream(t, "time=us&voltage=3"), map[trace.Channel][]trace.Sample{}
		feedTimed(st, got, 0, 200, twoValues)
		if n := len(got[current]); n != 0 {
			t.Errorf("%d samples within 200 ms of opening, want none yet", n)
		}
		collect(got, st.Feed(nil, 2500*ms)) // a heartbeat later
		if n := len(got[current]); n != 198 {
			t.Errorf("%d samples after the hold, want all 198", n)
		}
	})

	t.Run("FlushGivesWhatWasHeldBack", func(t *testing.T) {
		st, got := mustStream(t, "time=us&voltage=3"), map[trace.Channel][]trace.Sample{}
		feedTimed(st, got, 0, 100, twoValues)
		collect(got, st.Flush())
		if n := len(got[current]); n != 98 {
			t.Errorf("%d samples, want 98", n)
		}
		if b := st.Flush(); len(b) != 0 {
			t.Errorf("a second flush gave %d batches", len(b))
		}
	})

	t.Run("LateFirstBytesAreNotTheOffset", func(t *testing.T) {
		st, got := mustStream(t, "time=us&voltage=3"), map[trace.Channel][]trace.Sample{}
		for i := range int64(100) { // the first 100 ms come at once, late
			collect(got, st.Feed([]byte(twoValues(i)), 1100*ms))
		}
		feedTimed(st, got, 100, 1000, twoValues)
		if c := got[current]; c[0].AtNS != 1002*ms || c[500].AtNS != 1502*ms {
			t.Errorf("first samples at %d and %d ns, want 1002 and 1502 ms", c[0].AtNS, c[500].AtNS)
		}
	})

	t.Run("LossIsAGapOnTheNextSample", func(t *testing.T) {
		st, got := mustStream(t, "time=us&voltage=3"), map[trace.Channel][]trace.Sample{}
		feedTimed(st, got, 0, 500, twoValues)
		st.Lost()
		feedTimed(st, got, 600, 1000, twoValues)
		gaps := 0
		for i, s := range got[current] {
			if s.Flags&trace.Gap != 0 {
				gaps++
				if i != 498 || got[voltage][i].Flags&trace.Gap == 0 {
					t.Errorf("gap on sample %d", i)
				}
			}
		}
		if gaps != 1 {
			t.Errorf("%d gaps, want 1", gaps)
		}
	})

	t.Run("GapSurvivesASampleSetAside", func(t *testing.T) {
		st, got := mustStream(t, "time=us&voltage=3"), map[trace.Channel][]trace.Sample{}
		feedTimed(st, got, 0, 500, twoValues)
		st.Lost()
		feedTimed(st, got, 498, 510, twoValues) // the first whole line repeats a time
		for _, s := range got[current][498:] {
			if s.Flags&trace.Gap != 0 {
				return
			}
		}
		t.Error("the gap was lost with the sample that carried it")
	})

	t.Run("DuplicatesAreSetAsideAndCounted", func(t *testing.T) {
		st, got := mustStream(t, "time=us&voltage=3"), map[trace.Channel][]trace.Sample{}
		feedTimed(st, got, 0, 500, twoValues)
		feedTimed(st, got, 499, 1000, twoValues)
		if s := st.Status(); s.Counts.Duplicates != 1 || len(got[current]) != 998 {
			t.Errorf("%d duplicates, %d samples; want 1 and 998", s.Counts.Duplicates, len(got[current]))
		}
	})

	t.Run("StatesForPeople", func(t *testing.T) {
		st := mustStream(t, "time=us&voltage=3")
		got := map[trace.Channel][]trace.Sample{}
		feedTimed(st, got, 0, 500, twoValues)
		feedTimed(st, got, 500, 510, func(int64) string { return "@@@\x00\n" })
		if s := st.Status(); s.State != "garbled" || s.Counts.LastGarbled != `@@@\x00` {
			t.Errorf("state %q, last %q; want garbled", s.State, s.Counts.LastGarbled)
		}
		feedTimed(st, got, 510, 600, twoValues)
		if s := st.Status(); s.State != "" {
			t.Errorf("state %q after good lines, want none", s.State)
		}
		feedTimed(st, got, 600, 610, func(i int64) string { return fmt.Sprintf("%d,OL,12.25\n", i*1000) })
		if s := st.Status(); s.State != "over_range" || s.Counts.Over != 10 || !math.IsInf(s.Latest[0].Value, 1) {
			t.Errorf("state %q, over %d, latest %v; want over_range", s.State, s.Counts.Over, s.Latest[0].Value)
		}
	})

	t.Run("BytesThatNeverMakeALineAreGarbled", func(t *testing.T) {
		st := mustStream(t, "time=us")
		for i := range int64(50) {
			st.Feed([]byte(strings.Repeat("~", 100)), i*ms)
		}
		if s := st.Status(); s.State != "garbled" || s.Counts.LastGarbled == "" {
			t.Errorf("state %q, last %q; want garbled and the bytes", s.State, s.Counts.LastGarbled)
		}
	})

	t.Run("TwoBadLinesAtTheBeginningAreGarbled", func(t *testing.T) {
		st := mustStream(t, "time=us")
		st.Feed([]byte("1.5\n1.5\n"), 0)
		if s := st.Status(); s.State != "" {
			t.Errorf("state %q after one, want none", s.State)
		}
		if st.Feed([]byte("1.5\n"), ms); st.Status().State != "garbled" {
			t.Errorf("state %q after two, want garbled", st.Status().State)
		}
	})

	t.Run("TalkingInstrumentIsNotAsked", func(t *testing.T) {
		if q := mustStream(t, "time=us").Query(0); q != nil {
			t.Errorf("query %q, want none", q)
		}
	})

	t.Run("WithoutTimeBurstsAreSpread", func(t *testing.T) {
		st, got := mustStream(t, "unit=A"), map[trace.Channel][]trace.Sample{}
		for burst := range int64(200) {
			collect(got, st.Feed([]byte(strings.Repeat("1.5\n", 16)), 1000*ms+16*ms*burst))
		}
		c := got[current]
		for i := 1; i < len(c); i++ {
			if d := c[i].AtNS - c[i-1].AtNS; d < 900_000 || d > 1_100_000 {
				t.Fatalf("samples %d and %d are %d us apart, want 1000", i-1, i, d/1000)
			}
		}
	})
}

func TestStreamWithoutTimeTellsAPauseFromALateHost(t *testing.T) {
	st, got := mustStream(t, "unit=A"), map[trace.Channel][]trace.Sample{}
	feed := func(from, to, per, step int64, at int64) {
		for i := from; i < to; i += per {
			collect(got, st.Feed([]byte(strings.Repeat("1.5\n", int(per))), at+(i-from)/per*step))
		}
	}
	feed(0, 1600, 16, 16*ms, 1016*ms)
	feed(1600, 1800, 4, ms/10, 2816*ms) // 200 ms late, then in small packets
	feed(1800, 3000, 16, 16*ms, 2832*ms)
	feed(3000, 4600, 16, 16*ms, 5032*ms) // a pause of a second
	c := got[current]
	if len(c) != 4598 {
		t.Fatalf("%d samples, want 4598", len(c))
	}
	for i := 1; i < len(c); i++ {
		if i == 2998 {
			if d := c[i].AtNS - c[i-1].AtNS; d < 980*ms || d > 1020*ms || c[i].Flags != trace.Gap {
				t.Errorf("the pause: %d us, flags %v; want a gap of a second", d/1000, c[i].Flags)
			}
			continue
		}
		if d := c[i].AtNS - c[i-1].AtNS; d < 900_000 || d > 1_100_000 || c[i].Flags != 0 {
			t.Fatalf("samples %d and %d are %d us apart, flags %v; want 1000 and none", i-1, i, d/1000, c[i].Flags)
		}
	}
}

// The whole way: a board on a pseudo-terminal, port, format, clock.
func TestStreamFromPseudoTerminal(t *testing.T) {
	master, slave, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	defer master.Close()
	defer slave.Close()
	if attr, err := unix.IoctlGetTermios(int(slave.Fd()), unix.TCGETS); err != nil {
		t.Fatal(err)
	} else {
		attr.Lflag &^= unix.ECHO | unix.ICANON
		attr.Oflag &^= unix.OPOST
		if err := unix.IoctlSetTermios(int(slave.Fd()), unix.TCSETS, attr); err != nil {
			t.Fatal(err)
		}
	}
	spec, err := wire.ParseSpec("shunt=text:" + slave.Name() + "?baud=115200&time=us&accuracy=0.5%+2")
	if err != nil {
		t.Fatal(err)
	}
	var now atomic.Int64
	link, err := port.Open(port.Spec{Path: spec.Port, Baud: spec.Baud}, port.Options{Now: now.Load, Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	defer link.Close()
	st, err := wire.NewStream(spec)
	if err != nil {
		t.Fatal(err)
	}
	got := map[trace.Channel][]trace.Sample{}
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	received := int64(0)
	const lines = 1500
	for i := range int64(lines) {
		now.Store(7000*ms + i*ms)
		line := fmt.Sprintf("%d,%d.25\r\n", (5000+i)*1000, i)
		if _, err := io.WriteString(master, line); err != nil {
			t.Fatal(err)
		}
		for want := received + int64(len(line)); received < want; {
			c, err := link.Next(ctx, 0)
			if err != nil {
				t.Fatal(err)
			}
			received += int64(len(c.Data))
			collect(got, st.Feed(c.Data, c.AtNS))
		}
	}
	c := got[current]
	if len(c) != lines-2 {
		t.Fatalf("%d samples, want %d", len(c), lines-2)
	}
	for i, s := range c {
		if want := (trace.Sample{AtNS: 7000*ms + int64(i+2)*ms, Value: float64(i+2) + 0.25}); s != want {
			t.Fatalf("sample %d: %+v, want %+v", i, s, want)
		}
	}
}

func BenchmarkStream(b *testing.B) {
	const lines = 100_000
	data := stream(lines) // 10 kS/s
	b.SetBytes(int64(len(data)))
	b.ReportAllocs()
	for _, size := range []int{4096, 160} {
		b.Run(fmt.Sprintf("chunks=%d", size), func(b *testing.B) {
			b.ReportAllocs()
			samples := 0
			for b.Loop() {
				st := mustStream(b, "time=us")
				at := int64(0)
				for rest := data; len(rest) > 0; {
					n := min(size, len(rest))
					at += int64(n) * 100_000 / 16
					for _, batch := range st.Feed(rest[:n], at) {
						samples += len(batch.Samples)
					}
					rest = rest[n:]
				}
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(samples), "ns/sample")
		})
	}
}

// Boards print "-0.000". As a sample it is 0: with its sign it would be a number of its own to whoever stores it.
func TestMinusNothingIsNothing(t *testing.T) {
	spec, err := wire.ParseSpec("board=text:/dev/null?time=ms")
	if err != nil {
		t.Fatal(err)
	}
	s, err := wire.NewStream(spec)
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	see := func(batches []trace.Batch) {
		for _, b := range batches {
			for _, x := range b.Samples {
				if n++; x.Value != 0 || math.Signbit(x.Value) {
					t.Errorf("sample %+v, want a plain 0", x)
				}
			}
		}
	}
	for i := range 40 {
		see(s.Feed(fmt.Appendf(nil, "%d,-0.000\n", 10*i), int64(i)*10e6))
	}
	if see(s.Flush()); n < 30 {
		t.Errorf("only %d samples", n)
	}
}
