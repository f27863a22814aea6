package main

import (
	"errors"
	"fmt"
	"os"
	"strings"

	"letthrough/capture"
	"letthrough/capture/trace"
	"letthrough/capture/wire"
	"letthrough/web"
)

type serveCmd struct {
	daemonFlags `embed:""`
	DB          string   `name:"db" help:"The database of units and runs; made if it is not there." default:"letthrough.db" placeholder:"FILE"`
	Instrument  []string `help:"An instrument: NAME=FORMAT:PORT?option=value&... May be given several times." placeholder:"SPEC" sep:"none"`
	TokenFile   string   `help:"File with the operator's token, or with lines \"operator TOKEN\" and \"viewer TOKEN\". LETTHROUGH_TOKEN and LETTHROUGH_VIEWER_TOKEN do the same." placeholder:"FILE"`

	Arm     bool   `help:"Arm at once: the next fault opens a run. Needs --unit."`
	Unit    string `help:"The unit under test; an unknown one is made." placeholder:"NAME"`
	Output  string `help:"Which output of the unit." placeholder:"NAME"`
	Setting string `help:"How far the unit's control is turned up; full unless stated." placeholder:"TEXT"`
	Rig     string `help:"The rig, by name." placeholder:"NAME"`

	settingsFlags `embed:""`
}

func (serveCmd) Help() string {
	return "The first line on standard output is \"listening on http://ADDR\"; everything else goes to standard error. " +
		"Without --instrument the stored runs can be looked at. With --arm the bench is armed once; after the run it is idle " +
		"and is armed on the page or by POST /api/arm, since the next test needs somebody to say which unit it is.\n\n" +
		instrumentHelp() + "\n\n" + cautions
}

func (c serveCmd) Run(env *surroundings) (err error) {
	specs, arm, tokens, err := c.check()
	if err != nil {
		return err
	}
	d, err := openDaemon(env, c.DB, parts{addr: c.Addr, tokens: tokens, clock: capture.NewClock(c.Speed)})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, d.close(env)) }()
	for _, spec := range specs {
		if err := d.bench.AddInstrument(spec); err != nil {
			return err
		}
	}
	if c.Arm {
		if arm.Unit, err = d.db.EnsureUnit(env.ctx, arm.Unit); err != nil {
			return err
		}
		if err := d.bench.Arm(arm); err != nil {
			return fmt.Errorf("arm: %w", err)
		}
	}
	if err := d.listen(env); err != nil {
		return err
	}
	return d.wait(env)
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
		specs = append(specs, spec)
	}
	if tokens, err = readTokens(c.TokenFile, os.Getenv); err != nil {
		return
	}
	settings, err := c.over(trace.Settings{})
	if err != nil {
		return
	}
	if c.Arm && c.Unit == "" {
		return specs, arm, tokens, &usageError{"--arm needs --unit NAME: a run belongs to a unit"}
	}
	if c.Arm && len(specs) == 0 {
		return specs, arm, tokens, errors.New("--arm: no instrument measures current: name one with --instrument NAME=FORMAT:PORT")
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
