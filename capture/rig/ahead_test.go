package rig_test

import (
	"math"
	"testing"

	"letthrough/capture/rig"
	"letthrough/capture/trace"
)

func TestWhatTheHoldStillNeedsIsWhatItWillUse(t *testing.T) {
	a := math.Sqrt(5 * 1 / 0.1)
	ahead, then := rig.NewGuard([]trace.RigPart{shunt1}, rig.GuardSettings{}), rig.NewGuard([]trace.RigPart{shunt1}, rig.GuardSettings{})
	ahead.Feed(steady(0, 2, 0.01, a))
	then.Feed(steady(0, 4, 0.01, a))
	if got, want := ahead.UsedAfter(2), then.State().Used; math.Abs(got-want) > 1e-6 {
		t.Errorf("after 2 s more %v is used, it is said to be %v", want, got)
	}
	if got := ahead.UsedAfter(0); got != ahead.State().Used {
		t.Errorf("now %v is used, it is said to be %v", ahead.State().Used, got)
	}
	if got := rig.NewGuard(nil, rig.GuardSettings{}).UsedAfter(5); got != 0 {
		t.Errorf("without parts %v", got)
	}
}

func TestFlowsWhileThePartIsWarmed(t *testing.T) {
	g := rig.NewGuard([]trace.RigPart{shunt1}, rig.GuardSettings{})
	g.Feed(steady(0, 1, 0.01, 5))
	if !g.Flows() {
		t.Error("5 A do not flow")
	}
	g.Feed(steady(1.01, 3, 0.01, 0.004))
	if g.Flows() {
		t.Error("4 mA flow")
	}
}

func TestAnotherUnitOnAWarmRigIsCountedByItsOwnCurrent(t *testing.T) {
	g := rig.NewGuard([]trace.RigPart{shunt1}, rig.GuardSettings{ProspectiveA: 3})
	g.Feed(steady(0, 1, 0.01, 5))
	before := g.State().Used
	g.Expect(rig.GuardSettings{ProspectiveA: 20})
	g.Feed([]trace.Sample{{AtNS: trace.NS(1.01), Value: math.Inf(1), Flags: trace.Over}, {AtNS: trace.NS(1.02), Value: math.Inf(1), Flags: trace.Over}})
	// The larger of two 10 ms apart on a chord from 5 A to 20 A, and 10 ms of 20 A.
	want := before + 0.01*((25+100+400)/3.0+400)/(shuntBudget())
	if got := g.State().Used; math.Abs(got-want) > 0.002 {
		t.Errorf("%v is used, want %v", got, want)
	}
}

// shuntBudget is what shunt1 stands before it is used up, A²s: five times its watts for five seconds from cold.
func shuntBudget() float64 { return 1 / 0.1 * -5 / math.Log(1-1.0/5) }
