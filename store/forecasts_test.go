package store_test

import (
	"testing"

	"letthrough/capture/trace"
	"letthrough/store"
)

func TestForecastsGoWithTheirUnit(t *testing.T) {
	db := mustOpen(t)
	u, err := db.CreateUnit(ctx, trace.Unit{Name: "Tin", RatedCurrentA: 1.4})
	if err != nil {
		t.Fatal(err)
	}
	for v := range 2 {
		f, err := db.AddForecast(ctx, store.Forecast{UnitID: u.ID, Loads: []store.ForecastLoad{{A: 0.5, V: 12 + float64(v), UV: 0.1}, {A: 1.5, V: 10}}})
		if err != nil || f.ID == 0 || f.Made.IsZero() {
			t.Fatalf("%+v, %v", f, err)
		}
	}
	all, err := db.Forecasts(ctx, u.ID)
	if err != nil || len(all) != 2 || all[0].Loads[0] != (store.ForecastLoad{A: 0.5, V: 13, UV: 0.1}) {
		t.Fatalf("the newest first: %+v, %v", all, err)
	}
	for _, f := range []store.Forecast{{UnitID: u.ID}, {UnitID: 99, Loads: all[0].Loads}, {UnitID: u.ID, Loads: []store.ForecastLoad{{A: -1}, {}}}} {
		if _, err := db.AddForecast(ctx, f); err == nil {
			t.Errorf("%+v was kept", f)
		}
	}
	if err := db.RemoveForecast(ctx, u.ID, all[0].ID); err != nil {
		t.Error(err)
	}
	if err := db.RemoveForecast(ctx, u.ID, all[0].ID); err == nil {
		t.Error("what is not there was removed")
	}
	if err := db.DeleteUnit(ctx, u.ID); err != nil {
		t.Fatal(err)
	}
	if all, err = db.Forecasts(ctx, u.ID); err != nil || len(all) != 0 {
		t.Errorf("without its unit: %+v, %v", all, err)
	}
}
