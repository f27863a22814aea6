package port

import (
	"errors"
	"fmt"
	"log/slog"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"

	"github.com/creack/pty"
)

// The system's refusals that a test cannot make for real while it runs as root.
func TestExplain(t *testing.T) {
	dir := t.TempDir()
	node := filepath.Join(dir, "node")
	if err := os.WriteFile(node, nil, 0o660); err != nil {
		t.Fatal(err)
	}
	grouped := node
	if err := os.Chmod(grouped, 0o660); err != nil { // WriteFile's mode goes through the umask
		t.Fatal(err)
	}
	if os.Getuid() == 0 {
		if err := os.Chown(grouped, 0, 20); err != nil { // dialout on Debian
			t.Fatal(err)
		}
	}
	closed := filepath.Join(dir, "closed")
	if err := os.WriteFile(closed, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		path string
		err  error
		want []string
		gone bool
	}{
		"Group":    {grouped, syscall.EACCES, []string{"permission denied", "group", "log out and in again"}, false},
		"NoGroup":  {closed, syscall.EACCES, []string{"permission denied", "sudo chown", closed}, false},
		"Busy":     {node, syscall.EBUSY, []string{"another program has it open"}, false},
		"NoDevice": {node, syscall.EIO, []string{"no device answers"}, true},
		"Missing":  {node, syscall.ENOENT, []string{"no such port"}, true},
		"Files":    {node, syscall.EMFILE, []string{"too many files"}, false},
	} {
		t.Run(name, func(t *testing.T) {
			err := explain(c.path, c.err).(*OpenError)
			for _, want := range c.want {
				if !strings.Contains(err.Error(), want) {
					t.Errorf("%q does not contain %q", err, want)
				}
			}
			if err.Gone != c.gone {
				t.Errorf("gone = %v, want %v", err.Gone, c.gone)
			}
		})
	}
}

// Another program on the same port is named, so that its owner knows what to end.
func TestNamesTheProgramThatHasThePort(t *testing.T) {
	master, slave, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	defer master.Close()
	defer slave.Close()
	if got := problem(slave.Name(), openByOthers()); got != "" {
		t.Errorf("problem %q with a port that only this program has open", got)
	}
	other := exec.Command("cat")
	other.Stdin = slave
	if err := other.Start(); err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := errors.Join(other.Process.Kill(), waitKilled(other)); err != nil {
			t.Error(err)
		}
	}()
	want := fmt.Sprintf("cat, process %d", other.Process.Pid)
	if got := problem(slave.Name(), openByOthers()); !strings.Contains(got, want) {
		t.Errorf("problem %q does not name %q", got, want)
	}
	if err := explain(slave.Name(), syscall.EBUSY); !strings.Contains(err.Error(), want) {
		t.Errorf("%q does not name %q", err, want)
	}
}

// waitKilled reaps a program that was killed on purpose.
func waitKilled(c *exec.Cmd) error {
	var exit *exec.ExitError
	if err := c.Wait(); err != nil && !errors.As(err, &exit) {
		return err
	}
	return nil
}

func TestNaturalOrder(t *testing.T) {
	got := []string{"/dev/ttyUSB10", "/dev/ttyACM1", "/dev/ttyUSB2", "/dev/ttyACM0"}
	slices.SortFunc(got, natural)
	want := []string{"/dev/ttyACM0", "/dev/ttyACM1", "/dev/ttyUSB2", "/dev/ttyUSB10"}
	if !slices.Equal(got, want) {
		t.Errorf("got %v, want %v", got, want)
	}
}

func TestBuiltInSkipsLinesWithoutHardware(t *testing.T) {
	dir := t.TempDir()
	for name, kind := range map[string]string{"ttyS0": "4\n", "ttyS1": "0\n"} {
		if err := os.Mkdir(filepath.Join(dir, name), 0o700); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(dir, name, "type"), []byte(kind), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if got, want := builtIn(dir), []string{"/dev/ttyS0"}; !slices.Equal(got, want) {
		t.Errorf("got %v, want %v", got, want)
	}
}

// A byte-by-byte port must not grow the list of chunks without bound, nor lose a byte to that bound.
func TestQueueJoinsChunksBeyondItsList(t *testing.T) {
	q := newQueue(1 << 20)
	const n = maxRecords + 100
	for i := range n {
		if !q.put([]byte{byte(i)}, int64(i)) {
			t.Fatalf("byte %d did not fit", i)
		}
	}
	var b burst
	q.swap(&b)
	if len(b.data) != n || len(b.records) != maxRecords {
		t.Fatalf("%d bytes in %d chunks, want %d in %d", len(b.data), len(b.records), n, maxRecords)
	}
	if last := b.records[len(b.records)-1]; last.n != 101 || last.atNS != n-1 {
		t.Errorf("last chunk %+v, want 101 bytes at the latest arrival", last)
	}
}

// plugUSB describes a USB device as the kernel does: dev/ttyX, and class/ttyX/device pointing below it.
func plugUSB(t *testing.T, root, model, serial string) {
	t.Helper()
	usb := filepath.Join(root, "usb", model)
	files := map[string]string{
		filepath.Join(root, "dev", "ttyX"): "",
		filepath.Join(usb, "idVendor"):     model[:4] + "\n",
		filepath.Join(usb, "idProduct"):    model[5:] + "\n",
		filepath.Join(usb, "product"):      "board " + model + "\n",
		filepath.Join(usb, "serial"):       serial + "\n",
		filepath.Join(usb, "if0", "mark"):  "",
	}
	for name, text := range files {
		if err := os.MkdirAll(filepath.Dir(name), 0o700); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(name, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	class := filepath.Join(root, "class", "ttyX")
	if err := os.MkdirAll(class, 0o700); err != nil {
		t.Fatal(err)
	}
	_ = os.Remove(filepath.Join(class, "device"))
	if err := os.Symlink(filepath.Join(usb, "if0"), filepath.Join(class, "device")); err != nil {
		t.Fatal(err)
	}
}

func TestAnotherDeviceInTheSamePlace(t *testing.T) {
	root := t.TempDir()
	var logged strings.Builder
	l := &Link{
		spec: Spec{Path: filepath.Join(root, "dev", "ttyX")}, sysfs: filepath.Join(root, "class"),
		opt: Options{Log: slog.New(slog.NewTextHandler(&logged, nil))},
	}
	if err := l.sameDevice(); err != nil {
		t.Fatalf("a port that is no USB device: %v", err)
	}
	for _, c := range []struct {
		model, serial string
		refused       bool
		log           string
	}{
		{"0001:0010", "A", false, ""},
		{"0001:0010", "A", false, ""},
		{"0002:0010", "A", true, ""},
		{"0001:0011", "A", true, ""},
		{"0001:0010", "B", false, "another device of the same kind"},
		{"0001:0010", "B", false, ""},
	} {
		plugUSB(t, root, c.model, c.serial)
		logged.Reset()
		err := l.sameDevice()
		if (err != nil) != c.refused || !strings.Contains(logged.String(), c.log) || c.log == "" && logged.Len() > 0 {
			t.Errorf("%s %s: %v, logged %q; want refused %v, logged %q", c.model, c.serial, err, logged.String(), c.refused, c.log)
		}
		if c.refused && !strings.Contains(err.Error(), c.model) {
			t.Errorf("%q does not name the device", err)
		}
	}
}
