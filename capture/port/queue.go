package port

import "sync"

// Chunk is what one read brought.
type Chunk struct {
	Data      []byte // valid until the next call of Next; empty for a heartbeat
	AtNS      int64  // arrival (of a heartbeat: now) on the time base of Options.Now
	LostBytes int64  // bytes that did not fit into the queue just before this chunk
	Reopened  bool   // the first chunk after the port was opened again
}

// record is one chunk within a burst.
type record struct {
	n        int
	atNS     int64
	lost     int64
	reopened bool
}

type burst struct {
	data    []byte
	records []record
}

func (b *burst) reset() { b.data, b.records = b.data[:0], b.records[:0] }

// maxRecords bounds the list of chunks, which at 115200 baud may come byte by byte.
const maxRecords = 1 << 14

// queue hands chunks from the goroutine that reads to the one that decodes. put never waits. The two
// sides swap whole bursts, so bytes are copied once and nothing is allocated once both have grown.
type queue struct {
	ready chan struct{} // holds a token while something may be waiting

	mu       sync.Mutex
	filling  burst
	limit    int   // bytes
	lost     int64 // since the last chunk that fitted
	reopened bool
}

func newQueue(limit int) *queue { return &queue{ready: make(chan struct{}, 1), limit: limit} }

// put appends one chunk, or tells that it did not fit.
func (q *queue) put(data []byte, atNS int64) (kept bool) {
	q.mu.Lock()
	defer q.mu.Unlock()
	f := &q.filling
	if len(f.data)+len(data) > q.limit {
		q.lost += int64(len(data))
		return false
	}
	f.data = append(f.data, data...)
	if n := len(f.records); n >= maxRecords && q.lost == 0 && !q.reopened {
		// Joined to the chunk before: its bytes only look later than they were, as USB makes them
		// look anyway, and the clock stands that.
		f.records[n-1].n += len(data)
		f.records[n-1].atNS = atNS
		return true
	}
	f.records = append(f.records, record{len(data), atNS, q.lost, q.reopened})
	q.lost, q.reopened = 0, false
	select {
	case q.ready <- struct{}{}:
	default:
	}
	return true
}

// markReopened makes the next chunk the first after a reconnect.
func (q *queue) markReopened() {
	q.mu.Lock()
	q.reopened = true
	q.mu.Unlock()
}

// swap gives the waiting burst for an empty one.
func (q *queue) swap(empty *burst) {
	empty.reset()
	q.mu.Lock()
	q.filling, *empty = *empty, q.filling
	q.mu.Unlock()
}
