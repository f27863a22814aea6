package web

import (
	"context"
	"fmt"
	"iter"
	"math"
	"net/http"

	"letthrough/capture/assess"
	"letthrough/capture/trace"
	"letthrough/store"
)

// UnitAnalysis is what the runs of a unit say beside the verdict.
type UnitAnalysis struct {
	UnitID  int64           `json:"unit_id"`
	Unit    string          `json:"unit"`
	Repeats []assess.Repeat `json:"repeats"`
	Wear    []assess.Wear   `json:"before_after"`
	Curves  []UnitCurve     `json:"curves"`
	Bands   []assess.Band   `json:"unnoticed"`
	Remedy  RemedyAnswer    `json:"remedy"`
	Loads   []*assess.Load  `json:"loads"` // with what is worked out of them
}

// UnitCurve is a time-current characteristic with what the loads stand beside it.
type UnitCurve struct {
	assess.Curve
	Withstand []assess.Withstand `json:"withstand"`
}

// RemedyAnswer is which protectors were tried, for which limits, with the cautions.
type RemedyAnswer struct {
	PassS    float64         `json:"pass_s"`
	CautionS float64         `json:"caution_s"`
	Tried    []assess.Remedy `json:"tried"`
	Cautions []string        `json:"cautions"`
}

// AnalyseUnit looks at all runs of a unit together.
func AnalyseUnit(ctx context.Context, st AssessStore, unit trace.Unit, rules Rules) (UnitAnalysis, error) {
	a := UnitAnalysis{UnitID: unit.ID, Unit: unit.Name, Curves: []UnitCurve{}, Loads: []*assess.Load{}}
	runs, err := runsOf(ctx, st, unit.ID)
	if err != nil {
		return a, err
	}
	plate, err := plateOf(ctx, st, unit)
	if err != nil {
		return a, err
	}
	if a.Loads, err = knownLoads(ctx, st); err != nil {
		return a, err
	}
	a.Repeats, a.Wear = assess.Repeats(runs), assess.BeforeAfter(runs)
	for _, c := range assess.Curves(runs) {
		a.Curves = append(a.Curves, besideLoads(unit.Name, c, a.Loads))
	}
	a.Bands = assess.Unnoticed(unit.Name, unit.RatedVoltageV, plate, a.Loads, runs)
	pass, caution := rules.Set.StopLimits()
	a.Remedy = RemedyAnswer{pass, caution, orNone(assess.Remedies(plate, runs, pass, caution)), assess.RemedyCautions}
	return a, nil
}

// knownLoads are all loads with what can be worked out of them.
func knownLoads(ctx context.Context, st AssessStore) ([]*assess.Load, error) {
	all, err := st.Loads().All(ctx)
	out := []*assess.Load{}
	for _, l := range all {
		out = append(out, assess.Known(l))
	}
	return out, err
}

func besideLoads(unit string, c assess.Curve, loads []*assess.Load) UnitCurve {
	u := UnitCurve{Curve: c, Withstand: []assess.Withstand{}}
	from, to := c.Points[0].CurrentA/2, c.Points[len(c.Points)-1].CurrentA*2
	for _, l := range loads {
		if w, ok := assess.WithstandBeside(l, from, to); ok {
			w.Say = orNone(assess.Crossings(l, unit, c))
			u.Withstand = append(u.Withstand, w)
		}
	}
	return u
}

func (s *Server) getAnalysis(w http.ResponseWriter, r *http.Request) error {
	unit, rules, err := s.unitAndRules(r)
	if err != nil {
		return err
	}
	a, err := AnalyseUnit(r.Context(), s.store, unit, rules)
	if err != nil {
		return err
	}
	s.writeJSON(w, r, http.StatusOK, a)
	return nil
}

// SurvivalStore is what running a recorded current through loads needs of the store.
type SurvivalStore interface {
	Run(ctx context.Context, id int64) (store.Run, error)
	Samples(ctx context.Context, id int64, ch trace.Channel) iter.Seq2[[]trace.Sample, error]
	Loads() *store.Shelf[trace.Load]
}

// Survived is what one recorded current would have done to one load, with the load's temperature along it.
type Survived struct {
	assess.Outcome
	T       []float64  `json:"t_s"`
	KeptC   []*float64 `json:"kept_trail_c"`   // null: not known
	CooledC []*float64 `json:"cooled_trail_c"` //
}

// trailPoints is into how many instants the temperature along a run is cut.
const trailPoints = 400

// Survive runs a recorded current through every load that is known well enough, or through one.
func Survive(ctx context.Context, st SurvivalStore, id int64, load string) ([]Survived, error) {
	run, err := st.Run(ctx, id)
	if err != nil {
		return nil, err
	}
	ch, info, ok := figuresChannel(run)
	if !ok {
		return nil, outOfRange("", "run %d has no current", id)
	}
	var loads []trace.Load
	if load != "" {
		l, err := st.Loads().ByName(ctx, load)
		if err != nil {
			return nil, err
		}
		loads = []trace.Load{l}
	} else if loads, err = st.Loads().All(ctx); err != nil {
		return nil, err
	}
	var walks []*assess.Survival
	every := (info.ToS - info.FromS) / trailPoints
	for _, l := range loads {
		if k := assess.Known(l); k.WithstandA2s > 0 {
			walks = append(walks, assess.Through(k, every))
		} else if load != "" {
			return nil, outOfRange("enter it, or its wire's diameter and insulation class", "what %s withstands is not known", l.Name)
		}
	}
	for samples, err := range st.Samples(ctx, id, ch) {
		if err != nil {
			return nil, err
		}
		for _, w := range walks {
			w.Add(samples, run.ZeroS)
		}
	}
	out := []Survived{}
	for _, w := range walks {
		out = append(out, survivedOf(w.Done()))
	}
	return out, nil
}

func survivedOf(o assess.Outcome) Survived {
	s := Survived{Outcome: o, T: []float64{}, KeptC: []*float64{}, CooledC: []*float64{}}
	known := func(v float64) *float64 {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return nil
		}
		return &v
	}
	for _, m := range o.Trail {
		s.T = append(s.T, m.T)
		s.KeptC, s.CooledC = append(s.KeptC, known(m.KeptC)), append(s.CooledC, known(m.CooledC))
	}
	return s
}

// figuresChannel finds the channel that the figures of a run are of.
func figuresChannel(run store.Run) (trace.Channel, store.ChannelInfo, bool) {
	for _, c := range run.Channels {
		if c.Quantity == trace.Current && c.Samples > 0 && (run.DerivedWith.CurrentFrom == "" || c.Instrument == run.DerivedWith.CurrentFrom) {
			return c.Channel, c, true
		}
	}
	return trace.Channel{}, store.ChannelInfo{}, false
}

func (s *Server) getSurvival(w http.ResponseWriter, r *http.Request) error {
	id, err := idOf(r, "run")
	if err != nil {
		return err
	}
	q, err := query(r, "load")
	if err != nil {
		return err
	}
	done, err := s.oneDeriving(r) // it reads the whole run, as a derivation does
	if err != nil {
		return err
	}
	defer done()
	out, err := Survive(r.Context(), s.store, id, q.Get("load"))
	if err != nil {
		return err
	}
	s.writeJSON(w, r, http.StatusOK, map[string]any{"run": id, "loads": out,
		"say": fmt.Sprintf("the whole recorded current through each load, from %g °C", assess.StartC)})
	return nil
}
