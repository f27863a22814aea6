package trip

import (
	"math"
	"slices"

	"letthrough/capture/trace"
)

// Readings that a person noted, watching a display or a video of one, differ from a meter's own in three
// ways. Each has a stamp of its own uncertainty. What the display showed at that moment is older than the
// moment by anything up to one of its updates. And between two readings the display went unread, so that
// what was shorter than that was not seen by anybody: what a meter would have averaged is simply missing.
// Everything here hangs on trace.Settings.StampUS and changes nothing for other traces.

// noted: a person made the stamps.
func (d *Detector) noted() bool { return d.set.StampUS > 0 }

// note keeps a noted reading. A person notes some hundred; beyond maxNotes what is claimed from them only
// claims less.
func (d *Detector) note(o *obs) {
	if len(d.notes) < maxNotes {
		d.notes = append(d.notes, *o)
	}
}

const maxNotes = 1 << 16

// stampSlack is by how much the difference of two stamps may misstate the time between the two windows
// that the display averaged over, s: both stamps, and up to one update of the display.
func (d *Detector) stampSlack() float64 { return math.Sqrt2*d.set.StampUS + d.averaging() }

// notedSpan is the least and the most time that can lie between two edges of noted readings, s. A reading
// beside an edge may itself hold a part of it.
func (d *Detector) notedSpan(a, b *edge) (least, most float64) {
	w, slack := d.averaging(), d.stampSlack()
	return max(b.before-a.after-slack-w, 0), b.after - a.before + slack + w
}

// notedU is the expanded uncertainty of the instant of an edge between two noted readings.
func (d *Detector) notedU(e *edge) float64 {
	return (e.after-e.before)/2 + d.set.StampUS + d.averaging()
}

// holes: somewhere between two instants the display went unread for longer than one of its updates.
func (d *Detector) holes(from, to float64) bool {
	for i := 1; i < len(d.notes); i++ {
		a, b := &d.notes[i-1], &d.notes[i]
		if b.t > from && a.t < to && b.t-a.t > 1.5*d.averaging() {
			return true
		}
	}
	return false
}

// notedUnsure: the noted readings cannot tell the behaviour that they look like. Looked at now and then,
// a display shows neither that the current stayed off nor how often it came back; only a steady current
// at every look, with never a low one between, is taken for one.
func (d *Detector) notedUnsure(s *story, apparent trace.Behaviour) bool {
	if !d.noted() || !s.begun {
		return false
	}
	if s.p0.lows > 0 || s.early && s.removalOf == s.p0 {
		return true
	}
	switch apparent {
	case trace.Sustained:
		// Where the rating is unknown it may as well be limited, which slow readings never tell.
		return d.set.RatedCurrentA <= 0 || !d.notedSteady(s)
	case trace.NoTrip:
		return d.holes(s.p0.on.before, s.end) || !d.notedRising(s)
	case trace.Carried:
		return d.holes(s.p0.on.before, s.end) || !d.notedHeld(s)
	case trace.Latching, trace.AutoRetry, trace.Hiccup:
		return d.holes(s.p0.on.before, s.end)
	}
	return false
}

// notedSteady: neighbouring readings of the fault, but for those that may hold an edge, differ by little,
// and there are enough of them. The windows of a display fall on pulses now and beside them then.
func (d *Detector) notedSteady(s *story) bool {
	const enough, little = 5, 0.15
	in := d.notesWithin(s.p0.on.after, s.end)
	if len(in) < enough {
		return false
	}
	in = in[1 : len(in)-1]
	for i := 1; i < len(in); i++ {
		if math.Abs(in[i].x-in[i-1].x) > little*in[i-1].x+d.visible() {
			return false
		}
	}
	return true
}

// notedHeld: after the first reading, which may hold the onset, none was lower than the usual level. Less
// than one change of the display without current shows as such a reading and no more.
func (d *Detector) notedHeld(s *story) bool {
	const little = 0.15
	in := d.notesWithin(s.p0.on.after, s.end)
	if len(in) < 3 {
		return false
	}
	levels := make([]float64, 0, len(in))
	for _, o := range in {
		levels = append(levels, o.x)
	}
	usual := medianOf(levels)
	return !slices.ContainsFunc(in[1:len(in)-1], func(o obs) bool { return o.x < (1-little)*usual-d.visible() })
}

// notedRising: there are readings enough of the rising load, and none fell against the one before it.
func (d *Detector) notedRising(s *story) bool {
	const enough, little = 5, 0.05
	in := d.notesWithin(s.p0.on.after, s.end)
	for i := 1; i < len(in)-1; i++ { // the last may hold the end of it
		if in[i].x < (1-little)*in[i-1].x-d.visible() {
			return false
		}
	}
	return len(in) >= enough
}

// notesWithin are the noted readings from one instant up to another, both counted in.
func (d *Detector) notesWithin(from, to float64) []obs {
	i, _ := slices.BinarySearchFunc(d.notes, from, func(o obs, t float64) int {
		if o.t < t {
			return -1
		}
		return 1
	})
	j := i
	for j < len(d.notes) && d.notes[j].t <= to {
		j++
	}
	return d.notes[i:j]
}

// removalWithin is how close to a removal a fall must be to count as it. Between noted readings a fall is
// only known to lie between two of them: if the removal may be that fall, it is.
func (d *Detector) removalWithin(p *pulse, end, within float64) float64 {
	if !d.noted() || !p.ended {
		return within
	}
	slack := d.stampSlack() + d.averaging()
	if end >= p.off.before-slack && end <= p.off.after+slack {
		return max(within, math.Abs(p.off.t-end))
	}
	return within
}

// notedQuietS is how long before the onset a noted zero may be and still tell the level before it: whoever
// types a few of them then closes the contact, and not always at once.
const notedQuietS = 60

// leastQuiet is how many readings must come before an onset: a person who types them makes few.
func (d *Detector) leastQuiet() int {
	if d.noted() {
		return 1
	}
	return baselineMin
}
