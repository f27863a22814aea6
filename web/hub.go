package web

import (
	"log/slog"
	"net/http"
	"sync"
	"sync/atomic"
	"time"

	"github.com/gorilla/websocket"

	"letthrough/capture"
)

// How often the hub sends. Marks, figures and runs go at once.
const (
	framePeriod = time.Second / 60
	statePeriod = 100 * time.Millisecond // while something is received or changes
	quietPeriod = time.Second            // while nothing is and does
)

// hub carries what the bench tells to every viewer. One goroutine of its own wakes on the bench's
// Changed, pulls what is new by number, encodes it once and hands it to the viewers' queues:
//
//	Bench.Changed -> hub -> viewer queues -> one writer each -> sockets
//
// It alone touches the fields below "hub's own". Lock order: hub.mu, then a viewer's; the bench's
// lock is never taken while one of them is held.
type hub struct {
	bench Bench
	most  int
	log   *slog.Logger
	now   func() time.Time

	mu      sync.Mutex
	viewers map[*viewer]bool // true: greeted
	posts   []any            // messages from elsewhere, such as a run that was excluded
	closed  bool
	started bool
	kick    chan struct{} // capacity 1
	stop    chan struct{}
	done    chan struct{}
	sockets sync.WaitGroup

	count   atomic.Int64  // viewers
	skipped atomic.Uint64 // trace messages left out
	newest  atomic.Uint64 // number of the newest event seen

	// hub's own
	seq      uint64
	shown    []uint64 // number of the newest column sent, by channel
	channels []capture.ChannelInfo
	story    story
	lost     []uint64 // samples lost by the instrument and not yet told, by channel
	lostSeen map[string]uint64
	columns  []capture.Column
	frameAt  time.Time
	stateAt  time.Time
	changed  bool // since the last state
	dirty    bool // since the last trace messages

	lastProblem string // logged last
}

func newHub(b Bench, most int, log *slog.Logger) *hub {
	return &hub{
		bench: b, most: most, log: log, now: time.Now, viewers: map[*viewer]bool{},
		kick: make(chan struct{}, 1), stop: make(chan struct{}), done: make(chan struct{}), lostSeen: map[string]uint64{},
	}
}

func (h *hub) start() {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.started || h.closed {
		return
	}
	h.started = true
	go h.loop()
}

// close ends every socket and waits for all of them. It is called once, by the server.
func (h *hub) close() {
	h.mu.Lock()
	if h.closed {
		h.mu.Unlock()
		return
	}
	h.closed = true
	started := h.started
	for v := range h.viewers {
		v.end(websocket.CloseGoingAway, "the program ends")
	}
	h.mu.Unlock()
	close(h.stop)
	if started {
		<-h.done
	}
	h.sockets.Wait()
}

// post sends a text message of ours to everybody.
func (h *hub) post(m any) {
	h.mu.Lock()
	h.posts = append(h.posts, m)
	h.mu.Unlock()
	h.wake()
}

func (h *hub) wake() {
	select {
	case h.kick <- struct{}{}:
	default:
	}
}

// errFull is answered to a viewer beyond the limit.
func errFull(text string) *fault {
	return &fault{http.StatusServiceUnavailable, codeUnavailable, text, "close some pages and try again in a moment"}
}

// reserve takes a place before the handshake, so that viewers beyond the limit get an HTTP answer.
func (h *hub) reserve() error {
	h.mu.Lock()
	defer h.mu.Unlock()
	switch {
	case h.closed || !h.started:
		return errFull("the live view is not open")
	case int(h.count.Load()) >= h.most:
		return errFull("too many viewers at once")
	}
	h.count.Add(1)
	h.sockets.Add(1)
	return nil
}

func (h *hub) release() {
	h.count.Add(-1)
	h.sockets.Done()
}

// serve runs one socket until it ends; a place was reserved.
func (h *hub) serve(v *viewer) {
	h.mu.Lock()
	h.viewers[v] = false
	closed := h.closed
	h.mu.Unlock()
	go v.write()
	if closed {
		v.end(websocket.CloseGoingAway, "the program ends")
	}
	h.wake()
	v.read()
	v.end(websocket.CloseNormalClosure, "")
	<-v.gone
	h.mu.Lock()
	delete(h.viewers, v)
	h.mu.Unlock()
}

// loop is the hub's goroutine.
func (h *hub) loop() {
	defer close(h.done)
	timer := time.NewTimer(0)
	defer timer.Stop()
	for {
		changed := h.bench.Changed()
		h.events()
		now := h.now()
		if !now.Before(h.frameAt) {
			h.frameAt, h.dirty = now.Add(framePeriod), false
			h.trace(now)
		}
		if !now.Before(h.stateAt) {
			if busy := h.state(); busy || h.changed {
				h.stateAt = now.Add(statePeriod)
			} else {
				h.stateAt = now.Add(quietPeriod)
			}
			h.changed = false
		}
		if h.someoneCame() {
			h.trace(now) // so that the backlog reaches to this moment
		}
		h.greet(now)
		timer.Reset(h.pause(now))
		select {
		case <-h.stop:
			return
		case <-h.kick:
		case <-timer.C:
			continue
		case <-changed:
		}
		h.changed, h.dirty = true, true
		// A change while things were quiet is told in time, not with the next quiet state.
		if soon := now.Add(statePeriod); h.stateAt.After(soon) {
			h.stateAt = soon
		}
	}
}

// pause is how long nothing has to be sent unless something changes.
func (h *hub) pause(now time.Time) time.Duration {
	next := h.stateAt
	if h.dirty && h.frameAt.Before(next) {
		next = h.frameAt
	}
	return max(0, next.Sub(now))
}
