package web

import (
	"context"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"letthrough/capture/trace"
)

func TestTheSessionsGrid(t *testing.T) {
	ts := newTestServer(t)
	storedRun(t, ts.db, "Tin", 1000)
	var a struct {
		Units []struct {
			Unit, Next, Say string
			Cells           []struct {
				Procedure, State string
				Done, Wanted     int
			}
		}
	}
	ts.must(t, "GET", "/api/plan?short=2&carry=0", "", &a)
	if len(a.Units) != 1 || a.Units[0].Next != "ramp" || len(a.Units[0].Cells) != 3 || a.Units[0].Cells[0].Done != 1 || a.Units[0].Cells[0].State != "missing" {
		t.Errorf("%+v", a.Units)
	}
	for path, want := range map[string]int{"/api/plan?rest_s=x": 400, "/api/plan?rest_s=-1": 422, "/api/plan?most_a=NaN": 422, "/api/plan?short=many": 422, "/api/plan?unit=1": 400} {
		if status, body, _ := ts.call(t, "GET", path, ""); status != want {
			t.Errorf("%s: %d %s", path, status, body)
		}
	}
}

// A source of 12 V behind 0.5 Ω whose load sinks from 60 Ω to next to nothing within a second, voltage read half
// as often as the current.
func TestTheCharacteristicOfARun(t *testing.T) {
	ts := newTestServer(t)
	amps, volts := trace.Channel{Instrument: "a", Quantity: trace.Current}, trace.Channel{Instrument: "v", Quantity: trace.Voltage}
	var cs, vs []trace.Sample
	for i := range 4000 {
		load := 60 * math.Exp(-float64(i)/700)
		a := 12 / (0.5 + load)
		cs = append(cs, trace.Sample{AtNS: int64(i) * 250_000, Value: a})
		if i%2 == 0 {
			vs = append(vs, trace.Sample{AtNS: int64(i) * 250_000, Value: a * load})
		}
	}
	set := trace.Settings{Procedure: trace.Ramp}
	id, err := ts.db.ImportRun(context.Background(), trace.RunStart{Unit: trace.Unit{Name: "Moss"}, Settings: set, Started: time.Date(2026, 3, 1, 18, 30, 0, 0, time.UTC)},
		func(yield func(trace.Batch, error) bool) {
			_ = yield(trace.Batch{Channel: amps, Samples: cs}, nil) && yield(trace.Batch{Channel: volts, Samples: vs}, nil)
		}, trace.RunEnd{State: trace.RunComplete, Settings: set, EndNS: 1e9, Derivation: trace.Derivation{Procedure: trace.Ramp}})
	if err != nil {
		t.Fatal(err)
	}
	var vi struct {
		Shape     string
		SourceOhm float64 `json:"source_ohm"`
		OpenV     float64 `json:"open_v"`
		Say       []string
	}
	ts.must(t, "GET", fmt.Sprintf("/api/runs/%d/characteristic", id), "", &vi)
	if vi.Shape != "source" || math.Abs(vi.SourceOhm-0.5) > 0.02 || math.Abs(vi.OpenV-12) > 0.05 || len(vi.Say) == 0 {
		t.Errorf("%+v", vi)
	}
	other := storedRun(t, ts.db, "Tin", 1000)
	if status, body, _ := ts.call(t, "GET", fmt.Sprintf("/api/runs/%d/characteristic", other), ""); status != 422 || !strings.Contains(string(body), "has no voltage") {
		t.Errorf("%d %s", status, body)
	}
}
