package store_test

import (
	"encoding/json"
	"errors"
	"strings"
	"testing"

	"letthrough/capture/assess"
	"letthrough/capture/trace"
	"letthrough/store"
)

func TestAFreshDatabaseHasTheHouseSet(t *testing.T) {
	db := mustOpen(t)
	set, err := db.ChosenCriteria(ctx)
	if err != nil || set.Name != assess.HouseName || set.Version != 1 || !set.Chosen || set.Text != assess.HouseText {
		t.Fatalf("%+v, %v", set, err)
	}
	if _, err := assess.Parse(set.Text); err != nil {
		t.Error(err)
	}
}

func TestOneSetIsChosen(t *testing.T) {
	db := mustOpen(t)
	mine, err := db.Criteria().Add(ctx, trace.CriteriaSet{Name: "mine", Text: "x", Chosen: true})
	if err != nil {
		t.Fatal(err)
	}
	if set, err := db.ChosenCriteria(ctx); err != nil || set.Name != "mine" {
		t.Errorf("%+v, %v", set, err)
	}
	if n := count(t, db.Path(), "SELECT count(*) FROM criteria WHERE chosen"); n != 1 {
		t.Errorf("%d are chosen", n)
	}
	house, err := db.Criteria().ByName(ctx, "house")
	if err != nil {
		t.Fatal(err)
	}
	house.Chosen = true
	if house, err = db.Criteria().Change(ctx, house); err != nil || house.Version != 1 {
		t.Errorf("choosing it makes a version: %+v, %v", house, err)
	}
	if set, err := db.ChosenCriteria(ctx); err != nil || set.Name != "house" {
		t.Errorf("%+v, %v", set, err)
	}
	// Without the chosen one the oldest is taken, and without any it is said.
	if err := db.Criteria().Remove(ctx, house.ID); err != nil {
		t.Fatal(err)
	}
	if set, err := db.ChosenCriteria(ctx); err != nil || set.Name != "mine" {
		t.Errorf("%+v, %v", set, err)
	}
	if err := db.Criteria().Remove(ctx, mine.ID); err != nil {
		t.Fatal(err)
	}
	if _, err := db.ChosenCriteria(ctx); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("%v", err)
	}
}

func TestWhatIsNoSetOfCriteriaIsRefusedButTravels(t *testing.T) {
	db := mustOpenAt(t, t.TempDir()+"/a.db", store.Options{CheckCriteria: assess.Check})
	if _, err := db.Criteria().Add(ctx, trace.CriteriaSet{Name: "x", Text: "stops within 1 s"}); !errors.Is(err, store.ErrInvalid) || !strings.Contains(err.Error(), "text: line 1") {
		t.Errorf("%v", err)
	}
	if _, err := db.Criteria().Add(ctx, trace.CriteriaSet{Name: "x", Text: assess.HouseText}); err != nil {
		t.Error(err)
	}
}

func TestVerdictsAreKeptOneAfterTheOther(t *testing.T) {
	db := mustOpen(t)
	u, err := db.CreateUnit(ctx, tin)
	if err != nil {
		t.Fatal(err)
	}
	v := store.Verdict{UnitID: u.ID, Criteria: "house", Version: 1, Verdict: "pass", Basis: json.RawMessage(`{"runs":[]}`), Result: json.RawMessage(`{}`)}
	first, err := db.KeepVerdict(ctx, v, 0)
	if err != nil || first.ID == 0 || first.Made.IsZero() {
		t.Fatal(first, err)
	}
	v.Verdict, v.Changes = "fail", []string{"run 2 counts now"}
	second, err := db.KeepVerdict(ctx, v, first.ID)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := db.KeepVerdict(ctx, v, first.ID); !errors.Is(err, store.ErrState) {
		t.Errorf("kept after one that is not the newest: %v", err)
	}
	all, err := db.Verdicts(ctx, u.ID, "HOUSE")
	if err != nil || len(all) != 2 || all[0].ID != second.ID || all[0].Changes[0] != "run 2 counts now" || string(all[0].Basis) != `{"runs":[]}` || len(all[1].Changes) != 0 {
		t.Errorf("%+v, %v", all, err)
	}
	if other, err := db.Verdicts(ctx, u.ID, "other"); err != nil || len(other) != 0 {
		t.Errorf("%+v, %v", other, err)
	}
	if n := count(t, db.Path(), "SELECT count(*) FROM verdicts_view WHERE unit = 'Tin'"); n != 2 {
		t.Errorf("the view shows %d", n)
	}
}

func TestRemarksStandBesideAVerdict(t *testing.T) {
	db := mustOpen(t)
	u, err := db.CreateUnit(ctx, tin)
	if err != nil {
		t.Fatal(err)
	}
	r, err := db.AddRemark(ctx, store.Remark{UnitID: u.ID, Criterion: "stops", Text: " warm from the one before "})
	if err != nil || r.Text != "warm from the one before" {
		t.Fatal(r, err)
	}
	if all, err := db.Remarks(ctx, u.ID); err != nil || len(all) != 1 || all[0].ID != r.ID || all[0].Criterion != "stops" || !all[0].Made.Equal(r.Made) {
		t.Errorf("%+v, %v", all, err)
	}
	for name, bad := range map[string]store.Remark{"empty": {UnitID: u.ID, Text: " "}, "endless": {UnitID: u.ID, Text: strings.Repeat("x", 5000)}} {
		if _, err := db.AddRemark(ctx, bad); !errors.Is(err, store.ErrInvalid) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, err := db.AddRemark(ctx, store.Remark{UnitID: 99, Text: "x"}); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("of no unit: %v", err)
	}
	if err := db.RemoveRemark(ctx, u.ID+1, r.ID); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("of another unit: %v", err)
	}
	if err := db.RemoveRemark(ctx, u.ID, r.ID); err != nil {
		t.Error(err)
	}
}
