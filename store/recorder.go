package store

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"sync"
	"time"

	"letthrough/capture/trace"
)

// The recorder's two halves and what lies between them:
//
//	bench -> Begin, Append, Marks, Amend, End -> handed (bounded, under mu) -> writer goroutine
//	writer: every 100 ms take what was handed, one transaction, tell who waits in Flush
//
// Lock order: mu is never held while the database is used.

const (
	commitEvery         = 100 * time.Millisecond
	retryAtMost         = 2 * time.Second
	defaultQueueSamples = 400_000
	queueMarks          = 10_000 // marks that may wait, all runs together
	reserveIDs          = 3      // runs that may begin before the writer gets to reserve more numbers
	closeWithin         = 5 * time.Second
	logTroubleEvery     = 30 * time.Second
)

// recorder is the side of the store that takes a live run without ever making the bench wait.
type recorder struct {
	db  *DB
	out *writer // used by the writer goroutine alone

	wake    chan struct{} // something should be written before the next tick
	quit    chan struct{}
	done    chan struct{}
	stopErr error

	mu        sync.Mutex
	ids       []int64           // reserved numbers of runs
	runs      map[int64]*handed // by run, what waits for the writer
	spare     [][]trace.Sample  // emptied blocks
	order     []int64           // of the keys of runs, so that they are written as they came
	open      map[int64]bool    // begun and not ended
	queued    int               // samples handed over and not committed yet
	marks     int               // the same of marks
	sequence  uint64            // of what was handed over
	committed uint64            // up to where it is on disk, or was counted as lost
	turned    chan struct{}     // closed and replaced when committed grows
	closed    bool
	health    Health
}

// handed is what was handed over for one run since the writer last took it.
type handed struct {
	start    *trace.RunStart
	uuid     string
	channels []*handedChannel
	marks    []trace.Mark
	settings *trace.Settings
	end      *trace.RunEnd
	lost     int64
}

type handedChannel struct {
	channel trace.Channel
	blocks  [][]trace.Sample // in order, each but the last full
	gap     bool             // samples were lost: the next that is kept says so
}

// handedBlock is how many samples wait in one piece. What grew as a whole would be copied again and again.
const handedBlock = 4096

// add copies samples into the blocks, new ones from those that are spare.
func (hc *handedChannel) add(samples []trace.Sample, spare *[][]trace.Sample) {
	gap := hc.gap
	hc.gap = false
	for len(samples) > 0 {
		last := len(hc.blocks) - 1
		if last < 0 || len(hc.blocks[last]) == handedBlock {
			hc.blocks = append(hc.blocks, newBlock(spare))
			last++
		}
		b := hc.blocks[last]
		n := min(len(samples), handedBlock-len(b))
		hc.blocks[last] = append(b, samples[:n]...)
		if gap {
			hc.blocks[last][len(b)].Flags |= trace.Gap
			gap = false
		}
		samples = samples[n:]
	}
}

// spareBlocks bounds what is kept for reuse, in all 6 MB; a slow disk lets more than that wait.
const spareBlocks = 64

func newBlock(spare *[][]trace.Sample) []trace.Sample {
	if n := len(*spare); n > 0 {
		b := (*spare)[n-1]
		*spare = (*spare)[:n-1]
		return b
	}
	return make([]trace.Sample, 0, handedBlock)
}

func (h *handed) channel(c trace.Channel) *handedChannel {
	for _, hc := range h.channels {
		if hc.channel == c {
			return hc
		}
	}
	hc := &handedChannel{channel: c}
	h.channels = append(h.channels, hc)
	return hc
}

func startRecorder(ctx context.Context, db *DB) (*recorder, error) {
	limit := db.opt.QueueSamples
	if limit <= 0 {
		limit = defaultQueueSamples
	}
	r := &recorder{
		db:     db,
		out:    newWriter(db),
		wake:   make(chan struct{}, 1),
		quit:   make(chan struct{}),
		done:   make(chan struct{}),
		runs:   map[int64]*handed{},
		open:   map[int64]bool{},
		turned: make(chan struct{}),
		health: Health{OK: true, QueueLimit: limit},
	}
	ids, err := r.out.reserve(ctx, reserveIDs)
	if err != nil {
		return nil, fmt.Errorf("reserve run numbers: %w", err)
	}
	r.ids = ids
	go r.loop()
	return r, nil
}

var errNotRecording = &Error{Code: ErrState.Code, Text: "the database was opened to look at, not to record into"}

// Begin opens a run and gives its number. It fails only where no number can be had: the database
// has taken nothing for several runs.
func (db *DB) Begin(s trace.RunStart) (run int64, err error) {
	if db.rec == nil {
		return 0, errNotRecording
	}
	return db.rec.begin(s)
}

func (r *recorder) begin(s trace.RunStart) (int64, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	switch {
	case r.closed:
		return 0, &Error{Code: ErrClosed.Code, Text: "the database " + r.db.path + " was closed"}
	case len(r.ids) == 0:
		return 0, &Error{Code: ErrBusy.Code, Text: "no run can be kept: " + r.health.Text, Hint: r.health.Hint}
	}
	id := r.ids[0]
	r.ids = r.ids[1:]
	r.open[id] = true
	h := r.forRun(id)
	h.start, h.uuid = &s, newUUID()
	r.kick()
	return id, nil
}

// newUUID makes a random UUID (RFC 9562 version 4).
func newUUID() string {
	var b [16]byte
	rand.Read(b[:]) // never fails
	b[6] = b[6]&0x0f | 0x40
	b[8] = b[8]&0x3f | 0x80
	return fmt.Sprintf("%x-%x-%x-%x-%x", b[:4], b[4:6], b[6:8], b[8:10], b[10:])
}

// forRun finds or makes the place where things for a run wait. Must be called with mu held.
func (r *recorder) forRun(id int64) *handed {
	r.sequence++
	h := r.runs[id]
	if h == nil {
		h = &handed{}
		r.runs[id] = h
		r.order = append(r.order, id)
	}
	return h
}

// taking tells whether things for this run are still taken. Must be called with mu held.
func (r *recorder) taking(id int64) bool { return !r.closed && r.open[id] }

// Append takes samples of one channel of an open run, on the run's time base. They are copied.
// Where the disk has been stuck for so long that the queue is full they are counted as lost.
func (db *DB) Append(run int64, b trace.Batch) {
	if r := db.rec; r != nil && len(b.Samples) > 0 {
		r.append(run, b)
	}
}

func (r *recorder) append(run int64, b trace.Batch) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if !r.taking(run) {
		r.health.LostSamples += uint64(len(b.Samples))
		return
	}
	h := r.forRun(run)
	hc := h.channel(b.Channel)
	if r.queued+len(b.Samples) > r.health.QueueLimit {
		h.lost += int64(len(b.Samples))
		r.health.LostSamples += uint64(len(b.Samples))
		hc.gap = true
		return
	}
	hc.add(b.Samples, &r.spare)
	r.queued += len(b.Samples)
}

// Marks takes marks that are new or have changed, told apart by their ID.
func (db *DB) Marks(run int64, marks []trace.Mark) {
	r := db.rec
	if r == nil || len(marks) == 0 {
		return
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	if !r.taking(run) || r.marks+len(marks) > queueMarks {
		r.health.LostMarks += uint64(len(marks))
		return
	}
	h := r.forRun(run)
	h.marks = append(h.marks, marks...)
	r.marks += len(marks)
}

// Amend replaces the settings of an open run.
func (db *DB) Amend(run int64, s trace.Settings) {
	r := db.rec
	if r == nil {
		return
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.taking(run) {
		r.forRun(run).settings = &s
	}
}

// End closes a run. A state that no run can end in is taken as interrupted.
func (db *DB) End(run int64, e trace.RunEnd) {
	r := db.rec
	if r == nil {
		return
	}
	if err := e.Validate(); err != nil {
		e.State, e.Reason = trace.RunInterrupted, err.Error()
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.taking(run) {
		r.forRun(run).end = &e
		delete(r.open, run)
		r.kick()
	}
}

// kick wakes the writer before its next tick. It never waits.
func (r *recorder) kick() {
	select {
	case r.wake <- struct{}{}:
	default:
	}
}

// Flush waits until everything handed over before is on disk or was counted as lost.
func (db *DB) Flush(ctx context.Context) error {
	r := db.rec
	if r == nil {
		return nil
	}
	r.mu.Lock()
	want := r.sequence
	r.mu.Unlock()
	for {
		r.mu.Lock()
		have, turned := r.committed, r.turned
		r.mu.Unlock()
		if have >= want {
			return nil
		}
		r.kick()
		select {
		case <-turned:
		case <-r.done:
			return &Error{Code: ErrClosed.Code, Text: "the database " + db.path + " was closed"}
		case <-ctx.Done():
			return fmt.Errorf("wait for the disk: %w", ctx.Err())
		}
	}
}

// stop takes nothing more, writes what waits and ends the writer.
func (r *recorder) stop() error {
	r.mu.Lock()
	r.closed = true
	r.mu.Unlock()
	close(r.quit)
	<-r.done
	return r.stopErr
}

// loop is the writer goroutine. Its transactions do not end with any caller's context: what was
// handed over must reach the disk.
func (r *recorder) loop() {
	defer close(r.done)
	tick := time.NewTicker(commitEvery)
	defer tick.Stop()
	var trouble backOff
	for {
		select {
		case <-tick.C:
		case <-r.wake:
		case <-r.quit:
			r.stopErr = r.writeLast()
			return
		}
		if trouble.waiting(time.Now()) {
			continue
		}
		if err := r.write(context.Background()); err != nil {
			trouble.failed(time.Now())
			r.failed(err, &trouble)
		} else {
			trouble = backOff{}
		}
	}
}

// writeLast tries for a while to write what is left.
func (r *recorder) writeLast() error {
	ctx, cancel := context.WithTimeout(context.Background(), closeWithin)
	defer cancel()
	pause := time.NewTicker(commitEvery)
	defer pause.Stop()
	for {
		err := r.write(ctx)
		if err == nil {
			return nil
		}
		select {
		case <-ctx.Done():
			n := r.out.unsaved()
			return errors.Join(fmt.Errorf("%d samples could not be stored before the end", n), err)
		case <-pause.C:
		}
	}
}

// write takes what was handed over and commits it.
func (r *recorder) write(ctx context.Context) error {
	r.mu.Lock()
	took := r.sequence
	for _, id := range r.order {
		h := r.runs[id]
		r.out.take(id, h)
		for _, hc := range h.channels {
			for _, b := range hc.blocks[:min(len(hc.blocks), spareBlocks-len(r.spare))] {
				r.spare = append(r.spare, b[:0])
			}
		}
		delete(r.runs, id)
	}
	r.order = r.order[:0]
	wanted := reserveIDs - len(r.ids)
	r.mu.Unlock()

	result, err := r.out.commit(ctx, wanted)

	r.mu.Lock()
	defer r.mu.Unlock()
	r.queued -= result.samples + result.dropped
	r.marks -= result.marks
	r.health.LostSamples += uint64(result.dropped)
	if err != nil {
		return err
	}
	r.ids = append(r.ids, result.ids...)
	r.health.Samples += uint64(result.samples)
	if result.wrote {
		r.health.Commits++
		r.health.LastCommit = r.db.now()
	}
	if !r.health.OK {
		r.db.log.Info("storing goes on", "file", r.db.path, "lost_samples", r.health.LostSamples)
		r.health.OK, r.health.Text, r.health.Hint, r.health.Since = true, "", "", time.Time{}
	}
	if r.committed < took {
		r.committed = took
		close(r.turned)
		r.turned = make(chan struct{})
	}
	return nil
}
