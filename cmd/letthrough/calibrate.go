package main

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"os"
	"strconv"
	"strings"
	"time"

	"letthrough/capture/calibrate"
	"letthrough/capture/trace"
	"letthrough/capture/wire"
	"letthrough/store"
)

type instrumentsCalibrateCmd struct {
	dbFlag          `embed:""`
	Instrument      string         `arg:"" help:"The instrument's name or number."`
	Pairs           string         `help:"A file with a pair a line: what the trusted meter showed, a comma, what this instrument showed." placeholder:"FILE"`
	Pair            []pair         `help:"A pair: TRUSTED,SHOWN in A (or V). May be given several times." placeholder:"PAIR" sep:"none"`
	Channel         trace.Quantity `help:"What was calibrated: current or voltage." default:"current" placeholder:"WHAT"`
	TrustedAccuracy trace.Accuracy `help:"The trusted meter's accuracy, such as 0.5%+2; 0.5%+2@0.001 says besides what one count is worth." placeholder:"SPEC"`
	Reversed        bool           `help:"The instrument's leads are reversed: it falls while the trusted meter rises."`
	Note            string         `help:"A note." placeholder:"TEXT"`
	Clear           bool           `help:"Take the calibration back: readings count as they are shown."`
	JSON            bool           `help:"Print JSON."`
}

func (instrumentsCalibrateCmd) Help() string {
	return "Put both meters into one loop, set a few currents from zero to the largest of your tests, and write down what each shows at the same time. " +
		"What this instrument shows is what it shows without a calibration. Two pairs are the least; from three on their scatter shows how good the line is. " +
		"The line is kept with its date, replaces the one before, and is applied to whatever is derived from then on; samples stay as they were shown."
}

// pair is TRUSTED,SHOWN on the command line, and as it was written: the zeros at the end of a reading say
// what a count of the meter is worth.
type pair struct {
	trace.CalibrationPair
	trusted, shown string
}

// UnmarshalText reads two numbers with a comma between them.
func (p *pair) UnmarshalText(b []byte) error {
	trusted, shown, ok := strings.Cut(string(b), ",")
	bad := fmt.Errorf("%q is no pair, write TRUSTED,SHOWN such as 1.500,1.47", b)
	if !ok {
		return bad
	}
	var err error
	if p.Trusted, err = strconv.ParseFloat(strings.TrimSpace(trusted), 64); err != nil {
		return bad
	}
	if p.Shown, err = strconv.ParseFloat(strings.TrimSpace(shown), 64); err != nil {
		return bad
	}
	p.trusted, p.shown = trusted, shown
	return nil
}

func (c instrumentsCalibrateCmd) Run(env *surroundings) error {
	given := c.Pairs != "" || len(c.Pair) > 0
	switch {
	case c.Clear && given:
		return &usageError{"--clear takes a calibration back, --pair makes one: give one of them"}
	case !c.Clear && !given:
		return &usageError{"give pairs of readings with --pair TRUSTED,SHOWN or --pairs FILE, or --clear"}
	}
	var pairs []pair
	if c.Pairs != "" {
		var err error
		if pairs, err = readPairs(c.Pairs); err != nil {
			return err
		}
	}
	pairs = append(pairs, c.Pair...)
	return withDB(env, c.dbFlag, func(db *store.DB) error {
		i, err := findInstrument(env, db, c.Instrument)
		if err != nil {
			return err
		}
		if c.Clear {
			if err := db.EndCalibration(env.ctx, i.ID, c.Channel); err != nil {
				return err
			}
			_, err := fmt.Fprintf(env.stdout, "%s, %s: readings count as they are shown; %s\n", i.Name, c.Channel, afterwards)
			return err
		}
		return c.calibrate(env, db, i, pairs)
	})
}

func (c instrumentsCalibrateCmd) calibrate(env *surroundings, db *store.DB, i store.Instrument, list []pair) error {
	var pairs []trace.CalibrationPair
	var trusted, shown []string
	for _, p := range list {
		pairs, trusted, shown = append(pairs, p.CalibrationPair), append(trusted, p.trusted), append(shown, p.shown)
	}
	o := calibrate.Options{Trusted: c.TrustedAccuracy, Reversed: c.Reversed,
		TrustedResolution: calibrate.LastPlace(trusted...), ShownResolution: calibrate.LastPlace(shown...)}
	if spec, err := wire.ParseSpec(i.Spec); err == nil && spec.Channel == c.Channel && spec.Resolution > 0 {
		o.ShownResolution = spec.Resolution
	}
	r, err := calibrate.Fit(pairs, o)
	if err != nil {
		return fmt.Errorf("calibrate %s: %w", i.Name, err)
	}
	made := store.Calibration{Quantity: c.Channel, Calibration: r.Calibration, Readings: pairs, Trusted: c.TrustedAccuracy, Note: c.Note}
	made.Made = time.Now().Format(time.RFC3339)
	if made, err = db.Calibrate(env.ctx, i.ID, made); err != nil {
		return err
	}
	if c.JSON {
		return printJSON(env.stdout, made)
	}
	tellCalibration(env.stdout, i.Name, c.Channel, r.Calibration, r.Notes)
	_, err = fmt.Fprintf(env.stdout, "kept as calibration %d; %s\n", made.ID, afterwards)
	return err
}

// readPairs reads a pair a line; a first line of words, empty lines and lines that begin with # are skipped.
func readPairs(path string) ([]pair, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("read pairs: %w", err)
	}
	defer f.Close()
	r := csv.NewReader(io.LimitReader(f, 1<<20))
	r.Comment, r.TrimLeadingSpace, r.FieldsPerRecord = '#', true, -1
	var out []pair
	for first := true; ; first = false {
		fields, err := r.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		line, _ := r.FieldPos(0)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", path, err)
		}
		var p pair
		if len(fields) != 2 || p.UnmarshalText([]byte(strings.Join(fields, ","))) != nil {
			if first && strings.IndexFunc(strings.Join(fields, ""), func(c rune) bool { return c >= '0' && c <= '9' }) < 0 {
				continue // a heading
			}
			return nil, fmt.Errorf("%s: line %d: want what the trusted meter showed, a comma, and what this instrument showed, such as 1.500,1.47; got %q", path, line, strings.Join(fields, ","))
		}
		out = append(out, p)
	}
	if len(out) == 0 {
		return nil, fmt.Errorf("%s: holds no pair: want lines such as 1.500,1.47", path)
	}
	return out, nil
}
