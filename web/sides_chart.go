package web

import (
	"encoding/json"
	"fmt"
	"strconv"

	"github.com/go-echarts/go-echarts/v2/charts"
	"github.com/go-echarts/go-echarts/v2/opts"
)

// The charts of Side by side as one go-echarts option object: a grid for every panel and every ribbon, so
// that one picture holds all of it and the pointer is on all of them at once. Where things stand depends on
// the width of the page and is set by static/scripts/sidelayout.js; data and ranges come with the traces.

// sidePanel is one grid of the chart.
type sidePanel struct {
	Kind string `json:"kind"` // close, whole, ribbon
	Runs []int  `json:"runs"`
}

// How traces lie to each other.
const (
	viewOver   = "over"   // over each other
	viewStack  = "stack"  // one above another
	viewBeside = "beside" // beside each other
)

// sidePanels lists the grids of a chart of n runs.
func sidePanels(n int, view string) []sidePanel {
	all := make([]int, n)
	for i := range all {
		all[i] = i
	}
	var out []sidePanel
	if view == viewOver {
		out = append(out, sidePanel{"close", all}, sidePanel{"whole", all})
		for i := range n {
			out = append(out, sidePanel{"ribbon", []int{i}})
		}
		return out
	}
	for i := range n {
		out = append(out, sidePanel{"close", []int{i}}, sidePanel{"whole", []int{i}}, sidePanel{"ribbon", []int{i}})
	}
	return out
}

// sidesOption gives the option object for these panels; names are those of the runs, bands how many bands
// of runs of one unit there are.
func sidesOption(panels []sidePanel, names []string, bands int) map[string]any {
	c := charts.NewLine()
	var grids []opts.Grid
	var xs []opts.XAxis
	var ys []opts.YAxis
	for i, p := range panels {
		grids = append(grids, opts.Grid{Left: "48", Top: "24", Height: "100"})
		labelled := opts.Bool(true)
		xs = append(xs, opts.XAxis{GridIndex: i, Type: "value", Min: 0, Max: 1,
			AxisLabel: &opts.AxisLabel{Show: labelled, Color: "var(--ink-faint)", FontSize: 12, Margin: 8},
			AxisTick:  &opts.AxisTick{Show: opts.Bool(true), LineStyle: &opts.LineStyle{Color: "var(--rule)"}},
			AxisLine:  inkLine(map[bool]string{true: "var(--rule)", false: "var(--ink)"}[p.Kind == "ribbon"], p.Kind != "ribbon"), SplitLine: noSplit()})
		ys = append(ys, opts.YAxis{GridIndex: i, Type: "value", Min: 0, Max: 1, Show: opts.Bool(p.Kind != "ribbon"),
			AxisLabel: &opts.AxisLabel{Show: labelled, Color: "var(--ink-faint)", FontSize: 12, Margin: 8},
			AxisLine:  inkLine("var(--ink)", false), SplitLine: noSplit()})
	}
	c.SetGlobalOptions(
		charts.WithAnimation(false),
		charts.WithLegendOpts(opts.Legend{Show: opts.Bool(false), Top: "0"}),
		charts.WithTooltipOpts(opts.Tooltip{Show: opts.Bool(true), Trigger: "axis", AxisPointer: &opts.AxisPointer{Type: "line"}}),
		charts.WithGridOpts(grids...),
		charts.WithXAxisOpts(xs[0]),
		charts.WithYAxisOpts(ys[0]),
	)
	c.ExtendXAxis(xs[1:]...)
	c.ExtendYAxis(ys[1:]...)
	var ids []string
	line := func(id, name string, grid int) {
		c.AddSeries(name, nil, charts.WithLineChartOpts(opts.LineChart{XAxisIndex: grid, YAxisIndex: grid, Symbol: "circle", ShowSymbol: opts.Bool(false)}))
		ids = append(ids, id)
	}
	shapes := charts.NewCustom()
	var shapeIDs []string
	var shapeGrids []int
	shape := func(id string, grid int) {
		shapes.AddSeries(id, nil)
		shapeIDs, shapeGrids = append(shapeIDs, id), append(shapeGrids, grid)
	}
	for i, p := range panels {
		at := strconv.Itoa(i)
		if p.Kind == "ribbon" {
			shape("ribbon"+at, i)
			continue
		}
		line("marks"+at, "marks", i)
		for b := range bands {
			shape(fmt.Sprintf("band%d-%d", i, b), i)
		}
		for _, r := range p.Runs {
			shape(fmt.Sprintf("tone%d-%d", i, r), i)
			line(fmt.Sprintf("trace%d-%d", i, r), names[r], i)
		}
	}
	c.Overlap(shapes)
	c.Validate()
	return sidesSettled(c.JSON(), panels, append(ids, shapeIDs...), shapeGrids)
}

// sidesSettled says what the option types of go-echarts have no field for.
func sidesSettled(made map[string]any, panels []sidePanel, ids []string, shapeGrids []int) map[string]any {
	var option map[string]any
	b, err := json.Marshal(made)
	if err == nil {
		err = json.Unmarshal(b, &option)
	}
	if err != nil { // only a type that JSON does not know, so a slip of ours that every test shows
		panic(fmt.Sprintf("chart option: %v", err))
	}
	delete(option, "toolbox")
	tooltip := option["tooltip"].(map[string]any)
	// A tooltip as HTML would need inline styles, which the content security policy refuses.
	tooltip["renderMode"], tooltip["confine"], tooltip["transitionDuration"] = "richText", true, 0
	tooltip["backgroundColor"], tooltip["borderColor"], tooltip["borderWidth"] = "var(--sheet)", "var(--rule-strong)", 1
	tooltip["textStyle"] = map[string]any{"color": "var(--ink)", "fontSize": 13}
	option["axisPointer"] = map[string]any{
		"link":      []any{map[string]any{"xAxisIndex": "all"}},
		"lineStyle": map[string]any{"color": "var(--ink-soft)", "type": "solid"},
		"label":     map[string]any{"show": false},
	}
	for i, g := range option["grid"].([]any) {
		grid := g.(map[string]any)
		ribbon := panels[i].Kind == "ribbon"
		grid["show"], grid["outerBoundsMode"] = true, "none"
		grid["backgroundColor"] = map[bool]string{true: "transparent", false: "var(--sheet)"}[ribbon]
		grid["borderColor"] = map[bool]string{true: "var(--rule)", false: "transparent"}[ribbon]
		option["yAxis"].([]any)[i].(map[string]any)["axisTick"] = map[string]any{"show": true, "lineStyle": map[string]any{"color": "var(--rule)"}}
	}
	lines := len(ids) - len(shapeGrids)
	for i, one := range option["series"].([]any) {
		series := one.(map[string]any)
		series["id"], series["silent"], series["data"] = ids[i], true, []any{}
		if i >= lines {
			series["xAxisIndex"], series["yAxisIndex"], series["clip"] = shapeGrids[i-lines], shapeGrids[i-lines], true
			series["tooltip"] = map[string]any{"show": false}
			continue
		}
		series["connectNulls"], series["lineStyle"] = false, map[string]any{"width": 1.75, "join": "round"}
		series["z"] = 3
		for _, mark := range []string{"markArea", "markLine"} {
			series[mark] = map[string]any{"silent": true, "data": []any{}, "animation": false}
		}
		series["markLine"].(map[string]any)["symbol"] = []string{"none", "none"}
	}
	return option
}
