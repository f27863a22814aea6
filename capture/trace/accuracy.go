package trace

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
)

// MaxRanges is how many ranges an accuracy may name.
const MaxRanges = 8

// Accuracy is an instrument's own specification, ±(percent of reading + counts of its last digit),
// read as a rectangular distribution. It is one line for every reading, or one for each range.
type Accuracy struct {
	Percent    float64
	Counts     float64
	Resolution float64 // what one count is worth, A or V; 0: not said here
	// Ranges from the smallest full scale on; the first with none ends them. Where there are any they
	// count, and the three numbers above are 0.
	Ranges [MaxRanges]AccuracyRange
}

// AccuracyRange is the specification of one range.
type AccuracyRange struct {
	FullScale  float64 // A or V
	Percent    float64
	Counts     float64
	Resolution float64 // A or V; 0: not said here
}

// At gives the specification that holds for a reading: of the smallest range it fits, of the largest
// where it fits none. The instrument is taken to choose its range by itself.
func (a Accuracy) At(reading float64) AccuracyRange {
	out := AccuracyRange{Percent: a.Percent, Counts: a.Counts, Resolution: a.Resolution}
	for _, r := range a.Ranges {
		if r.FullScale == 0 {
			break
		}
		if out = r; math.Abs(reading) <= r.FullScale {
			break
		}
	}
	return out
}

// String writes the notation that ParseAccuracy reads.
func (a Accuracy) String() string {
	if a.Ranges[0].FullScale == 0 {
		return AccuracyRange{Percent: a.Percent, Counts: a.Counts, Resolution: a.Resolution}.String()
	}
	var parts []string
	for _, r := range a.Ranges {
		if r.FullScale > 0 {
			parts = append(parts, number(r.FullScale)+":"+r.String())
		}
	}
	return strings.Join(parts, ";")
}

func (r AccuracyRange) String() string {
	s := number(r.Percent) + "%+" + number(r.Counts)
	if r.Resolution > 0 {
		s += "@" + number(r.Resolution)
	}
	return s
}

func number(v float64) string { return strconv.FormatFloat(v, 'g', -1, 64) }

// ParseAccuracy reads "0.8%+3", "0.8%" or "±(0.8 % + 3)"; "0.8%+3@0.001" says besides what one count is
// worth; "2A:0.8%+3@0.001;10A:1.2%+5@0.01" is a line for each range, before the colon its full scale.
// Spaces, a leading ± and brackets are allowed, numbers without a unit are A or V. An empty string is
// no specification.
func ParseAccuracy(s string) (Accuracy, error) {
	t := strings.Join(strings.Fields(s), "")
	var a Accuracy
	if t == "" {
		return a, nil
	}
	if !strings.ContainsAny(t, ":;") {
		r, err := parseAccuracyRange(t)
		if err != nil {
			return Accuracy{}, fmt.Errorf("accuracy %q: %w", s, err)
		}
		a.Percent, a.Counts, a.Resolution = r.Percent, r.Counts, r.Resolution
		return a, nil
	}
	ranges, err := parseRanges(t)
	if err != nil {
		return Accuracy{}, fmt.Errorf("accuracy %q: %w", s, err)
	}
	copy(a.Ranges[:], ranges)
	return a, nil
}

func parseRanges(t string) ([]AccuracyRange, error) {
	var ranges []AccuracyRange
	for part := range strings.SplitSeq(strings.TrimSuffix(t, ";"), ";") {
		full, spec, found := strings.Cut(part, ":")
		if !found {
			return nil, fmt.Errorf("%q: want the range's full scale and a colon before it, such as 2A:0.8%%+3@0.001", part)
		}
		fs, err := withUnit(full)
		if err != nil || !(fs > 0) || fs > 1e4 {
			return nil, fmt.Errorf("full scale %q: want A or V above 0, such as 2A or 200mA", full)
		}
		r, err := parseAccuracyRange(spec)
		if err != nil {
			return nil, err
		}
		r.FullScale = fs
		if slices.ContainsFunc(ranges, func(o AccuracyRange) bool { return o.FullScale == fs }) {
			return nil, fmt.Errorf("the range %s is given twice", full)
		}
		ranges = append(ranges, r)
	}
	if len(ranges) > MaxRanges {
		return nil, fmt.Errorf("%d ranges are too many, at most %d", len(ranges), MaxRanges)
	}
	slices.SortFunc(ranges, func(x, y AccuracyRange) int {
		if x.FullScale < y.FullScale {
			return -1
		}
		return 1
	})
	return ranges, nil
}

// parseAccuracyRange reads ±(P%+C)@R without spaces.
func parseAccuracyRange(t string) (r AccuracyRange, err error) {
	spec, count, counted := strings.Cut(t, "@")
	if counted {
		if r.Resolution, err = withUnit(count); err != nil || !(r.Resolution > 0) || r.Resolution > 100 {
			return r, fmt.Errorf("%q after the @: want what one count is worth, such as 0.001 or 1mA", count)
		}
	}
	spec = strings.TrimPrefix(spec, "±")
	if strings.HasPrefix(spec, "(") && strings.HasSuffix(spec, ")") {
		spec = spec[1 : len(spec)-1]
	}
	bad := fmt.Errorf("%q: want percent of reading and counts, such as 0.8%%+3", spec)
	percent, counts, found := strings.Cut(strings.TrimPrefix(spec, "±"), "%")
	if !found {
		return r, bad
	}
	if r.Percent, err = strconv.ParseFloat(percent, 64); err != nil || !(r.Percent >= 0 && r.Percent <= 100) {
		return r, bad
	}
	if counts != "" {
		digits, plus := strings.CutPrefix(counts, "+")
		if r.Counts, err = strconv.ParseFloat(digits, 64); err != nil || !plus || !(r.Counts >= 0 && r.Counts <= 1e6) {
			return r, bad
		}
	}
	return r, nil
}

// withUnit reads a number of A or V, or of mA or mV.
func withUnit(t string) (float64, error) {
	scale := 1.0
	for _, u := range []struct {
		name  string
		scale float64
	}{{"mA", 1e3}, {"mV", 1e3}, {"A", 1}, {"V", 1}} {
		if rest, ok := strings.CutSuffix(t, u.name); ok {
			t, scale = rest, u.scale
			break
		}
	}
	v, err := strconv.ParseFloat(t, 64)
	return v / scale, err
}

// MarshalText writes the notation; no specification is the empty string.
func (a Accuracy) MarshalText() ([]byte, error) {
	if a == (Accuracy{}) {
		return nil, nil
	}
	return []byte(a.String()), nil
}

// UnmarshalText reads the notation.
func (a *Accuracy) UnmarshalText(b []byte) (err error) {
	*a, err = ParseAccuracy(string(b))
	return err
}

// validate holds what a program, not a person, has put together to what ParseAccuracy allows.
func (a Accuracy) validate() error {
	rows := append([]AccuracyRange{{Percent: a.Percent, Counts: a.Counts, Resolution: a.Resolution}}, a.Ranges[:]...)
	for _, r := range rows {
		for _, c := range []struct {
			name  string
			v, hi float64
		}{{"percent", r.Percent, 100}, {"counts", r.Counts, 1e6}, {"resolution", r.Resolution, 100}, {"full scale", r.FullScale, 1e4}} {
			if err := inRange("accuracy "+c.name, c.v, 0, c.hi); err != nil {
				return err
			}
		}
	}
	return nil
}
