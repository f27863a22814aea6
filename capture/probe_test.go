package capture

import (
	"bytes"
	"context"
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"letthrough/capture/port"
	"letthrough/capture/sim"
	"letthrough/capture/wire"
)

// listenTo puts a simulated instrument on a pseudo-terminal and probes it.
func listenTo(t *testing.T, ask bool, o sim.StandOptions) Finding {
	t.Helper()
	if o.Meter.RateHz == 0 {
		o.Meter = sim.DefaultMeter(1000)
	}
	stand, err := sim.NewStand(sim.NewClock(1), o)
	if err != nil {
		t.Fatal(err)
	}
	defer stand.Close()
	f, err := Probe(t.Context(), stand.Path(), ask)
	if err != nil {
		t.Fatal(err)
	}
	if i := f.Instrument; i != "" {
		if !strings.HasPrefix(i, "NAME="+f.Format+":"+stand.Path()) {
			t.Errorf("argument %q does not name the port and format", i)
		}
		// With its capitals filled in, it is an argument that works.
		i = strings.NewReplacer("NAME=", "probe=", "LSB", "1mA", "&shunt=OHM", "", "REGISTER", "0").Replace(i)
		if _, err := wire.ParseSpec(i); err != nil {
			t.Errorf("the argument it gives is refused: %v", err)
		}
	}
	return f
}

func TestProbeGuessesWhatSpeaks(t *testing.T) {
	slow := sim.DefaultMeter(5)
	volts := sim.DefaultMeter(500)
	volts.Voltage = true
	for name, c := range map[string]struct {
		o       sim.StandOptions
		ask     bool
		want    string // format, and how the argument ends
		tail    string
		reason  string
		missing string
	}{
		"Microseconds": {o: sim.StandOptions{}, want: "text", tail: "?time=us", reason: "counts microseconds"},
		"Milliseconds": {o: sim.StandOptions{Meter: volts, Encoder: sim.Text{TimeUnit: "ms", Decimals: 3}}, want: "text", tail: "?time=ms", reason: "milliseconds", missing: "voltage=3"},
		"NoTime":       {o: sim.StandOptions{Encoder: sim.Text{Decimals: 3}}, want: "text", tail: "", reason: "lines such as"},
		"SlowMeter":    {o: sim.StandOptions{Meter: slow, Encoder: sim.Text{Decimals: 2, CRLF: true}}, want: "text", reason: "lines such as"},
		"DecimalComma": {o: sim.StandOptions{Encoder: sim.Text{TimeUnit: "us", Decimals: 4, Comma: true}}, want: "text", tail: "?time=us", reason: "microseconds"},
		"Checksum":     {o: sim.StandOptions{Encoder: sim.Text{TimeUnit: "us", Decimals: 4, Checksum: true}}, want: "text", tail: "?time=us", reason: "microseconds"},
		"Packets":      {o: sim.StandOptions{Encoder: &sim.Packets{Rows: 16, Width: 2, LSBA: 0.0005}}, want: "codes", tail: "form=packets&lsb=LSB&shunt=OHM", reason: "right CRC", missing: "Boards"},
		"NoiseAtOpen":  {o: sim.StandOptions{Faults: sim.Faults{NoiseAtOpen: 30, Split: true}}, want: "text", tail: "?time=us", reason: "microseconds"},
		"SCPIUnasked":  {o: sim.StandOptions{Responder: sim.NewResponder("scpi")}, want: "", reason: "nothing in 3 seconds"},
		"SCPI":         {o: sim.StandOptions{Responder: sim.NewResponder("scpi")}, ask: true, want: "scpi", tail: "query=MEAS:CURR:DC?", reason: "Simulated,Bench meter", missing: "query"},
		"Modbus":       {o: sim.StandOptions{Responder: sim.NewResponder("modbus")}, ask: true, want: "modbus", tail: "address=1&function=3&register=REGISTER", reason: "Modbus at address 1", missing: "register"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			f := listenTo(t, c.ask, c.o)
			if f.Format != c.want || !strings.HasSuffix(f.Instrument, c.tail) || !strings.Contains(f.Reason, c.reason) || !strings.Contains(f.Missing, c.missing) {
				t.Errorf("%+v", f)
			}
			if (len(f.Asked) > 0) != c.ask {
				t.Errorf("asked %q, with leave to ask: %v", f.Asked, c.ask)
			}
		})
	}
}

// A port on which something talks is never asked, even with leave: the question would be a command
// to whatever it is.
func TestProbeNeverAsksWhatTalks(t *testing.T) {
	if f := listenTo(t, true, sim.StandOptions{Encoder: sim.Text{Decimals: 3}}); f.Asked != nil || f.Format != "text" {
		t.Errorf("%+v", f)
	}
}

// serialLine is an ear on a line whose sender has a speed of its own: bytes become bits, and are sampled at
// the speed the ear is tuned to, as a receiver does.
type serialLine struct {
	baud, tuned int
	say         func(i int) []byte // what is sent, piece by piece, 10 ms each
	asked       bool
	clock       time.Duration
}

func (l *serialLine) Tune(s port.Spec) error { l.tuned = s.Baud; return nil }
func (l *serialLine) Say([]byte) error       { l.asked = true; return nil }
func (l *serialLine) Close() error           { return nil }

func (l *serialLine) Hear(ctx context.Context, d time.Duration, take func([]byte, time.Duration) bool) error {
	for at := time.Duration(0); at < d; at += 10 * time.Millisecond {
		l.clock += 10 * time.Millisecond
		if take(resample(l.say(int(l.clock/(10*time.Millisecond))), l.baud, l.tuned), at) {
			return nil
		}
	}
	return nil
}

// resample is what a receiver at one speed makes of bytes sent at another: 8N1, a start bit found by its
// falling edge, bits sampled in their middle, no check of the stop bit.
func resample(b []byte, sent, heard int) []byte {
	var bits []byte // line level, 1 is rest
	bits = append(bits, 1, 1, 1, 1)
	for _, c := range b {
		bits = append(bits, 0)
		for i := range 8 {
			bits = append(bits, c>>i&1)
		}
		bits = append(bits, 1, 1)
	}
	level := func(t float64) byte {
		if i := int(t * float64(sent)); i < len(bits) {
			return bits[i]
		}
		return 1
	}
	var out []byte
	end := float64(len(bits)) / float64(sent)
	bit := 1 / float64(heard)
	step := min(bit, 1/float64(sent)) / 8
	for t := step; t < end; {
		if level(t) == 1 || level(t-step) == 0 {
			t += step
			continue
		}
		var c byte
		for i := range 8 {
			c |= level(t+bit*(1.5+float64(i))) << i
		}
		out = append(out, c)
		t += 9.5 * bit
	}
	return out
}

func TestReceiverAtTheRightSpeedHearsWhatIsSent(t *testing.T) {
	want := []byte("1.2345 A\r\n\x00\xff")
	if got := resample(want, 9600, 9600); !bytes.Equal(got, want) {
		t.Fatalf("%q, want %q", got, want)
	}
	if got := resample(want, 9600, 115200); bytes.Equal(got, want) {
		t.Error("the speed makes no difference")
	}
}

func TestProbeFindsTheSpeed(t *testing.T) {
	rnd := rand.New(rand.NewPCG(1, 1))
	for _, baud := range []int{115200, 9600, 2400, 19200, 57600} {
		l := &serialLine{baud: baud, tuned: port.DefaultBaud, say: func(int) []byte { return fmt.Appendf(nil, "%.3f A\r\n", 1+rnd.Float64()) }}
		f, err := probe(t.Context(), l, "/dev/ttyUSB0", true)
		want := fmt.Sprintf("NAME=text:/dev/ttyUSB0?baud=%d", baud)
		if baud == port.DefaultBaud {
			want = "NAME=text:/dev/ttyUSB0"
		}
		if err != nil || f.Instrument != want || l.asked {
			t.Errorf("at %d baud: %+v, %v", baud, f, err)
		}
	}
}

func TestProbeFindsAHandHeldMeter(t *testing.T) {
	for unit, want := range map[string]string{"36": "", "34": "&channel=voltage"} {
		say := func(i int) []byte { // two frames a second
			if i%50 > 0 {
				return nil
			}
			return []byte("\x0241" + unit + "0200001234\r")
		}
		l := &serialLine{baud: 9600, tuned: port.DefaultBaud, say: say}
		f, err := probe(t.Context(), l, "/dev/ttyUSB0", true)
		if want := "NAME=frame:/dev/ttyUSB0?baud=9600&kind=ascii-16" + want; err != nil || f.Instrument != want || l.asked {
			t.Errorf("%+v, %v, want %s", f, err, want)
		}
	}
}

func TestProbeSaysWhatItCannotRead(t *testing.T) {
	noise := &serialLine{baud: 1, tuned: 1}
	rnd := rand.New(rand.NewPCG(2, 2))
	noise.say = func(int) []byte { return []byte{byte(rnd.Uint32()), byte(rnd.Uint32())} }
	noise.baud = 9600
	words := &serialLine{baud: 115200, tuned: port.DefaultBaud, say: func(i int) []byte { return []byte("hello, I am no instrument\r\n") }}
	for name, c := range map[string]struct {
		l    *serialLine
		want string
	}{"Noise": {noise, "no format reads"}, "Words": {words, "hello, I am no instrument"}} {
		f, err := probe(t.Context(), c.l, "/dev/ttyUSB0", true)
		if err != nil || f.Instrument != "" || !strings.Contains(f.Reason, c.want) || c.l.asked {
			t.Errorf("%s: %+v, %v", name, f, err)
		}
	}
}

// Trying thirteen speeds on what can be read already kept a person waiting for half a minute.
func TestProbeTriesNoOtherSpeedOnReadableText(t *testing.T) {
	l := &serialLine{baud: 115200, tuned: port.DefaultBaud, say: func(i int) []byte { return fmt.Appendf(nil, "1,%03d.5 mA\r\n", i%10) }}
	f, err := probe(t.Context(), l, "/dev/ttyUSB0", false)
	if err != nil || f.Instrument != "" || !strings.Contains(f.Reason, "between the thousands") || strings.Contains(f.Reason, "other speeds") || l.tuned != port.DefaultBaud {
		t.Errorf("%+v, tuned to %d, %v", f, l.tuned, err)
	}
}

func TestGuessOfCodesIsNotAmperes(t *testing.T) {
	var heard []wire.Heard
	for i := range 40 {
		heard = append(heard, wire.Heard{Data: fmt.Appendf(nil, "%d,%d\n", 1000*i*20, 8000+i%3), AtNS: int64(i) * 20e6})
	}
	g, ok := wire.GuessFormat(heard)
	if !ok || g.Format != "codes" || g.Options != "time=us&lsb=LSB&shunt=OHM" || !strings.Contains(g.Missing, "codes of an amplifier") {
		t.Errorf("%+v", g)
	}
}

// What a port had piled up comes in one piece when it is opened: no time passes in it, so that a column of
// milliseconds looked like codes, or like amperes.
func TestProbeSeesTheTimeBehindABurst(t *testing.T) {
	for unit, line := range map[string]string{"comma": "%d,0\t2,4\r\n", "whole": "%d,1.505\n"} {
		sent := 0
		l := &serialLine{baud: 115200, tuned: port.DefaultBaud, say: func(i int) []byte {
			var out []byte
			for ; sent <= 150+i; sent++ {
				out = fmt.Appendf(out, line, 100+10*sent)
			}
			return out
		}}
		f, err := probe(t.Context(), l, "/dev/ttyUSB0", false)
		if err != nil || !strings.Contains(f.Instrument, "text:") || !strings.Contains(f.Instrument, "time=ms") {
			t.Errorf("%s: %+v, %v", unit, f, err)
		}
	}
}
