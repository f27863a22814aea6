package web

import (
	"math"
	"slices"
	"time"

	"github.com/gorilla/websocket"

	"letthrough/capture"
)

// What the hub's goroutine sends: events at once, the trace in steps, the state now and then, and
// everything so far to those who come.

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
	if h.lastProblem != err.Error() { // else the log would hold ten of these a second
		h.lastProblem = err.Error()
		h.log.Error("live message", "err", err)
	}
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
	out := h.texts(ms)
	h.everybody(func(v *viewer) { v.tell(out...) })
}

func (h *hub) texts(ms []any) (out []told) {
	for _, m := range ms {
		if p := h.text(m); p != nil {
			_, figures := m.(figuresMessage)
			out = append(out, told{p, figures})
		}
	}
	return out
}

// state sends the state to everybody, notes what the instruments lost, and tells whether anything is
// being received: a meter of one reading a second keeps the page as fresh as a fast board does.
func (h *hub) state() (busy bool) {
	if h.count.Load() == 0 {
		return false
	}
	st := h.bench.State()
	h.noteLost(st)
	if p := h.text(stateMessage{"state", st}); p != nil {
		h.everybody(func(v *viewer) { v.tellState(p) })
	}
	return st.Bench != capture.Idle || slices.ContainsFunc(st.Instruments, func(in capture.InstrumentState) bool { return in.RateHz > 0 })
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

func (h *hub) someoneCame() bool {
	h.mu.Lock()
	defer h.mu.Unlock()
	for _, greeted := range h.viewers {
		if !greeted {
			return true
		}
	}
	return false
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
			v.tell(h.texts([]any{skippedMessage{"skipped", n, now.Sub(since).Seconds()}})...)
			v.catchUp(frames)
		}
	}
}

func (h *hub) welcome(fresh []*viewer) {
	st := h.bench.State()
	hello := map[role]*websocket.PreparedMessage{}
	whole := h.texts(h.story.whole())
	frames := h.backlog(0)
	for _, v := range fresh {
		if hello[v.role] == nil {
			hello[v.role] = h.text(helloMessage{"hello", v.role, h.channels, st})
		}
		if hello[v.role] == nil {
			v.end(websocket.CloseInternalServerErr, "the state cannot be told")
			continue
		}
		v.tell(told{m: hello[v.role]})
		v.tell(whole...)
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
