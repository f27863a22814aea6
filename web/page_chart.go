package web

import (
	"encoding/json"
	"fmt"

	"github.com/go-echarts/go-echarts/v2/charts"
	"github.com/go-echarts/go-echarts/v2/opts"
)

// The frame of a chart as go-echarts options: two grids on one time axis, the trace above and the
// phase ribbon below it. Colours are named after the custom properties of the style sheet and read by
// the script, since they change with the colour scheme. Data, ticks and ranges come with the trace.
// Pixels are those of ROOM in static/scripts/frame.js.

const chartLeft, chartRight, chartTop, chartBottom = "48", "4", "24", "68"

// chartOption gives the option object that the chart library is started with.
func chartOption() map[string]any {
	c := charts.NewLine()
	c.SetGlobalOptions(
		charts.WithAnimation(false),
		charts.WithLegendOpts(opts.Legend{Show: opts.Bool(false), Top: "0"}),
		charts.WithTooltipOpts(opts.Tooltip{Show: opts.Bool(false)}),
		charts.WithGridOpts(
			opts.Grid{Left: chartLeft, Right: chartRight, Top: chartTop, Bottom: chartBottom},
			opts.Grid{Left: chartLeft, Right: chartRight, Bottom: "26", Height: "28"},
		),
		charts.WithXAxisOpts(opts.XAxis{
			Type: "value", Min: 0, Max: 1,
			AxisLabel: &opts.AxisLabel{Show: opts.Bool(false)}, AxisTick: &opts.AxisTick{Show: opts.Bool(false)},
			AxisLine: inkLine("var(--ink)", true), SplitLine: noSplit(),
		}),
		charts.WithYAxisOpts(opts.YAxis{
			Type: "value", Min: 0, Max: 1,
			AxisLabel: &opts.AxisLabel{Show: opts.Bool(true), Color: "var(--ink-faint)", FontSize: 12, Margin: 8},
			AxisLine:  inkLine("var(--ink)", false), SplitLine: noSplit(),
		}),
	)
	c.ExtendXAxis(opts.XAxis{
		GridIndex: 1, Type: "value", Min: 0, Max: 1,
		AxisLabel: &opts.AxisLabel{Show: opts.Bool(true), Color: "var(--ink-faint)", FontSize: 12, Margin: 8},
		AxisTick:  &opts.AxisTick{Show: opts.Bool(true), LineStyle: &opts.LineStyle{Color: "var(--rule)"}},
		AxisLine:  inkLine("var(--rule)", false), SplitLine: noSplit(),
	})
	c.ExtendYAxis(opts.YAxis{
		GridIndex: 1, Type: "value", Min: 0, Max: 1, Show: opts.Bool(false),
		AxisLabel: &opts.AxisLabel{Show: opts.Bool(false)}, SplitLine: noSplit(),
	})
	c.AddSeries("phases", nil, charts.WithMarkAreaStyleOpts(opts.MarkAreaStyle{Label: &opts.Label{Show: opts.Bool(false)}}))
	c.AddSeries("references", nil, charts.WithMarkLineStyleOpts(opts.MarkLineStyle{
		Symbol: []string{"none", "none"}, Label: &opts.Label{Show: opts.Bool(false)},
	}))
	ribbon := charts.NewCustom()
	ribbon.AddSeries("ribbon", nil)
	c.Overlap(ribbon)
	c.Validate()
	return settled(c.JSON())
}

// settled says what the option types of go-echarts have no field for, on the JSON they make.
func settled(made map[string]any) map[string]any {
	var option map[string]any
	b, err := json.Marshal(made)
	if err == nil {
		err = json.Unmarshal(b, &option)
	}
	if err != nil { // only a type that JSON does not know, so a slip of ours that every test shows
		panic(fmt.Sprintf("chart option: %v", err))
	}
	delete(option, "toolbox")
	// A tooltip as HTML would need inline styles, which the content security policy refuses.
	option["tooltip"].(map[string]any)["renderMode"] = "richText"
	for _, a := range option["yAxis"].([]any) {
		a.(map[string]any)["axisTick"] = map[string]any{"show": true, "lineStyle": map[string]any{"color": "var(--rule)"}}
	}
	for i, g := range option["grid"].([]any) {
		grid := g.(map[string]any)
		grid["show"] = true
		grid["outerBoundsMode"] = "none" // else a long label moves the grid, and the trace no longer fits it
		grid["backgroundColor"] = []string{"var(--sheet)", "transparent"}[i]
		grid["borderColor"] = []string{"transparent", "var(--rule)"}[i]
	}
	for _, one := range option["series"].([]any) {
		series := one.(map[string]any)
		series["silent"], series["data"] = true, []any{}
		for _, mark := range []string{"markArea", "markLine"} {
			if m, ok := series[mark].(map[string]any); ok {
				m["silent"], m["data"] = true, []any{}
			}
		}
		if series["type"] == "custom" {
			series["xAxisIndex"], series["yAxisIndex"], series["clip"] = 1, 1, true
		}
	}
	return option
}

func inkLine(colour string, onZero bool) *opts.AxisLine {
	return &opts.AxisLine{Show: opts.Bool(true), OnZero: opts.Bool(onZero), LineStyle: &opts.LineStyle{Color: colour, Width: 1}}
}

func noSplit() *opts.SplitLine { return &opts.SplitLine{Show: opts.Bool(false)} }
