package web

import (
	"errors"
	"math"
	"net/http"
	"net/url"
	"strconv"

	"letthrough/capture/trace"
)

// How many columns are given when none are asked for, and at most.
const (
	defaultColumns = 1200
	mostColumns    = 20000
)

// numbers are written with the digits that read back as the same float64; what is no number, such
// as an over-range reading of which only the sign is known, is null.
type numbers []float64

// MarshalJSON writes the list.
func (ns numbers) MarshalJSON() ([]byte, error) {
	b := make([]byte, 0, 2+12*len(ns))
	b = append(b, '[')
	for i, v := range ns {
		if i > 0 {
			b = append(b, ',')
		}
		if math.IsNaN(v) || math.IsInf(v, 0) {
			b = append(b, "null"...)
		} else {
			b = strconv.AppendFloat(b, v, 'g', -1, 64)
		}
	}
	return append(b, ']'), nil
}

// flagBits writes flags as numbers; a []byte would become base64.
type flagBits []trace.Flags

// MarshalJSON writes the list: 1 over-range, 2 gap before.
func (fs flagBits) MarshalJSON() ([]byte, error) {
	b := append(make([]byte, 0, 2+2*len(fs)), '[')
	for i, f := range fs {
		if i > 0 {
			b = append(b, ',')
		}
		b = strconv.AppendUint(b, uint64(f), 10)
	}
	return append(b, ']'), nil
}

type channelJSON struct {
	trace.Channel
	Unit   string   `json:"unit"`
	Single bool     `json:"single"` // one sample a column
	T      numbers  `json:"t_s"`
	Min    numbers  `json:"min"`
	Max    numbers  `json:"max"`
	Mean   numbers  `json:"mean"`
	Flags  flagBits `json:"flags"`
}

func (s *Server) getSamples(w http.ResponseWriter, r *http.Request) error {
	id, err := idOf(r, "run")
	if err != nil {
		return err
	}
	q, err := query(r, "from_s", "to_s", "columns")
	if err != nil {
		return err
	}
	from, to, n, err := windowAsked(q)
	if err != nil {
		return err
	}
	cols, err := s.store.Columns(r.Context(), id, from, to, n)
	if err != nil {
		return err
	}
	out := struct {
		Run      int64         `json:"run"`
		Channels []channelJSON `json:"channels"`
	}{id, make([]channelJSON, len(cols))}
	for i, c := range cols {
		out.Channels[i] = channelJSON{c.Channel, c.Unit, c.Single, c.T, c.Min, c.Max, c.Mean, c.Flags}
	}
	s.writeJSON(w, r, http.StatusOK, out)
	return nil
}

// seconds reads an instant; NaN where it is left out, which is an open end to the store.
func seconds(q url.Values, name string) (float64, error) {
	text := q.Get(name)
	if text == "" {
		return math.NaN(), nil
	}
	v, err := strconv.ParseFloat(text, 64)
	switch {
	case errors.Is(err, strconv.ErrSyntax):
		return 0, malformed("give seconds from the onset", "%s: %q is no number", name, clip(text))
	case err != nil || math.IsNaN(v) || math.Abs(v) > 1e9:
		return 0, outOfRange("give seconds from the onset", "%s: %s is out of range", name, clip(text))
	}
	return v, nil
}

func columnCount(text string) (int, error) {
	if text == "" {
		return defaultColumns, nil
	}
	n, err := strconv.Atoi(text)
	switch {
	case errors.Is(err, strconv.ErrSyntax):
		return 0, malformed("", "columns: %q is no whole number", clip(text))
	case err != nil || n < 1 || n > mostColumns:
		return 0, outOfRange("", "columns: %s is out of range, allowed is 1 to %d", clip(text), mostColumns)
	}
	return n, nil
}

// windowAsked reads a window of a run, in seconds, and into how many columns at most.
func windowAsked(q url.Values) (from, to float64, columns int, err error) {
	if from, err = seconds(q, "from_s"); err != nil {
		return 0, 0, 0, err
	}
	if to, err = seconds(q, "to_s"); err != nil {
		return 0, 0, 0, err
	}
	if from > to {
		return 0, 0, 0, outOfRange("", "from_s: %g is after to_s: %g", from, to)
	}
	columns, err = columnCount(q.Get("columns"))
	return from, to, columns, err
}
