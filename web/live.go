package web

import (
	"net/http"

	"github.com/gorilla/websocket"
)

// getLive turns the request into a live socket. Host, Origin and role were checked on the way here.
func (s *Server) getLive(w http.ResponseWriter, r *http.Request) error {
	if !websocket.IsWebSocketUpgrade(r) {
		w.Header().Set("Upgrade", "websocket")
		return &fault{http.StatusUpgradeRequired, "not_a_socket", "this address is for websockets", "see /help/live"}
	}
	trace := true
	switch v := r.URL.Query().Get("trace"); v {
	case "", "1":
	case "0":
		trace = false
	default:
		return malformed("use trace=0 or leave it out", "trace: %q is neither 0 nor 1", clip(v))
	}
	if q := r.URL.Query(); q.Has("replay") {
		return s.getReplay(w, r, q.Get("replay"), trace)
	}
	if err := s.hub.reserve(); err != nil {
		return err
	}
	defer s.hub.release()
	conn, err := upgrade(w, r)
	if err != nil {
		return nil // answered
	}
	s.hub.serve(newViewer(conn, trace, roleOf(r), s.hub.wake))
	return nil
}

// upgrade makes a socket of a request; an error was answered already.
func upgrade(w http.ResponseWriter, r *http.Request) (*websocket.Conn, error) {
	up := websocket.Upgrader{
		CheckOrigin:     func(*http.Request) bool { return true }, // the gate did, for every request
		ReadBufferSize:  1 << 10,
		WriteBufferSize: 4 << 10,
		Error: func(w http.ResponseWriter, r *http.Request, status int, reason error) {
			writeFault(w, &fault{status, codeMalformed, reason.Error(), "see /help/live"})
		},
	}
	return up.Upgrade(w, r, nil)
}
