package trip

import (
	"math"
	"slices"

	"letthrough/capture/trace"
)

// outside keeps the marks that came from outside: applied, removed, notes. Times are seconds since
// the first sample.
type outside struct {
	pending []trace.Mark // not reached by a reading yet
	marks   []trace.Mark // in order of time
	removed []removal
	nextID  int

	// The sums at the end of the stated hold, kept when the stream passes it.
	holdKept bool
	holdAt   float64
	holdSum  sums
}

// removal is a removed mark with the sums at its instant.
type removal struct {
	mark trace.Mark
	at   sums
	ok   bool
}

const firstOutsideID = 1_000_000

// Mark takes a mark from outside: applied, removed or note, its time in seconds on the samples'
// time base. It may come up to a second later than the samples of its instant.
func (d *Detector) Mark(m trace.Mark) {
	if m.U == 0 && m.By == trace.Hand {
		m.U = trace.HandU
	}
	if math.IsNaN(m.T) || math.IsInf(m.T, 0) {
		return
	}
	if !d.begun {
		d.out.pending = append(d.out.pending, m)
		return
	}
	m.T = d.rel(m.T)
	d.out.pending = append(d.out.pending, m)
	d.out.arrive(d, d.now())
	d.setWake()
}

// arrive moves the pending marks that the stream has reached to their places.
func (o *outside) arrive(d *Detector, now float64) {
	o.pending = slices.DeleteFunc(o.pending, func(m trace.Mark) bool {
		if m.T > now {
			return false
		}
		o.place(d, m)
		return true
	})
}

func (o *outside) place(d *Detector, m trace.Mark) {
	m.ID = firstOutsideID + o.nextID
	o.nextID++
	i, _ := slices.BinarySearchFunc(o.marks, m, func(a, b trace.Mark) int {
		if a.T <= b.T {
			return -1
		}
		return 1
	})
	o.marks = slices.Insert(o.marks, i, m)
	if m.Kind == trace.Removed {
		at, ok := d.ring.sumsAt(m.T)
		o.removed = append(o.removed, removal{m, at, ok})
	}
	d.dirty = true
}

// applied finds the first applied mark.
func (o *outside) applied() (trace.Mark, bool) {
	for _, m := range o.marks {
		if m.Kind == trace.Applied {
			return m, true
		}
	}
	return trace.Mark{}, false
}

// removedBy tells whether the short was marked as removed by t.
func (o *outside) removedBy(t float64) bool {
	return len(o.removed) > 0 && o.removed[0].mark.T <= t
}

// passHold keeps the sums at the end of the stated hold when the stream passes it. The onset may
// still move by a fraction of an interval, or the hold be extended, so it is asked anew each time.
func (d *Detector) passHold(t float64) {
	end, ok := d.holdEnd()
	if !ok || t < end || (d.out.holdKept && d.out.holdAt == end) {
		return
	}
	if s, ok := d.ring.sumsAt(end); ok {
		d.out.holdKept, d.out.holdAt, d.out.holdSum = true, end, s
		d.dirty = true
	}
}

// SetFinalFall says what to make of a last fall that no removed mark explains.
func (d *Detector) SetFinalFall(f trace.FinalFall) {
	d.set.FinalFall = f
	d.dirty = true
}
