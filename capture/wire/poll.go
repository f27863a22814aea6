package wire

// poll is the patience of an instrument that must be asked: one query at a time, a time-out, and after
// anything that was broken a pause until the line is quiet, so that a late answer is not taken for that
// of the next query.
type poll struct {
	timeoutNS int64 // for an answer
	quietNS   int64 // the line is quiet when nothing came for so long
	gapNS     int64 // between an answer and the next query

	waiting  bool // for an answer
	draining bool // until the line is quiet
	heard    bool // bytes came since the last turn
	askedNS  int64
	heardNS  int64
	timedOut int64
}

// turn lets time pass. may tells that a query can be made now, late that the last one's answer never
// came whole.
func (p *poll) turn(nowNS int64) (may, late bool) {
	if p.heard {
		p.heardNS, p.heard = nowNS, false
	}
	switch {
	case p.waiting && nowNS-p.askedNS <= p.timeoutNS:
		return false, false
	case p.waiting:
		p.waiting, p.draining, p.heardNS = false, true, nowNS
		p.timedOut++
		late = true
	}
	if p.draining {
		if nowNS-p.heardNS < p.quietNS {
			return false, late
		}
		p.draining = false
	}
	return nowNS-p.heardNS >= p.gapNS, late
}

// Due is when the bench has to look again if nothing comes: when the line has been quiet for long enough,
// or when the answer is late.
func (p *poll) Due() int64 {
	switch {
	case p.waiting:
		return p.askedNS + p.timeoutNS + 1
	case p.draining:
		return p.heardNS + p.quietNS
	}
	return p.heardNS + p.gapNS
}

// asked says that a query goes out that wants an answer.
func (p *poll) asked(nowNS int64) { p.waiting, p.askedNS = true, nowNS }

// broken gives the answer up: what else comes before the line is quiet is nobody's.
func (p *poll) broken() { p.waiting, p.draining = false, true }

// reset begins anew, as after the port was reopened.
func (p *poll) reset() { p.waiting, p.draining, p.heard = false, false, false }
