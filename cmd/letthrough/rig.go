package main

import (
	"errors"
	"fmt"
	"os"
	"strconv"
	"strings"
	"text/tabwriter"

	"letthrough/capture/rig"
	"letthrough/capture/trace"
	"letthrough/store"
	"letthrough/web"
)

type rigCmd struct {
	Check  rigCheckCmd  `cmd:"" help:"Is a rig fit for this test? What each part must stand, and which gives way first."`
	Ladder rigLadderCmd `cmd:"" help:"Which resistors load a unit step by step: for ramps, stairs and overloads."`
	Parts  rigPartsCmd  `cmd:"" help:"The parts that rigs are put together from."`
	List   rigListCmd   `cmd:"" help:"List the rigs."`
	Add    rigAddCmd    `cmd:"" help:"Put a rig together from parts on the shelf."`
	Edit   rigEditCmd   `cmd:"" help:"Change a rig."`
	Remove rigRemoveCmd `cmd:"" help:"Remove a rig. Runs keep theirs as it was."`
}

func (rigCmd) Help() string { return cautions }

// sourceFlags are what is known of a unit into a short.
type sourceFlags struct {
	OpenVolts *float64 `help:"Open-circuit volts, measured; with --source-ohm." placeholder:"V"`
	SourceOhm *float64 `help:"The unit's own resistance, measured; with --open-volts." placeholder:"OHM"`
	Current   *float64 `help:"Current into a short, if it is known: the mean; what it heats like follows from the unit's waveform." placeholder:"A"`
	Load      []string `help:"Amps and volts read with a harmless load; given twice, they forecast the short. With both expanded uncertainties behind them if they are known." placeholder:"A,V[,UA,UV]" sep:"none"`
	Assume    float64  `help:"Multiple of the rating that is taken where nothing else is known (10)." placeholder:"TIMES"`
}

// given tells whether any of them was.
func (f sourceFlags) given() bool {
	return f.OpenVolts != nil || f.SourceOhm != nil || f.Current != nil || len(f.Load) > 0
}

func (f sourceFlags) source() (rig.Source, error) {
	var s rig.Source
	for _, v := range []struct {
		flag string
		in   *float64
		to   *float64
	}{{"open-volts", f.OpenVolts, &s.OpenV}, {"source-ohm", f.SourceOhm, &s.SourceOhm}, {"current", f.Current, &s.CurrentA}} {
		if v.in == nil {
			continue
		}
		if !(*v.in > 0) {
			return s, &usageError{fmt.Sprintf("--%s: %g is not above 0; leave it out if it is not known", v.flag, *v.in)}
		}
		*v.to = *v.in
	}
	for _, text := range f.Load {
		p, err := parseLoadPoint(text)
		if err != nil {
			return s, err
		}
		s.Loads = append(s.Loads, p)
	}
	if err := s.Whole(); err != nil {
		return s, &usageError{flagNames.Replace(err.Error())}
	}
	return s, nil
}

// flagNames puts the flags in the place of the fields of a source.
var flagNames = strings.NewReplacer("open_v:", "--open-volts:", "source_ohm:", "--source-ohm:", "current_a:", "--current:", "loads:", "--load:")

// parseLoadPoint reads A,V or A,V,UA,UV.
func parseLoadPoint(text string) (p rig.LoadPoint, err error) {
	fields := strings.Split(text, ",")
	numbers := []*float64{&p.A, &p.V, &p.UA, &p.UV}
	bad := &usageError{fmt.Sprintf("--load: %.60q is no load, write amps and volts such as 0.5,12.1, with both expanded uncertainties behind them if they are known", text)}
	if len(fields) != 2 && len(fields) != 4 {
		return p, bad
	}
	for i, field := range fields {
		v, err := strconv.ParseFloat(strings.TrimSpace(field), 64)
		if err != nil {
			return p, bad
		}
		*numbers[i] = v
	}
	return p, nil
}

type rigCheckCmd struct {
	dbFlag      `embed:""`
	Unit        string          `help:"The unit under test, by name or number." placeholder:"NAME"`
	Rated       float64         `help:"Rated current, in the place of a unit or over its plate." placeholder:"A"`
	Rig         string          `help:"The rig, by name or number." required:"" placeholder:"NAME"`
	Procedure   trace.Procedure `help:"short, ramp, steps, overload or carry." default:"short" placeholder:"KIND"`
	Hold        *seconds        `help:"The hold; left out: 30 s, and for a unit never tested as long as the rig stands, 30 s at most." placeholder:"S"`
	Times       float64         `help:"How far a ramp, stairs or an overload go, in multiples of the rating." placeholder:"TIMES"`
	sourceFlags `embed:""`
	JSON        bool `help:"Print JSON."`
}

func (rigCheckCmd) Help() string {
	return "Without --open-volts and the like the unit's newest complete run counts. The status is 1 unless the rig is fit for the hold.\n\n" + cautions
}

// Run prints the answer; a rig that is not fit is a failure that says so.
func (c rigCheckCmd) Run(env *surroundings) error {
	source, err := c.source()
	if err != nil {
		return err
	}
	if c.Unit == "" && c.Rated == 0 {
		return &usageError{"name the unit with --unit NAME, or give its rated current with --rated A"}
	}
	test := rig.Test{Procedure: c.Procedure, Times: c.Times}
	if c.Hold != nil {
		if test.HoldS = float64(*c.Hold); test.HoldS <= 0 {
			return fmt.Errorf("--hold: %g is out of range, a hold is more than 0 s", test.HoldS)
		}
	}
	return withDB(env, c.dbFlag, func(db *store.DB) error {
		built, err := onShelf(env, db.Rigs(), c.Rig)
		if err != nil {
			return err
		}
		if c.Unit != "" {
			if test.Unit, err = find(env, db, c.Unit); err != nil {
				return err
			}
		}
		if c.Rated != 0 {
			test.Unit.RatedCurrentA = c.Rated
		}
		if err := test.Unit.ValidateRatings(); err != nil {
			return err
		}
		known, tested, err := web.SourceOf(env.ctx, db, test.Unit.Name)
		if err != nil {
			return err
		}
		if test.Source, test.Tested = known, tested; c.given() {
			test.Source = source
		}
		test.Source.AssumedTimes = c.Assume
		answer, err := rig.Check(built, test)
		if err != nil {
			return err
		}
		if c.JSON {
			err = printJSON(env.stdout, answer)
		} else {
			err = printAnswer(env, answer)
		}
		if err == nil && !answer.Enough {
			err = errors.New(answer.Text)
		}
		return err
	})
}

// printAnswer lays an answer out for a terminal.
func printAnswer(env *surroundings, a rig.Answer) error {
	w := tabwriter.NewWriter(env.stdout, 0, 0, 2, ' ', 0)
	fmt.Fprintf(env.stdout, "%s\n\n%s\n", a.Text, a.Prospective.Text)
	if a.FirstHold != "" {
		fmt.Fprintln(env.stdout, a.FirstHold)
	}
	fmt.Fprintln(env.stdout)
	fmt.Fprintf(w, "\tpart\tmay stay on\tmust stand, in this hold of %g s\n", a.HoldS)
	for _, p := range a.Parts {
		mark := ""
		if a.Weakest != nil && *a.Weakest == p.Place {
			mark = "weakest"
		}
		fmt.Fprintf(w, "%d %s\t%s\t%s\t%s\n", p.Place+1, mark, p.Part, p.May, p.Must)
	}
	if err := w.Flush(); err != nil {
		return err
	}
	section := func(title string, lines []string) {
		if len(lines) > 0 {
			fmt.Fprintf(env.stdout, "\n%s\n  %s\n", title, strings.Join(lines, "\n  "))
		}
	}
	section("What would cure it:", a.Cures)
	var fuses, taken, problems []string
	for _, f := range a.Fuses {
		fuses = append(fuses, f.Text)
	}
	for _, p := range a.Parts {
		if p.Taken != "" {
			taken = append(taken, p.Part+": "+p.Taken)
		}
	}
	for _, p := range a.Problems {
		problems = append(problems, p.Text)
	}
	section("Fuses:", fuses)
	section("The result:", append([]string{a.Effect.Text, a.Readings.Text}, a.Readings.Cures...))
	section("Taken, for want of better:", taken)
	section("Look at:", problems)
	_, err := fmt.Fprintf(env.stdout, "\n%s\n", strings.Join(a.Cautions, " "))
	return err
}

type rigLadderCmd struct {
	DB        *string   `name:"db" help:"The database with the shelf; left out: letthrough.db, where there is one." placeholder:"FILE"`
	Unit      string    `help:"A unit whose plate and earlier runs fill in what is left out." placeholder:"NAME"`
	Volts     float64   `help:"The unit's volts: open where --source-ohm is given." placeholder:"V"`
	SourceOhm float64   `help:"The unit's own resistance." placeholder:"OHM"`
	Rated     float64   `help:"Rated current." placeholder:"A"`
	Steps     []float64 `help:"Wished stairs as multiples of the rating, rising: 0.5,0.8,1,1.2,1.5,2,3." required:"" placeholder:"TIMES"`
	Series    string    `help:"Preferred values: E6, E12, E24, E48, E96 or E192." default:"E12"`
	Tolerance float64   `help:"Tolerance of the resistors, in per cent." default:"5" placeholder:"PERCENT"`
	Within    float64   `help:"How near a stair must come to what was wished, in per cent." default:"5" placeholder:"PERCENT"`
	Dwell     seconds   `help:"How long each stair is held." default:"10s" placeholder:"S"`
	Cheapest  bool      `help:"Least money in the place of fewest parts."`
	PriceEach float64   `help:"Price of a resistor that is not on the shelf." placeholder:"MONEY"`
	JSON      bool      `help:"Print JSON."`
}

func (rigLadderCmd) Help() string { return cautions }

// Run prints the resistors and the stairs.
func (c rigLadderCmd) Run(env *surroundings) error {
	q := rig.LadderRequest{Volts: c.Volts, SourceOhm: c.SourceOhm, RatedA: c.Rated, Steps: c.Steps, Series: c.Series, TolerancePct: c.Tolerance,
		WithinPct: c.Within, DwellS: float64(c.Dwell), Cheapest: c.Cheapest, PriceEach: c.PriceEach}
	var shelf []trace.Part
	path := "letthrough.db"
	if c.DB != nil {
		path = *c.DB
	}
	if _, err := os.Stat(path); c.DB != nil || c.Unit != "" || err == nil {
		err := withDB(env, dbFlag{DB: path}, func(db *store.DB) (err error) {
			if c.Unit != "" {
				unit, err := find(env, db, c.Unit)
				if err != nil {
					return err
				}
				known, _, err := web.SourceOf(env.ctx, db, unit.Name)
				if err != nil {
					return err
				}
				q = web.LadderFor(q, unit, known)
			}
			shelf, err = db.Parts().All(env.ctx)
			return err
		})
		if err != nil {
			return err
		}
	}
	if q.Volts == 0 || q.RatedA == 0 {
		return &usageError{"give the unit's volts and rating with --volts V --rated A, or name a unit whose plate has both"}
	}
	l, err := rig.MakeLadder(q, shelf)
	if err != nil {
		return err
	}
	if c.JSON {
		return printJSON(env.stdout, l)
	}
	return printLadder(env, l)
}

func printLadder(env *surroundings, l rig.Ladder) error {
	w := tabwriter.NewWriter(env.stdout, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "stair\tswitch in\tgets\ttake\tfor its time alone\ttogether\tcurrent\tof the rating\tby tolerance")
	for n, s := range l.Stairs {
		for i, place := range s.Add {
			r, stair, take, from, brief := l.Resistors[place], "", "?", "", "?"
			if i == 0 {
				stair = strconv.Itoa(n + 1)
			}
			if r.TakeW != nil {
				take = fmt.Sprintf("%g W", *r.TakeW)
			}
			if r.ShortTimeW != nil {
				brief = fmt.Sprintf("%g W for %g s", *r.ShortTimeW, r.OnS)
			}
			if r.Part != "" {
				from, take = ", "+r.Part, fmt.Sprintf("has %g W", r.RatedW)
			}
			fmt.Fprintf(w, "%s\t%.4g Ω%s\t%.3g W\t%s\t%s", stair, r.Ohm, from, r.W, take, brief)
			if i < len(s.Add)-1 {
				fmt.Fprintln(w, "\t\t\t\t")
			}
		}
		fmt.Fprintf(w, "\t%.3g Ω\t%.3g A\t%.3g ×\t%.3g to %.3g A\n", s.TogetherOhm, s.CurrentA, s.Times, s.LeastA, s.MostA)
	}
	if err := w.Flush(); err != nil {
		return err
	}
	fmt.Fprintf(env.stdout, "\n%s\n", l.Text)
	if l.Price != nil {
		fmt.Fprintf(env.stdout, "They cost %g.\n", *l.Price)
	}
	_, err := fmt.Fprintf(env.stdout, "%s\n%s\n", strings.Join(l.Notes, "\n"), strings.Join(l.Cautions, " "))
	return err
}
