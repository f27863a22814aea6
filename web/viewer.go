package web

import (
	"io"
	"net"
	"sync"
	"time"

	"github.com/gorilla/websocket"
)

// What a viewer may hold up before it is helped or let go. Trace messages may be left out, since a
// backlog makes up for them; marks, figures and runs never are: a viewer too slow even for those is
// closed, and its page comes back for the whole story.
const (
	framesQueued  = 32               // about half a second of trace messages
	textsQueued   = 512              // marks, figures and runs
	socketBuffer  = 64 << 10         // small, so that a lag shows here and not in the kernel's 4 MB
	writeTimeout  = 10 * time.Second // of one message; a viewer that takes none for so long is closed
	pingPeriod    = 20 * time.Second
	pongTimeout   = 50 * time.Second
	goodbye       = 300 * time.Millisecond // for the close message
	readLimit     = 512                    // viewers have nothing to say here
	laggedColumns = 4096                   // of a channel, sent to a viewer that lagged: it is slow already
)

// viewer is one live socket. The hub puts messages in, the viewer's own goroutine writes them; the
// hub never waits.
type viewer struct {
	conn  *websocket.Conn
	trace bool // wants trace messages
	role  role

	mu      sync.Mutex
	texts   []told
	state   *websocket.PreparedMessage // the newest; an older one is of no use
	frames  []*websocket.PreparedMessage
	lagging bool      // trace messages were left out
	drained bool      // and everything that waited has been written since: the hub may send a backlog
	skipped int       // how many
	since   time.Time // the first of them
	bye     []byte    // close message; set once the viewer is to go

	wake  chan struct{} // capacity 1
	gone  chan struct{} // closed when the writer has ended
	ready func()        // tells the hub that a viewer that lagged has drained
	heard func([]byte)  // takes what the viewer says; nil: it is not listened to
}

// told is a text message that waits. Figures so far replace figures that still wait right before
// them: nothing is lost by that, and a slow link is not made slower.
type told struct {
	m       *websocket.PreparedMessage
	figures bool
}

func newViewer(conn *websocket.Conn, trace bool, who role, ready func()) *viewer {
	if tcp, ok := underlying(conn.NetConn()).(*net.TCPConn); ok {
		_ = tcp.SetWriteBuffer(socketBuffer) // else a lag is only noticed later
	}
	return &viewer{conn: conn, trace: trace, role: who, wake: make(chan struct{}, 1), gone: make(chan struct{}), ready: ready}
}

func underlying(c net.Conn) net.Conn {
	if b, ok := c.(*boundedConn); ok {
		return b.Conn
	}
	return c
}

func (v *viewer) nudge() {
	select {
	case v.wake <- struct{}{}:
	default:
	}
}

// tell queues messages that must arrive. A viewer with too many of them waiting is closed.
func (v *viewer) tell(ms ...told) {
	v.mu.Lock()
	for _, m := range ms {
		if n := len(v.texts); n > 0 && m.figures && v.texts[n-1].figures {
			v.texts[n-1] = m
		} else {
			v.texts = append(v.texts, m)
		}
	}
	full := len(v.texts) > textsQueued
	v.mu.Unlock()
	if full {
		v.end(websocket.CloseTryAgainLater, "too slow: come back for the whole story")
		return
	}
	v.nudge()
}

// tellState queues the newest state in place of one that still waits.
func (v *viewer) tellState(m *websocket.PreparedMessage) {
	v.mu.Lock()
	v.state = m
	v.mu.Unlock()
	v.nudge()
}

// show queues a trace message, or counts it as skipped.
func (v *viewer) show(m *websocket.PreparedMessage, now time.Time) {
	v.mu.Lock()
	switch {
	case v.lagging:
		v.skipped++
	case len(v.frames) >= framesQueued:
		// What waits is older than the backlog that will follow: it goes too.
		v.lag(now)
	default:
		v.frames = append(v.frames, m)
	}
	v.mu.Unlock()
	v.nudge()
}

// caughtUp tells whether a viewer that lagged has taken everything else, and what it missed.
func (v *viewer) caughtUp() (skipped int, since time.Time, ok bool) {
	v.mu.Lock()
	defer v.mu.Unlock()
	return v.skipped, v.since, v.lagging && v.drained
}

// lost makes a viewer one that lagged, where the hub itself missed columns.
func (v *viewer) lost(now time.Time) {
	v.mu.Lock()
	defer v.mu.Unlock()
	if !v.lagging {
		v.lag(now)
	}
	v.nudge() // a viewer with nothing to write has drained already
}

// lag begins to leave trace messages out; mu is held.
func (v *viewer) lag(now time.Time) {
	v.lagging, v.drained, v.since, v.skipped = true, false, now, len(v.frames)+1
	v.frames = nil
}

// catchUp puts a backlog in place of everything that was left out.
func (v *viewer) catchUp(frames []*websocket.PreparedMessage) {
	v.mu.Lock()
	v.lagging, v.drained, v.skipped = false, false, 0
	v.frames = append(v.frames[:0:0], frames...)
	v.mu.Unlock()
	v.nudge()
}

// next takes what is to be written now: texts first, then the state, then one trace message. Where
// that is nothing, a viewer that lagged has drained.
func (v *viewer) next(dst []*websocket.PreparedMessage) (ms []*websocket.PreparedMessage, bye []byte) {
	v.mu.Lock()
	defer v.mu.Unlock()
	ms = dst
	for _, t := range v.texts {
		ms = append(ms, t.m)
	}
	v.texts = v.texts[:0]
	if v.state != nil {
		ms = append(ms, v.state)
		v.state = nil
	}
	if len(v.frames) > 0 {
		ms = append(ms, v.frames[0])
		v.frames = v.frames[1:]
	}
	if len(ms) == 0 && v.lagging && !v.drained {
		v.drained = true
		v.ready()
	}
	return ms, v.bye
}

// end makes the writer say goodbye and close. It does not wait.
func (v *viewer) end(code int, why string) {
	v.mu.Lock()
	if v.bye == nil {
		v.bye = websocket.FormatCloseMessage(code, why)
	}
	v.mu.Unlock()
	// A write that hangs must not keep a viewer that is to go.
	_ = v.conn.NetConn().SetWriteDeadline(time.Now().Add(goodbye))
	v.nudge()
}

// write is the viewer's own goroutine.
func (v *viewer) write() {
	defer close(v.gone)
	defer v.conn.Close()
	ping := time.NewTicker(pingPeriod)
	defer ping.Stop()
	var ms []*websocket.PreparedMessage
	for {
		var bye []byte
		ms, bye = v.next(ms[:0])
		if bye != nil {
			_ = v.conn.WriteControl(websocket.CloseMessage, bye, time.Now().Add(goodbye))
			return
		}
		for _, m := range ms {
			_ = v.conn.SetWriteDeadline(time.Now().Add(writeTimeout))
			if err := v.conn.WritePreparedMessage(m); err != nil {
				return
			}
		}
		if len(ms) > 0 {
			continue
		}
		select {
		case <-v.wake:
		case <-ping.C:
			if err := v.conn.WriteControl(websocket.PingMessage, nil, time.Now().Add(writeTimeout)); err != nil {
				return
			}
		}
	}
}

// read waits until the other end goes or falls silent. What a viewer says is listened to only where it steers
// something of its own.
func (v *viewer) read() {
	v.conn.SetReadLimit(readLimit)
	alive := func(string) error { return v.conn.SetReadDeadline(time.Now().Add(pongTimeout)) }
	_ = alive("")
	v.conn.SetPongHandler(alive)
	for {
		_, r, err := v.conn.NextReader()
		if err != nil {
			return
		}
		if v.heard == nil {
			continue
		}
		b, err := io.ReadAll(r) // bounded by readLimit
		if err != nil {
			return
		}
		v.heard(b)
		_ = alive("") // a person who steers is there
	}
}
