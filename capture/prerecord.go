package capture

import "letthrough/capture/trace"

// prerecordCap bounds the samples a channel keeps before a run, whatever its rate: 5 s at 100 kS/s,
// about 12 MiB (and at most as much again that waits to be moved down).
const prerecordCap = 1 << 19

// prerecord keeps the last seconds of one channel.
type prerecord struct {
	all   []trace.Sample
	start int // all[start:] is kept
	limit int // prerecordCap but in tests
}

func (p *prerecord) kept() []trace.Sample { return p.all[p.start:] }

// add keeps the samples and drops what is older than keepNS before the newest.
func (p *prerecord) add(samples []trace.Sample, keepNS int64) {
	if len(samples) == 0 {
		return
	}
	if over := len(samples) - p.limit; over > 0 {
		samples = samples[over:]
	}
	// Once more is dropped than kept, moving down is cheaper than growing: a sample is moved once on
	// average, and the memory stays within twice what is kept.
	if len(p.all)+len(samples) > cap(p.all) && p.start >= len(p.all)-p.start {
		p.all = p.all[:copy(p.all, p.all[p.start:])]
		p.start = 0
	}
	p.all = append(p.all, samples...)
	p.dropBefore(samples[len(samples)-1].AtNS - keepNS)
	if over := len(p.kept()) - p.limit; over > 0 {
		p.start += over
	}
}

// dropBefore forgets everything older than ns.
func (p *prerecord) dropBefore(ns int64) {
	for p.start < len(p.all) && p.all[p.start].AtNS < ns {
		p.start++
	}
}
