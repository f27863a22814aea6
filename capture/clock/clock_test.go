package clock_test

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"letthrough/capture/clock"
)

const (
	us = int64(1e3)
	ms = int64(1e6)
	s  = int64(1e9)
)

// taken is one reading as the simulated instrument took it.
type taken struct {
	device int64 // unwrapped device time
	host   int64 // when it was really taken, on the host's clock
	lost   bool  // garbled on the way: the next one says so
}

// delivery turns the moment a reading was sent into the moment its chunk arrived.
type delivery func(r *rand.Rand, host int64) int64

// usbBursts passes bytes on every 16 ms, with some jitter and now and then a host that was busy.
func usbBursts(period int64) delivery {
	return func(r *rand.Rand, host int64) int64 {
		slot := (host/period + 1) * period
		// The jitter belongs to the burst, not to the reading.
		j := rand.New(rand.NewPCG(uint64(slot), 1))
		at := slot + int64(j.ExpFloat64()*0.2e6)
		if j.IntN(40) == 0 {
			at += int64(j.Float64() * 40e6)
		}
		return at
	}
}

func direct(r *rand.Rand, host int64) int64 { return host + 100*us + int64(r.ExpFloat64()*0.3e6) }

// stamps makes what a clock is given: arrivals never overtake each other, and readings of one arrival are
// one chunk.
func stamps(readings []taken, how delivery, wrap int64, seed uint64) (out []clock.Stamp, truth []taken) {
	r := rand.New(rand.NewPCG(seed, 2))
	last, missed := int64(0), 0
	for _, t := range readings {
		arrival := max(last, how(r, t.host))
		last = arrival
		if t.lost {
			missed++
			continue
		}
		d := t.device
		if wrap > 0 {
			d %= wrap
		}
		out = append(out, clock.Stamp{DeviceNS: d, ArrivalNS: arrival, Missed: missed})
		truth = append(truth, t)
		missed = 0
	}
	for i := len(out) - 2; i >= 0; i-- {
		if out[i].ArrivalNS == out[i+1].ArrivalNS {
			out[i].Behind = out[i+1].Behind + 1
		}
	}
	return out, truth
}

type placed struct {
	at    int64
	gap   bool
	what  clock.Outcome
	index int
}

// run does what a stream does: it holds back until the clock is settled.
func run(tb rapid.TB, c *clock.Clock, ss []clock.Stamp) []placed {
	var out []placed
	lastAt := int64(math.MinInt64)
	note := func(i int, at int64, gap bool, what clock.Outcome) {
		out = append(out, placed{at, gap, what, i})
		if what != clock.Placed {
			return
		}
		if at <= lastAt {
			tb.Fatalf("reading %d at %d is not later than %d", i, at, lastAt)
		}
		lastAt = at
	}
	next, settled := 0, false
	for i := range ss {
		if settled {
			at, gap, what := c.Next(&ss[i])
			if what != clock.Held {
				note(i, at, gap, what)
				next = i + 1
				continue
			}
			settled = false
		} else {
			c.Learn(&ss[i])
		}
		if ss[i].Behind == 0 && c.Settled(ss[i].ArrivalNS) || i == len(ss)-1 {
			c.Settle()
			for ; next <= i; next++ {
				at, gap, what := c.Place(&ss[next])
				note(next, at, gap, what)
			}
			settled = true
		}
	}
	return out
}

// regular makes n readings every interval of device time, by a device that counts rate times too fast.
func regular(n int, interval int64, rate float64, start int64) []taken {
	out := make([]taken, n)
	for i := range out {
		d := int64(i) * interval
		out[i] = taken{device: start + d, host: 5*s + int64(float64(d)/rate)}
	}
	return out
}

func TestDeviceTime(t *testing.T) {
	t.Run("IntervalsAreTheDevicesOwn", func(t *testing.T) {
		ss, truth := stamps(regular(30_000, ms, 1, 12345*us), usbBursts(16*ms), 0, 1)
		c := clock.New(clock.Config{TickNS: us})
		ps := run(t, c, ss)
		for i, p := range ps {
			if p.what != clock.Placed || p.gap {
				t.Fatalf("reading %d: %+v", i, p)
			}
			if want := ps[0].at + truth[i].device - truth[0].device; p.at != want {
				t.Fatalf("reading %d at %d, want exactly %d", i, p.at, want)
			}
			if off := p.at - truth[i].host; off < -ms || off > 20*ms {
				t.Fatalf("reading %d is %d us off the host's clock", i, off/us)
			}
		}
		if u := c.UncertaintyS(); u <= 0 || u > 1e-6 {
			t.Errorf("uncertainty %g s, want that of a tick of 1 us", u)
		}
		if hz := c.RateHz(); math.Abs(hz-1000) > 20 {
			t.Errorf("rate %g Hz, want 1000", hz)
		}
	})

	t.Run("LateDeliveriesAreNoRate", func(t *testing.T) {
		for seed := range uint64(20) {
			ss, truth := stamps(regular(8000, ms, 1, 0), func(r *rand.Rand, host int64) int64 {
				j := rand.New(rand.NewPCG(uint64(host/(40*ms)), seed))
				return (host/(40*ms)+1)*40*ms + int64(j.ExpFloat64()*30e6) // a busy host, twenty times as fast
			}, 0, seed)
			ps := run(t, clock.New(clock.Config{TickNS: us}), ss)
			for i, p := range ps {
				got, want := float64(p.at-ps[0].at), float64(truth[i].device)
				if math.Abs(got-want) > 600e-6*want { // the offset may still be put right, slowly
					t.Fatalf("seed %d: %.3f ms after %.3f ms of device time", seed, got/1e6, want/1e6)
				}
			}
		}
	})

	t.Run("BacklogWorkedOffIsNoRate", func(t *testing.T) {
		ss, truth := stamps(regular(8000, ms, 1, 0), func(r *rand.Rand, host int64) int64 {
			late := max(0, 60*ms-(host-5*s)/25) // 60 ms at first, nothing after 1.5 s
			return direct(r, host) + late
		}, 0, 19)
		ps := run(t, clock.New(clock.Config{TickNS: us}), ss)
		for i, p := range ps {
			got, want := float64(p.at-ps[0].at), float64(truth[i].device)
			if math.Abs(got-want) > 600e-6*want {
				t.Fatalf("%.3f ms after %.3f ms of device time", got/1e6, want/1e6)
			}
		}
	})

	t.Run("KnownRateOffsetIsPutRight", func(t *testing.T) {
		for _, ppm := range []float64{-500, -100, 300, 500} {
			ss, truth := stamps(regular(60_000, 5*ms, 1+ppm/1e6, 0), usbBursts(16*ms), 0, 2)
			ps := run(t, clock.New(clock.Config{TickNS: us}), ss)
			worst, late := 0.0, 0.0
			for i, p := range ps {
				off := math.Abs(float64(p.at-truth[i].host) / 1e6)
				worst = max(worst, off)
				if i > len(ps)/2 {
					late = max(late, off)
				}
			}
			if worst > 20 || late > 5 {
				t.Errorf("%g ppm: worst %.2f ms, in the second half %.2f ms; want at most 20 and 5", ppm, worst, late)
			}
			n := len(ps)
			got, want := float64(ps[n-1].at-ps[n/2].at), float64(truth[n-1].host-truth[n/2].host)
			if d := math.Abs(got/want-1) * 1e6; d > 50 {
				t.Errorf("%g ppm: the last 150 s are %.0f ppm off, want at most 50", ppm, d)
			}
		}
	})

	t.Run("Wraps", func(t *testing.T) {
		for name, c := range map[string]struct {
			cfg        clock.Config
			interval   int64
			start, mod int64
		}{
			"16BitUS":       {clock.Config{TickNS: us, WrapNS: us << 16}, ms, 60000 * us, us << 16},
			"16BitMS":       {clock.Config{TickNS: ms, WrapNS: ms << 16}, 10 * ms, 65000 * ms, ms << 16},
			"24BitUS":       {clock.Config{TickNS: us, WrapNS: us << 24}, ms, (1<<24 - 5000) * us, us << 24},
			"32BitUS":       {clock.Config{TickNS: us, WrapNS: us << 32}, ms, (1<<32 - 5000) * us, us << 32},
			"32BitUSUnsaid": {clock.Config{TickNS: us}, ms, (1<<32 - 5000) * us, us << 32},
			"32BitMSUnsaid": {clock.Config{TickNS: ms}, ms, (1<<32 - 50) * ms, ms << 32},
		} {
			t.Run(name, func(t *testing.T) {
				ss, truth := stamps(regular(3000, c.interval, 1, c.start), usbBursts(16*ms), c.mod, 3)
				for i, p := range run(t, clock.New(c.cfg), ss) {
					if p.what != clock.Placed || p.gap {
						t.Fatalf("reading %d: %+v", i, p)
					}
					if off := p.at - truth[i].host; off < -ms || off > 20*ms {
						t.Fatalf("reading %d is %d us off", i, off/us)
					}
				}
			})
		}
	})

	t.Run("WrapsWhileBytesAreLost", func(t *testing.T) {
		// About 23 turns of 65.536 ms; the counter then stands below or above where it stood.
		for _, until := range []int{2500, 2510} {
			rs := regular(4000, ms, 1, 0)
			rs = append(rs[:1000:1000], rs[until:]...)
			ss, truth := stamps(rs, direct, us<<16, 4)
			ss[1000].Gap = true
			ps := run(t, clock.New(clock.Config{TickNS: us, WrapNS: us << 16}), ss)
			if !ps[1000].gap {
				t.Error("no gap where bytes were lost")
			}
			for i, p := range ps {
				if off := p.at - truth[i].host; p.what != clock.Placed || off < -5*ms || off > 20*ms {
					t.Fatalf("reading %d: %+v, %d us off", i, p, off/us)
				}
			}
		}
	})

	t.Run("LateHostIsNoTurnOfTheCounter", func(t *testing.T) {
		ss, truth := stamps(regular(4000, ms, 1, 0), func(r *rand.Rand, host int64) int64 {
			if late := 6149 * ms; host >= 6049*ms && host < late {
				return late // more than a turn of 65.536 ms, and a new turn begins with it
			}
			return direct(r, host)
		}, us<<16, 16)
		for i, p := range run(t, clock.New(clock.Config{TickNS: us, WrapNS: us << 16}), ss) {
			if off := p.at - truth[i].host; p.what != clock.Placed || p.gap || off < -5*ms || off > 20*ms {
				t.Fatalf("reading %d: %+v, %d us off", i, p, off/us)
			}
		}
	})

	t.Run("RestartIsRecognised", func(t *testing.T) {
		before, after := regular(3000, ms, 1, 70*s), regular(3000, ms, 1, 0)
		for i := range after {
			after[i].host += 3*s + 400*ms
		}
		ss, truth := stamps(append(before, after...), usbBursts(16*ms), 0, 5)
		ps := run(t, clock.New(clock.Config{TickNS: us}), ss)
		if ps[3000].what != clock.Backwards {
			t.Errorf("the first time after the restart: %+v, want it set aside until the next agrees", ps[3000])
		}
		if p := ps[3001]; p.what != clock.Placed || !p.gap {
			t.Errorf("the second: %+v, want it placed behind a gap", p)
		}
		for i, p := range ps[3001:] {
			if off := p.at - truth[3001+i].host; p.what != clock.Placed || i > 0 && p.gap || off < -ms || off > 2*ms {
				t.Fatalf("reading %d after the restart: %+v, %d us off", i, p, off/us)
			}
		}
	})

	t.Run("TwoRestartsInARow", func(t *testing.T) {
		rs := regular(3000, ms, 1, 70*s)
		host := rs[2999].host
		for _, n := range []int{40, 3000} { // the board dies again after 40 ms
			for i := range n {
				rs = append(rs, taken{device: int64(i) * ms, host: host + 60*ms + int64(i)*ms})
			}
			host = rs[len(rs)-1].host
		}
		ss, truth := stamps(rs, usbBursts(16*ms), 0, 21)
		placed := 0
		for i, p := range run(t, clock.New(clock.Config{TickNS: us}), ss) {
			if off := p.at - truth[i].host; p.what == clock.Placed && (off < -ms || off > 17*ms) {
				t.Fatalf("reading %d: %+v, %d us off", i, p, off/us)
			}
			if p.what == clock.Placed {
				placed++
			}
		}
		if placed < 5990 {
			t.Errorf("%d of 6040 readings placed, want all but the 40 between and the two in doubt", placed)
		}
	})

	t.Run("RestartOnOpeningIsRecognised", func(t *testing.T) {
		// Opening the port resets many boards: a few old times, then silence, then times from 0.
		before, after := regular(60, ms, 1, 70*s), regular(3000, ms, 1, 0)
		for _, pause := range []int64{100 * ms, 1500 * ms} {
			for i := range after {
				after[i].host = 5*s + 60*ms + pause + int64(i)*ms
			}
			ss, truth := stamps(append(before[:60:60], after...), usbBursts(16*ms), 0, 20)
			ps := run(t, clock.New(clock.Config{TickNS: us}), ss)
			for i, p := range ps[61:] {
				if off := p.at - truth[61+i].host; p.what != clock.Placed || p.gap != (i == 0) || off < -ms || off > 2*ms {
					t.Fatalf("pause %d ms: reading %d after the restart: %+v, %d us off", pause/ms, i, p, off/us)
				}
			}
			for i, p := range ps[:60] {
				if off := p.at - truth[i].host; p.what == clock.Placed && (off < -ms || off > 17*ms) {
					t.Fatalf("pause %d ms: reading %d before the restart: %+v, %d us off", pause/ms, i, p, off/us)
				}
			}
		}
	})

	t.Run("OneBrokenTimeIsSetAside", func(t *testing.T) {
		for name, broken := range map[string]int64{"Ahead": 912345 * ms, "Back": 17 * ms} {
			ss, truth := stamps(regular(3000, ms, 1, 2000*s), direct, 0, 6)
			ss[1500].DeviceNS = broken
			ps := run(t, clock.New(clock.Config{TickNS: us}), ss)
			if ps[1500].what != clock.Backwards {
				t.Errorf("%s: %+v, want it set aside", name, ps[1500])
			}
			for i, p := range ps {
				if off := p.at - truth[i].host; i != 1500 && (p.what != clock.Placed || p.gap || off < -ms || off > 5*ms) {
					t.Fatalf("%s: reading %d: %+v, %d us off", name, i, p, off/us)
				}
			}
		}
	})

	t.Run("DuplicatesAndGaps", func(t *testing.T) {
		rs := regular(2000, ms, 1, 0)
		rs[700].device = rs[699].device
		rs = append(rs[:1000:1000], rs[1010:]...) // ten missing
		rs = append(rs[:1500:1500], rs[1503:]...) // three missing: no gap yet
		ss, _ := stamps(rs, direct, 0, 7)
		ps := run(t, clock.New(clock.Config{TickNS: us}), ss)
		for i, p := range ps {
			want := placed{p.at, i == 1000, clock.Placed, i}
			if i == 700 {
				want.what = clock.Duplicate
			}
			if p != want {
				t.Errorf("reading %d: %+v, want %+v", i, p, want)
			}
		}
	})

	t.Run("GrosslyOtherSecondsAreKeptAndSaid", func(t *testing.T) {
		for _, rate := range []float64{20, 1.02, 0.97, 0.05, 1000} {
			ss, truth := stamps(regular(20_000, int64(max(1, rate))*ms, rate, 0), direct, 0, 8) // about 20 s
			c := clock.New(clock.Config{TickNS: us})
			ps := run(t, c, ss)
			if !strings.Contains(c.Warning(), "clock runs") {
				t.Errorf("rate %g: warning %q says nothing", rate, c.Warning())
			}
			half := len(ps) / 2
			for i, p := range ps[half:] {
				if want := ps[half].at + truth[half+i].device - truth[half].device; p.what != clock.Placed || p.at != want {
					t.Fatalf("rate %g: reading %d: %+v, want exactly %d", rate, half+i, p, want)
				}
			}
		}
	})
}

func TestCountedReadings(t *testing.T) {
	// worst gives the largest error in ms and the largest departure of an interval from the true one.
	worst := func(ps []placed, truth []taken, from int) (off, uneven float64) {
		for i := from; i < len(ps); i++ {
			off = max(off, math.Abs(float64(ps[i].at-truth[i].host))/1e6)
			if i > from {
				uneven = max(uneven, math.Abs(float64(ps[i].at-ps[i-1].at)/float64(truth[i].host-truth[i-1].host)-1))
			}
		}
		return off, uneven
	}

	t.Run("BurstsAreSpreadOut", func(t *testing.T) {
		for _, interval := range []int64{100 * us, ms, 7 * ms} {
			n := int(20 * s / interval)
			ss, truth := stamps(regular(n, interval, 1.003, 0), usbBursts(16*ms), 0, 9)
			c := clock.New(clock.Config{})
			ps := run(t, c, ss)
			off, uneven := worst(ps, truth, 0)
			if off > 25 || uneven > 0.06 {
				t.Errorf("every %d us: %.1f ms off, intervals off by %.1f %%; want at most 25 ms and 6 %%", interval/us, off, 100*uneven)
			}
			off, uneven = worst(ps, truth, n/2)
			if off > 8 || uneven > 0.01 {
				t.Errorf("every %d us, second half: %.1f ms off, intervals off by %.2f %%; want at most 8 ms and 1 %%", interval/us, off, 100*uneven)
			}
			for i, p := range ps {
				if p.gap || p.what != clock.Placed {
					t.Fatalf("every %d us: reading %d: %+v", interval/us, i, p)
				}
			}
		}
	})

	t.Run("GarbledReadingsKeepTheirPlace", func(t *testing.T) {
		rs := regular(10_000, ms, 1, 0)
		for i := 500; i < len(rs); i += 97 {
			rs[i].lost = true
		}
		ss, truth := stamps(rs, usbBursts(16*ms), 0, 10)
		if off, uneven := worst(run(t, clock.New(clock.Config{}), ss), truth, 0); off > 25 || uneven > 0.06 {
			t.Errorf("%.1f ms off, intervals by %.1f %%; want at most 25 ms and 6 %%", off, 100*uneven)
		}
	})

	t.Run("PauseIsAGap", func(t *testing.T) {
		rs := regular(8000, ms, 1, 0)
		for i := 4000; i < len(rs); i++ {
			rs[i].host += 777 * ms
		}
		ss, truth := stamps(rs, usbBursts(16*ms), 0, 11)
		ps := run(t, clock.New(clock.Config{}), ss)
		if !ps[4000].gap {
			t.Errorf("no gap at the pause: %+v", ps[4000])
		}
		if off, _ := worst(ps, truth, 0); off > 25 {
			t.Errorf("%.1f ms off, want at most 25", off)
		}
	})

	t.Run("LateHostIsNoGap", func(t *testing.T) {
		ss, truth := stamps(regular(8000, ms, 1, 0), func(r *rand.Rand, host int64) int64 {
			if at := direct(r, host); at < 9*s || at > 9*s+300*ms {
				return at
			}
			// A host that slept for 0.3 s and then reads 100 lines at a time.
			return 9*s + 300*ms + (host-9*s)/(100*ms)*100*us
		}, 0, 12)
		ps := run(t, clock.New(clock.Config{}), ss)
		for i, p := range ps {
			if p.gap || p.what != clock.Placed {
				t.Fatalf("reading %d: %+v", i, p)
			}
		}
		if off, _ := worst(ps, truth, 0); off > 25 {
			t.Errorf("%.1f ms off, want at most 25", off)
		}
	})

	t.Run("DeliveriesInSmallPacketsAfterAStallAreNoPause", func(t *testing.T) {
		ss, truth := stamps(regular(8000, ms, 1, 0), func(r *rand.Rand, host int64) int64 {
			if host < 9*s || host > 9200*ms {
				return direct(r, host)
			}
			return 9200*ms + (host-9*s)/(4*ms)*100*us // four lines of 16 bytes a packet
		}, 0, 17)
		ps := run(t, clock.New(clock.Config{}), ss)
		for i, p := range ps {
			if p.gap || p.what != clock.Placed {
				t.Fatalf("reading %d: %+v", i, p)
			}
		}
		if off, uneven := worst(ps, truth, 0); off > 25 || uneven > 0.06 {
			t.Errorf("%.1f ms off, intervals by %.1f %%; want at most 25 ms and 6 %%", off, 100*uneven)
		}
	})

	t.Run("LostBytesKeepTheirTime", func(t *testing.T) {
		rs := regular(8000, ms, 1, 0)
		rs = append(rs[:4000:4000], rs[4030:]...)
		ss, truth := stamps(rs, usbBursts(16*ms), 0, 18)
		ss[4000].Gap = true
		ps := run(t, clock.New(clock.Config{}), ss)
		if !ps[4000].gap {
			t.Errorf("no gap at the loss: %+v", ps[4000])
		}
		if off, _ := worst(ps, truth, 0); off > 25 {
			t.Errorf("%.1f ms off, want at most 25", off)
		}
	})

	t.Run("SlowMeterKeepsItsRate", func(t *testing.T) {
		ss, truth := stamps(regular(100, 333*ms, 1, 0), usbBursts(16*ms), 0, 13)
		ps := run(t, clock.New(clock.Config{}), ss)
		if off, _ := worst(ps, truth, 0); off > 60 {
			t.Errorf("%.1f ms off, want at most the 60 of its deliveries", off)
		}
		if off, uneven := worst(ps, truth, 50); off > 25 || uneven > 0.02 {
			t.Errorf("second half %.1f ms off, intervals by %.1f %%", off, 100*uneven)
		}
	})

	t.Run("IrregularKeepsArrivals", func(t *testing.T) {
		r := rand.New(rand.NewPCG(14, 14))
		rs := make([]taken, 300)
		host := 5 * s
		for i := range rs {
			host += int64(r.ExpFloat64() * 400e6)
			rs[i].host = host
		}
		ss, _ := stamps(rs, direct, 0, 14)
		for i, p := range run(t, clock.New(clock.Config{}), ss) {
			if p.at != ss[i].ArrivalNS && ss[i].Behind == 0 {
				t.Fatalf("reading %d at %d, arrived %d", i, p.at, ss[i].ArrivalNS)
			}
		}
	})

	t.Run("ChangedRateIsLearnedAgain", func(t *testing.T) {
		rs := regular(5000, ms, 1, 0)
		for i := 0; i < 5000; i++ {
			rs = append(rs, taken{host: rs[4999].host + int64(i+1)*4*ms})
		}
		ss, truth := stamps(rs, usbBursts(16*ms), 0, 15)
		ps := run(t, clock.New(clock.Config{}), ss)
		if off, uneven := worst(ps, truth, 8000); off > 25 || uneven > 0.05 {
			t.Errorf("at the new rate %.1f ms off, intervals by %.1f %%", off, 100*uneven)
		}
	})
}

func TestPolledStandsInTheMiddle(t *testing.T) {
	c := clock.New(clock.Config{Polled: true})
	for i := int64(1); i < 50; i++ {
		st := clock.Stamp{AskedNS: i * 100 * ms, ArrivalNS: i*100*ms + 20*ms}
		c.Learn(&st)
		if !c.Settled(st.ArrivalNS) {
			t.Fatal("a polled clock holds readings back")
		}
		if at, gap, what := c.Place(&st); at != i*100*ms+10*ms || gap || what != clock.Placed {
			t.Fatalf("query %d: %d %v %v", i, at, gap, what)
		}
	}
	if got, want := c.UncertaintyS(), 2*0.010/math.Sqrt(3); math.Abs(got-want) > 1e-4 {
		t.Errorf("uncertainty %g s, want %g (half the round trip, rectangular)", got, want)
	}
}

// Whatever arrives, times rise, nothing is placed in the future by more than the host was late, and every
// reading is accounted for.
func TestTimesRiseWhateverArrives(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		cfg := clock.Config{
			TickNS: rapid.SampledFrom([]int64{0, us, ms, s}).Draw(t, "tick"),
			WrapNS: rapid.SampledFrom([]int64{0, us << 16, ms << 16, us << 32}).Draw(t, "wrap"),
			Polled: rapid.Bool().Draw(t, "polled"),
		}
		n := rapid.IntRange(1, 400).Draw(t, "n")
		arrival, device := rapid.Int64Range(0, 1e15).Draw(t, "arrival"), rapid.Int64Range(0, 1e15).Draw(t, "device")
		ss := make([]clock.Stamp, n)
		for i := range ss {
			step := rapid.SampledFrom([]int64{0, 0, us, ms, 16 * ms, s, 100 * s}).Draw(t, "step")
			arrival += step
			switch rapid.IntRange(0, 20).Draw(t, "kind") {
			case 0:
				device = rapid.Int64Range(0, math.MaxInt64).Draw(t, "jump")
			case 1:
			default:
				device += ms
				if device < 0 {
					device = 0
				}
			}
			ss[i] = clock.Stamp{DeviceNS: device, ArrivalNS: arrival, AskedNS: arrival - us, Missed: rapid.IntRange(0, 3).Draw(t, "missed"), Gap: rapid.IntRange(0, 30).Draw(t, "gap") == 0}
		}
		for i := n - 2; i >= 0; i-- {
			if ss[i].ArrivalNS == ss[i+1].ArrivalNS {
				ss[i].Behind = ss[i+1].Behind + 1
			}
		}
		c := clock.New(cfg)
		if got := len(run(t, c, ss)); got != n {
			t.Fatalf("%d of %d readings accounted for", got, n)
		}
		for _, v := range []float64{c.UncertaintyS(), c.OffsetUS(), c.RateHz()} {
			if math.IsNaN(v) || math.IsInf(v, 0) || v < 0 {
				t.Fatalf("uncertainty, offset or rate is %g", v)
			}
		}
	})
}

func BenchmarkClock(b *testing.B) {
	for name, cfg := range map[string]clock.Config{"device": {TickNS: us}, "counted": {}} {
		b.Run(name, func(b *testing.B) {
			ss, _ := stamps(regular(100_000, 100*us, 1, 0), usbBursts(16*ms), 0, 1)
			b.ReportAllocs()
			for b.Loop() {
				c := clock.New(cfg)
				c.Learn(&ss[0])
				c.Settle()
				c.Place(&ss[0])
				for i := range ss[1:] {
					c.Next(&ss[1+i])
				}
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(len(ss)), "ns/sample")
		})
	}
}
