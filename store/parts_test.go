package store_test

import (
	"reflect"
	"strings"
	"testing"

	"letthrough/capture/trace"
)

// filled gives a part in which no field is zero, so that a column which is forgotten shows.
func filled(t *testing.T) trace.RigPart {
	t.Helper()
	var p trace.RigPart
	v := reflect.ValueOf(&p).Elem()
	for i := range v.NumField() {
		switch f := v.Field(i); f.Kind() {
		case reflect.Float64:
			f.SetFloat(2 + float64(i)/8)
		case reflect.String:
			f.SetString("text")
		default:
			t.Fatalf("%s is of a kind that the test does not know", v.Type().Field(i).Name)
		}
	}
	p.Kind, p.Name, p.Insulation, p.FuseSheet, p.StartC, p.EndC = "fuse", "F 2", "PVC", "60127-2/2", 20, 160
	return p
}

func TestPartsKeepEveryRating(t *testing.T) {
	db := mustOpen(t)
	p, err := db.Parts().Add(ctx, trace.Part{RigPart: filled(t), Count: 3, Price: 0.4})
	if err != nil || p.ID == 0 {
		t.Fatal(p, err)
	}
	if got, err := db.Parts().ByName(ctx, "f 2"); err != nil || got != p {
		t.Errorf("%+v, %v, want %+v", got, err, p)
	}
	r, err := db.Rigs().Add(ctx, trace.Rig{Name: "bench", Parts: []trace.RigPart{p.RigPart, {Kind: "contact"}}})
	if err != nil {
		t.Fatal(err)
	}
	if got, err := db.Rigs().Find(ctx, r.ID); err != nil || len(got.Parts) != 2 || got.Parts[0] != p.RigPart {
		t.Errorf("%+v, %v, want %+v", got, err, p.RigPart)
	}
	p.Count, p.RatedA = 2, 2.5
	if got, err := db.Parts().Change(ctx, p); err != nil || got != p {
		t.Errorf("%+v, %v", got, err)
	}
	for name, c := range map[string]struct {
		change func(*trace.Part)
		text   string
	}{
		"no name":        {func(p *trace.Part) { p.Name = "" }, "name: a part needs a name"},
		"negative price": {func(p *trace.Part) { p.Price = -1 }, "price: -1 is out of range"},
		"negative watts": {func(p *trace.Part) { p.RatedW = -1 }, "rated_w: -1 is out of range"},
		"negative count": {func(p *trace.Part) { p.Count = -1 }, "count: -1 is out of range"},
		"taken name":     {func(p *trace.Part) { p.ID = 0 }, `there is a part "F 2" already`},
	} {
		bad := p
		c.change(&bad)
		if _, err := db.Parts().Add(ctx, bad); err == nil || !strings.Contains(err.Error(), c.text) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if err := db.Parts().Remove(ctx, p.ID); err != nil {
		t.Fatal(err)
	}
	if got, err := db.Rigs().Find(ctx, r.ID); err != nil || got.Parts[0].RatedA == 0 {
		t.Errorf("the rig keeps its own copy: %+v, %v", got, err)
	}
}

// A run keeps its rig as it was, whatever becomes of the one on the shelf, and takes it along.
func TestRunKeepsItsRigAsItWas(t *testing.T) {
	db, to := mustOpen(t), mustOpen(t)
	r, err := db.Rigs().Add(ctx, benchRig())
	if err != nil {
		t.Fatal(err)
	}
	start := startOf(tin)
	start.Rig = "Bench a"
	id := record(t, db, start, endOf(trace.Latching), trace.Batch{Channel: shuntCurrent, Samples: wave(10, 0, 1e6, 1)})
	r.Parts[1].RatedA = 1
	if _, err := db.Rigs().Change(ctx, r); err != nil {
		t.Fatal(err)
	}
	want := benchRig()
	if run := mustRun(t, db, id); run.Built == nil || !reflect.DeepEqual(*run.Built, want) {
		t.Errorf("kept %+v, want %+v", run.Built, want)
	}
	if err := db.Rigs().Remove(ctx, r.ID); err != nil {
		t.Fatal(err)
	}
	rec, err := db.Recording(ctx, id)
	if err != nil || rec.Built == nil || !reflect.DeepEqual(*rec.Built, want) {
		t.Errorf("taken along %+v, %v", rec.Built, err)
	}
	done, err := to.ImportRecordings(ctx, func(yield func(trace.Recording, error) bool) { yield(rec, nil) })
	if err != nil {
		t.Fatal(err)
	}
	if run := mustRun(t, to, done[0].ID); run.Built == nil || !reflect.DeepEqual(run.Built.Parts, want.Parts) || run.Rig != run.Built.Name {
		t.Errorf("there %+v of %q", run.Built, run.Rig)
	}
	// What the bench brings along counts before the shelf.
	start.Rig, start.Built = "other", &trace.Rig{Name: "other", Parts: []trace.RigPart{{Kind: "fuse", RatedA: 3}}}
	id = record(t, db, start, endOf(trace.Latching), trace.Batch{Channel: shuntCurrent, Samples: wave(10, 0, 1e6, 1)})
	if run := mustRun(t, db, id); run.Built == nil || run.Built.Parts[0].RatedA != 3 {
		t.Errorf("brought along %+v", run.Built)
	}
	start.Rig, start.Built = "", nil
	id = record(t, db, start, endOf(trace.Latching), trace.Batch{Channel: shuntCurrent, Samples: wave(10, 0, 1e6, 1)})
	if run := mustRun(t, db, id); run.Built != nil {
		t.Errorf("without a rig %+v", run.Built)
	}
}
