package trace

// MarkKind names an instant in a run.
type MarkKind string

// The kinds of marks (DESIGN section 2).
const (
	Applied  MarkKind = "applied"   // the short was put on
	Onset    MarkKind = "onset"     // fault current begins
	Limited  MarkKind = "limited"   // the current settles at a lower level without interruption
	CutOff   MarkKind = "cut_off"   // first interruption by the unit
	RetryOn  MarkKind = "retry_on"  // the unit re-energises by itself
	RetryOff MarkKind = "retry_off" // ... and interrupts again
	Removed  MarkKind = "removed"   // the short was taken off
	Restored MarkKind = "restored"  // the output is back
	Note     MarkKind = "note"      // words pinned to an instant
)

// By says who made a mark.
type By string

// The makers of marks. A mark by hand carries an uncertainty of HandU.
const (
	Detector By = "detector"
	Contact  By = "contact" // a contact driven or sensed by the program
	Hand     By = "hand"
)

// HandU is the expanded uncertainty of a mark made by hand, in seconds (DESIGN section 5).
const HandU = 0.3

// DisplayUpdateS is how often the display of a hand-held meter changes where nobody said it, in seconds,
// and so what one of its readings averages over: two or three times a second (common practice, no source).
const DisplayUpdateS = 0.4

// Mark is an instant in a run.
type Mark struct {
	// ID tells one mark of a run from another; a provisional mark keeps its ID when it is
	// confirmed, moved or withdrawn.
	ID          int      `json:"id"`
	Kind        MarkKind `json:"kind"`
	T           float64  `json:"t_s"` // seconds on the time base the holder states
	U           float64  `json:"u_s"` // expanded uncertainty, seconds
	By          By       `json:"by"`
	Text        string   `json:"text,omitempty"`
	Level       float64  `json:"level_a,omitempty"` // the current that came with it: peak of a pulse, level limited to
	Provisional bool     `json:"provisional,omitempty"`
	// Withdrawn is set once on a provisional mark that did not last (a spike, a bounce).
	Withdrawn bool `json:"withdrawn,omitempty"`
}

// Phase is the stretch between marks.
type Phase string

// The phases of a run.
const (
	Idle     Phase = "idle"
	Fault    Phase = "fault"
	Limiting Phase = "limiting"
	Off      Phase = "off"
	Retry    Phase = "retry"
)

// Stretch is one phase with its bounds in seconds.
type Stretch struct {
	Phase Phase   `json:"phase"`
	From  float64 `json:"from_s"`
	To    float64 `json:"to_s"`
}

// Phases cuts from..to (seconds) into stretches by the marks, which are in order of time. Marks
// that begin no phase (notes, applied, restored) cut nothing, and a stretch of no length is left out.
func Phases(marks []Mark, from, to float64) []Stretch {
	var out []Stretch
	phase, start := Idle, from
	cut := func(t float64, next Phase) {
		t = min(max(t, start), to)
		if t > start {
			if n := len(out); n > 0 && out[n-1].Phase == phase && out[n-1].To == start {
				out[n-1].To = t
			} else {
				out = append(out, Stretch{phase, start, t})
			}
		}
		phase, start = next, t
	}
	for _, m := range marks {
		if next, ok := phaseAfter(m.Kind); ok && !m.Withdrawn {
			cut(m.T, next)
		}
	}
	cut(to, phase)
	return out
}

// phaseAfter says which phase a mark begins; ok is false for marks that begin none.
func phaseAfter(k MarkKind) (next Phase, ok bool) {
	switch k {
	case Onset:
		return Fault, true
	case Limited:
		return Limiting, true
	case CutOff, RetryOff:
		return Off, true
	case RetryOn:
		return Retry, true
	case Removed:
		return Idle, true
	}
	return "", false
}
