package port

import (
	"context"
	"errors"
	"fmt"
	"time"

	"go.bug.st/serial"
)

// Ear is a port opened to find out what speaks there. It is opened once, since many boards start anew
// whenever their port is opened, and is then tuned to one speed after another. It is for one goroutine.
type Ear struct {
	path string
	p    Port
	buf  []byte
}

// OpenEar opens a port without sending anything.
func OpenEar(s Spec) (*Ear, error) {
	p, err := dial(s)
	if err != nil {
		return nil, err
	}
	if err := p.SetReadTimeout(20 * time.Millisecond); err != nil {
		return nil, errors.Join(explain(s.Path, err), p.Close())
	}
	return &Ear{path: s.Path, p: p, buf: make([]byte, 4096)}, nil
}

// Tune sets another speed or framing and drops what came with the old one.
func (e *Ear) Tune(s Spec) error {
	mode, err := s.mode()
	if err != nil {
		return err
	}
	m, ok := e.p.(interface {
		SetMode(*serial.Mode) error
		ResetInputBuffer() error
	})
	if !ok {
		return errors.New("tune: this port has no speed")
	}
	if err := m.SetMode(mode); err != nil {
		return explain(e.path, err)
	}
	return m.ResetInputBuffer()
}

// Hear listens for at most d, or until take says that it is enough. take gets every delivery with the time
// since the beginning, and nothing every 20 ms or so while nothing comes.
func (e *Ear) Hear(ctx context.Context, d time.Duration, take func(data []byte, at time.Duration) (done bool)) error {
	began := time.Now()
	for time.Since(began) < d {
		if err := ctx.Err(); err != nil {
			return err
		}
		n, err := readSafely(e.p, e.buf)
		if err != nil {
			return explain(e.path, err)
		}
		if take(e.buf[:n], time.Since(began)) {
			return nil
		}
	}
	return nil
}

// Say sends a question.
func (e *Ear) Say(b []byte) error {
	if _, err := e.p.Write(b); err != nil {
		return fmt.Errorf("write: %w", explain(e.path, err))
	}
	return nil
}

// Close closes the port.
func (e *Ear) Close() error { return e.p.Close() }
