package port

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"sync"
	"sync/atomic"
	"time"
)

// State of a link, as a person reads it.
type State string

// The states. Unplugged: nothing is at the path. Reconnecting: something is, and it does not open yet.
const (
	Receiving    State = "receiving"
	Silent       State = "silent"
	Unplugged    State = "unplugged"
	Reconnecting State = "reconnecting"
	Closed       State = "closed"
)

// Status is a link's state with its counts since it was opened.
type Status struct {
	State      State
	SilentFor  time.Duration // since the last byte, or since the port was opened
	Bytes      int64         // received, lost ones included
	Chunks     int64
	LostBytes  int64 // did not fit into the queue
	LostChunks int64
	Reconnects int64  // times the port was opened again
	Problem    string // why it is not open, ready to be shown; empty while it is
}

// Options of a link. Only Now is required.
type Options struct {
	Now         func() int64               // nanoseconds on the bench's time base, from any goroutine
	Log         *slog.Logger               // nil: slog.Default()
	QueueBytes  int                        // bytes kept for a reader that is late; 0: 1 MiB
	SilentAfter time.Duration              // 0: 2 s, real time
	Wait        bool                       // a port that is not there yet is waited for
	Dial        func(s Spec) (Port, error) // nil: the serial library; a test may put a fake here
}

const (
	// readTimeout is also the longest that Close waits: the goroutine that reads is the one that
	// closes. Were the port closed under it, the number of its file might already belong to another
	// file, whose bytes it would then steal.
	readTimeout = 50 * time.Millisecond
	// heartbeat is the longest that Next blocks.
	heartbeat = 50 * time.Millisecond

	firstBackOff = 100 * time.Millisecond
	longBackOff  = 2 * time.Second
	// logEvery bounds how often the same trouble is logged.
	logEvery = 30 * time.Second

	defaultQueueBytes  = 1 << 20
	defaultSilentAfter = 2 * time.Second
	readBytes          = 16 << 10
	// maxUnanswered bounds what is written without a byte coming back. It stays below what any
	// terminal buffers, so that a write to a device that takes nothing cannot block for ever.
	maxUnanswered = 1 << 10
)

// ErrNotOpen is returned by Write and the modem lines while the port is away.
var ErrNotOpen = errors.New("the port is not open")

// Link is an open port that reconnects. Next is for one goroutine; all else may be called from any.
type Link struct {
	spec   Spec
	opt    Options
	q      *queue
	sysfs  string   // where the system describes its ports
	device identity // of the goroutine that dials

	// of the goroutine that calls Next
	burst  burst
	next   int // record
	offset int // byte
	timer  *time.Timer

	stop   chan struct{} // closed by Close
	ended  chan struct{} // closed by the reading goroutine when it has gone
	closed sync.Once

	portMu     sync.Mutex   // held while the port is written, switched or closed
	port       Port         // nil while away
	unanswered atomic.Int64 // bytes written since the last byte received

	bytes, chunks, lostBytes, lostChunks, reconnects atomic.Int64
	lastByte                                         atomic.Int64 // real time, ns since started
	started                                          time.Time

	stateMu sync.Mutex
	away    State // Unplugged, Reconnecting or Closed; empty while open
	problem string
}

// Open opens the port and begins to read. The error says in words what is wrong and what to type.
func Open(s Spec, o Options) (*Link, error) {
	if o.Now == nil {
		return nil, errors.New("open port: no clock given")
	}
	if o.Log == nil {
		o.Log = slog.Default()
	}
	if o.QueueBytes <= 0 {
		o.QueueBytes = defaultQueueBytes
	}
	if o.SilentAfter <= 0 {
		o.SilentAfter = defaultSilentAfter
	}
	if o.Dial == nil {
		o.Dial = dial
	}
	o.Log = o.Log.With("port", s.Path)
	l := &Link{
		spec: s, opt: o, q: newQueue(o.QueueBytes), sysfs: ttyClass, started: time.Now(),
		stop: make(chan struct{}), ended: make(chan struct{}), timer: time.NewTimer(heartbeat),
	}
	p, err := l.dial()
	if err != nil && !o.Wait {
		return nil, fmt.Errorf("open port: %w", err)
	}
	if err != nil {
		l.setAway(err)
	} else {
		l.setPort(p)
	}
	go l.run(p)
	return l, nil
}

// dial opens the port and sets its read time-out, and reads once without waiting so that a port the
// library cannot read is found here and not later. A byte that this read brings is kept.
func (l *Link) dial() (Port, error) {
	if err := l.sameDevice(); err != nil {
		return nil, err
	}
	p, err := l.opt.Dial(l.spec)
	if err != nil {
		return nil, err
	}
	if f, ok := p.(interface{ ResetInputBuffer() error }); ok {
		// What piled up before nobody knows when would arrive now, with a time that is not its own.
		if err := f.ResetInputBuffer(); err != nil {
			l.opt.Log.Debug("drop old input", "error", err)
		}
	}
	if err = p.SetReadTimeout(0); err == nil {
		var first [1]byte
		var n int
		if n, err = readSafely(p, first[:]); n > 0 {
			l.received(first[:n])
		}
	}
	if err == nil {
		err = p.SetReadTimeout(readTimeout)
	}
	if err != nil {
		if cerr := p.Close(); cerr != nil {
			l.opt.Log.Debug("close port", "error", cerr)
		}
		return nil, explain(l.spec.Path, err)
	}
	return p, nil
}

// run reads until Close, reopening the port whenever it fails. p is nil where it is still to be opened.
func (l *Link) run(p Port) {
	defer close(l.ended)
	buf := make([]byte, readBytes)
	tr := trouble{log: l.opt.Log}
	backOff := firstBackOff
	for {
		if p != nil {
			before := l.bytes.Load()
			err := l.readAll(p, buf, &tr)
			l.dropPort()
			if err == nil {
				l.setState(Closed, "")
				return
			}
			l.setAway(err)
			tr.note("port lost", explain(l.spec.Path, err))
			if l.bytes.Load() > before {
				backOff = firstBackOff // it worked for a while; one that fails at once keeps its back-off
			}
		}
		if !l.pause(backOff) {
			l.setState(Closed, "")
			return
		}
		backOff = min(2*backOff, longBackOff)
		var err error
		if p, err = l.dial(); err != nil {
			p = nil
			l.setAway(err)
			tr.note("port not back", err)
			continue
		}
		l.reconnects.Add(1)
		l.q.markReopened()
		l.setPort(p)
	}
}

// readAll reads until Close (nil) or until the port fails. A read of nothing is a time-out.
func (l *Link) readAll(p Port, buf []byte, tr *trouble) error {
	for {
		select {
		case <-l.stop:
			return nil
		default:
		}
		n, err := readSafely(p, buf)
		if n > 0 {
			l.received(buf[:n])
			tr.worked()
		}
		if err != nil {
			return err
		}
	}
}

func (l *Link) received(data []byte) {
	at := l.opt.Now()
	l.lastByte.Store(int64(time.Since(l.started)))
	l.unanswered.Store(0)
	l.chunks.Add(1)
	l.bytes.Add(int64(len(data)))
	if !l.q.put(data, at) {
		l.lostBytes.Add(int64(len(data)))
		l.lostChunks.Add(1)
	}
}

// pause waits for d, or tells that the link was closed meanwhile.
func (l *Link) pause(d time.Duration) bool {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-l.stop:
		return false
	case <-t.C:
		return true
	}
}

// Next gives the next chunk. It blocks for at most 50 ms, and not beyond dueNS on the bench's time base
// (0: nothing is due), and then gives a chunk without bytes, so that the caller can do what is due by time.
// After Close it gives what is still queued, then io.EOF.
func (l *Link) Next(ctx context.Context, dueNS int64) (Chunk, error) {
	if err := ctx.Err(); err != nil {
		return Chunk{}, err // also while bytes never cease to come
	}
	if c, ok := l.take(); ok {
		return c, nil
	}
	wait := heartbeat
	if dueNS != 0 {
		wait = min(wait, max(0, time.Duration(dueNS-l.opt.Now())))
	}
	l.timer.Reset(wait)
	for {
		select {
		case <-l.q.ready: // perhaps for what was taken already
		case <-l.timer.C:
			return Chunk{AtNS: l.opt.Now()}, nil
		case <-ctx.Done():
			return Chunk{}, ctx.Err()
		case <-l.ended:
			if c, ok := l.take(); ok {
				return c, nil
			}
			return Chunk{}, io.EOF
		}
		if c, ok := l.take(); ok {
			return c, nil
		}
	}
}

func (l *Link) take() (Chunk, bool) {
	if l.next == len(l.burst.records) {
		l.q.swap(&l.burst)
		l.next, l.offset = 0, 0
		if len(l.burst.records) == 0 {
			return Chunk{}, false
		}
	}
	r := l.burst.records[l.next]
	c := Chunk{l.burst.data[l.offset : l.offset+r.n], r.atNS, r.lost, r.reopened}
	l.next++
	l.offset += r.n
	return c, true
}

// Close ends the link and waits for its goroutine, at most some 50 ms. It may be called again.
func (l *Link) Close() error {
	l.closed.Do(func() { close(l.stop) })
	<-l.ended
	return nil
}

// Status gives the state and the counts.
func (l *Link) Status() Status {
	s := Status{
		Bytes: l.bytes.Load(), Chunks: l.chunks.Load(), LostBytes: l.lostBytes.Load(),
		LostChunks: l.lostChunks.Load(), Reconnects: l.reconnects.Load(),
		SilentFor: time.Since(l.started) - time.Duration(l.lastByte.Load()),
	}
	l.stateMu.Lock()
	defer l.stateMu.Unlock()
	s.State, s.Problem = l.away, l.problem
	if s.State == "" {
		s.State = Receiving
		if s.Bytes == 0 || s.SilentFor >= l.opt.SilentAfter {
			s.State = Silent
		}
	}
	return s
}

func (l *Link) setState(away State, problem string) {
	l.stateMu.Lock()
	l.away, l.problem = away, problem
	l.stateMu.Unlock()
}

// setAway says why the port is not open. Whether it is unplugged is asked of the path: the library
// gives the same error for a port pulled out and for one that was closed.
func (l *Link) setAway(err error) {
	state := Reconnecting
	if oe, ok := errors.AsType[*OpenError](err); ok && oe.Gone {
		state = Unplugged
	} else if _, statErr := os.Stat(l.spec.Path); statErr != nil {
		state, err = Unplugged, explain(l.spec.Path, statErr)
	}
	l.setState(state, err.Error())
}
