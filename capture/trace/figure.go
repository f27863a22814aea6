package trace

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"slices"
)

// Bound says what a figure's value is worth.
type Bound string

// The bounds. NotResolved and NotApplicable have no value.
const (
	Exact         Bound = "exact"
	AtMost        Bound = "at_most"
	AtLeast       Bound = "at_least"
	NotResolved   Bound = "not_resolved"
	NotApplicable Bound = "not_applicable"
)

// HasValue tells whether a figure with this bound carries a number.
func (b Bound) HasValue() bool { return b == Exact || b == AtMost || b == AtLeast }

// Figure is a derived number with its expanded uncertainty (k about 2, JCGM 100) and bound.
type Figure struct {
	Key   string  // stable name, unit included: time_to_cutoff_s
	Value float64 // meaningful only where Bound.HasValue()
	U     float64 // expanded uncertainty, same unit; that of a bound is for 99 of 100 cases (k about 2.6)
	Bound Bound
	Why   string // why it is a bound, not resolved or not applicable, in words; may be empty
	Text  string // the sentence a person reads, made by package words
	// ByHand: it stands on a mark that a person moved, added or struck afterwards.
	ByHand bool
}

type figureJSON struct {
	Value *float64 `json:"value"`
	U     *float64 `json:"u"`
	Bound Bound    `json:"bound"`
	Text  string   `json:"text"`
	Why   string   `json:"why,omitempty"`
	Hand  bool     `json:"by_hand,omitempty"`
}

// MarshalJSON writes value and u as null where the bound has no value.
func (f Figure) MarshalJSON() ([]byte, error) {
	j := figureJSON{Bound: f.Bound, Text: f.Text, Why: f.Why, Hand: f.ByHand}
	if f.Bound.HasValue() {
		if math.IsNaN(f.Value) || math.IsInf(f.Value, 0) || math.IsNaN(f.U) || math.IsInf(f.U, 0) {
			return nil, fmt.Errorf("figure %s: value %v ± %v is no number", f.Key, f.Value, f.U)
		}
		j.Value, j.U = &f.Value, &f.U
	}
	return json.Marshal(j)
}

// UnmarshalJSON reads what MarshalJSON wrote; the key is set by Figures.
func (f *Figure) UnmarshalJSON(b []byte) error {
	var j figureJSON
	if err := json.Unmarshal(b, &j); err != nil {
		return err
	}
	*f = Figure{Key: f.Key, Bound: j.Bound, Text: j.Text, Why: j.Why, ByHand: j.Hand}
	if j.Value != nil {
		f.Value = *j.Value
	}
	if j.U != nil {
		f.U = *j.U
	}
	return nil
}

// Figures are the figures of one derivation in the order a person reads them. In JSON they are an
// object keyed by figure.
type Figures []Figure

// Get finds a figure by key.
func (fs Figures) Get(key string) (Figure, bool) {
	i := slices.IndexFunc(fs, func(f Figure) bool { return f.Key == key })
	if i < 0 {
		return Figure{}, false
	}
	return fs[i], true
}

// MarshalJSON writes an object whose members keep the reading order.
func (fs Figures) MarshalJSON() ([]byte, error) {
	var b bytes.Buffer
	b.WriteByte('{')
	for i, f := range fs {
		if i > 0 {
			b.WriteByte(',')
		}
		k, _ := json.Marshal(f.Key)
		v, err := json.Marshal(f)
		if err != nil {
			return nil, err
		}
		b.Write(k)
		b.WriteByte(':')
		b.Write(v)
	}
	b.WriteByte('}')
	return b.Bytes(), nil
}

// UnmarshalJSON reads the object, keeping the order of its members.
func (fs *Figures) UnmarshalJSON(b []byte) error {
	dec := json.NewDecoder(bytes.NewReader(b))
	tok, err := dec.Token()
	if err != nil {
		return err
	}
	if tok == nil {
		*fs = nil
		return nil
	}
	if tok != json.Delim('{') {
		return fmt.Errorf("figures: want an object, got %v", tok)
	}
	*fs = Figures{}
	for dec.More() {
		key, err := dec.Token()
		if err != nil {
			return err
		}
		f := Figure{Key: key.(string)}
		if err := dec.Decode(&f); err != nil {
			return fmt.Errorf("figure %s: %w", f.Key, err)
		}
		*fs = append(*fs, f)
	}
	return nil
}
