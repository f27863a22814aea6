package web

import (
	"fmt"
	"html/template"
	"math"
	"strings"

	"letthrough/capture/trace"
)

// reportChart is time against current of all units on log-log axes, as the body of an SVG picture. Everything
// in it but the units' names is made here from numbers.
type reportChart struct {
	Body  template.HTML
	Empty bool
}

const (
	chartW, chartH                    = 640.0, 440.0
	plotLeft, plotTop, plotR, plotBot = 60.0, 26.0, 624.0, 392.0
)

type logAxis struct{ from, to, low, high float64 } // values, and where they lie

func (a logAxis) at(v float64) float64 {
	return a.low + (math.Log(v)-math.Log(a.from))/(math.Log(a.to)-math.Log(a.from))*(a.high-a.low)
}

func (a logAxis) within(v float64) bool { return v >= a.from && v <= a.to }

func decade(v float64, up bool) float64 {
	if up {
		return math.Pow10(int(math.Ceil(math.Log10(v) - 1e-9)))
	}
	return math.Pow10(int(math.Floor(math.Log10(v) + 1e-9)))
}

// chartOf draws the points of each unit's short and overload tests, bounds as arrows, the fitted curves and
// what the named loads stand.
func chartOf(units []ReportUnit, passS float64) reportChart {
	least, most, short, long := math.Inf(1), 0.0, math.Inf(1), 0.0
	for _, u := range units {
		if u.Curve == nil {
			continue
		}
		for _, p := range u.Curve.Points {
			least, most = min(least, p.CurrentA), max(most, p.CurrentA)
			short, long = min(short, p.TimeS), max(long, p.TimeS)
		}
	}
	if most == 0 {
		return reportChart{Empty: true}
	}
	x := logAxis{least / 1.6, most * 1.8, plotLeft, plotR}
	y := logAxis{min(decade(short, false), decade(passS, false)), max(decade(long*1.2, true), decade(passS*2, true)), plotBot, plotTop}
	var b strings.Builder
	drawAxes(&b, x, y, passS)
	for i, u := range units {
		if u.Curve != nil {
			drawUnit(&b, x, y, u, i)
		}
	}
	return reportChart{Body: template.HTML(b.String())}
}

func drawAxes(b *strings.Builder, x, y logAxis, passS float64) {
	fmt.Fprintf(b, `<rect class="ground" x="%.1f" y="%.1f" width="%.1f" height="%.1f"/>`, plotLeft, plotTop, plotR-plotLeft, plotBot-plotTop)
	if y.within(passS) {
		fmt.Fprintf(b, `<rect class="zone" x="%.1f" y="%.1f" width="%.1f" height="%.1f"/><path class="rule-line" d="M%.1f %.1fH%.1f"/>`,
			plotLeft, y.at(passS), plotR-plotLeft, plotBot-y.at(passS), plotLeft, y.at(passS), plotR)
		fmt.Fprintf(b, `<text class="say" x="%.1f" y="%.1f" text-anchor="end">asked for: within %s s</text>`, plotR-8, y.at(passS)+16, short3(passS))
	}
	for v := y.from; v <= y.to*1.001; v *= 10 {
		fmt.Fprintf(b, `<path class="hair" d="M%.1f %.1fH%.1f"/><text class="tick" x="%.1f" y="%.1f" text-anchor="end">%s s</text>`, plotLeft, y.at(v), plotR, plotLeft-8, y.at(v)+4, short3(v))
	}
	for d := decade(x.from, false); d <= x.to; d *= 10 {
		for _, m := range []float64{1, 2, 3, 5, 7} {
			if v := m * d; x.within(v) {
				fmt.Fprintf(b, `<path class="hair" d="M%.1f %.1fv5"/><text class="tick" x="%.1f" y="%.1f" text-anchor="middle">%s</text>`, x.at(v), plotBot, x.at(v), plotBot+19, short3(v))
			}
		}
	}
	fmt.Fprintf(b, `<path class="axis" d="M%.1f %.1fV%.1fH%.1f"/><text class="axis-name" x="%.1f" y="%.1f" text-anchor="end">current, A</text><text class="axis-name" x="0" y="12">time to cut-off or trip</text>`,
		plotLeft, plotTop, plotBot, plotR, plotR, chartH-8)
}

func short3(v float64) string { return fmt.Sprintf("%.3g", v) }

func drawUnit(b *strings.Builder, x, y logAxis, u ReportUnit, at int) {
	if len(u.Curve.Fits) > 0 {
		var line strings.Builder
		f := u.Curve.Fits[0]
		for i := range 161 {
			a := x.from * math.Pow(x.to/x.from, float64(i)/160)
			if t := f.Seconds(a); y.within(t) && a <= 1.05*u.Curve.Points[len(u.Curve.Points)-1].CurrentA {
				fmt.Fprintf(&line, "%.1f,%.1f ", x.at(a), y.at(t))
			}
		}
		fmt.Fprintf(b, `<polyline class="fit" points="%s"/>`, strings.TrimSpace(line.String()))
	}
	var lastX, lastY float64
	for _, p := range u.Curve.Points {
		lastX, lastY = x.at(p.CurrentA), y.at(p.TimeS)
		switch p.Bound {
		case trace.AtMost:
			drawArrow(b, lastX, lastY, 1)
		case trace.AtLeast:
			drawArrow(b, lastX, lastY, -1)
		default:
			drawMarker(b, lastX, lastY, at)
		}
	}
	name := u.Unit
	if u.Output != "" {
		name += " " + u.Output
	}
	anchor, dx := "start", 10.0
	if lastX > plotR-90 {
		anchor, dx = "end", -10
	}
	fmt.Fprintf(b, `<text class="say" x="%.1f" y="%.1f" text-anchor="%s">%s</text>`, lastX+dx, lastY+4, anchor, template.HTMLEscapeString(name))
}

// drawArrow is a bar with an arrow: the time is at most (down) or at least (up) that.
func drawArrow(b *strings.Builder, x, y, way float64) {
	fmt.Fprintf(b, `<path class="bar" d="M%.1f %.1fh14"/><path class="dim" d="M%.1f %.1fv%.1f"/><path class="dim-head" d="M%.1f %.1fl-3 %.1fh6z"/>`,
		x-7, y, x, y, way*24, x, y+way*30, -way*6)
}

// drawMarker draws one of six shapes, so that units can be told apart without colour.
func drawMarker(b *strings.Builder, x, y float64, i int) {
	shapes := []string{"M%.1f %.1fm-4.5 0a4.5 4.5 0 1 0 9 0a4.5 4.5 0 1 0 -9 0", "M%.1f %.1fm-4.5 -4.5h9v9h-9z", "M%.1f %.1fm0 -6l6 6l-6 6l-6 -6z",
		"M%.1f %.1fm0 -5.5l5.5 9.5h-11z", "M%.1f %.1fm0 5.5l5.5 -9.5h-11z", "M%.1f %.1fm-5 -1.5h3.5v-3.5h3v3.5h3.5v3h-3.5v3.5h-3v-3.5h-3.5z"}
	class := "pt"
	if i/len(shapes)%2 == 1 {
		class += " pt-open"
	}
	fmt.Fprintf(b, `<path class="%s" d="`+shapes[i%len(shapes)]+`"/>`, class, x, y)
}
