package web

import (
	"fmt"
	"math"
	"testing"

	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"

	"letthrough/capture"
	"letthrough/capture/trace"
)

// Looking nearer at a live trace: with wheel, drag, fingers and keys.

type windowShown struct {
	From, To float64
	Follows  bool
	Chosen   bool
}

func lookOf(tb *tab) windowShown {
	tb.t.Helper()
	tb.settle()
	return eval[windowShown](tb, `(() => { const l = letthrough.look, w = l.acts.shown(); return {From: w.from, To: w.to, Follows: l.lens.follows, Chosen: l.lens.chosen}; })()`)
}

// placeOf gives the point of the window at which a chart shows a time.
func placeOf(tb *tab, chart string, atS float64) (x, y float64) {
	tb.t.Helper()
	p := eval[[]float64](tb, fmt.Sprintf(`(() => { const c = letthrough.look.%s, r = c.host.getBoundingClientRect(); return [r.left + c.frame.scale().x(%g), r.top + 120]; })()`, chart, atS))
	return p[0], p[1]
}

func (tb *tab) call(err error) {
	tb.t.Helper()
	if err != nil {
		tb.t.Fatal(err)
	}
}

func (tb *tab) mouse(kind input.DispatchMouseEventType, x, y float64, change ...func(*input.DispatchMouseEventParams)) {
	tb.t.Helper()
	p := input.DispatchMouseEventParams{Type: kind, X: x, Y: y, Button: input.MouseButtonLeft, ClickCount: 1}
	if kind == input.DispatchMouseEventTypeMouseMoved {
		p.Button = input.MouseButtonNone
	}
	for _, f := range change {
		f(&p)
	}
	_, err := chromedp.Call(tb.ctx, input.DispatchMouseEvent, p)
	tb.call(err)
}

func TestBrowserLooksNearerAtALiveTrace(t *testing.T) {
	ts := newTestServer(t)
	ts.bench.addChannel("shunt", trace.Voltage)
	tb := openTab(t, 1440, 900)
	playTin(ts.bench, 3, 12)
	var volts []capture.Column
	for i := range 17000 {
		at := float64(i)/1000 - 5
		v := float32(12.2)
		if tinCurrent(at) > 1 {
			v = 0.4
		}
		volts = append(volts, capture.Column{AtNS: int64((fakeZeroS + at) * 1e9), Min: v, Max: v})
	}
	ts.bench.addColumns(1, volts...)
	tb.open(ts.url)
	tb.until("the cut-off and the voltage", `document.querySelector("#events [data-kind=cut_off]") && document.querySelector("#lanes canvas") && document.querySelector(".views.has-close")`)
	own := lookOf(tb)
	if own.Chosen {
		t.Fatalf("nothing was chosen yet: %+v", own)
	}

	// A wheel over the close look goes nearer around the pointer.
	x, y := placeOf(tb, "close", 0.9)
	tb.mouse(input.DispatchMouseEventTypeMouseWheel, x, y, func(p *input.DispatchMouseEventParams) {
		p.DeltaX, p.DeltaY, p.Button = 0.01, -300, input.MouseButtonNone
	})
	tb.until("the wheel to go nearer", `letthrough.look.lens.chosen`)
	near := lookOf(tb)
	if near.To-near.From > 0.7*(own.To-own.From) || near.From > 0.9 || near.To < 0.9 {
		t.Errorf("the wheel led from %+v to %+v, want narrower around 0.9 s", own, near)
	}

	// A drag moves it, and the pointer says the value under it.
	tb.mouse(input.DispatchMouseEventTypeMousePressed, x, y)
	tb.mouse(input.DispatchMouseEventTypeMouseMoved, x-60, y, func(p *input.DispatchMouseEventParams) { p.Button = input.MouseButtonLeft })
	tb.mouse(input.DispatchMouseEventTypeMouseReleased, x-60, y)
	moved := lookOf(tb)
	if !(moved.From > near.From+0.01) || math.Abs((moved.To-moved.From)-(near.To-near.From)) > 1e-6 {
		t.Errorf("a drag to the left led from %+v to %+v, want the same width, later", near, moved)
	}
	x, y = placeOf(tb, "close", 0.85)
	tb.mouse(input.DispatchMouseEventTypeMouseMoved, x, y)
	tb.until("the pointer", `Math.abs(letthrough.look.close.pointed - 0.85) < 0.02`)
	if got := eval[float64](tb, `letthrough.look.close.picture.store.around(letthrough.look.close.pointed + letthrough.model.zeroS - 0.001, letthrough.look.close.pointed + letthrough.model.zeroS).max`); math.Abs(got-tinCurrent(0.85)) > 0.05 {
		t.Errorf("under the pointer are %.3f A, want %.3f A", got, tinCurrent(0.85))
	}
	tb.settle()
	tb.shot("look-close")

	// On the whole hold a part is chosen by dragging over it; two fingers do the same as the wheel.
	x1, wy := placeOf(tb, "whole", 3.1)
	x2, _ := placeOf(tb, "whole", 6.2)
	tb.mouse(input.DispatchMouseEventTypeMousePressed, x1, wy)
	tb.mouse(input.DispatchMouseEventTypeMouseMoved, (x1+x2)/2, wy, func(p *input.DispatchMouseEventParams) { p.Button = input.MouseButtonLeft })
	tb.mouse(input.DispatchMouseEventTypeMouseMoved, x2, wy, func(p *input.DispatchMouseEventParams) { p.Button = input.MouseButtonLeft })
	tb.mouse(input.DispatchMouseEventTypeMouseReleased, x2, wy)
	part := lookOf(tb)
	if math.Abs(part.From-3.1) > 0.15 || math.Abs(part.To-6.2) > 0.15 {
		t.Errorf("chosen was 3.1 to 6.2 s, shown is %+v", part)
	}
	tb.settle()
	tb.shots("look-part")
	x, y = placeOf(tb, "close", 4)
	pinch(tb, x, y, 40, 160)
	pinched := lookOf(tb)
	if pinched.To-pinched.From > 0.6*(part.To-part.From) {
		t.Errorf("two fingers led from %+v to %+v, want much nearer", part, pinched)
	}

	// Keys: all again, follow, hold still, logarithmic time, the pointer reading by reading.
	tb.press("w")
	if got := lookOf(tb); got.Chosen {
		t.Errorf("W led to %+v, want the page's own choice", got)
	}
	tb.press("f")
	before := lookOf(tb)
	if !before.Follows || before.To < 12 {
		t.Errorf("F led to %+v, want to follow the newest", before)
	}
	playTin(ts.bench, 3, 14)
	tb.until("the look to follow", fmt.Sprintf(`letthrough.look.acts.shown().to > %g`, before.To+1))
	tb.press("f")
	still := lookOf(tb)
	playTin(ts.bench, 3, 15)
	tb.until("more readings", `letthrough.model.nowS - letthrough.model.zeroS > 14.9`)
	if got := lookOf(tb); got.Follows || got.To != still.To {
		t.Errorf("held still at %+v it moved to %+v", still, got)
	}
	tb.press("w")
	tb.press("t")
	tb.until("logarithmic time", `letthrough.look.whole.shownView.log && !document.querySelector(".views.has-close")`)
	decade := eval[float64](tb, `(() => { const s = letthrough.look.whole.frame.scale(); return (s.x(10) - s.x(1)) / (s.x(1) - s.x(0.1)); })()`)
	if math.Abs(decade-1) > 0.01 {
		t.Errorf("a decade of time is %.3f of its neighbour's width", decade)
	}
	tb.press(".")
	tb.until("a reading to be said", `document.querySelector("#speak").textContent.includes("amperes")`)
	tb.settle()
	tb.shots("look-log")
	tb.mustBeAccessible("Bench, looked at nearer")

	// The voltage stands under the current, in volts.
	if got := eval[string](tb, `(() => { const l = [...letthrough.look.lanes.values()][0].chart.picture; return l.name + " " + l.view.unit + " " + (l.view.top >= 12.2); })()`); got != "Voltage V true" {
		t.Errorf("the lane shows %q", got)
	}
	tb.mustBeClean()
}

// pinch spreads two fingers around a point.
func pinch(tb *tab, x, y, from, to float64) {
	tb.t.Helper()
	touch := func(kind input.DispatchTouchEventType, apart float64) {
		var points []*input.TouchPoint
		if kind != input.DispatchTouchEventTypeTouchEnd {
			points = []*input.TouchPoint{{X: x - apart/2, Y: y, ID: new(1.0)}, {X: x + apart/2, Y: y, ID: new(2.0)}}
		}
		_, err := chromedp.Call(tb.ctx, input.DispatchTouchEvent, input.DispatchTouchEventParams{Type: kind, TouchPoints: points})
		tb.call(err)
	}
	touch(input.DispatchTouchEventTypeTouchStart, from)
	for apart := from; apart <= to; apart += 20 {
		touch(input.DispatchTouchEventTypeTouchMove, apart)
	}
	touch(input.DispatchTouchEventTypeTouchEnd, 0)
}

// TestBrowserShowsAPeakOfOneSample looks for the ink of a single high reading at every zoom.
func TestBrowserShowsAPeakOfOneSample(t *testing.T) {
	ts := newTestServer(t)
	tb := openTab(t, 1440, 900)
	playTin(ts.bench, 3, 25)
	// One reading of 9 A, a while after the cut-off.
	ts.bench.addColumns(0, capture.Column{AtNS: int64((fakeZeroS + 25.0005) * 1e9), Min: 9, Max: 9}, capture.Column{AtNS: int64((fakeZeroS + 25.0015) * 1e9)})
	tb.open(ts.url)
	tb.until("the peak to be received", `globalThis.letthrough?.model.current?.extremes(-1e9, 1e9)?.max === 9`)
	const ink = `(() => {
		const l = letthrough.look, c = l.near && l.near.to > 25.01 ? l.close : letthrough.look.whole, canvas = c.canvas, dots = canvas.width / canvas.clientWidth;
		const s = c.frame.scale(), x = s.x(25.0005), y = s.y(7.5);
		const row = canvas.getContext("2d").getImageData(Math.round((x - 3) * dots), Math.round(y * dots), Math.round(6 * dots), 1).data;
		let most = 0; for (let i = 3; i < row.length; i += 4) most = Math.max(most, row[i]);
		return most;
	})()`
	for _, half := range []float64{0, 10, 1, 0.1, 0.02} {
		eval[bool](tb, fmt.Sprintf(`(() => { const l = letthrough.look; %g ? l.lens.select(25 - %g, 25 + %g, l.acts.limits()) : l.lens.whole(); l.again(); return true; })()`, half, half, half))
		tb.settle()
		if got := eval[float64](tb, ink); got < 120 {
			t.Errorf("within ± %g s the peak has ink of %.0f of 255", half, got)
		}
	}
	eval[bool](tb, `letthrough.look.lens.whole(), letthrough.look.lens.log = true, letthrough.look.again(), true`)
	tb.settle()
	if got := eval[float64](tb, ink); got < 120 {
		t.Errorf("on logarithmic time the peak has ink of %.0f of 255", got)
	}
	tb.mustBeClean()
}
