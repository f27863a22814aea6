package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"letthrough/capture"
	"letthrough/capture/contact"
	"letthrough/capture/rig"
	"letthrough/capture/sim"
	"letthrough/capture/trace"
	"letthrough/capture/wire"
	"letthrough/store"
	"letthrough/web"
)

type demoCmd struct {
	daemonFlags `embed:""`
	DB          string `name:"db" help:"Keep the runs in this database; without it a fresh temporary one is used." placeholder:"FILE"`
	Headless    bool   `help:"No dashboard: test every simulated unit once, print the table and end."`
	JSON        bool   `help:"With --headless: print a JSON array."`
}

func (demoCmd) Help() string {
	return "Until somebody touches a control, the demo tests its shelf by itself, one unit after another. " +
		"A fresh database holds a few runs from before, to look at and to replay. " +
		"The contact on the page is simulated, and so is the hand that closes it when \"short applied\" is pressed."
}

func (c demoCmd) Run(env *surroundings) (err error) {
	if err := c.check(); err != nil {
		return err
	}
	if c.JSON && !c.Headless {
		return &usageError{"--json belongs to --headless"}
	}
	path, remove, err := c.database()
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, remove()) }()
	if c.Headless {
		return c.headless(env, path)
	}
	return c.dashboard(env, path)
}

// database gives the path of the demo's database and what removes it afterwards.
func (c demoCmd) database() (path string, remove func() error, err error) {
	if c.DB != "" {
		return c.DB, func() error { return nil }, nil
	}
	dir, err := os.MkdirTemp("", "letthrough-demo-")
	if err != nil {
		return "", nil, fmt.Errorf("make a temporary database: %w", err)
	}
	return filepath.Join(dir, "demo.db"), func() error { return os.RemoveAll(dir) }, nil
}

// meter is the board that the demo's shelf is tested with: current and voltage, a thousand times a second.
func meter() sim.Meter {
	m := sim.DefaultMeter(1000)
	m.Voltage = true
	return m
}

// standSpec is the stand's instrument as it would be written on the command line.
func standSpec(path string) (wire.Spec, error) {
	return wire.ParseSpec("board=text:" + path + "?time=us&wrap=32&current=2&voltage=3&accuracy=0.3%+3&resolution=0.0005&fullscale=16.384&averaging=0")
}

func (c demoCmd) dashboard(env *surroundings, path string) (err error) {
	clock := capture.NewSimulationClock(c.Speed)
	stand, err := sim.NewStand(clock.Driver(), sim.StandOptions{Meter: meter(), Seed: 1})
	if err != nil {
		return err
	}
	// The stand goes last: as long as the bench listens, the terminal must be there.
	defer func() { err = errors.Join(err, stand.Close()) }()
	spec, err := standSpec(stand.Path())
	if err != nil {
		return err
	}
	touched := make(chan struct{})
	d, err := openDaemon(env, path, parts{
		addr: c.Addr, clock: clock, openLines: func(string) (contact.Lines, error) { return stand.OpenLines() },
		control: func(b *capture.Bench) web.Bench { return newVisitor(b, stand, touched) },
	})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, d.close(env)) }()
	for _, u := range stand.Units() {
		if _, err := d.db.EnsureUnit(env.ctx, u.Plate); err != nil {
			return err
		}
	}
	built, err := demoRig(env, d.db)
	if err != nil {
		return err
	}
	if c.DB == "" {
		if err := earlierRuns(env, d.db, built); err != nil {
			return err
		}
	}
	if err := d.bench.AddInstrument(spec); err != nil {
		return err
	}
	if err := d.bench.UseContact(contact.Spec{Port: "simulated", Drive: true}, false); err != nil {
		return err
	}
	if err := d.nothingBurns(env); err != nil {
		return err
	}
	if err := d.listen(env); err != nil {
		return err
	}
	env.log.Info("the demo keeps its runs here", "db", path)
	s := &showman{bench: d.bench, db: d.db, stand: stand, rig: built, clock: clock, log: env.log, touched: touched}
	stop := s.start(env.ctx)
	defer stop()
	return d.wait(env)
}

// demoRig puts the starter parts and the rig of them on the shelf, and gives the rig's name: empty where a database
// that somebody brought along has rigs of its own only.
func demoRig(env *surroundings, db *store.DB) (string, error) {
	made := rig.StarterRig()
	if _, err := db.AddStarter(env.ctx, rig.Starter(), made); err != nil {
		return "", err
	}
	switch _, err := db.Rigs().ByName(env.ctx, made.Name); {
	case errors.Is(err, store.ErrNotFound):
		return "", nil
	case err != nil:
		return "", err
	}
	return made.Name, nil
}

// nothingBurns takes the cautions for read: on a simulated bench nobody has to be asked.
func (d *daemon) nothingBurns(env *surroundings) error {
	rigs, err := d.db.Rigs().All(env.ctx)
	if err != nil {
		return err
	}
	for _, r := range append(rigs, trace.Rig{}) {
		if err := d.db.CautionsRead(env.ctx, r.Name); err != nil {
			return err
		}
	}
	return nil
}
