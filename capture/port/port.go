// Package port brings bytes and their arrival times from a serial port, over go.bug.st/serial.
//
// It owns one rule: the side that reads never waits. A Link has one goroutine that reads into a
// bounded queue; whatever does not fit is counted as lost. An unplugged port is reopened by itself
// when it comes back.
//
// Two facts about the library shape this package, and both are tested here on a pseudo-terminal: a read
// time-out is (0, nil), not an error, and every error means that the port is gone, so that reading on
// would only spin.
package port

import (
	"errors"
	"fmt"
	"time"

	"go.bug.st/serial"
)

// Port is what a Link needs of an open serial port. Read returns 0, nil after the read time-out.
type Port interface {
	Read(p []byte) (int, error)
	Write(p []byte) (int, error)
	SetReadTimeout(d time.Duration) error
	Close() error
}

// modem is a Port with modem lines; a pseudo-terminal has the methods but refuses them.
type modem interface {
	SetDTR(on bool) error
	SetRTS(on bool) error
	GetModemStatusBits() (*serial.ModemStatusBits, error)
}

// flusher is a Port that can drop what it was given to send and has not sent yet.
type flusher interface{ ResetOutputBuffer() error }

// Parity of a character on the line.
type Parity int

// The parities.
const (
	NoParity Parity = iota
	OddParity
	EvenParity
)

// DefaultBaud is what most boards speak over USB, where the number is ignored anyway.
const DefaultBaud = 115200

// Spec says which port to open and how. Zero values are 115200 baud, 8 data bits, no parity, 1 stop
// bit; DTR and RTS are left as the system sets them on opening (both raised) where nil.
type Spec struct {
	Path     string
	Baud     int
	DataBits int
	Parity   Parity
	StopBits int
	DTR, RTS *bool
}

func (s Spec) mode() (*serial.Mode, error) {
	if s.Baud == 0 {
		s.Baud = DefaultBaud
	}
	if s.DataBits == 0 {
		s.DataBits = 8
	}
	if s.Baud < 50 || s.Baud > 20_000_000 {
		return nil, fmt.Errorf("baud %d: allowed are 50 to 20000000", s.Baud)
	}
	if s.DataBits < 5 || s.DataBits > 8 {
		return nil, fmt.Errorf("%d data bits: allowed are 5 to 8", s.DataBits)
	}
	m := &serial.Mode{BaudRate: s.Baud, DataBits: s.DataBits}
	switch s.Parity {
	case NoParity:
	case OddParity:
		m.Parity = serial.OddParity
	case EvenParity:
		m.Parity = serial.EvenParity
	default:
		return nil, fmt.Errorf("parity %d: allowed are none, odd, even", s.Parity)
	}
	switch s.StopBits {
	case 0, 1:
	case 2:
		m.StopBits = serial.TwoStopBits
	default:
		return nil, fmt.Errorf("%d stop bits: allowed are 1 and 2", s.StopBits)
	}
	return m, nil
}

// dial opens a real port. InitialStatusBits stays nil: with it, opening a port that has no modem
// lines (a pseudo-terminal, some adapters) fails outright, so the lines are set afterwards and a port
// without them is accepted unless a line was asked for.
func dial(s Spec) (Port, error) {
	mode, err := s.mode()
	if err != nil {
		return nil, err
	}
	if err := checkNode(s.Path); err != nil {
		return nil, err
	}
	p, err := serial.Open(s.Path, mode)
	if err != nil {
		return nil, explain(s.Path, err)
	}
	for _, line := range []struct {
		want *bool
		set  func(bool) error
		name string
	}{{s.DTR, p.SetDTR, "DTR"}, {s.RTS, p.SetRTS, "RTS"}} {
		if line.want == nil {
			continue
		}
		if err := line.set(*line.want); err != nil {
			return nil, errors.Join(fmt.Errorf("set %s: %w", line.name, lineError(err)), p.Close())
		}
	}
	return p, nil
}

// readSafely turns the library's panic into an error: it waits with select(2), whose sets end at file
// descriptor 1023, and indexes past their end in a process that has more files open than that.
func readSafely(p Port, buf []byte) (n int, err error) {
	defer func() {
		if r := recover(); r != nil {
			n, err = 0, fmt.Errorf("read: too many files are open in this program (the serial library can use the first 1024 only): close some pages: %v", r)
		}
	}()
	return p.Read(buf)
}
