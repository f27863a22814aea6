package sim_test

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"go.bug.st/serial"
	"go.uber.org/goleak"

	"letthrough/capture/sim"
	"letthrough/capture/trace"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// patience bounds every wait of these tests in host time.
const patience = 20 * time.Second

// byHand is a clock that stands still until somebody moves it.
type byHand struct{ ns atomic.Int64 }

func (c *byHand) NowNS() int64 { return c.ns.Load() }

// listener reads a pseudo-terminal as the real program does.
type listener struct {
	tb   testing.TB
	port serial.Port
	rest []byte
}

func listen(tb testing.TB, path string) *listener {
	tb.Helper()
	port, err := serial.Open(path, &serial.Mode{BaudRate: 115200})
	if err != nil {
		tb.Fatalf("open %s: %v", path, err)
	}
	if err := port.SetReadTimeout(10 * time.Millisecond); err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(func() { port.Close() })
	return &listener{tb: tb, port: port}
}

// lines reads until done says that it has seen enough.
func (l *listener) lines(done func(line string) bool) {
	l.tb.Helper()
	buf := make([]byte, 4096)
	for deadline := time.Now().Add(patience); time.Now().Before(deadline); {
		n, err := l.port.Read(buf)
		if err != nil {
			l.tb.Fatalf("read: %v", err)
		}
		l.rest = append(l.rest, buf[:n]...)
		for {
			line, rest, found := bytes.Cut(l.rest, []byte("\n"))
			if !found {
				break
			}
			l.rest = rest
			if done(string(line)) {
				return
			}
		}
	}
	l.tb.Fatalf("waited %v for a line; unfinished: %q", patience, l.rest)
}

// parse reads "us,amps[,volts]".
func parse(tb testing.TB, line string) (us uint64, amps float64, volts float64) {
	tb.Helper()
	fields := strings.Split(line, ",")
	us, err := strconv.ParseUint(fields[0], 10, 64)
	if err != nil || len(fields) < 2 {
		tb.Fatalf("line %q is not time and current", line)
	}
	if amps, err = strconv.ParseFloat(fields[1], 64); err != nil {
		tb.Fatalf("line %q: %v", line, err)
	}
	if len(fields) > 2 {
		if volts, err = strconv.ParseFloat(fields[2], 64); err != nil {
			tb.Fatalf("line %q: %v", line, err)
		}
	}
	return us, amps, volts
}

func mustStand(tb testing.TB, clock sim.Clock, o sim.StandOptions) *sim.Stand {
	tb.Helper()
	s, err := sim.NewStand(clock, o)
	if err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(func() {
		if err := s.Close(); err != nil {
			tb.Errorf("close: %v", err)
		}
	})
	return s
}

// A whole short of Slate over a real pseudo-terminal: every reading arrives, once and in order, and
// what the reader can compute from them is what the stand says really happened.
func TestAShortArrivesWholeThroughThePseudoTerminal(t *testing.T) {
	clock := &byHand{}
	s := mustStand(t, clock, sim.StandOptions{Seed: 3, Meter: sim.Meter{RateHz: 1000, ResolutionA: 1e-4, Voltage: true}})
	if err := s.Plug("Slate"); err != nil {
		t.Fatal(err)
	}
	l := listen(t, s.Path())
	<-s.Heard()
	clock.ns.Store(1e9)
	if err := s.Contact().Close(); err != nil {
		t.Fatal(err)
	}
	clock.ns.Store(2e9)
	if err := s.Contact().Open(); err != nil {
		t.Fatal(err)
	}
	clock.ns.Store(3e9)

	var last uint64
	var over []float64
	n := 0
	l.lines(func(line string) bool {
		us, amps, volts := parse(t, line)
		if n > 0 && us != last+1000 {
			t.Fatalf("reading %d at %d us follows %d us, want 1000 us between", n, us, last)
		}
		last = us
		if amps > 2.5 {
			over = append(over, float64(us)/1e6)
		}
		if us < 900e3 && math.Abs(volts-12.8) > 1e-9 {
			t.Fatalf("open volts = %g, want 12.8", volts)
		}
		n++
		return us >= 2_990_000
	})
	truth := s.Truth()
	onset, _ := truth.FirstMark(trace.Onset)
	cut, _ := truth.FirstMark(trace.CutOff)
	if truth.Behaviour != trace.Latching || truth.Recovery != trace.NeedsReset {
		t.Errorf("truth: %s, %s", truth.Behaviour, truth.Recovery)
	}
	if len(over) == 0 || math.Abs(over[0]-onset.T) > 2e-3 || math.Abs(over[len(over)-1]-cut.T) > 1.1e-3 {
		t.Errorf("fault current read from %v s to the last of %d readings, truth %.4f to %.4f s", over[:1], len(over), onset.T, cut.T)
	}
}

func TestStandSwapsUnitsAndKeepsTheTruthOfTheLastTest(t *testing.T) {
	clock := &byHand{}
	s := mustStand(t, clock, sim.StandOptions{Seed: 1})
	if got := len(s.Units()); got != 7 {
		t.Fatalf("%d units, want the whole shelf of 7", got)
	}
	advance := func(seconds float64) { clock.ns.Add(int64(seconds * 1e9)) }
	for _, u := range s.Units()[:3] {
		if err := s.Plug(u.Plate.Name); err != nil {
			t.Fatal(err)
		}
		if got := s.Plugged().Plate.Name; got != u.Plate.Name {
			t.Fatalf("plugged %s, want %s", got, u.Plate.Name)
		}
		advance(1)
		contact := s.Contact()
		must(t, contact.Close())
		must(t, contact.Close()) // twice is once
		if !contact.Closed() {
			t.Fatal("contact is open after closing it")
		}
		if err := s.Plug("Tin"); err == nil {
			t.Fatal("a unit was swapped under a closed contact")
		}
		advance(30)
		must(t, contact.Open())
		must(t, contact.Open())
		advance(5)
		must(t, contact.Close()) // does it come back? no new test
		advance(0.5)
		must(t, contact.Open())
		truth := s.Truth()
		want := mustRecord(t, u, sim.ShortTest(1, 30, 10), sim.Meter{RateHz: 1}, 1).Truth
		if truth.Unit != u.Plate.Name || truth.Behaviour != want.Behaviour {
			t.Errorf("%s: %s is %s, want %s", u.Plate.Name, truth.Unit, truth.Behaviour, want.Behaviour)
		}
		if got, want := truth.Figures["hold_a2s"], want.Figures["hold_a2s"]; math.Abs(got-want) > 0.05*want {
			t.Errorf("%s: hold_a2s = %.5g, want about %.5g", u.Plate.Name, got, want)
		}
		advance(1)
	}
	if err := s.Plug("Brass"); err == nil {
		t.Error("an unknown unit was plugged")
	}
}

func TestClosingAgainLaterIsANewTest(t *testing.T) {
	clock := &byHand{}
	s := mustStand(t, clock, sim.StandOptions{})
	must(t, s.Prepare(trace.Overload, []sim.LoadPoint{{AtS: 0, CurrentA: 2.8}}, false))
	run := func(holdS float64) sim.Truth {
		clock.ns.Add(20e9)
		must(t, s.Contact().Close())
		clock.ns.Add(int64(holdS * 1e9))
		must(t, s.Contact().Open())
		return s.Truth()
	}
	if got := run(1).Figures["hold_s"]; math.Abs(got-1) > 0.01 {
		t.Errorf("first hold = %g s, want 1", got)
	}
	second := run(5)
	if got := second.Figures["hold_s"]; math.Abs(got-5) > 0.01 {
		t.Errorf("second hold = %g s, want 5", got)
	}
	if got := second.Figures["load_current_a"]; second.Procedure != trace.Overload || math.Abs(got-2.75) > 0.1 {
		t.Errorf("%s with %.4g A, want an overload of 2.8 A", second.Procedure, got)
	}
}

// A reader that stops for a while finds everything when it comes back, as long as the instrument can
// keep it, and the instrument says how much it could not.
func TestASlowReaderLosesNothing(t *testing.T) {
	clock := &byHand{}
	s := mustStand(t, clock, sim.StandOptions{Meter: sim.Meter{RateHz: 10000}})
	l := listen(t, s.Path())
	<-s.Heard()
	for range 100 { // 10 s at 10 kS/s are some 150 kB, eight times what the kernel keeps
		clock.ns.Add(1e8)
	}
	until(t, "everything to wait", func() bool { st := s.Stats(); return st.Readings >= 99_990 && st.Waiting > 50_000 })
	n := int64(0)
	l.lines(func(line string) bool {
		us, _, _ := parse(t, line)
		n++
		return us >= 10_000_000
	})
	if st := s.Stats(); st.Lost != 0 || n != st.Readings {
		t.Errorf("read %d lines of %d readings, %d lost", n, st.Readings, st.Lost)
	}
}

func TestAReaderThatNeverReadsCostsReadingsThatAreCounted(t *testing.T) {
	clock := &byHand{}
	s := mustStand(t, clock, sim.StandOptions{Meter: sim.Meter{RateHz: 100e3}})
	listen(t, s.Path())
	<-s.Heard()
	clock.ns.Store(6e9) // 600,000 lines are some 9 MB
	until(t, "readings to be lost", func() bool { st := s.Stats(); return st.Readings+st.Lost >= 599_990 })
	if st := s.Stats(); st.Lost == 0 || st.Waiting > 5<<20 {
		t.Errorf("%+v: want lost readings and at most 5 MiB waiting", st)
	}
}

func TestNobodyListeningIsCountedAndTheFirstReaderHearsNow(t *testing.T) {
	clock := &byHand{}
	s := mustStand(t, clock, sim.StandOptions{})
	clock.ns.Store(100e9)
	until(t, "a hundred seconds to pass unheard", func() bool { return s.Stats().Unheard >= 99_990 })
	l := listen(t, s.Path())
	<-s.Heard()
	clock.ns.Store(101e9)
	l.lines(func(line string) bool {
		us, _, _ := parse(t, line)
		if us < 99_900_000 {
			t.Fatalf("the first reading is of %d us, want of now", us)
		}
		return true
	})
}

func TestUnpluggedPortVanishesAndComesBackAtItsLink(t *testing.T) {
	clock := &byHand{}
	link := filepath.Join(t.TempDir(), "shunt")
	s := mustStand(t, clock, sim.StandOptions{Link: link})
	if s.Path() != link {
		t.Fatalf("path = %s, want %s", s.Path(), link)
	}
	l := listen(t, link)
	<-s.Heard()
	must(t, s.Unplug())
	buf := make([]byte, 64)
	var err error
	for deadline := time.Now().Add(patience); err == nil && time.Now().Before(deadline); {
		_, err = l.port.Read(buf)
	}
	var portErr *serial.PortError
	if !errors.As(err, &portErr) || portErr.Code() != serial.PortClosed {
		t.Errorf("reading an unplugged port: %v, want port closed", err)
	}
	if _, err := os.Lstat(link); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("link of an unplugged port: %v, want none", err)
	}
	must(t, s.Replug())
	l = listen(t, link)
	until(t, "the reader to be noticed", func() bool { clock.ns.Add(1e6); return s.Stats().Readings > 0 })
	l.lines(func(string) bool { return true })
}

func TestCloseIsIdempotentAndTheLastLinesArrive(t *testing.T) {
	clock := &byHand{}
	s, err := sim.NewStand(clock, sim.StandOptions{})
	must(t, err)
	l := listen(t, s.Path())
	<-s.Heard()
	clock.ns.Store(1e9)
	until(t, "a second of readings", func() bool { st := s.Stats(); return st.Readings >= 999 && st.Waiting == 0 })
	closed := make(chan error)
	go func() { closed <- errors.Join(s.Close(), s.Close()) }()
	n := 0
	l.lines(func(string) bool { n++; return n == 999 })
	must(t, <-closed)
}

func TestSilenceRestartAndWrapReachTheReader(t *testing.T) {
	clock := &byHand{}
	s := mustStand(t, clock, sim.StandOptions{Seed: 8, DeviceStartUS: 1<<32 - 500_000, Faults: sim.Faults{
		NoiseAtOpen: 40, RepeatLine: 0.05, Split: true,
		Silent: []sim.Span{{FromS: 2, ToS: 3}}, RestartAtS: []float64{4},
	}})
	l := listen(t, s.Path())
	<-s.Heard()
	clock.ns.Store(5e9)
	var times []uint64
	garbled, ready, repeated := 0, false, 0
	l.lines(func(line string) bool {
		if line == "# ready" {
			ready = true
			return false
		}
		time, _, _ := strings.Cut(line, ",")
		us, err := strconv.ParseUint(time, 10, 64)
		if err != nil {
			garbled++
			return false
		}
		if len(times) > 0 && us == times[len(times)-1] {
			repeated++
		}
		times = append(times, us)
		return ready && us >= 990_000 && us < 1_100_000
	})
	wraps, silences, restarts := 0, 0, 0
	for n := 1; n < len(times); n++ {
		switch d := int64(times[n]) - int64(times[n-1]); {
		case d < -1<<31:
			wraps++
		case d < -1_000_000: // 3.5 s after the wrap back to 0
			restarts++
		case d > 900_000:
			silences++
		}
	}
	if wraps != 1 || silences != 1 || restarts != 1 || repeated < 100 || repeated > 300 || garbled == 0 || !ready {
		t.Errorf("%d wraps, %d silences, %d restarts, %d repeated, %d garbled, ready %v", wraps, silences, restarts, repeated, garbled, ready)
	}
}

func TestTheDeviceClockRunsAsFastAsAsked(t *testing.T) {
	clock := &byHand{}
	s := mustStand(t, clock, sim.StandOptions{ClockPPM: 200, Meter: sim.Meter{RateHz: 10}})
	l := listen(t, s.Path())
	<-s.Heard()
	clock.ns.Store(100e9)
	l.lines(func(line string) bool {
		us, _, _ := parse(t, line)
		if us > 100_000_000 && us != 100_020_000 {
			t.Fatalf("after 100 s the device says %d us, want 200 in a million more", us)
		}
		return us == 100_020_000
	})
}

func TestLostAndFlippedBytesFailTheChecksum(t *testing.T) {
	clock := &byHand{}
	s := mustStand(t, clock, sim.StandOptions{Seed: 2, Encoder: sim.Text{TimeUnit: "us", Decimals: 4, Checksum: true},
		Faults: sim.Faults{LoseByte: 0.001, FlipByte: 0.001}})
	l := listen(t, s.Path())
	<-s.Heard()
	clock.ns.Store(10e9)
	good, bad := 0, 0
	l.lines(func(line string) bool {
		body, sum, _ := strings.Cut(line, "*")
		var xor byte
		for n := range len(body) {
			xor ^= body[n]
		}
		if sum == fmt.Sprintf("%02X", xor) {
			good++
		} else {
			bad++
		}
		return strings.HasPrefix(line, "9990000,")
	})
	if share := float64(bad) / float64(good+bad); share < 0.01 || share > 0.08 {
		t.Errorf("%d lines of %d are spoiled, want some 4 %%", bad, good+bad)
	}
}

func must(tb testing.TB, err error) {
	tb.Helper()
	if err != nil {
		tb.Fatal(err)
	}
}

// until polls for a condition.
func until(tb testing.TB, what string, ok func() bool) {
	tb.Helper()
	tick := time.NewTicker(time.Millisecond)
	defer tick.Stop()
	for deadline := time.Now().Add(patience); !ok(); <-tick.C {
		if time.Now().After(deadline) {
			tb.Fatalf("waited %v for %s", patience, what)
		}
	}
}
