package web

import (
	"fmt"
	"net"
	"sync"
	"time"
)

// boundedListener lets only so many connections live at once. One more is told so and closed, which
// keeps the number of file descriptors below what the serial library can wait on.
type boundedListener struct {
	net.Listener
	slots chan struct{}
}

func newBoundedListener(l net.Listener, most int) net.Listener {
	return &boundedListener{Listener: l, slots: make(chan struct{}, most)}
}

// Accept gives the next connection that has room.
func (l *boundedListener) Accept() (net.Conn, error) {
	for {
		c, err := l.Listener.Accept()
		if err != nil {
			return nil, err
		}
		select {
		case l.slots <- struct{}{}:
			return &boundedConn{Conn: c, free: sync.OnceFunc(func() { <-l.slots })}, nil
		default:
			refuseConn(c)
		}
	}
}

// refuseConn answers without reading: a fresh socket's buffer takes this much at once.
func refuseConn(c net.Conn) {
	_ = c.SetDeadline(time.Now().Add(100 * time.Millisecond))
	_, _ = fmt.Fprintf(c, "HTTP/1.1 503 Service Unavailable\r\nContent-Type: application/json\r\nConnection: close\r\n"+
		"Content-Length: %d\r\n\r\n%s", len(fullBody), fullBody)
	_ = c.Close()
}

const fullBody = `{"error":{"code":"unavailable","text":"too many connections at once","hint":"close some pages and try again in a moment"}}` + "\n"

type boundedConn struct {
	net.Conn
	free func()
}

// Close frees the slot, once.
func (c *boundedConn) Close() error {
	err := c.Conn.Close()
	c.free()
	return err
}
