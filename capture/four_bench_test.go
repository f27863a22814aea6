package capture

import (
	"fmt"
	"log/slog"
	"math"
	"os"
	"sync"
	"testing"
	"time"

	"github.com/creack/pty"
	"golang.org/x/sys/unix"

	"letthrough/capture/sim"
	"letthrough/capture/trace"
	"letthrough/capture/wire"
)

// BenchmarkFourInstruments is four boards at 20 kS/s each, in packets through real pseudo-terminals, into the
// bench with a run open: one second an iteration, so that -benchtime 60x is the minute. It reports how much of
// one core the whole process took, the sending boards included, and fails if a reading is lost.
func BenchmarkFourInstruments(b *testing.B) {
	const boards, rate, rows, every = 4, 20_000, 40, 4 * time.Millisecond
	bench := New(Options{Log: slog.New(slog.DiscardHandler)})
	if err := bench.Open(); err != nil {
		b.Fatal(err)
	}
	defer bench.Close()
	stop := make(chan struct{})
	var sending sync.WaitGroup
	sent := make([]int, boards)
	for k := range boards {
		master, slave, err := pty.Open()
		if err != nil {
			b.Fatal(err)
		}
		defer master.Close()
		defer slave.Close()
		spec, err := wire.ParseSpec(fmt.Sprintf("board%d=codes:%s?form=packets&lsb=1mA", k, slave.Name()))
		if err != nil {
			b.Fatal(err)
		}
		if err := bench.AddInstrument(spec); err != nil {
			b.Fatal(err)
		}
		sending.Add(1)
		go func() {
			defer sending.Done()
			send(master, stop, &sent[k], rate, rows, every)
		}()
	}
	hold := 86000.0
	if err := bench.Arm(ArmRequest{Unit: trace.Unit{Name: "Tin", RatedCurrentA: 1}, Procedure: trace.Short, HoldS: &hold}); err != nil {
		b.Fatal(err)
	}
	for bench.State().Bench != Recording { // the boards begin with 5 A
		<-bench.Changed()
	}
	began := processor(b)
	b.ResetTimer()
	for range b.N {
		<-time.After(time.Second) // the time that is measured, not a wait for something
	}
	b.StopTimer()
	used := processor(b) - began
	close(stop)
	sending.Wait()
	for k, in := range bench.State().Instruments {
		if in.Lost+in.Garbled+in.Duplicate > 0 {
			b.Errorf("board %d: lost %d, garbled %d, twice %d of %d readings", k, in.Lost, in.Garbled, in.Duplicate, sent[k])
		}
	}
	b.ReportMetric(100*used.Seconds()/float64(b.N), "%core")
	b.ReportMetric(boards*rate, "samples/s")
}

// send is a board: so many rows a packet, on time by the host's clock.
func send(to *os.File, stop chan struct{}, sent *int, rate, rows int, every time.Duration) {
	e := &sim.Packets{Rows: rows, Width: 2, LSBA: 0.001}
	var buf []byte
	tick := time.NewTicker(every)
	defer tick.Stop()
	began := time.Now()
	for {
		select {
		case <-stop:
			return
		case <-tick.C:
		}
		due := int(time.Since(began).Seconds() * float64(rate))
		for buf = buf[:0]; *sent < due; *sent++ {
			us := uint64(*sent) * 1_000_000 / uint64(rate)
			amps := 0.0
			if *sent > rate {
				amps = 5 + 0.003*math.Sin(float64(*sent))
			}
			buf = e.Encode(buf, sim.Reading{DeviceUS: us, CurrentA: amps})
		}
		if _, err := to.Write(buf); err != nil {
			return
		}
	}
}

// processor is the processor time of this process so far.
func processor(b *testing.B) time.Duration {
	var u unix.Rusage
	if err := unix.Getrusage(unix.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}
