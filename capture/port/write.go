package port

import (
	"fmt"
	"log/slog"
	"time"
)

func (l *Link) setPort(p Port) {
	l.portMu.Lock()
	l.port = p
	l.unanswered.Store(0)
	l.portMu.Unlock()
	l.setState("", "")
}

// dropPort closes the port so that nobody is using it at that moment.
func (l *Link) dropPort() {
	l.portMu.Lock()
	p := l.port
	l.port = nil
	if p != nil {
		if err := p.Close(); err != nil {
			l.opt.Log.Debug("close port", "error", err)
		}
	}
	l.portMu.Unlock()
}

// Write sends a query to an instrument that must be asked: at most 1 KiB at once. What an instrument
// that does not answer has left unsent is dropped, so that Write never blocks for long.
func (l *Link) Write(b []byte) (int, error) {
	if len(b) > maxUnanswered {
		return 0, fmt.Errorf("write: %d bytes at once, allowed are %d", len(b), maxUnanswered)
	}
	l.portMu.Lock()
	defer l.portMu.Unlock()
	if l.port == nil {
		return 0, fmt.Errorf("write: %w", ErrNotOpen)
	}
	if l.unanswered.Load()+int64(len(b)) > maxUnanswered {
		if f, ok := l.port.(flusher); ok {
			if err := f.ResetOutputBuffer(); err != nil {
				return 0, fmt.Errorf("write: drop what was not sent: %w", err)
			}
		}
		l.unanswered.Store(0)
	}
	n, err := l.port.Write(b)
	l.unanswered.Add(int64(n))
	if err != nil {
		return n, fmt.Errorf("write: %w", err)
	}
	return n, nil
}

// Lines are the modem lines that a device drives.
type Lines struct{ CTS, DSR, DCD, RI bool }

// Lines reads the modem lines; ErrNoLines where the port has none.
func (l *Link) Lines() (Lines, error) {
	var out Lines
	err := l.withModem(func(m modem) error {
		bits, err := m.GetModemStatusBits()
		if err == nil {
			out = Lines{bits.CTS, bits.DSR, bits.DCD, bits.RI}
		}
		return err
	})
	return out, err
}

// SetDTR raises or lowers the line; ErrNoLines where the port has none.
func (l *Link) SetDTR(on bool) error {
	return l.withModem(func(m modem) error { return m.SetDTR(on) })
}

// SetRTS raises or lowers the line; ErrNoLines where the port has none.
func (l *Link) SetRTS(on bool) error {
	return l.withModem(func(m modem) error { return m.SetRTS(on) })
}

func (l *Link) withModem(do func(modem) error) error {
	l.portMu.Lock()
	defer l.portMu.Unlock()
	if l.port == nil {
		return ErrNotOpen
	}
	m, ok := l.port.(modem)
	if !ok {
		return ErrNoLines
	}
	return lineError(do(m))
}

// trouble logs failures and their end, at most once every logEvery, with how many there were. A port
// with a loose plug fails and comes back many times a minute.
type trouble struct {
	log    *slog.Logger
	count  int // since it last worked
	silent int // not logged
	told   bool
	since  time.Time
	logged time.Time
}

func (t *trouble) note(what string, err error) {
	now := time.Now()
	if t.count == 0 {
		t.since, t.told = now, false
	}
	t.count++
	if !t.logged.IsZero() && now.Sub(t.logged) < logEvery {
		t.silent++
		return
	}
	t.log.Warn(what, "error", err, "failures", t.count, "not_logged", t.silent)
	t.logged, t.told, t.silent = now, true, 0
}

// worked is told of the first byte after a failure.
func (t *trouble) worked() {
	if t.count > 0 && t.told {
		t.log.Info("port receives again", "failures", t.count, "away", time.Since(t.since).Round(time.Millisecond))
	}
	t.count = 0
}
