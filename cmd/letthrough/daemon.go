package main

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"letthrough/capture"
	"letthrough/capture/assess"
	"letthrough/capture/contact"
	"letthrough/capture/trace"
	"letthrough/static"
	"letthrough/store"
	"letthrough/web"
)

// daemonFlags are what serve and demo have in common.
type daemonFlags struct {
	Addr  string  `help:"Address to listen on; port 0 takes a free one. Anything but this machine itself needs a token." default:"127.0.0.1:8466"`
	Speed float64 `help:"Runs the time base so many times faster. Only for simulated instruments: every figure stays in simulated seconds." default:"1" placeholder:"N"`
}

func (f daemonFlags) check() error {
	if !(f.Speed > 0 && f.Speed <= 1000) {
		return fmt.Errorf("--speed: %g is out of range, allowed is more than 0 and at most 1000", f.Speed)
	}
	return nil
}

// daemon is a bench with its store and its dashboard.
type daemon struct {
	db     *store.DB
	bench  *capture.Bench
	server *web.Server
	ended  chan error // what Serve returned
}

// parts are what the dashboard of serve and that of demo do not have in common.
type parts struct {
	addr   string
	tokens web.Tokens
	clock  capture.Clock
	// openLines opens the port that the contact hangs on; nil: a serial port.
	openLines func(path string) (contact.Lines, error)
	// control is what the dashboard steers; nil: the bench itself.
	control func(*capture.Bench) web.Bench
}

// openStore opens the database in which this process records.
func openStore(env *surroundings, path string) (*store.DB, error) {
	return store.Open(env.ctx, path, store.Options{Record: true, Derive: derive, CheckCriteria: assess.Check, Log: env.log, Version: release})
}

// openDaemon opens store, bench and dashboard, in the order in which they stand on each other. What
// was opened is closed again if a later part fails.
func openDaemon(env *surroundings, dbPath string, p parts) (d *daemon, err error) {
	d = &daemon{ended: make(chan error, 1)}
	defer func() {
		if err != nil {
			err = errors.Join(err, d.close(env))
			d = nil
		}
	}()
	if d.db, err = openStore(env, dbPath); err != nil {
		return d, err
	}
	cut, err := d.db.StopOpenSeries(env.ctx)
	if err != nil {
		return d, err
	}
	for _, id := range cut {
		env.log.Warn("a series was cut short; it can be resumed on the Bench", "series", id)
	}
	d.bench = capture.New(capture.Options{
		Clock: p.clock, Recorder: d.db, OpenLines: p.openLines, Rig: d.rig, CautionsRead: d.cautionsRead, Series: d.db, Version: release, Log: env.log,
	})
	if err = d.bench.Open(); err != nil {
		return d, err
	}
	var control web.Bench = d.bench
	if p.control != nil {
		control = p.control(d.bench)
	}
	d.server, err = web.New(web.Options{
		Addr: p.addr, Bench: control, Store: d.db, Derive: derive, Explain: explain, Tokens: p.tokens, Files: static.Files, Version: release, Log: env.log,
		Ports: presentPorts,
	})
	return d, err
}

// rig finds a rig on the shelf.
func (d *daemon) rig(name string) (trace.Rig, bool) {
	r, err := d.db.Rigs().ByName(context.Background(), name)
	return r, err == nil
}

// cautionsRead tells whether somebody has read the cautions for a rig.
func (d *daemon) cautionsRead(rig string) bool {
	read, err := d.db.CautionsReadFor(context.Background())
	return err == nil && slices.ContainsFunc(read, func(name string) bool { return strings.EqualFold(name, rig) })
}

// listen makes the dashboard reachable and says where, as the first line on standard output.
func (d *daemon) listen(env *surroundings) error {
	if err := d.server.Open(); err != nil {
		return err
	}
	go func() { d.ended <- d.server.Serve() }()
	_, err := fmt.Fprintf(env.stdout, "listening on %s\n", d.server.URL())
	return err
}

// wait returns when the program is told to end, or when the dashboard fails.
func (d *daemon) wait(env *surroundings) error {
	select {
	case <-env.ctx.Done():
		return nil
	case err := <-d.ended:
		return err
	}
}

// closeWithin bounds an orderly end: the store itself gives up after 5 s.
const closeWithin = 15 * time.Second

// close ends the parts in the order in which they hand things on. A second signal cuts the wait.
func (d *daemon) close(env *surroundings) error {
	done := make(chan error, 1)
	go func() { done <- d.closeInOrder() }()
	limit, cancel := context.WithTimeout(env.hurry, closeWithin)
	defer cancel()
	select {
	case err := <-done:
		return err
	case <-limit.Done():
		return errors.New("ended before everything was written: an open run will be closed as interrupted at the next start")
	}
}

func (d *daemon) closeInOrder() error {
	var errs []error
	// The contact before anything that may take its time.
	if d.bench != nil {
		errs = append(errs, d.bench.OpenContactAtExit())
	}
	// The dashboard first: it steers the bench and reads the store, so nobody may still be asking
	// when those two are gone. Its sockets end here as well.
	if d.server != nil {
		errs = append(errs, d.server.Close())
	}
	// Capture before the store: the bench closes an open run with what it has, opens a driven
	// contact, and hands its last samples over; a store closed by then would lose them.
	if d.bench != nil {
		errs = append(errs, d.bench.Close())
	}
	// The store last. Its writer commits what was handed to it, and only then the database is
	// closed: the other way round the writer would write into a closed file.
	if d.db != nil {
		errs = append(errs, d.db.Close())
	}
	return errors.Join(errs...)
}
