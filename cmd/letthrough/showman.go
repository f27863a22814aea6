package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"time"

	"letthrough/capture"
	"letthrough/capture/sim"
	"letthrough/store"
)

// showman tests the simulated shelf, one unit after another.
type showman struct {
	bench   *capture.Bench
	db      *store.DB
	stand   *sim.Stand
	clock   capture.Clock
	rig     string // that the units are tested on; empty: none
	log     *slog.Logger
	touched <-chan struct{} // somebody else steers now
}

var errTouched = errors.New("somebody else steers the bench")

// start tests the shelf in the background until it is through, somebody touches a control, or stop
// is called, which waits for it.
func (s *showman) start(ctx context.Context) (stop func()) {
	ctx, cancel := context.WithCancelCause(ctx)
	done := make(chan struct{})
	go func() {
		select {
		case <-s.touched:
			cancel(errTouched)
		case <-ctx.Done():
		}
	}()
	go func() {
		defer close(done)
		if err := s.shelf(ctx); err != nil && ctx.Err() == nil {
			s.log.Error("test the shelf", "err", err)
		}
	}()
	return func() { cancel(context.Canceled); <-done }
}

func (s *showman) shelf(ctx context.Context) error {
	for _, u := range s.stand.Units() {
		if _, err := s.test(ctx, u); err != nil {
			return fmt.Errorf("%s: %w", u.Plate.Name, err)
		}
	}
	return nil
}

// quietS is how long the bench listens to an instrument before the contact closes: the detector
// takes its baseline from up to 2 s.
const quietS = 2.5

// test puts a unit on the stand, holds the short for as long as the bench does by itself, and gives
// the number of the run once that is complete.
func (s *showman) test(ctx context.Context, u sim.Unit) (run int64, err error) {
	if err := s.stand.Plug(u.Plate.Name); err != nil {
		return 0, err
	}
	unit, err := s.db.EnsureUnit(ctx, u.Plate)
	if err != nil {
		return 0, err
	}
	if err := s.until(ctx, s.receiving); err != nil {
		return 0, err
	}
	if err := s.pause(ctx, quietS); err != nil {
		return 0, err
	}
	if err := s.until(ctx, func(st capture.State) bool { return st.ContactIs.State == capture.ContactReady }); err != nil {
		return 0, err
	}
	if err := s.bench.Arm(capture.ArmRequest{Unit: unit, Rig: s.rig}); err != nil {
		return 0, err
	}
	if err := s.bench.DriveContact(true); err != nil {
		return 0, err
	}
	st := s.bench.State()
	if st.Run == nil {
		return 0, errors.New("the run did not open")
	}
	run = *st.Run
	err = s.until(ctx, func(st capture.State) bool { return st.Run == nil || *st.Run != run })
	return run, err
}

func (s *showman) receiving(st capture.State) bool {
	for _, in := range st.Instruments {
		if len(in.Latest) > 0 {
			return true
		}
	}
	return false
}

// until waits for the bench to get into a state.
func (s *showman) until(ctx context.Context, ok func(capture.State) bool) error {
	for {
		changed := s.bench.Changed()
		if ok(s.bench.State()) {
			return nil
		}
		select {
		case <-changed:
		case <-ctx.Done():
			return context.Cause(ctx)
		}
	}
}

// pause lets bench time go by.
func (s *showman) pause(ctx context.Context, forS float64) error {
	until := s.clock.NowNS() + int64(forS*1e9)
	for left := until - s.clock.NowNS(); left > 0; left = until - s.clock.NowNS() {
		t := s.clock.NewTimer(time.Duration(max(left, int64(time.Millisecond))))
		select {
		case <-t.C():
		case <-ctx.Done():
			t.Stop()
			return context.Cause(ctx)
		}
	}
	return nil
}
