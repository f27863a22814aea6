package main

import (
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"

	"letthrough/capture"
	"letthrough/capture/contact"
	"letthrough/capture/trace"
	"letthrough/capture/wire"
	"letthrough/store"
	"letthrough/web"
)

type serveCmd struct {
	daemonFlags `embed:""`
	DB          string   `name:"db" help:"The database of units and runs; made if it is not there." default:"letthrough.db" placeholder:"FILE"`
	Instrument  []string `help:"An instrument: NAME=FORMAT:PORT?option=value&... May be given several times." placeholder:"SPEC" sep:"none"`
	Contact     string   `help:"The contact that the program drives, or senses, by the lines of a port of its own: PORT?sense=cts|dsr&closed=raised|lowered&drive=yes|no. Read the help page on its wiring first." placeholder:"PORT"`
	TokenFile   string   `help:"File with the operator's token, or with lines \"operator TOKEN\" and \"viewer TOKEN\". LETTHROUGH_TOKEN and LETTHROUGH_VIEWER_TOKEN do the same." placeholder:"FILE"`

	Series int      `help:"With --arm and a contact: repeat the test so often by itself, with pauses in which rig and unit cool." placeholder:"N"`
	Rest   *seconds `help:"With --series: how long the unit rests between two runs at least; 60 s where it is not said." placeholder:"S"`

	Arm     bool   `help:"Arm at once: the next fault opens a run. Needs --unit."`
	Unit    string `help:"The unit under test; an unknown one is made." placeholder:"NAME"`
	Output  string `help:"Which output of the unit." placeholder:"NAME"`
	Setting string `help:"How far the unit's control is turned up; full unless stated." placeholder:"TEXT"`
	Rig     string `help:"The rig, by name." placeholder:"NAME"`

	settingsFlags `embed:""`
}

func (serveCmd) Help() string {
	return "The first line on standard output is \"listening on http://ADDR\"; everything else goes to standard error. " +
		"Instruments that were added on the page or with \"letthrough instruments add\" are opened as well, and waited for where they are not plugged in. Without any the stored runs can be looked at. With --arm the bench is armed once; after the run it is idle " +
		"and is armed on the page or by POST /api/arm, since the next test needs somebody to say which unit it is.\n\n" +
		instrumentHelp() + "\n\n" + cautions
}

func (c serveCmd) Run(env *surroundings) (err error) {
	specs, arm, tokens, err := c.check()
	if err != nil {
		return err
	}
	var on contact.Spec
	if c.Contact != "" {
		if on, err = contact.ParseSpec(c.Contact); err != nil {
			return fmt.Errorf("--contact: %w", err)
		}
	}
	d, err := openDaemon(env, c.DB, parts{addr: c.Addr, tokens: tokens, clock: capture.NewClock(c.Speed)})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, d.close(env)) }()
	if err := d.openInstruments(env, specs); err != nil {
		return err
	}
	if err := c.openContact(env, d, on); err != nil {
		return err
	}
	if c.Arm && len(d.bench.State().Instruments) == 0 { // before it makes a unit for nothing
		return errors.New("--arm: no instrument measures current: name one with --instrument NAME=FORMAT:PORT, or keep one with letthrough instruments add")
	}
	if c.Arm {
		if arm.Unit, err = d.db.EnsureUnit(env.ctx, arm.Unit); err != nil {
			return err
		}
		before, err := web.BeforeArming(env.ctx, d.db, arm.Unit, arm.Rig, arm.Procedure, arm.HoldS)
		if err != nil {
			return fmt.Errorf("--rig: %w", err)
		}
		for _, text := range before.Warnings {
			env.log.Warn(text)
		}
		arm.HoldS = before.HoldS
		if err := c.begin(d, arm); err != nil {
			return err
		}
	}
	if err := d.listen(env); err != nil {
		return err
	}
	for _, spec := range specs {
		if spec.OnTerminal() && env.stdin != nil {
			// It ends with its input. A read that waits for a person cannot be ended, so nobody waits for it.
			go typeReadings(env, d.bench, spec)
		}
	}
	return d.wait(env)
}

// begin arms the bench, or begins a series.
func (c serveCmd) begin(d *daemon, arm capture.ArmRequest) error {
	if c.Series == 0 {
		if err := d.bench.Arm(arm); err != nil {
			return fmt.Errorf("arm: %w", err)
		}
		return nil
	}
	if _, err := d.bench.StartSeries(capture.SeriesRequest{Arm: arm, N: c.Series, RestS: c.Rest.float()}); err != nil {
		return fmt.Errorf("--series: %w", err)
	}
	return nil
}

// openContact hangs the contact on the port of the command line, which must be there, or on the one that is kept,
// which is waited for.
func (c serveCmd) openContact(env *surroundings, d *daemon, on contact.Spec) error {
	if c.Contact != "" {
		if err := d.bench.UseContact(on, false); err != nil {
			return fmt.Errorf("--contact: %w", err)
		}
		return nil
	}
	kept, err := d.db.Contact(env.ctx)
	if err != nil || kept == "" {
		return err
	}
	if on, err = contact.ParseSpec(kept); err == nil {
		err = d.bench.UseContact(on, true)
	}
	if err != nil {
		env.log.Error("the kept contact is not used; change it on the page Instruments", "contact", kept, "err", err)
	}
	return nil
}

// openInstruments opens those of the command line, and then those kept in the store. One of the command line
// has the word over one kept by the same name, and must be there; one that is kept is waited for.
func (d *daemon) openInstruments(env *surroundings, specs []wire.Spec) error {
	stored, err := d.db.Instruments(env.ctx)
	if err != nil {
		return err
	}
	named := func(name string) (store.Instrument, bool) {
		i := slices.IndexFunc(stored, func(s store.Instrument) bool { return strings.EqualFold(s.Name, name) })
		if i < 0 {
			return store.Instrument{}, false
		}
		return stored[i], true
	}
	for _, spec := range specs {
		if have, ok := named(spec.Name); ok && have.InForce() != nil {
			if was, err := wire.ParseSpec(have.Spec); err == nil && was.ReadsAs(spec) {
				spec.Calibrations = have.InForce()
			} else {
				env.log.Warn("its calibration is not applied: it was made with another set-up", "instrument", spec.Name, "then", have.Spec)
			}
		}
		if err := d.bench.AddInstrument(spec); err != nil {
			return err
		}
	}
	for _, i := range stored {
		if !i.Kept || slices.ContainsFunc(specs, func(s wire.Spec) bool { return strings.EqualFold(s.Name, i.Name) }) {
			continue
		}
		spec, err := wire.ParseSpec(i.Spec)
		if err == nil {
			spec.Wait, spec.Calibrations = true, i.InForce()
			err = d.bench.AddInstrument(spec)
		}
		if err != nil {
			env.log.Error("a kept instrument is not opened; change it on the page Instruments or with letthrough instruments edit", "instrument", i.Name, "err", err)
		}
	}
	for _, in := range d.bench.State().Instruments {
		for q, c := range in.Calibrations {
			env.log.Info("calibrated", "instrument", in.Name, "quantity", q, "made", c.Made)
		}
	}
	return nil
}

// check reads everything that can be wrong on the command line before anything is opened.
func (c serveCmd) check() (specs []wire.Spec, arm capture.ArmRequest, tokens web.Tokens, err error) {
	if err = c.daemonFlags.check(); err != nil {
		return
	}
	for _, text := range c.Instrument {
		spec, err := wire.ParseSpec(text)
		if err != nil {
			return nil, arm, tokens, fmt.Errorf("--instrument: %w", err)
		}
		if spec.OnTerminal() && slices.ContainsFunc(specs, wire.Spec.OnTerminal) {
			return nil, arm, tokens, fmt.Errorf("--instrument: %s: readings of one instrument are typed on the terminal already: let the other be hand:page", spec.Name)
		}
		specs = append(specs, spec)
	}
	if tokens, err = readTokens(c.TokenFile, os.Getenv); err != nil {
		return
	}
	settings, err := c.over(trace.Settings{})
	if err != nil {
		return
	}
	if (c.Series != 0 || c.Rest != nil) && !c.Arm || c.Rest != nil && c.Series == 0 {
		return specs, arm, tokens, &usageError{"--series N needs --arm, and --rest needs --series"}
	}
	if c.Arm && c.Unit == "" {
		return specs, arm, tokens, &usageError{"--arm needs --unit NAME: a run belongs to a unit"}
	}
	arm = capture.ArmRequest{
		Unit: trace.Unit{
			Name: c.Unit, RatedCurrentA: settings.RatedCurrentA, RatedVoltageV: settings.RatedVoltageV,
			Waveform: settings.Waveform,
		},
		Output: c.Output, Setting: c.Setting, Rig: c.Rig,
		Procedure: settings.Procedure, HoldS: c.Hold.float(), Settings: settings,
	}
	return specs, arm, tokens, nil
}

// readTokens takes the tokens from the file, else from the environment.
func readTokens(path string, getenv func(string) string) (web.Tokens, error) {
	t := web.Tokens{Operator: getenv("LETTHROUGH_TOKEN"), Viewer: getenv("LETTHROUGH_VIEWER_TOKEN")}
	if path == "" {
		return t, nil
	}
	b, err := os.ReadFile(path)
	if err != nil {
		return t, fmt.Errorf("read tokens: %w", err)
	}
	t = web.Tokens{}
	for i, line := range strings.Split(strings.TrimSpace(string(b)), "\n") {
		switch f := strings.Fields(line); {
		case len(f) == 0:
		case len(f) == 1 && t.Operator == "":
			t.Operator = f[0]
		case len(f) == 2 && f[0] == "operator":
			t.Operator = f[1]
		case len(f) == 2 && f[0] == "viewer":
			t.Viewer = f[1]
		default:
			return t, fmt.Errorf("%s: line %d: want a token, or \"operator TOKEN\" or \"viewer TOKEN\"", path, i+1)
		}
	}
	if t.Operator == "" {
		return t, fmt.Errorf("%s: holds no operator's token: write one into it, on a line by itself", path)
	}
	return t, nil
}

// instrumentHelp lists the formats and their options.
func instrumentHelp() string {
	var b strings.Builder
	b.WriteString("Instruments: NAME=FORMAT:PORT?option=value&...; for all: ")
	writeOptions(&b, wire.CommonOptions())
	for _, f := range wire.Formats() {
		fmt.Fprintf(&b, "\n\n%s: %s. ", f.Name, strings.TrimSuffix(f.About, "."))
		writeOptions(&b, f.Options)
	}
	return b.String()
}

func writeOptions(b *strings.Builder, options []wire.Option) {
	for i, o := range options {
		if i > 0 {
			b.WriteString("; ")
		}
		fmt.Fprintf(b, "%s (%s", o.Name, o.Allowed)
		if o.Default != "" {
			fmt.Fprintf(b, ", default %s", o.Default)
		}
		fmt.Fprintf(b, "): %s", o.Help)
	}
}
