package web

import (
	"log/slog"
	"math"
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
	statePeriod = 100 * time.Millisecond // while something changes
	quietPeriod = time.Second            // while nothing does
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
			h.state()
			h.stateAt = now.Add(statePeriod)
			if !h.changed {
				h.stateAt = now.Add(quietPeriod)
			}
			h.changed = false
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

// everybody gives the viewers that were greeted.
func (h *hub) everybody(f func(*viewer)) {
	h.mu.Lock()
	defer h.mu.Unlock()
	for v, greeted := range h.viewers {
		if greeted {
			f(v)
		}
	}
}

// text encodes a message once for all. What cannot be encoded is a defect of ours: logged, not sent.
func (h *hub) text(m any) *websocket.PreparedMessage {
	b, err := encodeText(m)
	if err == nil {
		var p *websocket.PreparedMessage
		if p, err = websocket.NewPreparedMessage(websocket.TextMessage, b); err == nil {
			return p
		}
	}
	h.log.Error("live message", "err", err)
	return nil
}

// events sends what the bench logged since the last time, and keeps the story of the run for those
// who come later.
func (h *hub) events() {
	events, last, missed := h.bench.Events(h.seq)
	h.seq = last
	h.newest.Store(last)
	h.mu.Lock()
	posts := h.posts
	h.posts = nil
	h.mu.Unlock()
	var ms []any
	if missed > 0 {
		h.log.Warn("live view lagged behind the bench", "events", missed)
	}
	for _, e := range events {
		ms = append(ms, h.story.take(e)...)
		if e.Kind == capture.EventBench || e.Kind == capture.EventInstrument || e.Kind == capture.EventRun {
			h.stateAt = time.Time{}
		}
	}
	h.broadcast(append(ms, posts...))
}

func (h *hub) broadcast(ms []any) {
	if len(ms) == 0 {
		return
	}
	var out []*websocket.PreparedMessage
	for _, m := range ms {
		if p := h.text(m); p != nil {
			out = append(out, p)
		}
	}
	h.everybody(func(v *viewer) { v.tell(out...) })
}

// state sends the state to everybody and notes what the instruments lost.
func (h *hub) state() {
	if h.count.Load() == 0 {
		return
	}
	st := h.bench.State()
	h.noteLost(st)
	if p := h.text(stateMessage{"state", st}); p != nil {
		h.everybody(func(v *viewer) { v.tellState(p) })
	}
}

// noteLost hands what an instrument lost since the last look to its channels' next trace message.
func (h *hub) noteLost(st capture.State) {
	for _, in := range st.Instruments {
		before, known := h.lostSeen[in.Name]
		h.lostSeen[in.Name] = in.Lost
		if !known || in.Lost <= before {
			continue
		}
		for i, c := range h.channels {
			if c.Instrument == in.Name {
				h.lost[i] += in.Lost - before
			}
		}
	}
}

// trace sends the columns that are new.
func (h *hub) trace(now time.Time) {
	h.learnChannels()
	for ch := range h.channels {
		if h.count.Load() == 0 { // only keep up with the number
			_, h.shown[ch], _ = h.bench.Columns(ch, math.MaxUint64, nil)
			continue
		}
		cols, last, missed := h.bench.Columns(ch, h.shown[ch], h.columns[:0])
		h.shown[ch], h.columns = last, cols
		if missed > 0 {
			h.everybody(func(v *viewer) {
				if v.trace {
					v.lost(now)
				}
			})
			continue
		}
		for _, b := range encodeFrames(frameAppend, ch, h.lost[ch], cols) {
			h.lost[ch] = 0
			p, err := websocket.NewPreparedMessage(websocket.BinaryMessage, b)
			if err != nil {
				h.log.Error("live trace", "err", err)
				continue
			}
			h.everybody(func(v *viewer) {
				if v.trace {
					v.show(p, now)
				}
			})
		}
	}
}

// learnChannels looks for instruments that were added. Viewers are greeted anew then, since the
// numbers of channels are told in hello.
func (h *hub) learnChannels() {
	channels := h.bench.Channels()
	if len(channels) == len(h.channels) {
		return
	}
	h.channels = channels
	for len(h.shown) < len(channels) {
		h.shown, h.lost = append(h.shown, 0), append(h.lost, 0)
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	for v := range h.viewers {
		h.viewers[v] = false
	}
}

// greet sends hello, the run so far and the backlog to those who came, and the backlog to those who
// lagged and have caught up.
func (h *hub) greet(now time.Time) {
	var fresh, late []*viewer
	h.mu.Lock()
	for v, greeted := range h.viewers {
		if !greeted {
			fresh = append(fresh, v)
			h.viewers[v] = true
		} else if _, _, ok := v.caughtUp(); ok {
			late = append(late, v)
		}
	}
	h.mu.Unlock()
	if len(fresh) > 0 {
		h.welcome(fresh)
	}
	if len(late) > 0 {
		frames := h.backlog(laggedColumns)
		for _, v := range late {
			n, since, _ := v.caughtUp()
			h.skipped.Add(uint64(n))
			if p := h.text(skippedMessage{"skipped", n, now.Sub(since).Seconds()}); p != nil {
				v.tell(p)
			}
			v.catchUp(frames)
		}
	}
}

func (h *hub) welcome(fresh []*viewer) {
	st := h.bench.State()
	hello := map[role]*websocket.PreparedMessage{}
	var told []*websocket.PreparedMessage
	for _, m := range h.story.whole() {
		if p := h.text(m); p != nil {
			told = append(told, p)
		}
	}
	frames := h.backlog(0)
	for _, v := range fresh {
		if hello[v.role] == nil {
			hello[v.role] = h.text(helloMessage{"hello", v.role, h.channels, st})
		}
		if hello[v.role] == nil {
			v.end(websocket.CloseInternalServerErr, "the state cannot be told")
			continue
		}
		v.tell(append([]*websocket.PreparedMessage{hello[v.role]}, told...)...)
		if v.trace {
			v.catchUp(frames)
		}
	}
}

// backlog makes the trace messages of everything kept, up to the columns already sent: what came
// after them follows as append. most bounds the columns of a channel; 0: all.
func (h *hub) backlog(most int) []*websocket.PreparedMessage {
	var out []*websocket.PreparedMessage
	for ch := range h.channels {
		cols, last := h.bench.Window(ch)
		if ahead := last - h.shown[ch]; last > h.shown[ch] {
			cols = cols[:len(cols)-int(min(ahead, uint64(len(cols))))]
		}
		if most > 0 {
			cols = thin(cols, most)
		}
		for _, b := range encodeFrames(frameBacklog, ch, 0, cols) {
			if p, err := websocket.NewPreparedMessage(websocket.BinaryMessage, b); err == nil {
				out = append(out, p)
			}
		}
	}
	return out
}
