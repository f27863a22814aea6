package trace

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"time"
)

// MarkEdit is what a person says of a mark afterwards: added (no WasTS), moved, or struck (no TS).
type MarkEdit struct {
	ID        int64      `json:"id,omitempty"` // its number where it is stored, to take it back by
	Made      time.Time  `json:"made"`
	Kind      MarkKind   `json:"kind"`
	WasTS     *float64   `json:"was_t_s"` // seconds on the time base that the holder states
	TS        *float64   `json:"t_s"`
	US        *float64   `json:"u_s,omitempty"` // expanded uncertainty of TS, s; nil: HandU
	Reason    string     `json:"reason"`
	TakenBack *time.Time `json:"taken_back,omitempty"` // a person no longer says so
}

// Shifted moves the times of an edit by dt seconds.
func (e MarkEdit) Shifted(dt float64) MarkEdit {
	for _, t := range []**float64{&e.WasTS, &e.TS} {
		if *t != nil {
			v := **t + dt
			*t = &v
		}
	}
	return e
}

// U is the expanded uncertainty of where a person put the mark, s.
func (e MarkEdit) U() float64 {
	if e.US != nil {
		return *e.US
	}
	return HandU
}

// maxMarkU bounds the uncertainty that a person may give a mark, s.
const maxMarkU = 60

// Validate says what is wrong with an edit in one sentence, or nil.
func (e MarkEdit) Validate() error {
	if e.TS == nil && e.WasTS == nil {
		return fmt.Errorf("t_s: say when the mark is, in seconds from the onset")
	}
	for _, t := range []*float64{e.TS, e.WasTS} {
		if t != nil && !(math.Abs(*t) <= 1e9) {
			return fmt.Errorf("t_s: %g s is out of range, allowed is up to 1e9 s either way", *t)
		}
	}
	if e.US != nil {
		return inRange("u_s", *e.US, 0, maxMarkU)
	}
	return nil
}

// FromOutside tells the marks that a detector is told of from those that it finds itself.
func (k MarkKind) FromOutside() bool { return k == Applied || k == Removed || k == Note }

// SameEdit is how far apart two times of an edit may be that mean the same mark, s: what adding and
// subtracting a run's zero does to them.
const SameEdit = 1e-6

// NetEdits is what several edits of the detector's own marks come to, without those of marks from outside
// and those taken back: a mark moved twice is moved once, one added and struck again was never there.
// Each WasTS is where the detector itself puts the mark.
func NetEdits(edits []MarkEdit) []MarkEdit {
	net := []MarkEdit{}
	for _, e := range edits {
		if e.TakenBack != nil || e.Kind.FromOutside() {
			continue
		}
		at := -1
		if e.WasTS != nil {
			at = slices.IndexFunc(net, func(n MarkEdit) bool {
				return n.Kind == e.Kind && n.TS != nil && math.Abs(*n.TS-*e.WasTS) <= SameEdit
			})
		}
		switch {
		case at < 0:
			net = append(net, e)
		case e.TS == nil && net[at].WasTS == nil:
			net = slices.Delete(net, at, at+1)
		default:
			e.WasTS = net[at].WasTS
			net[at] = e
		}
	}
	return net
}

// SaysAs tells whether another edit puts the same mark at the same instant, whoever said so when and why.
func (e MarkEdit) SaysAs(o MarkEdit) bool {
	return e.Kind == o.Kind && sameInstant(e.WasTS, o.WasTS) && sameInstant(e.TS, o.TS) && e.U() == o.U()
}

func sameInstant(a, b *float64) bool {
	return a == nil && b == nil || a != nil && b != nil && math.Abs(*a-*b) <= SameEdit
}

// handMark is the number of the first mark that a person adds afterwards.
const handMark = 1 << 24

// EditedMarks gives the marks from outside as a derivation made again is to heed them: one struck is
// left out, one moved stands where the person put it, one added is there. What is said of the detector's
// own marks it is told by its settings (see NetEdits).
func EditedMarks(marks []Mark, edits []MarkEdit) []Mark {
	marks = slices.Clone(marks)
	for i, e := range edits {
		if !e.Kind.FromOutside() || e.TakenBack != nil {
			continue
		}
		if e.WasTS != nil {
			at := slices.IndexFunc(marks, func(m Mark) bool { return m.Kind == e.Kind && math.Abs(m.T-*e.WasTS) <= SameEdit })
			if at < 0 {
				continue
			}
			marks = slices.Delete(marks, at, at+1)
		}
		if e.TS != nil {
			marks = append(marks, Mark{ID: handMark + i, Kind: e.Kind, T: *e.TS, U: e.U(), By: Hand, Text: e.Reason})
		}
	}
	slices.SortStableFunc(marks, func(a, b Mark) int { return cmp.Compare(a.T, b.T) })
	return marks
}
