package web

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"time"

	"letthrough/capture"
	"letthrough/capture/sim"
	"letthrough/capture/trace"
	"letthrough/capture/words"
)

// Ramps, stairs, overloads and carried loads on the Bench, each armed on the page and played by the
// simulated shelf; what the page then shows is held against what the simulation did.
func TestBrowserShowsEveryProcedure(t *testing.T) {
	b := openSimulated(t, "Slate", 8)
	tb := openTab(t, 1440, 900)
	slate := b.stand.Plugged()
	rated := slate.Plate.RatedCurrentA
	for _, tc := range []struct {
		procedure trace.Procedure
		scenario  sim.Scenario
		level     string // a level named on the trace
		button    string
	}{
		{trace.Ramp, sim.RampTest(0, 0.1, 3*rated, 0.25), "trips at", "Load on"},
		{trace.Steps, sim.StepsTest(0, 10, 0.5*rated, rated, 1.4*rated, 2*rated, 2.6*rated), "carried", "Load on"},
		{trace.Overload, sim.OverloadTest(slate, 0, 2.5, 20, 1), "load", "Load on"},
		{trace.Carry, sim.CarryTest(slate, 0, 20, false), "carried", "Load on"},
	} {
		t.Run(string(tc.procedure), func(t *testing.T) {
			tb.t = t
			tb.call(b.stand.Plug("Slate")) // its latch is set again
			if err := b.stand.Prepare(tc.procedure, tc.scenario.Load, tc.scenario.Stairs); err != nil {
				t.Fatal(err)
			}
			tb.open(b.url)
			tb.until("the Bench to be idle", `globalThis.letthrough?.model.mode === "idle" && letthrough.model.current?.length > 3000`)
			eval[bool](tb, fmt.Sprintf(`(() => {
				const unit = document.querySelector("#unit-choice"), p = document.querySelector("#procedure");
				unit.value = [...unit.options].find((o) => o.text.startsWith("Slate")).value; unit.dispatchEvent(new Event("change"));
				p.value = %q; p.dispatchEvent(new Event("change"));
				if (%q === "carry" || %q === "overload") document.querySelector("#hold").value = "15";
				return true; })()`, tc.procedure, tc.procedure, tc.procedure))
			tb.press("a")
			tb.until("armed", `document.body.dataset.mode === "armed" && letthrough.model.procedure === `+fmt.Sprintf("%q", tc.procedure))
			if got := eval[string](tb, `document.querySelector("#b-short .label").textContent`); got != tc.button {
				t.Errorf("the button says %q, want %q", got, tc.button)
			}
			if err := b.real.DriveContact(true); err != nil {
				t.Fatal(err)
			}
			tb.until("the load to be seen", `document.querySelector("#events [data-kind=onset]")`)
			if tc.procedure == trace.Ramp || tc.procedure == trace.Steps {
				tb.until("the trip", `document.querySelector("#events [data-kind=cut_off], #events [data-kind=limited]")`)
				if to := eval[float64](tb, `letthrough.look.picture.view.to`); to > 100 {
					t.Errorf("the sheet reaches to %.0f s while the load is raised", to)
				}
				tb.call(b.real.End())
			}
			tb.until("the hold to be over", `document.body.dataset.mode === "watching" || document.body.dataset.mode === "after"`)
			tb.until("the run to be complete", `document.body.dataset.mode === "after" && letthrough.model.runState === "complete"`)
			tb.settle()
			tb.shots("procedure-" + string(tc.procedure))
			if got := eval[string](tb, `letthrough.look.picture.levels.map((l) => l.text).join("; ")`); !strings.Contains(got, tc.level) {
				t.Errorf("levels on the trace: %q, want one that says %q", got, tc.level)
			}
			if got := eval[string](tb, `document.querySelector("#under").textContent`); !strings.HasPrefix(got, words.Procedure(tc.procedure)) {
				t.Errorf("the page says %q", got)
			}
			truth := b.stand.Truth()
			if got, want := eval[string](tb, `[...document.querySelectorAll(".behaviour")].find((el) => el.offsetParent).textContent`), words.Behaviour(truth.Behaviour); got != want {
				t.Errorf("the page says %q, the simulation did %q", got, want)
			}
			comparePageFigures(t, tb, truth, 1)
		})
	}
	tb.t = t
	tb.mustBeClean()
}

// Recording without readings: no phase grows where nobody sees, and the first button takes the short off.
func TestBrowserRecordingBlind(t *testing.T) {
	ts := newTestServer(t)
	tb := openTab(t, 1440, 900)
	armTin(ts.bench)
	playTin(ts.bench, 3, 0.5)
	tb.open(ts.url)
	tb.until("the fault", `document.querySelector("#events [data-kind=onset]")`)
	ts.bench.setState(func(s *capture.State) {
		in := s.Instruments[0]
		in.State, in.Say = "unplugged", "unplugged"
		s.Instruments = []capture.InstrumentState{in}
		s.NowAtS = fakeZeroS + 9
	})
	tb.until("the loss", `letthrough.model.nowS > `+fmt.Sprint(fakeZeroS+8.9)+` && !letthrough.model.receives`)
	tb.settle()
	tb.shots("blind")
	if got := eval[float64](tb, `letthrough.look.picture.view.stretches.at(-1).to`); got > 0.6 {
		t.Errorf("a phase is drawn up to %.2f s, the last reading was at 0.50 s", got)
	}
	if got := eval[string](tb, `document.querySelector(".controls .is-first")?.id`); got != "b-removed" {
		t.Errorf("the first button is %q, want b-removed", got)
	}
	if got := eval[string](tb, `document.querySelector("#dock-say").textContent`); !strings.Contains(got, "Nothing is received") {
		t.Errorf("the dock says %q", got)
	}
	tb.mustBeAccessible("Bench, blind")
	tb.mustBeClean()
}

// The question whose the last fall was stands on the Bench too, once, and the figures follow the answer.
func TestBrowserBenchAsksOnceWhoseTheLastFallWas(t *testing.T) {
	b := openSimulated(t, "Moss", 4)
	tb := openTab(t, 1440, 900)
	other := openTab(t, 390, 844)
	tb.open(b.url)
	other.open(b.url)
	tb.until("a quiet stretch", `globalThis.letthrough?.model.current?.length > 4000`)
	moss, err := b.db.UnitByName(context.Background(), "Moss")
	tb.call(err)
	moss.Waveform = trace.DC
	hold := 30.0
	tb.call(b.real.Arm(capture.ArmRequest{Unit: moss, HoldS: &hold}))
	tb.until("armed", `document.body.dataset.mode === "armed"`)
	// A contact that nobody drives or senses: the stand's own, behind the bench's back.
	contact := b.stand.Contact()
	tb.call(contact.Close())
	tb.until("the fault", `document.querySelector("#events [data-kind=onset]") && letthrough.model.nowS - letthrough.model.zeroS > 3`)
	tb.call(contact.Open())
	tb.until("the fall, and some time", `letthrough.model.marksInOrder().some((m) => m.kind === "cut_off" && letthrough.model.nowS - letthrough.model.zeroS - m.t > 2)`)
	tb.call(b.real.End())
	tb.until("the question", `!document.querySelector("#final-fall").hidden`)
	tb.settle()
	tb.shots("bench-asked")
	tb.mustBeAccessible("Bench, asked")
	before := eval[string](tb, `document.querySelector("#figures").textContent`)
	tb.do(focus(`[data-final-fall="opened"]`))
	tb.press("\r")
	tb.until("the answer to be taken", `document.querySelector("#final-fall").hidden`)
	other.until("the other page to follow", `document.querySelector("#final-fall").hidden && letthrough.model.runState === "complete"`)
	after := eval[string](tb, `document.querySelector("#figures").textContent`)
	if after == before {
		t.Errorf("the figures stayed as they were: %s", after)
	}
	if got := eval[string](other, `document.querySelector("#figures").textContent`); got != after {
		t.Errorf("the other page says %q, this one %q", got, after)
	}
	run := eval[int64](tb, `letthrough.model.run`)
	ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
	defer cancel()
	kept, err := b.db.Run(ctx, run)
	tb.call(err)
	if kept.DerivedWith.FinalFall != trace.FallOpened {
		t.Errorf("kept is the answer %q", kept.DerivedWith.FinalFall)
	}
	tb.mustBeClean()
}
