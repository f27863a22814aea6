package port

import (
	"errors"
	"fmt"
	"os"
	"syscall"

	"go.bug.st/serial"
	"golang.org/x/sys/unix"
)

// ModemLines is an open port of which only the lines beside the data are used.
type ModemLines struct {
	path string
	port serial.Port
}

// OpenLines opens a port for its lines alone: RTS and DTR are raised by that, both at once. It is refused
// where the port has no such lines, where another program has it open (after a crash of this one that
// program would go on holding the lines as they were), and where the port would not drop its lines when it
// is closed. The system drops them for a program that crashed or was killed; that hangs on one setting of
// the port, HUPCL, which is made here and looked at again.
func OpenLines(path string) (*ModemLines, error) {
	if err := checkNode(path); err != nil {
		return nil, err
	}
	// The library does not show its handle. This one is open before the library's and closed after the
	// settings were looked at.
	fd, err := unix.Open(path, unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	if err != nil {
		return nil, explain(path, err)
	}
	defer unix.Close(fd)
	if err := dropOnClose(fd); err != nil {
		return nil, explain(path, err)
	}
	if who := holders(path); who != "" {
		return nil, &OpenError{Path: path, What: "another program has it open (" + who + ")", Hint: "end that program first: after a crash of this one it would hold the lines as they were"}
	}
	p, err := serial.Open(path, &serial.Mode{BaudRate: DefaultBaud})
	if err != nil {
		return nil, explain(path, err)
	}
	m := &ModemLines{path: path, port: p}
	if err := m.usable(fd); err != nil {
		return nil, errors.Join(err, p.Close())
	}
	return m, nil
}

// dropOnClose makes the port drop its lines at its last close.
func dropOnClose(fd int) error {
	t, err := unix.IoctlGetTermios(fd, unix.TCGETS)
	if err != nil {
		return err
	}
	if t.Cflag&unix.HUPCL != 0 {
		return nil
	}
	t.Cflag |= unix.HUPCL
	return unix.IoctlSetTermios(fd, unix.TCSETS, t)
}

func (m *ModemLines) usable(fd int) error {
	t, err := unix.IoctlGetTermios(fd, unix.TCGETS)
	switch {
	case err != nil:
		return explain(m.path, err)
	case t.Cflag&unix.HUPCL == 0:
		return &OpenError{Path: m.path, What: "this port would keep its lines when the program ends or crashes", Hint: "use another adapter for the contact"}
	}
	if _, _, err = m.Inputs(); errors.Is(err, ErrNoLines) {
		return &OpenError{Path: m.path, What: "this port has no modem lines, so no contact can hang on it", Err: ErrNoLines,
			Hint: "use an adapter with RTS and DTR, CTS or DSR brought out; a pseudo-terminal and some boards have none"}
	}
	return err
}

// SetRTS raises or lowers RTS.
func (m *ModemLines) SetRTS(raised bool) error { return m.err("RTS", m.port.SetRTS(raised)) }

// SetDTR raises or lowers DTR.
func (m *ModemLines) SetDTR(raised bool) error { return m.err("DTR", m.port.SetDTR(raised)) }

// Inputs tells whether the lines are raised that the other side drives.
func (m *ModemLines) Inputs() (cts, dsr bool, err error) {
	bits, err := m.port.GetModemStatusBits()
	if err != nil {
		return false, false, m.err("CTS and DSR", err)
	}
	return bits.CTS, bits.DSR, nil
}

// Close gives the port back, which drops RTS and DTR.
func (m *ModemLines) Close() error { return m.port.Close() }

func (m *ModemLines) err(line string, err error) error {
	if err == nil {
		return nil
	}
	return fmt.Errorf("%s: %s: %w", m.path, line, lineError(err))
}

// SameDevice tells whether two paths are the same port, however many links lie between: the system's own
// numbers of the device are compared. A path where nothing is now is only the same as itself.
func SameDevice(a, b string) bool {
	if a == b {
		return true
	}
	x, okX := deviceNumber(a)
	y, okY := deviceNumber(b)
	return okX && okY && x == y
}

// deviceNumber is the number of a character device.
func deviceNumber(path string) (uint64, bool) {
	st, err := os.Stat(path)
	if err != nil || st.Mode()&os.ModeCharDevice == 0 {
		return 0, false
	}
	sys, ok := st.Sys().(*syscall.Stat_t)
	if !ok {
		return 0, false
	}
	return uint64(sys.Rdev), true
}
