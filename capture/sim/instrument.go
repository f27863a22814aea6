package sim

import (
	"errors"
	"time"

	"golang.org/x/sys/unix"

	"letthrough/capture/trace"
)

// run keeps the physics at the clock's time and the readings on their way, until Close.
func (s *Stand) run() {
	defer s.running.Done()
	tick := time.NewTicker(s.o.Burst)
	defer tick.Stop()
	for {
		select {
		case <-s.quit:
			return
		case <-tick.C:
		}
		for s.work() {
			select {
			case <-s.quit:
				return
			default:
			}
		}
	}
}

// work does one slice of simulated time and one write; more tells that the clock is further on.
func (s *Stand) work() (more bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.listen()
	to := s.clock.NowNS()
	if more = to > s.circuit.nowNS+slice; more {
		to = s.circuit.nowNS + slice
	}
	// Whole steps only, so that pauses of this goroutine do not change the physics.
	s.circuit.advance(to - to%s.circuit.stepNS)
	s.send()
	return more
}

// catchUp brings the physics to the clock's time and returns where it stands; mu is held.
func (s *Stand) catchUp() int64 {
	s.circuit.advance(s.clock.NowNS())
	return s.circuit.nowNS
}

// listen notices readers that come and go; mu is held.
func (s *Stand) listen() {
	if s.port == nil {
		s.listening = false
		return
	}
	now := s.port.heard()
	if now && !s.listening {
		// Whoever opens the port hears what is said from then on.
		s.waiting = s.line.opening(s.waiting[:0])
		s.heardOnce.Do(func() { close(s.heard) })
	}
	s.listening = now
	switch {
	case !now:
	case s.o.Responder == nil:
		s.port.discard()
	default:
		s.answer()
	}
}

// answer hears queries and answers them; mu is held.
func (s *Stand) answer() {
	var b [256]byte
	n, _ := unix.Read(s.port.fd, b[:])
	if n <= 0 || s.line.silent(float64(s.circuit.nowNS-s.startNS)*1e-9) {
		return
	}
	from := len(s.waiting)
	s.waiting = s.o.Responder.Respond(s.waiting, b[:n], s.newest)
	s.waiting = s.line.spoil(s.waiting, from)
}

// reading puts one reading on the wire; the sampler calls it with mu held.
func (s *Stand) reading(r reading) {
	atS := float64(r.atNS-s.startNS) * 1e-9
	if s.line.restart(atS) {
		s.bootNS, s.bootUS = r.atNS, 0
		if s.o.Responder != nil {
			s.o.Responder.Restart()
		} else if s.listening {
			s.waiting = append(s.waiting, "# ready\n"...)
		}
	}
	switch {
	case !s.listening:
		s.stats.Unheard++
		return
	case s.line.silent(atS):
		return
	case len(s.waiting) > mostWaiting:
		s.stats.Lost++
		return
	}
	s.stats.Readings++
	s.newest = Reading{
		DeviceUS:   s.bootUS + uint64(float64(r.atNS-s.bootNS)*(1+s.o.ClockPPM*1e-6)/1e3),
		CurrentA:   r.currentA,
		VoltageV:   r.voltageV,
		HasVoltage: s.o.Meter.Voltage,
		Over:       r.flags&trace.Over != 0,
	}
	if s.o.Responder != nil {
		return
	}
	from := len(s.waiting)
	s.waiting = s.o.Encoder.Encode(s.waiting, s.newest)
	s.waiting = s.line.spoil(s.waiting, from)
}

// send hands over what the reader has room for; mu is held.
func (s *Stand) send() {
	if !s.listening || len(s.waiting) == 0 {
		return
	}
	n, err := s.port.write(s.waiting[:s.line.cut(len(s.waiting))])
	s.stats.Bytes += int64(n)
	s.waiting = append(s.waiting[:0], s.waiting[n:]...)
	if err != nil {
		s.failed = err
		s.waiting = s.waiting[:0]
	}
}

// Unplug pulls the instrument's plug: readers see the port vanish. The measuring goes on unheard.
func (s *Stand) Unplug() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.port == nil {
		return nil
	}
	err := s.port.close()
	s.port, s.listening, s.waiting = nil, false, s.waiting[:0]
	return err
}

// Replug puts it in again, at the path of Link where there is one.
func (s *Stand) Replug() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.port != nil {
		return nil
	}
	port, err := openTerminal(s.o.Link)
	if err != nil {
		return err
	}
	s.port = port
	return nil
}

// Close ends everything, after giving a reader a moment to take what is on its way. It may be called
// more than once.
func (s *Stand) Close() error {
	s.quitOnce.Do(func() {
		close(s.quit)
		s.running.Wait()
		s.mu.Lock()
		defer s.mu.Unlock()
		if s.port != nil {
			s.port.drain(drainTime)
			s.closeErr = errors.Join(s.failed, s.port.close())
			s.port, s.listening = nil, false
		}
	})
	return s.closeErr
}
