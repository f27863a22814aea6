package sim

import (
	"errors"
	"sync"
)

// Lines are the lines of a port that the stand's contact hangs on, as an isolated relay with a second pole
// would: it is closed with RTS raised and DTR lowered, and the pole is wired to CTS, and turned round to
// DSR. A pseudo-terminal has no such lines.
type Lines struct {
	stand *Stand

	mu       sync.Mutex
	rts, dtr bool
	gone     error
}

// OpenLines gives the lines as opening a port leaves them: both raised, the contact open.
func (s *Stand) OpenLines() (*Lines, error) {
	l := &Lines{stand: s, rts: true, dtr: true}
	return l, s.Contact().Open()
}

// SetRTS raises or lowers RTS.
func (l *Lines) SetRTS(raised bool) error { return l.set(&l.rts, raised) }

// SetDTR raises or lowers DTR.
func (l *Lines) SetDTR(raised bool) error { return l.set(&l.dtr, raised) }

func (l *Lines) set(line *bool, raised bool) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.gone != nil {
		return l.gone
	}
	*line = raised
	return l.follow()
}

// follow lets the relay do what the lines say; mu is held.
func (l *Lines) follow() error {
	if l.rts && !l.dtr {
		return l.stand.Contact().Close()
	}
	return l.stand.Contact().Open()
}

// Inputs tells where the second pole stands.
func (l *Lines) Inputs() (cts, dsr bool, err error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.gone != nil {
		return false, false, l.gone
	}
	closed := l.stand.Contact().Closed()
	return closed, !closed, nil
}

// Close drops both lines.
func (l *Lines) Close() error { return l.drop(errors.New("the port was closed")) }

// Unplug takes the port away: both lines drop, and every call fails from then on.
func (l *Lines) Unplug() error { return l.drop(errors.New("the port is gone")) }

func (l *Lines) drop(why error) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.gone != nil {
		return nil
	}
	l.gone, l.rts, l.dtr = why, false, false
	return l.follow()
}
