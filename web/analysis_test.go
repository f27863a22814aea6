package web

import (
	"context"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"letthrough/capture/assess"
	"letthrough/capture/trace"
	"letthrough/store"
)

// overloadRun stores an overload test without samples.
func overloadRun(t testing.TB, db *store.DB, unit string, loadA, tripS float64, started time.Time) int64 {
	t.Helper()
	set := trace.Settings{Procedure: trace.Overload, RatedCurrentA: 1.4, HoldS: 600}
	id, err := db.ImportRun(context.Background(), trace.RunStart{Unit: trace.Unit{Name: unit, RatedCurrentA: 1.4, RatedVoltageV: 12}, Settings: set, Started: started},
		func(func(trace.Batch, error) bool) {}, trace.RunEnd{State: trace.RunComplete, Settings: set, Ended: started.Add(time.Minute),
			Derivation: trace.Derivation{Procedure: trace.Overload, Behaviour: trace.Latching, Figures: trace.Figures{
				{Key: "load_current_a", Value: loadA, U: 0.01, Bound: trace.Exact}, {Key: "time_to_trip_s", Value: tripS, U: 0.01, Bound: trace.Exact}}}})
	if err != nil {
		t.Fatal(err)
	}
	return id
}

func TestTheCurveOfAUnitComesOverTheWire(t *testing.T) {
	ts := newTestServer(t)
	for i, a := range []float64{2.4, 2.8, 3.3, 4, 5, 6.5, 8, 10} {
		overloadRun(t, ts.db, "Flint", a, assess.ThermalSeconds(a, 2, 0, 30), time.Date(2026, 3, 1, 18, i, 0, 0, time.UTC))
	}
	var a struct {
		Curves []struct {
			Points []struct{ Run int64 }
			Fits   []struct {
				Model      string
				Parameters []struct {
					Key              string
					Value, Low, High float64
				}
			}
			Withstand []struct {
				Load string
				Say  []string
			}
		}
		Loads  []struct{ Name string }
		Remedy struct{ Cautions []string }
	}
	ts.must(t, "GET", "/api/units/1/assessment", "", &a)
	if len(a.Curves) != 1 || len(a.Curves[0].Points) != 8 || a.Curves[0].Fits[0].Model != "thermal" || math.Abs(a.Curves[0].Fits[0].Parameters[0].Value-2) > 1e-3 {
		t.Fatalf("%+v", a.Curves)
	}
	if len(a.Curves[0].Withstand) != 7 || len(a.Loads) != 7 || len(a.Remedy.Cautions) == 0 {
		t.Errorf("%+v", a)
	}
	for path, want := range map[string]int{"/api/units/9/assessment": 404, "/api/units/1/assessment?criteria=none": 404, "/api/units/1/assessment?unit=2": 400} {
		if status, body, _ := ts.call(t, "GET", path, ""); status != want {
			t.Errorf("%s: %d %s", path, status, body)
		}
	}
}

// storedRun is 1 A for a second with 9 A for one sample: its heat is the integral of straight lines.
func TestARunGoesThroughALoad(t *testing.T) {
	ts := newTestServer(t)
	id := storedRun(t, ts.db, "Tin", 1001)
	ts.must(t, "POST", "/api/loads", `{"name":"Loco","withstand_a2s":10,"time_constant_s":1000,"wire_diameter_mm":0.1,"insulation_class":"B"}`, nil)
	ts.must(t, "POST", "/api/loads", `{"name":"secret"}`, nil)
	var a struct {
		Loads []struct {
			Load, Survived, Say string
			Kept                float64
			Cooled              *float64
			T                   []float64  `json:"t_s"`
			KeptC               []*float64 `json:"kept_trail_c"`
		}
	}
	ts.must(t, "GET", fmt.Sprintf("/api/runs/%d/survival?load=loco", id), "", &a)
	want := (0.998 + 2*0.001*(1+9+81)/3) / 10
	if len(a.Loads) != 1 || a.Loads[0].Survived != "yes" || math.Abs(a.Loads[0].Kept-want) > 1e-9 || a.Loads[0].Cooled == nil || math.Abs(*a.Loads[0].Cooled-want) > 1e-3*want {
		t.Fatalf("%+v, want %v", a.Loads, want)
	}
	l := a.Loads[0]
	if n := len(l.T); n < 300 || n > 410 || math.Abs(l.T[0]+0.5) > 1e-9 || math.Abs(l.T[n-1]-0.5) > 1e-9 || l.KeptC[0] == nil || *l.KeptC[0] != 30 {
		t.Errorf("%d instants from %v to %v", n, l.T[0], l.T[n-1])
	}
	ts.must(t, "GET", fmt.Sprintf("/api/runs/%d/survival", id), "", &a)
	if len(a.Loads) != 8 {
		t.Errorf("%d loads, want the 7 there are to begin with and Loco", len(a.Loads))
	}
	if status, body, _ := ts.call(t, "GET", fmt.Sprintf("/api/runs/%d/survival?load=secret", id), ""); status != 422 || !strings.Contains(string(body), "what secret withstands is not known") {
		t.Errorf("%d %s", status, body)
	}
	for path, want := range map[string]int{"/api/runs/99/survival": 404, fmt.Sprintf("/api/runs/%d/survival?load=nobody", id): 404} {
		if status, body, _ := ts.call(t, "GET", path, ""); status != want {
			t.Errorf("%s: %d %s", path, status, body)
		}
	}
}
