package wire_test

import (
	"context"
	"log/slog"
	"math"
	"strings"
	"testing"
	"time"

	"letthrough/capture/port"
	"letthrough/capture/sim"
	"letthrough/capture/trace"
	"letthrough/capture/wire"
)

// poll asks a simulated instrument on a pseudo-terminal until enough says so.
func poll(t testing.TB, o sim.StandOptions, format, options string, enough func(c []trace.Sample, s wire.Status) bool) ([]trace.Sample, []trace.Sample, wire.Status) {
	t.Helper()
	clock := sim.NewClock(1)
	stand, err := sim.NewStand(clock, o)
	if err != nil {
		t.Fatal(err)
	}
	defer stand.Close()
	if err := stand.Contact().Close(); err != nil {
		t.Fatal(err)
	}
	spec, err := wire.ParseSpec("meter=" + format + ":" + stand.Path() + "?" + options)
	if err != nil {
		t.Fatal(err)
	}
	st, err := wire.NewStream(spec)
	if err != nil {
		t.Fatal(err)
	}
	link, err := port.Open(port.Spec{Path: spec.Port}, port.Options{Now: clock.NowNS, Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	defer link.Close()
	ctx, cancel := context.WithTimeout(context.Background(), 30*time.Second)
	defer cancel()
	got := map[trace.Channel][]trace.Sample{}
	c, v := trace.Channel{Instrument: "meter", Quantity: trace.Current}, trace.Channel{Instrument: "meter", Quantity: trace.Voltage}
	for !enough(got[c], st.Status()) {
		if q := st.Query(clock.NowNS()); q != nil {
			if _, err := link.Write(q); err != nil {
				t.Fatal(err)
			}
		}
		chunk, err := link.Next(ctx, st.Due())
		if err != nil {
			t.Fatalf("%v after %d samples, %+v", err, len(got[c]), st.Status())
		}
		collect(got, st.Feed(chunk.Data, chunk.AtNS))
	}
	return got[c], got[v], st.Status()
}

func fern(voltage bool) sim.StandOptions {
	m := sim.DefaultMeter(1000)
	m.Voltage = voltage
	u, _ := sim.Find("Fern") // gives 0.58 A for ever
	return sim.StandOptions{Meter: m, Units: []sim.Unit{u}}
}

func TestPolledInstrumentsOnAPseudoTerminal(t *testing.T) {
	believable := func(c []trace.Sample) {
		t.Helper()
		last := int64(-1)
		for i, s := range c {
			if s.AtNS <= last || math.Abs(s.Value) > 1 {
				t.Fatalf("sample %d: %+v after %d", i, s, last)
			}
			last = s.AtNS
		}
		if v := c[len(c)-1].Value; math.Abs(v-0.58) > 0.03 {
			t.Errorf("last value %g A, want about 0.58", v)
		}
	}
	thirty := func(c []trace.Sample, _ wire.Status) bool { return len(c) >= 30 }

	t.Run("SCPI", func(t *testing.T) {
		o := fern(true)
		o.Responder = &sim.SCPI{Identity: "Simulated,Bench meter,0,1", Needs: "CONF:CURR:DC 10",
			Broken: []string{"", "+1.2#4\r\n", "+9.91E37\r\n", "2.5"}}
		c, v, s := poll(t, o, "scpi", "setup=BEEP|CONF:CURR:DC 10&timeout=0.2&query=MEAS:CURR?;:MEAS:VOLT?&voltage=2", thirty)
		believable(c)
		if len(v) != len(c) {
			t.Errorf("%d volts, %d amperes", len(v), len(c))
		}
		if s.Identity != "Simulated,Bench meter,0,1" || !strings.Contains(s.Complaint, "Undefined header") {
			t.Errorf("identity %q, complaint %q", s.Identity, s.Complaint)
		}
		// On a busy machine a good answer may be late, too.
		if s.Counts.TimedOut < 2 || s.Counts.Garbled < 3 || s.ClockUS <= 0 {
			t.Errorf("%+v, want 2 timed out (no answer, half an answer) and 3 garbled", s.Counts)
		}
	})
	t.Run("Modbus", func(t *testing.T) {
		o := fern(true)
		o.Responder = &sim.Modbus{Address: 1}
		c, v, s := poll(t, o, "modbus", "voltage=2", thirty)
		believable(c)
		if len(v) != len(c) || s.Counts.Garbled != 0 {
			t.Errorf("%d volts, %d amperes, %+v", len(v), len(c), s.Counts)
		}
	})
	t.Run("ModbusOnABadLine", func(t *testing.T) {
		o := fern(false)
		o.Responder, o.Faults = &sim.Modbus{Address: 1}, sim.Faults{LoseByte: 0.01, FlipByte: 0.01, Split: true, NoiseAtOpen: 9}
		c, _, s := poll(t, o, "modbus", "type=int16&register=10&scale=0.001&timeout=0.2", func(c []trace.Sample, s wire.Status) bool {
			return len(c) >= 40 && s.Counts.Garbled >= 3
		})
		believable(c)
		if s.Counts.LastReason == "" {
			t.Errorf("%+v", s.Counts)
		}
	})
	t.Run("ModbusException", func(t *testing.T) {
		o := fern(false)
		o.Responder = &sim.Modbus{Address: 1}
		_, _, s := poll(t, o, "modbus", "register=40000", func(_ []trace.Sample, s wire.Status) bool { return s.Counts.Garbled > 2 })
		if s.State != "garbled" || !strings.Contains(s.Complaint, "illegal data address") {
			t.Errorf("%+v", s)
		}
	})
}

// How many readings a second an instrument that must be asked gives, on a pseudo-terminal whose other end
// answers within 0.2 ms. Modbus keeps 1.75 ms of silence between two frames.
func BenchmarkPolling(b *testing.B) {
	for _, format := range []string{"scpi", "modbus"} {
		b.Run(format, func(b *testing.B) {
			o := fern(false)
			o.Burst, o.Responder = 200*time.Microsecond, sim.NewResponder(format)
			began := time.Now()
			c, _, _ := poll(b, o, format, "", func(c []trace.Sample, _ wire.Status) bool { return len(c) >= b.N })
			b.ReportMetric(float64(len(c))/time.Since(began).Seconds(), "readings/s")
		})
	}
}
