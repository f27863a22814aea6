package main

import (
	"fmt"
	"io"
	"strconv"
	"strings"
	"text/tabwriter"

	"letthrough/capture/trace"
	"letthrough/capture/wire"
	"letthrough/capture/words"
	"letthrough/store"
)

type instrumentsCmd struct {
	List      instrumentsListCmd      `cmd:"" default:"withargs" help:"List the instruments."`
	Add       instrumentsAddCmd       `cmd:"" help:"Keep an instrument: serve opens it from then on."`
	Edit      instrumentsEditCmd      `cmd:"" help:"Change an instrument."`
	Remove    instrumentsRemoveCmd    `cmd:"" help:"Forget an instrument with its calibrations."`
	Judge     instrumentsJudgeCmd     `cmd:"" help:"What an instrument can tell: the simulated shelf, seen through its rate, averaging, range and resolution."`
	Calibrate instrumentsCalibrateCmd `cmd:"" help:"Offset and gain from pairs of readings: a trusted meter's and this instrument's."`
}

// afterwards is said of changes that a program which is running meanwhile does not see.
const afterwards = "a letthrough serve that is running takes it over at its next start"

// findInstrument gives the instrument of a name or, where none is called so, of a number.
func findInstrument(env *surroundings, db *store.DB, name string) (store.Instrument, error) {
	i, err := db.InstrumentByName(env.ctx, name)
	if id, nerr := strconv.ParseInt(name, 10, 64); err != nil && nerr == nil {
		return db.Instrument(env.ctx, id)
	}
	return i, err
}

// kept is an instrument's line as the store has it.
func kept(spec wire.Spec) store.Instrument {
	return store.Instrument{Name: spec.Name, Format: spec.Format, Port: spec.Port, Spec: spec.String()}
}

type instrumentsListCmd struct {
	dbFlag `embed:""`
	JSON   bool `help:"Print JSON."`
}

func (c instrumentsListCmd) Run(env *surroundings) error {
	return withDB(env, c.dbFlag, func(db *store.DB) error {
		all, err := db.Instruments(env.ctx)
		if err != nil {
			return err
		}
		if c.JSON {
			return printJSON(env.stdout, all)
		}
		w := tabwriter.NewWriter(env.stdout, 0, 0, 2, ' ', 0)
		fmt.Fprintln(w, "id\tinstrument\tformat\tport\topened by serve\tcalibration\tnote")
		for _, i := range all {
			opened := "no, remembered from a run"
			if i.Kept {
				opened = "yes"
			}
			fmt.Fprintf(w, "%d\t%s\t%s\t%s\t%s\t%s\t%s\n", i.ID, i.Name, i.Format, i.Port, opened, inForce(i), i.Note)
		}
		return w.Flush()
	})
}

// inForce says an instrument's calibrations in a few words.
func inForce(i store.Instrument) string {
	var parts []string
	for _, c := range i.Calibrations {
		if c.Ended == "" {
			day, _, _ := strings.Cut(c.Made, "T")
			parts = append(parts, fmt.Sprintf("%s of %s", c.Quantity, day))
		}
	}
	if len(parts) == 0 {
		return "none"
	}
	return strings.Join(parts, ", ")
}

type instrumentsAddCmd struct {
	dbFlag `embed:""`
	Spec   string `arg:"" help:"NAME=FORMAT:PORT?option=value&..., as serve has it behind --instrument."`
	Note   string `help:"A note." placeholder:"TEXT"`
}

func (instrumentsAddCmd) Help() string { return instrumentHelp() }

func (c instrumentsAddCmd) Run(env *surroundings) error {
	spec, err := wire.ParseSpec(c.Spec)
	if err != nil {
		return err
	}
	return withNewDB(env, c.dbFlag, func(db *store.DB) error {
		i := kept(spec)
		i.Note = c.Note
		i, err := db.KeepInstrument(env.ctx, i)
		if err != nil {
			return err
		}
		_, err = fmt.Fprintf(env.stdout, "added instrument %d, %s, %s on %s; %s\n", i.ID, i.Name, i.Format, i.Port, afterwards)
		return err
	})
}

type instrumentsEditCmd struct {
	dbFlag     `embed:""`
	Instrument string  `arg:"" help:"The instrument's name or number."`
	Spec       string  `help:"How it is named and set up from now on: NAME=FORMAT:PORT?option=value&..." placeholder:"SPEC"`
	Rename     *string `help:"A new name." placeholder:"NAME"`
	Note       *string `help:"A note." placeholder:"TEXT"`
}

func (instrumentsEditCmd) Help() string { return instrumentHelp() }

func (c instrumentsEditCmd) Run(env *surroundings) error {
	return withDB(env, c.dbFlag, func(db *store.DB) error {
		i, err := findInstrument(env, db, c.Instrument)
		if err != nil {
			return err
		}
		was, parsed := wire.ParseSpec(i.Spec)
		line := i.Spec
		if c.Spec != "" {
			line = c.Spec
		}
		spec, err := wire.ParseSpec(line)
		if err != nil {
			return err
		}
		if c.Rename != nil {
			// Through the line once more, so that a name is held to what it may be.
			spec.Name = *c.Rename
			if spec, err = wire.ParseSpec(spec.String()); err != nil {
				return err
			}
		}
		changed := kept(spec)
		changed.ID, changed.Note = i.ID, i.Note
		set(&changed.Note, c.Note)
		if changed, err = db.UpdateInstrument(env.ctx, changed); err != nil {
			return err
		}
		if err := endOutdated(env, db, changed, parsed == nil && was.ReadsAs(spec)); err != nil {
			return err
		}
		_, err = fmt.Fprintf(env.stdout, "instrument %d is now %s; %s\n", changed.ID, changed.Spec, afterwards)
		return err
	})
}

// endOutdated takes calibrations back where the same bytes do not make the same readings any more.
func endOutdated(env *surroundings, db *store.DB, i store.Instrument, same bool) error {
	if same {
		return nil
	}
	for q := range i.InForce() {
		if err := db.EndCalibration(env.ctx, i.ID, q); err != nil {
			return err
		}
		fmt.Fprintf(env.stdout, "the calibration of its %s no longer holds, since it is read in another way now: calibrate it anew\n", q)
	}
	return nil
}

type instrumentsRemoveCmd struct {
	dbFlag     `embed:""`
	Instrument string `arg:"" help:"The instrument's name or number."`
}

func (c instrumentsRemoveCmd) Run(env *surroundings) error {
	return withDB(env, c.dbFlag, func(db *store.DB) error {
		i, err := findInstrument(env, db, c.Instrument)
		if err != nil {
			return err
		}
		if err := db.DeleteInstrument(env.ctx, i.ID); err != nil {
			return err
		}
		_, err = fmt.Fprintf(env.stdout, "removed instrument %d, %s\n", i.ID, i.Name)
		return err
	})
}

// tellCalibration prints what a calibration is, in words.
func tellCalibration(w io.Writer, name string, q trace.Quantity, c trace.Calibration, notes []string) {
	fmt.Fprintf(w, "%s, %s: true = offset + gain × shown\n", name, q)
	value, u := words.Number(c.Offset, c.UOffset)
	fmt.Fprintf(w, "  offset  %s ± %s %s\n", value, u, q.Unit())
	value, u = words.Number(c.Gain, c.UGain)
	fmt.Fprintf(w, "  gain    %s ± %s\n", value, u)
	if c.Pairs > 2 {
		fmt.Fprintf(w, "  the %d pairs lie %.2g %s about the line (standard deviation)\n", c.Pairs, c.ResidualS, q.Unit())
	}
	fmt.Fprintln(w, "  ± is the expanded uncertainty for 95 %")
	for _, n := range notes {
		fmt.Fprintf(w, "  note: %s\n", n)
	}
}
