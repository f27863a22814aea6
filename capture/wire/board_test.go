package wire_test

import (
	"bufio"
	"bytes"
	"context"
	"fmt"
	"io"
	"log/slog"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"letthrough/capture/port"
	"letthrough/capture/trace"
	"letthrough/capture/wire"
)

// The board program stands on the help page Boards and nowhere else. Here it is taken from the page,
// compiled with Debian's cross compiler, and run in Debian's simulator with a shunt amplifier on its bus
// (testdata/board/simulate.c) and its serial port on a pseudo-terminal, which is read as any instrument.

const needBoard = "NOT RUN: %s is missing, so nobody compiled or ran the board program of the help page. " +
	"Type: apt-get install gcc-avr avr-libc libsimavr-dev"

// findBoardTools skips where the cross compiler or the simulator is missing, and fails where they are demanded.
func findBoardTools(t *testing.T) {
	t.Helper()
	if testing.Short() {
		t.Skip("the board program is left out by -short")
	}
	missing := ""
	for _, tool := range []string{"gcc", "avr-gcc", "avr-objcopy", "avr-nm", "avr-size"} {
		if _, err := exec.LookPath(tool); err != nil {
			missing = tool
		}
	}
	for _, file := range []string{"/usr/lib/avr/include/avr/io.h", "/usr/include/simavr/sim_avr.h"} {
		if _, err := os.Stat(file); err != nil {
			missing = file
		}
	}
	switch {
	case missing == "":
	case os.Getenv("CI") == "true" || os.Getenv("LETTHROUGH_NEED_BOARD") == "1":
		t.Fatalf(needBoard, missing)
	default:
		t.Skipf(needBoard, missing)
	}
}

// saveFromPage writes the program on the page that begins with its own name into dir.
func saveFromPage(t *testing.T, dir, name string) {
	t.Helper()
	_, code, ok := strings.Cut(helpPage(t), "\n```c\n/* "+name+":")
	if !ok {
		t.Fatalf("%s is not on the help page", name)
	}
	code, _, ok = strings.Cut(code, "\n```\n")
	if !ok {
		t.Fatalf("%s does not end on the help page", name)
	}
	if err := os.WriteFile(filepath.Join(dir, name), []byte("/* "+name+":"+code+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
}

// run runs a command in dir and gives what it printed.
func run(t rapid.TB, dir, name string, args ...string) string {
	t.Helper()
	cmd := exec.Command(name, args...)
	cmd.Dir = dir
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("%s %s: %v\n%s", name, strings.Join(args, " "), err, out)
	}
	return string(out)
}

// boardReading is what the simulated amplifier holds at one reading.
type boardReading struct{ shunt, bus int }

// board is a compiled program in the running simulator.
type board struct {
	dir, port string
	stdin     io.WriteCloser
}

// compileBoard compiles the program, without a warning and small enough for the part, and gives the address
// of its clock.
func compileBoard(t *testing.T, dir string, defines ...string) (clock string) {
	t.Helper()
	saveFromPage(t, dir, "packet.h")
	saveFromPage(t, dir, "board.c")
	run(t, dir, "avr-gcc", append([]string{"-mmcu=atmega328p", "-Os", "-Wall", "-Wextra", "-Werror", "-o", "board.elf", "board.c"}, defines...)...)
	run(t, dir, "avr-objcopy", "-O", "binary", "board.elf", "board.bin")
	size := strings.Fields(run(t, dir, "avr-size", "board.elf")) // a line of headings, then text, data, bss
	var n [3]int
	for i := range n {
		var err error
		if n[i], err = strconv.Atoi(size[6+i]); err != nil {
			t.Fatal(err)
		}
	}
	// 32 KiB of flash less 2 KiB for a boot loader; 2 KiB of memory less 512 bytes for the stack.
	if flash, memory := n[0]+n[1], n[1]+n[2]; flash > 30<<10 || memory > 1536 {
		t.Errorf("%d bytes of flash and %d of memory do not fit the part", flash, memory)
	}
	m := regexp.MustCompile(`(?m)^00([0-9a-f]{6}) . now_us`).FindStringSubmatch(run(t, dir, "avr-nm", "board.elf"))
	if m == nil {
		t.Fatal("the program's clock has another name")
	}
	address, err := strconv.ParseUint(m[1], 16, 32)
	if err != nil {
		t.Fatal(err)
	}
	return strconv.FormatUint(address-0x800000, 10) // where the linker has data
}

// startBoard starts the simulator; its processor waits for release. What the amplifier holds is nil where it
// has no power.
func startBoard(t *testing.T, holds []*boardReading, startUS uint32, defines ...string) *board {
	t.Helper()
	b := &board{dir: t.TempDir()}
	clock := compileBoard(t, b.dir, defines...)
	source, err := filepath.Abs("testdata/board/simulate.c")
	if err != nil {
		t.Fatal(err)
	}
	run(t, b.dir, "gcc", "-O2", "-Wall", "-Wextra", "-o", "simulate", source, "-I/usr/include/simavr", "-lsimavr")
	var list bytes.Buffer
	for _, h := range holds {
		if h == nil {
			list.WriteString("off\n")
		} else {
			fmt.Fprintln(&list, h.shunt, h.bus)
		}
	}
	if err := os.WriteFile(filepath.Join(b.dir, "readings"), list.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command("./simulate", "board.bin", "readings", "log", clock, strconv.FormatUint(uint64(startUS), 10))
	cmd.Dir, cmd.Stderr = b.dir, t.Output()
	stdout, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if b.stdin, err = cmd.StdinPipe(); err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		b.stdin.Close()
		if err := cmd.Wait(); err != nil {
			t.Errorf("simulator: %v", err)
		}
	})
	name, err := bufio.NewReader(stdout).ReadString('\n')
	if err != nil {
		t.Fatal(err)
	}
	b.port = strings.TrimSpace(name)
	return b
}

// log gives the setups that the amplifier was given and the instants, in us of the processor's crystal, at
// which it was read.
func (b *board) log(t *testing.T) (setups []int, readUS []float64) {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(b.dir, "log"))
	if err != nil {
		t.Fatal(err)
	}
	for line := range strings.Lines(string(text)) {
		var what string
		var cycle uint64
		var value int
		if n, _ := fmt.Sscan(line, &what, &cycle, &value); n != 3 {
			continue // the last line is not whole yet
		}
		if what == "setup" {
			setups = append(setups, value)
		} else {
			readUS = append(readUS, float64(cycle)/16)
		}
	}
	return setups, readUS
}

// boardHolds is what the amplifier holds: rows of both ends and both signs first and then of anything, and
// its power fails for a while.
func boardHolds(n, failAt int) (holds []*boardReading, want []boardReading) {
	rnd := rand.New(rand.NewPCG(7, 7))
	ends := []int{0, 1, -1, 8000, 7999, -8000, 32766, 32767, -32767, -32768}
	for i := range n {
		r := boardReading{rnd.IntN(1<<16) - 1<<15, rnd.IntN(1 << 15)}
		if i < 4*len(ends) {
			r.shunt = ends[i%len(ends)]
		}
		if i == failAt {
			holds = append(holds, nil, nil, nil)
		}
		holds, want = append(holds, &r), append(want, r)
	}
	return holds, want
}

// boardGot is what came through the port.
type boardGot struct {
	raw      []byte
	decoder  wire.Decoder
	stream   *wire.Stream
	readings []wire.Reading
	samples  map[trace.Channel][]trace.Sample
}

// readBoard opens the board's port, releases the processor, and reads until n readings of each channel have come.
func readBoard(t *testing.T, b *board, options string, n int) boardGot {
	t.Helper()
	spec, err := wire.ParseSpec("b=codes:" + b.port + "?baud=1000000&" + options)
	if err != nil {
		t.Fatal(err)
	}
	got := boardGot{decoder: mustFormat(t, "codes", options), samples: map[trace.Channel][]trace.Sample{}}
	if got.stream, err = wire.NewStream(spec); err != nil {
		t.Fatal(err)
	}
	start := time.Now()
	link, err := port.Open(port.Spec{Path: spec.Port, Baud: spec.Baud},
		port.Options{Now: func() int64 { return int64(time.Since(start)) }, Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	defer link.Close()
	if _, err := io.WriteString(b.stdin, "go\n"); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	ch := trace.Channel{Instrument: "b", Quantity: trace.Current}
	for len(got.readings) < n*len(got.decoder.Channels()) || len(got.samples[ch]) < n {
		c, err := link.Next(ctx, 0)
		if err != nil {
			t.Fatalf("%v after %d readings of %d, %+v, %q", err, len(got.readings), n, got.decoder.Counts(), got.stream.Status().Warning)
		}
		got.raw = append(got.raw, c.Data...)
		got.readings = got.decoder.Decode(got.readings, c.Data)
		collect(got.samples, got.stream.Feed(c.Data, c.AtNS))
	}
	return got
}

// Every code that the amplifier held comes through the program, the port and the decoder as it was, at
// the time at which it was read: in packets and in lines, across the clock's wrap and a failure of the amplifier.
func TestBoardProgramOfTheHelpPage(t *testing.T) {
	findBoardTools(t)
	const lsbA, lsbV = 2.5e-6 / 0.002, 1.25e-3 // INA226, SBOS547; 2 milliohms
	for _, c := range []struct {
		name             string
		packets, voltage string
		options          string
		rows, failAt     int
		first            int // lines that are left out: the first may be torn, the second shows how lines are built
		periodUS         float64
		setup            int
	}{
		{"Packets", "1", "0", "form=packets&lsb=2.5uV&shunt=0.002", 64 * 60, 64*30 + 11, 0, 200, 0x4005},
		{"PacketsWithVoltage", "1", "1", "form=packets&lsb=2.5uV&shunt=0.002&voltagelsb=1.25mV", 64 * 30, 64*20 + 11, 0, 400, 0x4007},
		{"Lines", "0", "0", "time=us&lsb=2.5uV&shunt=0.002", 8 * 100, 8*60 + 3, 2, 1000, 0x4005},
		{"LinesWithVoltage", "0", "1", "time=us&lsb=2.5uV&shunt=0.002&voltagelsb=1.25mV", 8 * 100, 8*60 + 3, 2, 1000, 0x4007},
	} {
		t.Run(c.name, func(t *testing.T) {
			holds, want := boardHolds(c.rows, c.failAt)
			b := startBoard(t, holds, math.MaxUint32-200_000, "-DPACKETS="+c.packets, "-DVOLTAGE="+c.voltage)
			lost := map[string]int{"0": 0, "1": 2}[c.voltage] // rows whose current was read and whose voltage then was not
			got := readBoard(t, b, c.options, c.rows-c.first-lost)

			setups, readUS := b.log(t)
			if !slices.Equal(setups, []int{c.setup, c.setup}) {
				t.Errorf("the amplifier was set up with %x, want %x twice", setups, c.setup)
			}
			if len(readUS) != len(want) {
				t.Fatalf("the amplifier was read %d times, want %d", len(readUS), len(want))
			}
			if lost > 0 {
				for _, at := range []int{c.rows - 1, c.failAt - 1} {
					want, readUS = slices.Delete(want, at, at+1), slices.Delete(readUS, at, at+1)
				}
			}
			// In packets the words about the amplifier are garbled: when it fails and at the end. In lines they are skipped.
			words := map[string]int64{"0": 0, "1": 2}[c.packets]
			if n := got.decoder.Counts(); n.LostPackets != 0 || n.Duplicates != 0 || n.Garbled > words {
				t.Errorf("%+v: nothing may be lost or garbled", n)
			}
			if c.packets == "1" && !bytes.HasPrefix(got.raw, []byte{0xA5, 0x5A, 1, 1, 0, 0}) {
				t.Errorf("begins with % X: the first packet since the start has number 0 and says that it is the first", got.raw[:6])
			}
			channels := len(got.decoder.Channels())
			want, readUS = want[c.first:], readUS[c.first:]
			wrapped := false
			for i, r := range got.readings {
				row := i / channels
				code, per := want[row].shunt, lsbA
				if got.decoder.Channels()[r.Channel] == trace.Voltage {
					code, per = want[row].bus, lsbV
				}
				if math.Abs(r.Value-float64(code)*per) > 1e-9 {
					t.Fatalf("row %d: %g, the amplifier held %d", row, r.Value, code)
				}
				if over := code == 32767 || code == -32768; over != (r.Flags&trace.Over != 0) {
					t.Errorf("row %d: code %d, flags %v", row, code, r.Flags)
				}
				if r.Flags&trace.Gap != 0 {
					t.Fatalf("row %d follows a gap: the packets' numbers do not go up by one", row)
				}
				// Beside the crystal: the first reading after a setup takes 48 bits of the bus, not 29.
				passed := float64(uint32(r.DeviceNS/1000-got.readings[0].DeviceNS/1000)) - (readUS[row] - readUS[0])
				if math.Abs(passed) > 55 {
					t.Fatalf("row %d: the board's clock is %.1f us off", row, passed)
				}
				wrapped = wrapped || r.DeviceNS < got.readings[0].DeviceNS
			}
			if !wrapped {
				t.Error("the clock did not wrap: the test has lost its point")
			}
			checkBoardSamples(t, got, want, readUS, lsbA, c.periodUS)
		})
	}
}

// checkBoardSamples holds what the stream makes of the readings against what the amplifier held and when.
func checkBoardSamples(t *testing.T, got boardGot, want []boardReading, readUS []float64, lsbA, periodUS float64) {
	t.Helper()
	samples := got.samples[trace.Channel{Instrument: "b", Quantity: trace.Current}]
	if len(samples) != len(want) {
		t.Fatalf("%d samples, want %d", len(samples), len(want))
	}
	for i, s := range samples {
		if math.Abs(s.Value-float64(want[i].shunt)*lsbA) > 1e-9 {
			t.Fatalf("sample %d: %g A, the amplifier held %d", i, s.Value, want[i].shunt)
		}
		if i == 0 {
			continue
		}
		us, truth := float64(s.AtNS-samples[i-1].AtNS)/1e3, readUS[i]-readUS[i-1]
		if math.Abs(us-truth) > 55+0.02*truth {
			t.Fatalf("sample %d comes %.1f us after the one before, the amplifier was read %.1f us apart", i, us, truth)
		}
		if truth < 2*periodUS && math.Abs(us-periodUS) > 0.02*periodUS {
			t.Fatalf("sample %d comes %.1f us after the one before, want %g", i, us, periodUS)
		}
	}
}
