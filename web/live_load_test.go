package web

import (
	"encoding/json"
	"fmt"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/gorilla/websocket"
)

// A viewer that never reads fills the kernel's buffers, then its own queue; the others and the bench
// must not notice, and it is let go in the end.
func TestViewerThatNeverReads(t *testing.T) {
	ts := newTestServer(t)
	c := ts.rawConn(t)
	if err := c.(*net.TCPConn).SetReadBuffer(4 << 10); err != nil {
		t.Fatal(err)
	}
	fmt.Fprintf(c, "GET /live HTTP/1.1\r\nHost: %s\r\nUpgrade: websocket\r\nConnection: Upgrade\r\nSec-WebSocket-Version: 13\r\nSec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\n\r\n", ts.Addr())
	eventually(t, "two viewers", func() bool { return ts.hub.count.Load() == 1 })
	s := ts.dial(t, "", nil)
	s.until("hello")

	next := 0
	var slowest time.Duration
	for !ts.someoneLags() {
		if next > 10_000_000 {
			t.Fatal("the viewer that never reads was not noticed")
		}
		ts.bench.addColumns(0, steadyColumns(next, 2000)...)
		ts.bench.forget(0, 10_000)
		begin := time.Now()
		next += 2000
		s.seen(next) // the other one gets each piece before the next is made
		slowest = max(slowest, time.Since(begin))
	}
	if slowest > 2*time.Second {
		t.Errorf("the other viewer waited %v", slowest)
	}
	// Marks may not be left out: a viewer that takes none is closed.
	for i := range textsQueued + 10 {
		e := runEvents()[1]
		e.Run, e.Mark.ID = 3, i
		if i == 0 {
			ts.bench.publish(runEvents()[0])
		}
		ts.bench.publish(e)
		s.until("mark")
	}
	eventually(t, "the viewer that never reads is let go", func() bool { return ts.hub.count.Load() == 1 })
	ts.bench.publish(runEvents()[5])
	s.until("figures")
}

// seen reads on until the steady columns before next have come.
func (s *socket) seen(next int) {
	s.t.Helper()
	for {
		if m := s.next(); m.frame != nil && len(m.frame.t) > 0 && m.frame.lo[len(m.frame.t)-1] >= float32(next-1) {
			return
		}
	}
}

// someoneLags tells whether trace messages are being left out for a viewer.
func (ts *testServer) someoneLags() bool {
	ts.hub.mu.Lock()
	defer ts.hub.mu.Unlock()
	for v := range ts.hub.viewers {
		v.mu.Lock()
		lagging := v.lagging
		v.mu.Unlock()
		if lagging {
			return true
		}
	}
	return false
}

// A viewer that falls behind and comes back skips to now, and is told so.
func TestViewerThatLags(t *testing.T) {
	ts := newTestServer(t)
	small := websocket.Dialer{NetDial: func(network, addr string) (net.Conn, error) {
		c, err := net.Dial(network, addr)
		if err == nil {
			err = c.(*net.TCPConn).SetReadBuffer(128 << 10)
		}
		return c, err
	}}
	c, _, err := small.Dial("ws"+strings.TrimPrefix(ts.url, "http")+"/live", nil)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	if err := c.SetReadDeadline(time.Now().Add(patience)); err != nil {
		t.Fatal(err)
	}
	s := &socket{c, t}
	s.until("hello")
	other := ts.dial(t, "", nil)
	next := 0
	for !ts.someoneLags() {
		ts.bench.addColumns(0, steadyColumns(next, 2000)...)
		next += 2000
		ts.bench.forget(0, 10_000)
		other.seen(next)
	}
	m, _ := s.until("skipped")
	if m.text["messages"].(float64) < framesQueued || m.text["seconds"].(float64) <= 0 {
		t.Errorf("told %v, want at least %d messages over some time", m.text, framesQueued)
	}
	f, _ := s.until("frame")
	if n := len(f.frame.t); f.frame.kind != byte(frameBacklog) || n == 0 || n > laggedColumns+1 || f.frame.hi[n-1] != float32(next)-0.5 {
		t.Fatalf("kind %d, %d columns to %v: want a coarse backlog up to %v", f.frame.kind, n, f.frame.hi[max(n, 1)-1], float32(next)-0.5)
	}
	ts.bench.addColumns(0, steadyColumns(next, 5)...)
	f, _ = s.until("frame")
	if f.frame.kind != byte(frameAppend) || len(f.frame.t) != 5 || f.frame.lo[0] != float32(next) {
		t.Errorf("then came kind %d with %d columns from %v, want the 5 new ones", f.frame.kind, len(f.frame.t), f.frame.lo)
	}
	if ts.hub.skipped.Load() == 0 {
		t.Error("nothing was counted as skipped")
	}
}

func TestViewersBeyondTheLimit(t *testing.T) {
	ts := newTestServer(t, func(o *Options) { o.MaxViewers = 3 })
	var in []*socket
	for range 3 {
		s := ts.dial(t, "", nil)
		s.until("hello")
		in = append(in, s)
	}
	_, resp, err := websocket.DefaultDialer.Dial("ws"+strings.TrimPrefix(ts.url, "http")+"/live", nil)
	if err == nil || resp == nil || resp.StatusCode != 503 {
		t.Fatalf("err %v, answer %v: want 503", err, resp)
	}
	in[0].Close()
	eventually(t, "a place is free again", func() bool { return ts.hub.count.Load() == 2 })
	ts.dial(t, "", nil).until("hello")
}

func TestTwoHundredViewers(t *testing.T) {
	ts := newTestServer(t)
	const n = defaultMaxViewers
	got := make(chan error, n)
	var all sync.WaitGroup
	for range n {
		s := ts.dial(t, "", nil)
		all.Add(1)
		go func() {
			defer all.Done()
			got <- readUntilFigures(s)
		}()
	}
	eventually(t, "all are in", func() bool { return ts.hub.count.Load() == n })
	for i := range 50 {
		ts.bench.addColumns(0, steadyColumns(i*100, 100)...)
	}
	ts.bench.publish(runEvents()...)
	all.Wait()
	for range n {
		if err := <-got; err != nil {
			t.Fatal(err)
		}
	}
}

// readUntilFigures checks that nothing that must come is missing on the way.
func readUntilFigures(s *socket) error {
	marks := map[float64]bool{}
	for {
		kind, b, err := s.ReadMessage()
		if err != nil {
			return err
		}
		if kind != websocket.TextMessage {
			continue
		}
		var m struct {
			Type string
			ID   float64
		}
		if err := json.Unmarshal(b, &m); err != nil {
			return err
		}
		switch m.Type {
		case "mark":
			marks[m.ID] = true
		case "figures":
			if len(marks) != 3 {
				return fmt.Errorf("%d marks came before the figures, want 3", len(marks))
			}
			return nil
		}
	}
}
