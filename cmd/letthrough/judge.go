package main

import (
	"fmt"
	"io"
	"strings"
	"text/tabwriter"
	"time"

	"letthrough/capture"
	"letthrough/capture/judge"
	"letthrough/capture/trace"
	"letthrough/capture/wire"
	"letthrough/capture/words"
	"letthrough/store"
)

type instrumentsJudgeCmd struct {
	dbFlag     `embed:""`
	Instrument string  `arg:"" help:"The instrument's name or number; or one that nobody has yet, as NAME=FORMAT:PORT?option=value&..., of which nothing is opened."`
	Rate       float64 `help:"Readings a second. If not given, an instrument that is kept is opened and listened to." placeholder:"HZ"`
	Noise      float64 `help:"Standard deviation of its readings, A; half a count if not given." placeholder:"A"`
	Voltage    bool    `help:"It reads the voltage as well."`
	Procedure  string  `help:"short, ramp, steps, overload or carry." default:"short" placeholder:"NAME"`
	Trials     int     `help:"Tests of each of the seven units." default:"5" placeholder:"N"`
	Hold       seconds `help:"How long a short or a load lasts." default:"10s" placeholder:"S"`
	JSON       bool    `help:"Print JSON."`
}

func (instrumentsJudgeCmd) Help() string {
	return "Plays invented power units through the instrument, with noise, phase and its error within its accuracy drawn anew each time, and says " +
		"for each figure how often it would be told, how exactly, and how often as a bound only. So a meter can be judged before anybody buys or wires " +
		"it: letthrough instruments judge \"cheap=text:-?averaging=0.4&resolution=0.01&accuracy=0.8%+3\" --rate 2.5"
}

// listenFor is how long an instrument is listened to for its rate.
const listenFor = 4 * time.Second

func (c instrumentsJudgeCmd) Run(env *surroundings) error {
	spec, err := c.spec(env)
	if err != nil {
		return err
	}
	if c.Rate == 0 {
		if c.Rate, err = c.listen(env, spec); err != nil {
			return err
		}
	}
	var set trace.Settings
	spec.Apply(&set)
	m := judge.Of(set, c.Rate)
	m.NoiseA, m.Voltage = c.Noise, c.Voltage || spec.Options["voltage"] != ""
	r, err := judge.Run(env.ctx, m, judge.Test{Procedure: trace.Procedure(c.Procedure), Trials: c.Trials, HoldS: float64(c.Hold)})
	if err != nil {
		return err
	}
	if c.JSON {
		return printJSON(env.stdout, r)
	}
	return tellJudgement(env.stdout, spec.Name, m, r)
}

// spec is the instrument's line: given, or that of one that is kept.
func (c instrumentsJudgeCmd) spec(env *surroundings) (spec wire.Spec, err error) {
	if strings.Contains(c.Instrument, "=") {
		if c.Rate == 0 {
			return spec, fmt.Errorf("--rate is missing: how many readings a second does %s give? Its manual says, or letthrough ports --probe", c.Instrument)
		}
		return wire.ParseSpec(c.Instrument)
	}
	err = withDB(env, c.dbFlag, func(db *store.DB) error {
		i, err := findInstrument(env, db, c.Instrument)
		if err == nil {
			spec, err = wire.ParseSpec(i.Spec)
		}
		return err
	})
	return spec, err
}

func (c instrumentsJudgeCmd) listen(env *surroundings, spec wire.Spec) (float64, error) {
	wait(env.stderr, "listening to %s for %g s ...", spec.Name, listenFor.Seconds())
	s, err := capture.Listen(env.ctx, spec, listenFor)
	switch {
	case err != nil:
		return 0, fmt.Errorf("%w; or give its readings a second with --rate", err)
	case s.RateHz == 0:
		return 0, fmt.Errorf("%s is %s: plug it in and switch it on, or give its readings a second with --rate", spec.Name, s.State)
	}
	return s.RateHz, nil
}

func tellJudgement(out io.Writer, name string, m judge.Meter, r judge.Report) error {
	fmt.Fprintf(out, "%s: %s\n%s, %d simulated tests\n\n", name, m.Words(), words.Procedure(r.Procedure), r.Tests)
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "unit\twhat it does\tand this meter")
	for _, s := range r.Behaviours {
		fmt.Fprintf(w, "%s\t%s\t%s\n", s.Unit, words.Behaviour(s.Behaviour), s.Words())
	}
	fmt.Fprintln(w, "\t\t\nfigure\ttold with ±\ttypically\tas a bound only\tnot told\ttruth inside")
	for _, t := range r.Figures {
		f := t.Row()
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\t%s\n", f.Say, f.Exact, f.Typical, f.Bound, f.None, f.Within)
	}
	return w.Flush()
}
