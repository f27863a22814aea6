package trace

// Warning is something the reader of a derivation should know.
type Warning struct {
	Code string `json:"code"`
	Text string `json:"text"`
}

// Derivation is what was derived from one trace with one set of settings. Times are seconds on the
// time base that ZeroAt names.
type Derivation struct {
	Procedure         Procedure `json:"procedure"`
	Behaviour         Behaviour `json:"behaviour"`
	ApparentBehaviour Behaviour `json:"apparent_behaviour"`
	Recovery          Recovery  `json:"recovery"`
	ZeroAt            string    `json:"zero_at"` // "file" or "onset"
	Marks             []Mark    `json:"marks"`
	Figures           Figures   `json:"figures"`
	Warnings          []Warning `json:"warnings"`
}

// FirstMark finds the first mark of a kind that was not withdrawn.
func (d Derivation) FirstMark(kind MarkKind) (Mark, bool) {
	for _, m := range d.Marks {
		if m.Kind == kind && !m.Withdrawn {
			return m, true
		}
	}
	return Mark{}, false
}

// Shifted moves every mark by dt seconds and names the new zero; figures are durations and stay.
func (d Derivation) Shifted(dt float64, zeroAt string) Derivation {
	marks := make([]Mark, len(d.Marks))
	for i, m := range d.Marks {
		m.T += dt
		marks[i] = m
	}
	d.Marks, d.ZeroAt = marks, zeroAt
	return d
}
