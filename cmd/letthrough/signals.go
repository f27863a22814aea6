package main

import (
	"context"
	"os"
	"os/signal"
	"syscall"
)

// signalled gives two contexts: the first signal (interrupt or termination) ends ctx and begins an
// orderly end, the second ends hurry and cuts the waiting short.
func signalled() (ctx, hurry context.Context, release func()) {
	ctx, cancel := context.WithCancel(context.Background())
	hurry, cancelHurry := context.WithCancel(context.Background())
	signals := make(chan os.Signal, 2)
	signal.Notify(signals, os.Interrupt, syscall.SIGTERM)
	done := make(chan struct{})
	go func() {
		for _, c := range []context.CancelFunc{cancel, cancelHurry} {
			select {
			case <-signals:
				c()
			case <-done:
				return
			}
		}
	}()
	return ctx, hurry, func() {
		signal.Stop(signals)
		close(done)
		cancel()
		cancelHurry()
	}
}
