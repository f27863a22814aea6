package capture

import (
	"math"
	"slices"

	"letthrough/capture/trace"
	"letthrough/capture/trip"
)

// take empties the inboxes into the columns, and into the pre-record and the detector or the run. The
// end of the hold comes before the readings that are later than it, so that its length is settled when
// the detector sees them.
func (b *Bench) take(now int64) {
	if b.run != nil {
		b.keepHold(now)
	}
	if b.heldBack || b.drive.open {
		return
	}
	b.pieces = b.pieces[:0]
	for _, in := range b.instruments {
		var full [][]trace.Sample
		typed := in.status.Typed
		full, in.status, in.lost = in.box.take(in.spare)
		b.changed = b.changed || !slices.Equal(typed, in.status.Typed)
		in.spare = full // nothing of it is kept, so that the inbox may have it back next time
		for i, samples := range full {
			c := in.channels[i]
			switch {
			case len(samples) > 0:
				b.changed = true
				c.samples += uint64(len(samples))
				right := c.corrected(samples)
				c.columns.add(right)
				b.checkContact(c, right)
				b.feedGuard(c, right)
				b.pieces = append(b.pieces, piece{c, samples})
			case now-c.columns.lastNS > idleStepNS && c.columns.flush():
				b.changed = true
			}
		}
		b.tellInstrument(in)
	}
	inOrder(b.pieces, func(c *channel, samples []trace.Sample) { b.samples(c, samples, now) })
	if b.run != nil {
		b.keepSamples()
		b.runChanges(now)
	}
}

// corrected gives samples as they are shown to a person. The detector and the recorder get them as the
// instrument showed them, and the calibration with the run's settings.
func (c *channel) corrected(samples []trace.Sample) []trace.Sample {
	if !c.right.Known() {
		return samples
	}
	c.copied = c.right.CorrectAll(c.copied[:0], samples)
	return c.copied
}

// piece is what one channel brought.
type piece struct {
	channel *channel
	samples []trace.Sample
}

// sliceNS bounds what is handed over at once. However much was waiting, a fault is noticed before its
// beginning has left the pre-record.
const sliceNS = 100e6

// inOrder hands over pieces in the order of time, of equal times those of the earlier piece first, as
// whoever reads a run back gets them too: the detector sees current and voltage together. The pieces
// are used up.
func inOrder(pieces []piece, hand func(*channel, []trace.Sample)) {
	for {
		first, until := -1, int64(math.MaxInt64) // until: the earliest of all others
		for i := range pieces {
			if len(pieces[i].samples) == 0 {
				continue
			}
			switch at := pieces[i].samples[0].AtNS; {
			case first < 0:
				first = i
			case at < pieces[first].samples[0].AtNS:
				// The one so far is later, and goes after what this one has up to then.
				until = min(until, pieces[first].samples[0].AtNS-1)
				first = i
			default:
				until = min(until, at)
			}
		}
		if first < 0 {
			return
		}
		p := &pieces[first]
		until = min(until, p.samples[0].AtNS+sliceNS)
		n := 1
		for n < len(p.samples) && p.samples[n].AtNS <= until {
			n++
		}
		hand(p.channel, p.samples[:n])
		p.samples = p.samples[n:]
	}
}

// confirmNS is kept beyond the pre-record, since an onset is known only some readings after it.
const confirmNS = 1e9

// samples takes what one channel brought.
func (b *Bench) samples(c *channel, samples []trace.Sample, now int64) {
	if b.run != nil {
		b.runSamples(c, samples)
		return
	}
	c.pre.add(samples, b.preNS+confirmNS)
	if b.mode == Armed {
		feed(b.watch, b.plan, c, since(samples, b.floorNS))
		b.openAtOnset(now)
	}
}

// feed gives samples to the detector if it is this channel that it listens to.
func feed(d *trip.Detector, p *plan, c *channel, samples []trace.Sample) {
	switch c {
	case p.current:
		d.Current(samples)
	case p.voltage:
		d.Voltage(samples)
	}
}

// since cuts off what is older than ns; samples are in order of time.
func since(samples []trace.Sample, ns int64) []trace.Sample {
	for len(samples) > 0 && samples[0].AtNS < ns {
		samples = samples[1:]
	}
	return samples
}
