package main

import (
	"fmt"
	"strings"
	"text/tabwriter"

	"letthrough/capture/heat"
	"letthrough/capture/rig"
	"letthrough/capture/trace"
	"letthrough/store"
)

type rigPartsCmd struct {
	List   partsListCmd   `cmd:"" default:"withargs" help:"List the parts."`
	Add    partsAddCmd    `cmd:"" help:"Add a part."`
	Edit   partsEditCmd   `cmd:"" help:"Change a part. Rigs keep the copy they have."`
	Remove partsRemoveCmd `cmd:"" help:"Remove a part. Rigs keep the copy they have."`
}

// ratingFlags are what is known of a part. What is left out, or 0, is not known.
type ratingFlags struct {
	Kind         *string  `help:"instrument, shunt, lead, contact, switch, relay, resistor, lamp, fuse, protector or other." placeholder:"KIND"`
	Ohm          *float64 `help:"Resistance; of an instrument its burden, of a lead there and back." placeholder:"OHM"`
	Tolerance    *float64 `help:"Of the resistance, in per cent." placeholder:"PERCENT"`
	RatedCurrent *float64 `help:"Carried for ever; of a fuse its rating, of an instrument what --max-on is for." placeholder:"A"`
	RatedVoltage *float64 `help:"Volts that it may break; of a lamp those it is made for." placeholder:"V"`
	RatedPower   *float64 `help:"Turned into heat for ever." placeholder:"W"`
	Overload     *float64 `help:"Times its rated heat that it stands from cold for --overload-time." placeholder:"TIMES"`
	OverloadTime *seconds `help:"How long it stands --overload." placeholder:"S"`
	Tau          *seconds `help:"Time constant of its warming." placeholder:"S"`
	FullScale    *float64 `help:"Of an instrument: where its readings stop." placeholder:"A"`
	Interval     *seconds `help:"Of an instrument: between two readings." placeholder:"S"`
	Fuse         *float64 `help:"Of an instrument: rating of the fuse inside it." placeholder:"A"`
	MaxOn        *seconds `help:"The longest it may stay on." placeholder:"S"`
	Rest         *seconds `help:"The rest it then needs." placeholder:"S"`
	Make         *float64 `help:"Of a contact: current that it may close on." placeholder:"A"`
	Break        *float64 `help:"Of a contact or fuse: current that it may open." placeholder:"A"`
	Length       *float64 `help:"Of a lead, there and back." placeholder:"M"`
	Area         *float64 `help:"Of a lead." placeholder:"MM2"`
	AWG          *string  `name:"awg" help:"Of a lead, in the place of --area: 18, 4/0." placeholder:"SIZE"`
	Material     *string  `help:"Of a lead: copper, aluminium, steel or lead." placeholder:"METAL"`
	Insulation   *string  `help:"Of a lead: PVC, PVC 90, XLPE, rubber 60, rubber 85, silicone or bare." placeholder:"KIND"`
	StartTemp    *float64 `name:"start-temperature" help:"Of a lead before the test; 30." placeholder:"C"`
	EndTemp      *float64 `name:"end-temperature" help:"That a lead may get to in a short of at most 5 s; by its insulation." placeholder:"C"`
	Melting      *float64 `help:"Of a fuse: heat that melts it." placeholder:"A2S"`
	FuseSheet    *string  `help:"Of a fuse: 60127-2/1, 60127-2/2, 60127-2/3, 60127-2/5, \"60127-2/5 older\" or 248-14." placeholder:"SHEET"`
	Count        *int     `help:"How many there are." placeholder:"N"`
	Price        *float64 `help:"Of one, in any money." placeholder:"MONEY"`
	Note         *string  `help:"A note." placeholder:"TEXT"`
}

func (f ratingFlags) apply(p *trace.Part) error {
	for to, from := range map[*float64]*float64{
		&p.Ohm: f.Ohm, &p.TolerancePct: f.Tolerance, &p.RatedA: f.RatedCurrent, &p.RatedV: f.RatedVoltage, &p.RatedW: f.RatedPower,
		&p.OverloadFactor: f.Overload, &p.OverloadS: f.OverloadTime.float(), &p.TauS: f.Tau.float(), &p.FullScaleA: f.FullScale, &p.IntervalS: f.Interval.float(),
		&p.FuseA: f.Fuse, &p.MaxOnS: f.MaxOn.float(), &p.RestS: f.Rest.float(), &p.MakeA: f.Make, &p.BreakA: f.Break, &p.LengthM: f.Length,
		&p.AreaMM2: f.Area, &p.StartC: f.StartTemp, &p.EndC: f.EndTemp, &p.MeltingA2s: f.Melting, &p.Price: f.Price,
	} {
		set(to, from)
	}
	for to, from := range map[*string]*string{&p.Kind: f.Kind, &p.Material: f.Material, &p.Insulation: f.Insulation, &p.FuseSheet: f.FuseSheet, &p.Note: f.Note} {
		set(to, from)
	}
	set(&p.Count, f.Count)
	if f.AWG == nil {
		return nil
	}
	if f.Area != nil {
		return &usageError{"--awg and --area say the same of a lead: give one of them"}
	}
	size, err := heat.ParseAWG(*f.AWG)
	if err != nil {
		return fmt.Errorf("--awg: %w", err)
	}
	p.AreaMM2 = size.AreaMM2()
	return nil
}

type partsListCmd struct {
	dbFlag  `embed:""`
	Kind    string `help:"Only parts of this kind." placeholder:"KIND"`
	Starter bool   `help:"First put a set of ordinary parts on the shelf, but for what is there by that name, and a rig bench1 of them where there is no rig."`
	JSON    bool   `help:"Print JSON."`
}

func (c partsListCmd) Run(env *surroundings) error {
	return inDB(env, c.dbFlag, c.Starter, func(db *store.DB) error {
		if c.Starter {
			added, err := db.AddStarter(env.ctx, rig.Starter(), rig.StarterRig())
			if err != nil {
				return err
			}
			if !c.JSON {
				fmt.Fprintf(env.stdout, "added %d parts; they are ordinary ones of no maker, put in the ratings of your own\n", added)
			}
		}
		all, err := db.Parts().All(env.ctx)
		if err != nil {
			return err
		}
		parts := []trace.Part{}
		for _, p := range all {
			if c.Kind == "" || strings.EqualFold(p.Kind, c.Kind) {
				parts = append(parts, p)
			}
		}
		if c.JSON {
			return printJSON(env.stdout, parts)
		}
		if len(all) == 0 {
			_, err := fmt.Fprintln(env.stdout, "no parts; letthrough rig parts --starter puts an ordinary set on the shelf, letthrough rig parts add NAME --kind KIND … one of your own")
			return err
		}
		w := tabwriter.NewWriter(env.stdout, 0, 0, 2, ' ', 0)
		fmt.Fprintln(w, "id\tkind\tpart\tratings\thow many\tprice\tnote")
		for _, p := range parts {
			fmt.Fprintf(w, "%d\t%s\t%s\t%s\t%s\t%s\t%s\n", p.ID, p.Kind, p.Name, rig.Ratings(p.RigPart), count(p.Count), count(p.Price), p.Note)
		}
		return w.Flush()
	})
}

// count writes a number; 0 is not known.
func count[T int | float64](v T) string {
	if v == 0 {
		return "?"
	}
	return fmt.Sprint(v)
}

// warnOfPart says on standard error what is missing of a part that is kept all the same.
func warnOfPart(env *surroundings, p trace.Part) {
	for _, problem := range rig.Problems([]trace.RigPart{p.RigPart}) {
		if problem.Place == 0 {
			env.log.Warn(problem.Text)
		}
	}
}

type partsAddCmd struct {
	dbFlag      `embed:""`
	Name        string `arg:"" help:"The part's name."`
	ratingFlags `embed:""`
}

func (c partsAddCmd) Run(env *surroundings) error {
	p := trace.Part{RigPart: trace.RigPart{Name: c.Name}}
	if err := c.apply(&p); err != nil {
		return err
	}
	return withNewDB(env, c.dbFlag, func(db *store.DB) error {
		p, err := db.Parts().Add(env.ctx, p)
		if err != nil {
			return err
		}
		warnOfPart(env, p)
		_, err = fmt.Fprintf(env.stdout, "added part %d, %s\n", p.ID, p.Name)
		return err
	})
}

type partsEditCmd struct {
	dbFlag      `embed:""`
	Part        string  `arg:"" help:"The part's name or number."`
	Rename      *string `help:"A new name." placeholder:"NAME"`
	ratingFlags `embed:""`
}

func (c partsEditCmd) Run(env *surroundings) error {
	return withDB(env, c.dbFlag, func(db *store.DB) error {
		p, err := onShelf(env, db.Parts(), c.Part)
		if err != nil {
			return err
		}
		if err := c.apply(&p); err != nil {
			return err
		}
		set(&p.Name, c.Rename)
		if p, err = db.Parts().Change(env.ctx, p); err != nil {
			return err
		}
		warnOfPart(env, p)
		_, err = fmt.Fprintf(env.stdout, "part %d, %s, is changed\n", p.ID, p.Name)
		return err
	})
}

type partsRemoveCmd struct {
	dbFlag `embed:""`
	Part   string `arg:"" help:"The part's name or number."`
}

func (c partsRemoveCmd) Run(env *surroundings) error {
	return withDB(env, c.dbFlag, func(db *store.DB) error {
		p, err := onShelf(env, db.Parts(), c.Part)
		if err != nil {
			return err
		}
		if err := db.Parts().Remove(env.ctx, p.ID); err != nil {
			return err
		}
		_, err = fmt.Fprintf(env.stdout, "removed part %d, %s\n", p.ID, p.Name)
		return err
	})
}
