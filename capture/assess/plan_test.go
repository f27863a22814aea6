package assess_test

import (
	"math"
	"strings"
	"testing"

	"letthrough/capture/assess"
	"letthrough/capture/trace"
)

func overload(id int64, a, s float64) assess.Run {
	return assess.Run{ID: id, Procedure: trace.Overload, Behaviour: trace.Latching, State: trace.RunComplete, Figures: trace.Figures{
		figure("load_current_a", a, 0.01, trace.Exact), figure("time_to_trip_s", s, 0.01, trace.Exact)}}
}

func TestWhichTestComesNext(t *testing.T) {
	session := assess.DefaultSession()
	session.NowS = 1e6
	plate := assess.Plate{RatedA: 1.5}
	tests := shelf() // short, ramp, carry
	for name, c := range map[string]struct {
		runs []assess.Run
		next trace.Procedure
	}{
		"nothing done":      {nil, trace.Short},
		"a short":           {tests[:1], trace.Carry},
		"short and ramp":    {tests[:2], trace.Carry},
		"all but overloads": {tests, trace.Overload},
		"one of each":       {append(shelf(), overload(4, 3, 9)), trace.Short},
	} {
		p := assess.PlanFor(session, plate, "", c.runs)
		if p.Next != string(c.next) || p.CoolingS != 0 {
			t.Errorf("%s: %+v, want %s", name, p, c.next)
		}
	}
	// Two more shorts: then the overloads go on.
	runs := append(shelf(), overload(4, 3, 9), shelf()[0], shelf()[0])
	if p := assess.PlanFor(session, plate, "", runs); p.Next != "overload" || p.Cells[0].State != "done" || p.Cells[0].Done != 3 || p.Cells[3].Done != 1 {
		t.Errorf("%+v", p)
	}
}

func TestAUnitRestsBetweenTests(t *testing.T) {
	session := assess.DefaultSession()
	session.NowS = 100
	session.LastedS = func(int64) float64 { return 40 }
	runs := shelf()[:1]
	runs[0].StartedS = 50
	p := assess.PlanFor(session, assess.Plate{RatedA: 1.5}, "", runs)
	if p.CoolingS != 110 || p.Cells[1].State != "cooling" || !strings.Contains(p.Say, "let it rest for 110 s first") {
		t.Errorf("%+v", p)
	}
}

func TestAUnitThatLimitsIsNotAskedForACurve(t *testing.T) {
	session := assess.DefaultSession()
	runs := shelf()
	runs[0].Behaviour = trace.LimitedCurrent
	for _, c := range assess.PlanFor(session, assess.Plate{RatedA: 1.5}, "", runs).Cells {
		if c.Procedure == trace.Overload {
			t.Errorf("%+v", c)
		}
	}
}

func TestTheNextLoadNarrowsTheCurveMost(t *testing.T) {
	plate := assess.Plate{RatedA: 1.5}
	session := assess.Session{MostA: 6}
	// Before there is a curve: the middle of the widest gap from 1.1 x rated to what the rig stands.
	a, _ := assess.NextOverload(session, plate, []assess.Run{overload(1, 5.9, 1)})
	if want := math.Sqrt(1.65 * 5.9); math.Abs(a-want) > 0.01 {
		t.Errorf("%v, want %v", a, want)
	}
	// With one: where it is least certain, which is next to the trip current, where the points are far from.
	var runs []assess.Run
	for i, c := range []float64{3, 3.5, 4, 5, 6} {
		runs = append(runs, overload(int64(i+1), c, assess.ThermalSeconds(c, 2, 0, 30)*(1+0.02*float64(i%2))))
	}
	a, why := assess.NextOverload(session, plate, runs)
	if !(a < 2.5) || !strings.Contains(why, "least certain") {
		t.Errorf("%v A: %s", a, why)
	}
	// Within what the rig stands: a load that takes 30 s to trip may not be asked for.
	session.MostS = 12
	if a, why = assess.NextOverload(session, plate, runs); !(a > 2.9) || assess.ThermalSeconds(a, 2, 0, 30) > 13 {
		t.Errorf("%v A: %s", a, why)
	}
	session.MostS = 0.1
	if a, why = assess.NextOverload(session, plate, runs); a != 0 || !strings.Contains(why, "longer to trip than the rig stands") {
		t.Errorf("%v A: %s", a, why)
	}
	session = assess.Session{MostA: 1}
	if a, why = assess.NextOverload(session, plate, runs); a != 0 || !strings.Contains(why, "no room") {
		t.Errorf("%v A: %s", a, why)
	}
}
