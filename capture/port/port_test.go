package port_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/creack/pty"
	"go.uber.org/goleak"
	"golang.org/x/sys/unix"

	"letthrough/capture/port"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// patience is how long a test waits for something that should come at once.
const patience = 10 * time.Second

// device is the instrument's end of a pseudo-terminal, reachable by a link whose name stays.
type device struct {
	*os.File
	path string
}

// plugIn makes a pseudo-terminal and points path at it. Raw mode is set first: otherwise the line
// discipline would send an instrument its own bytes back until the port is opened.
func plugIn(tb testing.TB, path string) *device {
	tb.Helper()
	master, slave, err := pty.Open()
	if err != nil {
		tb.Fatalf("open pseudo-terminal: %v", err)
	}
	defer slave.Close()
	t, err := unix.IoctlGetTermios(int(slave.Fd()), unix.TCGETS)
	if err != nil {
		tb.Fatal(err)
	}
	t.Lflag &^= unix.ECHO | unix.ICANON | unix.ISIG
	t.Iflag &^= unix.ICRNL | unix.IXON
	t.Oflag &^= unix.OPOST
	if err := unix.IoctlSetTermios(int(slave.Fd()), unix.TCSETS, t); err != nil {
		tb.Fatal(err)
	}
	if err := os.Symlink(slave.Name(), path); err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(func() { master.Close() })
	return &device{master, path}
}

func (d *device) unplug(tb testing.TB) {
	tb.Helper()
	if err := errors.Join(d.Close(), os.Remove(d.path)); err != nil {
		tb.Fatal(err)
	}
}

func (d *device) send(tb testing.TB, s string) {
	tb.Helper()
	if _, err := d.WriteString(s); err != nil {
		tb.Fatalf("send: %v", err)
	}
}

func mustOpen(tb testing.TB, path string, o port.Options) *port.Link {
	tb.Helper()
	if o.Now == nil {
		o.Now = func() int64 { return time.Now().UnixNano() }
	}
	l, err := port.Open(port.Spec{Path: path}, o)
	if err != nil {
		tb.Fatalf("open: %v", err)
	}
	tb.Cleanup(func() { l.Close() })
	return l
}

// receive reads until n bytes have come and gives the chunks.
func receive(tb testing.TB, l *port.Link, n int) (data []byte, chunks []port.Chunk) {
	tb.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	for len(data) < n {
		c, err := l.Next(ctx, 0)
		if err != nil {
			tb.Fatalf("after %d of %d bytes: %v", len(data), n, err)
		}
		if len(c.Data) > 0 {
			data = append(data, c.Data...)
			chunks = append(chunks, c)
		}
	}
	return data, chunks
}

// waitFor asks until ok, by the heartbeat of a ticker.
func waitFor(tb testing.TB, what string, ok func() bool) {
	tb.Helper()
	tick, give := time.NewTicker(2*time.Millisecond), time.NewTimer(patience)
	defer tick.Stop()
	defer give.Stop()
	for !ok() {
		select {
		case <-tick.C:
		case <-give.C:
			tb.Fatalf("waited %v in vain for %s", patience, what)
		}
	}
}

func TestLink(t *testing.T) {
	t.Run("ReceivesBytesWithArrival", func(t *testing.T) {
		var clock atomic.Int64
		clock.Store(5)
		d := plugIn(t, filepath.Join(t.TempDir(), "board"))
		l := mustOpen(t, d.path, port.Options{Now: func() int64 { return clock.Add(10) }})
		d.send(t, "1.5\r\n")
		first, c1 := receive(t, l, 5)
		d.send(t, "2.5\r\n")
		second, c2 := receive(t, l, 5)
		if got, want := string(first)+string(second), "1.5\r\n2.5\r\n"; got != want {
			t.Errorf("bytes %q, want %q: the port must be raw", got, want)
		}
		if a, b := c1[0].AtNS, c2[len(c2)-1].AtNS; a < 15 || b <= a {
			t.Errorf("arrivals %d, %d: want the injected clock's, rising", a, b)
		}
		if s := l.Status(); s.State != port.Receiving || s.Bytes != 10 || s.LostBytes != 0 {
			t.Errorf("status %+v, want receiving, 10 bytes, none lost", s)
		}
	})

	t.Run("SilenceIsNoError", func(t *testing.T) {
		d := plugIn(t, filepath.Join(t.TempDir(), "board"))
		l := mustOpen(t, d.path, port.Options{SilentAfter: 120 * time.Millisecond})
		if s := l.Status(); s.State != port.Silent {
			t.Errorf("before the first byte: %q, want silent", s.State)
		}
		d.send(t, "x")
		receive(t, l, 1)
		waitFor(t, "silent", func() bool { return l.Status().State == port.Silent })
		c, err := l.Next(t.Context(), 0)
		if err != nil || len(c.Data) != 0 || c.AtNS == 0 {
			t.Errorf("Next = %+v, %v; want a heartbeat with the time", c, err)
		}
		d.send(t, "y")
		if got, _ := receive(t, l, 1); string(got) != "y" {
			t.Errorf("after the silence: %q, want y", got)
		}
		if s := l.Status(); s.Reconnects != 0 {
			t.Errorf("%d reconnects, want none: a time-out closes nothing", s.Reconnects)
		}
	})

	t.Run("WhatIsDueIsNotKeptWaiting", func(t *testing.T) {
		d := plugIn(t, filepath.Join(t.TempDir(), "board"))
		l := mustOpen(t, d.path, port.Options{})
		ctx, cancel := context.WithTimeout(t.Context(), 10*time.Second)
		defer cancel()
		for i := range 400 { // 20 s, if each waited for the heartbeat
			if _, err := l.Next(ctx, time.Now().Add(time.Millisecond).UnixNano()); err != nil {
				t.Fatalf("%v after %d of 400 waits of a millisecond", err, i)
			}
		}
		if _, err := l.Next(ctx, 1); err != nil {
			t.Errorf("due long ago: %v", err)
		}
	})

	t.Run("ReconnectsAfterUnplugging", func(t *testing.T) {
		path := filepath.Join(t.TempDir(), "board")
		d := plugIn(t, path)
		l := mustOpen(t, path, port.Options{})
		d.send(t, "before")
		receive(t, l, 6)
		d.unplug(t)
		waitFor(t, "unplugged", func() bool { return l.Status().State == port.Unplugged })
		if s := l.Status(); !strings.Contains(s.Problem, "no such port") {
			t.Errorf("problem %q does not say what is wrong", s.Problem)
		}
		if _, err := l.Write([]byte("x")); !errors.Is(err, port.ErrNotOpen) {
			t.Errorf("Write while unplugged: %v, want ErrNotOpen", err)
		}
		d = plugIn(t, path)
		waitFor(t, "the port to be open again", func() bool { return l.Status().Reconnects == 1 })
		d.send(t, "after")
		got, chunks := receive(t, l, 5)
		if string(got) != "after" || !chunks[0].Reopened {
			t.Errorf("got %q, reopened %v; want %q and the first chunk marked", got, chunks[0].Reopened, "after")
		}
		if s := l.Status(); s.State != port.Receiving || s.Problem != "" {
			t.Errorf("status %+v, want receiving without a problem", s)
		}
	})

	t.Run("WaitsForPortThatIsNotThere", func(t *testing.T) {
		path := filepath.Join(t.TempDir(), "board")
		l := mustOpen(t, path, port.Options{Wait: true})
		if s := l.Status(); s.State != port.Unplugged {
			t.Errorf("state %q, want unplugged", s.State)
		}
		d := plugIn(t, path)
		waitFor(t, "the port to open", func() bool { return l.Status().Reconnects == 1 })
		d.send(t, "hello")
		if got, _ := receive(t, l, 5); string(got) != "hello" {
			t.Errorf("got %q, want hello", got)
		}
	})

	t.Run("CountsWhatDoesNotFit", func(t *testing.T) {
		const limit = 100
		d := plugIn(t, filepath.Join(t.TempDir(), "board"))
		l := mustOpen(t, d.path, port.Options{QueueBytes: limit})
		sent := int64(0)
		for range 40 { // nobody calls Next, yet the reading side must take every byte
			d.send(t, strings.Repeat("x", 37))
			sent += 37
			waitFor(t, "the bytes to be read", func() bool { return l.Status().Bytes == sent })
		}
		s := l.Status()
		got, _ := receive(t, l, int(sent-s.LostBytes))
		if s.LostBytes == 0 || s.LostChunks == 0 || len(got) > limit {
			t.Fatalf("kept %d, status %+v; want at most %d kept and the rest counted", len(got), s, limit)
		}
		d.send(t, "tail")
		_, chunks := receive(t, l, 4)
		if chunks[0].LostBytes != s.LostBytes {
			t.Errorf("the chunk after the loss says %d lost, want %d", chunks[0].LostBytes, s.LostBytes)
		}
		d.send(t, "more")
		if _, chunks = receive(t, l, 4); chunks[0].LostBytes != 0 {
			t.Errorf("the chunk after that says %d lost again", chunks[0].LostBytes)
		}
	})

	t.Run("CloseGivesWhatIsQueuedThenEOF", func(t *testing.T) {
		d := plugIn(t, filepath.Join(t.TempDir(), "board"))
		l := mustOpen(t, d.path, port.Options{})
		d.send(t, "tail")
		waitFor(t, "the bytes to be read", func() bool { return l.Status().Bytes == 4 })
		if err := errors.Join(l.Close(), l.Close()); err != nil {
			t.Fatalf("close twice: %v", err)
		}
		if got, _ := receive(t, l, 4); string(got) != "tail" {
			t.Errorf("after Close: %q, want tail", got)
		}
		if _, err := l.Next(t.Context(), 0); err != io.EOF {
			t.Errorf("then %v, want io.EOF", err)
		}
		if s := l.Status(); s.State != port.Closed {
			t.Errorf("state %q, want closed", s.State)
		}
	})

	t.Run("CloseUnblocksNext", func(t *testing.T) {
		d := plugIn(t, filepath.Join(t.TempDir(), "board"))
		l := mustOpen(t, d.path, port.Options{})
		done := make(chan error)
		go func() {
			for {
				if _, err := l.Next(context.Background(), 0); err != nil {
					done <- err
					return
				}
			}
		}()
		l.Close()
		select {
		case err := <-done:
			if err != io.EOF {
				t.Errorf("Next ended with %v, want io.EOF", err)
			}
		case <-time.After(patience):
			t.Error("Next still blocks after Close")
		}
	})

	t.Run("CloseWhileUnplugged", func(t *testing.T) {
		d := plugIn(t, filepath.Join(t.TempDir(), "board"))
		l := mustOpen(t, d.path, port.Options{})
		d.unplug(t)
		waitFor(t, "unplugged", func() bool { return l.Status().State == port.Unplugged })
		if err := l.Close(); err != nil {
			t.Error(err)
		}
	})

	t.Run("NextHonoursContext", func(t *testing.T) {
		d := plugIn(t, filepath.Join(t.TempDir(), "board"))
		l := mustOpen(t, d.path, port.Options{})
		ctx, cancel := context.WithCancel(context.Background())
		cancel()
		if _, err := l.Next(ctx, 0); !errors.Is(err, context.Canceled) {
			t.Errorf("Next = %v, want context.Canceled", err)
		}
	})

	t.Run("QueryReachesInstrument", func(t *testing.T) {
		d := plugIn(t, filepath.Join(t.TempDir(), "board"))
		l := mustOpen(t, d.path, port.Options{})
		if _, err := l.Write([]byte("READ?\n")); err != nil {
			t.Fatal(err)
		}
		buf := make([]byte, 6)
		if _, err := io.ReadFull(d, buf); err != nil || string(buf) != "READ?\n" {
			t.Errorf("instrument got %q, %v", buf, err)
		}
		if _, err := l.Write(make([]byte, 2000)); err == nil {
			t.Error("2000 bytes at once were accepted")
		}
	})

	t.Run("InstrumentThatTakesNothingBlocksNothing", func(t *testing.T) {
		d := plugIn(t, filepath.Join(t.TempDir(), "board"))
		l := mustOpen(t, d.path, port.Options{})
		done := make(chan error, 1)
		go func() {
			for range 200 { // 100 KiB, many times what a terminal buffers
				if _, err := l.Write(make([]byte, 512)); err != nil {
					done <- err
					return
				}
			}
			done <- l.Close()
		}()
		select {
		case err := <-done:
			if err != nil {
				t.Error(err)
			}
		case <-time.After(patience):
			d.Close() // lets the write go, so that the test can end
			t.Error("Write blocks on an instrument that takes nothing")
		}
	})

	t.Run("PseudoTerminalHasNoModemLines", func(t *testing.T) {
		d := plugIn(t, filepath.Join(t.TempDir(), "board"))
		l := mustOpen(t, d.path, port.Options{})
		_, lines := l.Lines()
		for name, err := range map[string]error{"DTR": l.SetDTR(true), "RTS": l.SetRTS(false), "Lines": lines} {
			if !errors.Is(err, port.ErrNoLines) {
				t.Errorf("%s: %v, want ErrNoLines", name, err)
			}
		}
	})
}

// brokenPort opens and then fails at once, as a half-dead adapter does.
type brokenPort struct{ reads atomic.Int64 }

func (b *brokenPort) Read([]byte) (int, error) {
	if b.reads.Add(1) == 1 {
		return 0, nil // the read without waiting on opening
	}
	return 0, io.ErrUnexpectedEOF
}
func (b *brokenPort) Write(p []byte) (int, error)        { return len(p), nil }
func (b *brokenPort) SetReadTimeout(time.Duration) error { return nil }
func (b *brokenPort) Close() error                       { return nil }

func TestFailingPortIsNotSpunOn(t *testing.T) {
	dialled := make(chan time.Time, 16)
	l := mustOpen(t, "/dev/null", port.Options{Dial: func(port.Spec) (port.Port, error) {
		select {
		case dialled <- time.Now():
		default:
		}
		return &brokenPort{}, nil
	}})
	first := <-dialled
	<-dialled
	third := <-dialled
	if waited := third.Sub(first); waited < 300*time.Millisecond {
		t.Errorf("third opening %v after the first, want at least 100 + 200 ms of back-off", waited)
	}
	waitFor(t, "reconnecting", func() bool { return l.Status().State == port.Reconnecting })
}

func TestOpenSaysWhatIsWrong(t *testing.T) {
	dir := t.TempDir()
	file := filepath.Join(dir, "trace.csv")
	if err := os.WriteFile(file, []byte("time_s,current_a\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	pipe := filepath.Join(dir, "pipe")
	if err := unix.Mkfifo(pipe, 0o600); err != nil {
		t.Fatal(err)
	}
	dangling := filepath.Join(dir, "dangling")
	if err := os.Symlink(filepath.Join(dir, "nothing"), dangling); err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		spec port.Spec
		want []string
	}{
		"Missing":      {port.Spec{Path: filepath.Join(dir, "ttyACM0")}, []string{"ttyACM0", "no such port", "letthrough ports"}},
		"DanglingLink": {port.Spec{Path: dangling}, []string{"no such port"}},
		"NoPath":       {port.Spec{}, []string{"no path", "letthrough ports"}},
		"Directory":    {port.Spec{Path: dir}, []string{"is a directory"}},
		"File":         {port.Spec{Path: file}, []string{"is a file", "letthrough read " + file}},
		"Pipe":         {port.Spec{Path: pipe}, []string{"no serial port"}},
		"NoTerminal":   {port.Spec{Path: "/dev/null"}, []string{"/dev/null", "no terminal"}},
		"Baud":         {port.Spec{Path: "/dev/null", Baud: 7}, []string{"baud 7", "50 to"}},
		"DataBits":     {port.Spec{Path: "/dev/null", DataBits: 9}, []string{"9 data bits", "5 to 8"}},
		"StopBits":     {port.Spec{Path: "/dev/null", StopBits: 3}, []string{"3 stop bits"}},
		"Parity":       {port.Spec{Path: "/dev/null", Parity: 7}, []string{"parity 7"}},
	} {
		t.Run(name, func(t *testing.T) {
			l, err := port.Open(c.spec, port.Options{Now: func() int64 { return 0 }})
			if err == nil {
				l.Close()
				t.Fatal("opened, want an error")
			}
			for _, want := range c.want {
				if !strings.Contains(err.Error(), want) {
					t.Errorf("%q does not contain %q", err, want)
				}
			}
			if strings.Contains(err.Error(), "\n") {
				t.Errorf("%q is more than one line", err)
			}
		})
	}
}

func TestAsksForModemLineThatIsNotThere(t *testing.T) {
	d := plugIn(t, filepath.Join(t.TempDir(), "board"))
	on := true
	l, err := port.Open(port.Spec{Path: d.path, DTR: &on}, port.Options{Now: func() int64 { return 0 }})
	if err == nil {
		l.Close()
	}
	if !errors.Is(err, port.ErrNoLines) {
		t.Errorf("err = %v, want ErrNoLines", err)
	}
}

func TestTooManyFilesIsAnErrorNotAPanic(t *testing.T) {
	d := plugIn(t, filepath.Join(t.TempDir(), "board"))
	for {
		f, err := os.Open(os.DevNull)
		if err != nil {
			t.Skipf("this machine allows too few open files to try it: %v", err)
		}
		defer f.Close()
		if f.Fd() >= 1100 {
			break
		}
	}
	l, err := port.Open(port.Spec{Path: d.path}, port.Options{Now: func() int64 { return 0 }})
	if err == nil {
		l.Close()
		t.Fatal("opened, want an error")
	}
	if !strings.Contains(err.Error(), "too many files are open") {
		t.Errorf("%q does not say what is wrong", err)
	}
}

func TestListDoesNotFail(t *testing.T) {
	infos, err := port.List()
	if err != nil {
		t.Fatal(err)
	}
	for _, i := range infos {
		if i.Path == "" {
			t.Errorf("a port without a path: %+v", i)
		}
	}
}

func ExampleLink_Next() {
	// The loop of an instrument's goroutine, without the decoding.
	l, err := port.Open(port.Spec{Path: "/dev/ttyACM7"}, port.Options{Now: func() int64 { return 0 }})
	if err != nil {
		fmt.Println(err)
		return
	}
	defer l.Close()
	for {
		c, err := l.Next(context.Background(), 0)
		if err != nil {
			return
		}
		fmt.Printf("%d bytes at %d ns\n", len(c.Data), c.AtNS)
	}
	// Output: open port: /dev/ttyACM7: no such port; is it plugged in? "letthrough ports" lists what is there
}
