package port_test

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/creack/pty"
	"golang.org/x/sys/unix"

	"letthrough/capture/port"
)

// A pseudo-terminal is a serial port to the library, and has no lines: no contact may hang on one.
func TestLinesAreRefused(t *testing.T) {
	dir := t.TempDir()
	terminal := filepath.Join(dir, "terminal")
	plugIn(t, terminal)
	file := filepath.Join(dir, "file")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		path, says string
		is         error
	}{
		"of a pseudo-terminal":   {terminal, "no modem lines", port.ErrNoLines},
		"of a file":              {file, "is a file", nil},
		"of a folder":            {dir, "is a directory", nil},
		"of what is not there":   {filepath.Join(dir, "none"), "no such port", os.ErrNotExist},
		"of what is no terminal": {"/dev/null", "is no terminal", nil},
	} {
		t.Run(name, func(t *testing.T) {
			m, err := port.OpenLines(c.path)
			if err == nil {
				m.Close()
				t.Fatal("the lines were opened")
			}
			if !strings.Contains(err.Error(), c.says) || c.is != nil && !errors.Is(err, c.is) {
				t.Errorf("err = %v, want it to say %q", err, c.says)
			}
		})
	}
}

// The system drops the lines of a program that crashed only where the port says so. Somebody may have
// switched that off.
func TestAPortThatWouldKeepItsLinesIsSetToDropThem(t *testing.T) {
	master, slave, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	defer master.Close()
	defer slave.Close()
	set := func(want bool) {
		s, err := unix.IoctlGetTermios(int(slave.Fd()), unix.TCGETS)
		if err != nil {
			t.Fatal(err)
		}
		if got := s.Cflag&unix.HUPCL != 0; want && !got {
			t.Error("HUPCL is not set after the port was opened for its lines")
		}
		s.Cflag &^= unix.HUPCL
		if err := unix.IoctlSetTermios(int(slave.Fd()), unix.TCSETS, s); err != nil {
			t.Fatal(err)
		}
	}
	set(false)
	if _, err := port.OpenLines(slave.Name()); !errors.Is(err, port.ErrNoLines) {
		t.Fatalf("err = %v, want ErrNoLines", err)
	}
	set(true)
}

func TestSameDevice(t *testing.T) {
	dir := t.TempDir()
	one, other := filepath.Join(dir, "one"), filepath.Join(dir, "other")
	plugIn(t, one)
	plugIn(t, other)
	real, err := filepath.EvalSymlinks(one)
	if err != nil {
		t.Fatal(err)
	}
	link := filepath.Join(dir, "link")
	if err := os.Symlink(one, link); err != nil {
		t.Fatal(err)
	}
	gone := filepath.Join(dir, "gone")
	for _, c := range []struct {
		a, b string
		same bool
	}{
		{one, real, true}, {link, one, true}, {link, real, true}, {real, other, false}, {one, gone, false}, {gone, gone, true}, {dir, dir + "/", false},
	} {
		if got := port.SameDevice(c.a, c.b); got != c.same {
			t.Errorf("SameDevice(%s, %s) = %v", c.a, c.b, got)
		}
	}
}
