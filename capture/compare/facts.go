package compare

import (
	"math"
	"slices"

	"letthrough/capture/trace"
	"letthrough/capture/words"
)

// facts are what is told of each run in words.
func (c Comparison) facts() []Fact {
	var out []Fact
	add := func(key, say string, of func(r Run) (value, word string)) {
		f := Fact{Key: key, Say: say}
		for _, r := range c.runs {
			v, w := of(r)
			f.Values, f.Words = append(f.Values, v), append(f.Words, w)
		}
		if slices.ContainsFunc(f.Words, func(w string) bool { return w != "" }) {
			f.Between = words.WhoIsAlike(f.Words, c.Names)
			out = append(out, f)
		}
	}
	add("verdict", "Verdict", func(r Run) (string, string) { return words.Verdict(r.Verdict), r.Verdict })
	add("behaviour", words.WhatItDoes(c.Procedure), func(r Run) (string, string) {
		return words.Behaviour(r.Derivation.Behaviour), string(r.Derivation.Behaviour)
	})
	if slices.ContainsFunc(c.runs, func(r Run) bool {
		return r.Derivation.Recovery != "" && r.Derivation.Recovery != trace.NotTested
	}) {
		add("recovery", "Once the short is gone", func(r Run) (string, string) {
			return words.Recovery(r.Derivation.Recovery), string(r.Derivation.Recovery)
		})
	}
	return out
}

// Band is what several runs of one unit have in common.
type Band struct {
	Unit string    `json:"unit"`
	Runs []int     `json:"runs"` // their places
	Rows []BandRow `json:"rows"`
}

// BandRow is one figure over the runs of a band, of those that are exact. Mean and S (the sample standard
// deviation) are of the values; the spread between runs is not the uncertainty within one.
type BandRow struct {
	Key  string  `json:"key"`
	Say  string  `json:"say"`
	N    int     `json:"n"`
	Min  float64 `json:"min"`
	Mean float64 `json:"mean"`
	Max  float64 `json:"max"`
	S    float64 `json:"s"`
	Left int     `json:"left"` // runs in which the figure is only a bound or has no value
	Text string  `json:"text"`
}

func (c Comparison) bands() []Band {
	out := []Band{}
	for i, r := range c.runs {
		group := []int{}
		for j, o := range c.runs {
			if o.counts() && o.Unit.Name == r.Unit.Name && o.Output == r.Output {
				group = append(group, j)
			}
		}
		if r.Unit.Name == "" || len(group) < 2 || group[0] != i {
			continue
		}
		b := Band{Unit: r.Unit.Name, Runs: group, Rows: []BandRow{}}
		for _, row := range c.Rows {
			if one, ok := bandRow(row, group); ok && row.In == "" {
				b.Rows = append(b.Rows, one)
			}
		}
		out = append(out, b)
	}
	return out
}

func bandRow(row Row, group []int) (BandRow, bool) {
	b := BandRow{Key: row.Key, Say: row.Say, Min: math.Inf(1), Max: math.Inf(-1)}
	var sum, squares float64
	for _, i := range group {
		f := row.figures[i]
		if f.Bound != trace.Exact {
			b.Left++
			continue
		}
		b.N++
		sum += f.Value
		b.Min, b.Max = min(b.Min, f.Value), max(b.Max, f.Value)
	}
	if b.N < 2 {
		return b, false
	}
	b.Mean = sum / float64(b.N)
	for _, i := range group {
		if f := row.figures[i]; f.Bound == trace.Exact {
			squares += (f.Value - b.Mean) * (f.Value - b.Mean)
		}
	}
	b.S = math.Sqrt(squares / float64(b.N-1))
	b.Text = words.Band(row.said(), b.Min, b.Mean, b.Max, b.N, b.Left)
	return b, true
}
