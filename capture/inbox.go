package capture

import (
	"sync"

	"letthrough/capture/trace"
)

// inboxCap bounds what an instrument may be ahead of the bench goroutine, in samples of one channel:
// 2.6 s at 100 kS/s. What does not fit is counted as lost and leaves a gap.
const inboxCap = 1 << 18

// inbox hands samples from an instrument's goroutine to the bench's. Putting never waits.
type inbox struct {
	mu     sync.Mutex
	full   [][]trace.Sample // one queue a channel of the instrument
	status SourceStatus
	lost   uint64 // samples that did not fit
	gap    []bool // something was lost before the next sample of the channel
	limit  int
	wake   chan<- struct{}
}

func newInbox(channels int, wake chan<- struct{}) *inbox {
	return &inbox{full: make([][]trace.Sample, channels), gap: make([]bool, channels), limit: inboxCap, wake: wake}
}

// put takes samples of the instrument's channel i and copies them.
func (b *inbox) put(i int, samples []trace.Sample) {
	b.mu.Lock()
	if room := b.limit - len(b.full[i]); len(samples) > room {
		b.lost += uint64(len(samples) - room)
		b.append(i, samples[:room])
		b.gap[i] = true
	} else {
		b.append(i, samples)
	}
	b.mu.Unlock()
	b.ring()
}

func (b *inbox) append(i int, samples []trace.Sample) {
	if len(samples) == 0 {
		return
	}
	at := len(b.full[i])
	b.full[i] = append(b.full[i], samples...)
	if b.gap[i] {
		b.full[i][at].Flags |= trace.Gap
		b.gap[i] = false
	}
}

// tell replaces the instrument's status.
func (b *inbox) tell(s SourceStatus) {
	b.mu.Lock()
	b.status = s
	b.mu.Unlock()
	b.ring()
}

func (b *inbox) ring() {
	select {
	case b.wake <- struct{}{}:
	default: // the bench is already told
	}
}

// take swaps the queues for the empty ones of the time before, so that nothing is copied while the
// instrument's goroutine may be waiting for the lock.
func (b *inbox) take(empty [][]trace.Sample) (full [][]trace.Sample, s SourceStatus, lost uint64) {
	for i := range empty {
		empty[i] = empty[i][:0]
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	full, b.full = b.full, empty
	return full, b.status, b.lost
}
