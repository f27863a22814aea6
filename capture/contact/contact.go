// Package contact is a contact on the lines of a serial port: one that the program drives through an
// isolated relay, and one that it senses on a second pole of the switch. It knows no port, no clock and no
// goroutine: the lines stand behind an interface and instants are handed in, so that all of it is tested
// with a fake.
//
// The contact closes with RTS raised and DTR lowered, the isolator's input lying between the two lines, and
// in no other state of them. Opening a port raises both, closing it or a crash of the program drops both:
// either way the contact is open. All of this is a convenience and no safety device: a fuse belongs in the
// loop.
package contact

import (
	"errors"
	"fmt"
)

// Lines are the lines of one port. One goroutine at a time calls them.
type Lines interface {
	// SetRTS and SetDTR raise or lower a line that the program drives.
	SetRTS(raised bool) error
	SetDTR(raised bool) error
	// Inputs tells whether the lines are raised that the other side drives.
	Inputs() (cts, dsr bool, err error)
	// Close gives the port back, which drops RTS and DTR. It may be called twice.
	Close() error
}

// Driven is the contact that the program closes and opens. After an error of Open or Leave nobody knows
// where it stands: somebody has to open it by hand.
type Driven struct {
	lines  Lines
	closed bool
	gone   bool // the port was given back
}

// ErrGone is returned by Close where the port was given back already.
var ErrGone = errors.New("the contact's port is not open any more")

// NewDriven takes over lines that were just opened: both are raised and the contact is open. That is made
// sure of, DTR first, so that the contact closes at no moment of it.
func NewDriven(l Lines) (*Driven, error) {
	if err := errors.Join(l.SetDTR(true), l.SetRTS(true)); err != nil {
		return nil, fmt.Errorf("raise RTS and DTR: %w", err)
	}
	return &Driven{lines: l}, nil
}

// Close closes the contact. Where a line does not obey it is opened again.
func (d *Driven) Close() error {
	if d.gone {
		return ErrGone
	}
	err := d.lines.SetRTS(true)
	if err == nil {
		d.closed = true // from here on it may be
		err = d.lines.SetDTR(false)
	}
	if err != nil {
		return errors.Join(fmt.Errorf("close the contact: %w", err), d.Open())
	}
	return nil
}

// Open opens the contact, also one that counts as open. Raising DTR is enough. Where that fails RTS is
// lowered, and where that fails too the port is given back, which drops both. It fails where none of the
// three worked.
func (d *Driven) Open() error {
	if d.gone {
		d.closed = false
		return nil
	}
	raise := d.lines.SetDTR(true)
	if raise == nil {
		d.closed = false
		return nil
	}
	lower := d.lines.SetRTS(false)
	if lower == nil {
		d.closed = false
		return nil
	}
	d.gone = true
	if err := d.lines.Close(); err != nil {
		return fmt.Errorf("open the contact: raise DTR: %w; lower RTS: %w; give the port back: %w", raise, lower, err)
	}
	d.closed = false
	return nil
}

// Leave opens the contact and gives the port back.
func (d *Driven) Leave() error {
	if d.gone {
		return nil
	}
	err := d.Open()
	if d.gone {
		return err
	}
	d.gone = true
	return errors.Join(err, d.lines.Close())
}

// Closed tells whether the contact was told to be closed.
func (d *Driven) Closed() bool { return d.closed }

// Gone tells whether the port was given back.
func (d *Driven) Gone() bool { return d.gone }
