package web

import (
	"fmt"
	"testing"
	"time"

	"github.com/gorilla/websocket"
)

// quietViewer has no socket: what it is told waits to be looked at.
func quietViewer() *viewer {
	return &viewer{trace: true, wake: make(chan struct{}, 1), ready: func() {}}
}

func TestViewerQueues(t *testing.T) {
	names := map[*websocket.PreparedMessage]string{}
	message := func(name string) *websocket.PreparedMessage {
		m := new(websocket.PreparedMessage)
		names[m] = name
		return m
	}
	waiting := func(v *viewer) (out []string) {
		for {
			ms, _ := v.next(nil)
			if len(ms) == 0 {
				return out
			}
			for _, m := range ms {
				out = append(out, names[m])
			}
		}
	}
	now := time.Unix(1000, 0)
	for name, c := range map[string]struct {
		do   func(v *viewer)
		want string
	}{
		"texts keep their order": {func(v *viewer) {
			v.tell(told{m: message("run")}, told{m: message("mark 1")})
			v.tell(told{m: message("mark 2")})
		}, "[run mark 1 mark 2]"},
		"newer figures replace those that wait": {func(v *viewer) {
			v.tell(told{message("figures 1"), true})
			v.tell(told{message("figures 2"), true})
		}, "[figures 2]"},
		"figures never pass a mark or a run": {func(v *viewer) {
			v.tell(told{message("figures 1"), true}, told{m: message("mark")})
			v.tell(told{message("figures 2"), true}, told{m: message("run")})
		}, "[figures 1 mark figures 2 run]"},
		"only the newest state waits": {func(v *viewer) {
			v.tellState(message("state 1"))
			v.tellState(message("state 2"))
		}, "[state 2]"},
		"texts go before the trace": {func(v *viewer) {
			v.show(message("frame"), now)
			v.tellState(message("state"))
			v.tell(told{m: message("mark")})
		}, "[mark state frame]"},
		"too many frames are all left out, no text is": {func(v *viewer) {
			for i := range framesQueued + 5 {
				v.show(message(fmt.Sprint("frame ", i)), now)
			}
			v.tell(told{m: message("mark")})
			if _, _, ok := v.caughtUp(); ok {
				t.Error("caught up while a text waits")
			}
		}, "[mark]"},
		"a backlog takes the place of what was left out": {func(v *viewer) {
			for range framesQueued + 5 {
				v.show(message("frame"), now)
			}
			if _, _, ok := v.caughtUp(); ok {
				t.Error("caught up before the writer has looked")
			}
			v.next(nil)
			if n, since, ok := v.caughtUp(); !ok || n != framesQueued+5 || !since.Equal(now) {
				t.Errorf("caught up %v, %d skipped since %v, want all %d", ok, n, since, framesQueued+5)
			}
			v.catchUp([]*websocket.PreparedMessage{message("backlog")})
			v.show(message("newer"), now)
		}, "[backlog newer]"},
	} {
		t.Run(name, func(t *testing.T) {
			v := quietViewer()
			c.do(v)
			if got := fmt.Sprint(waiting(v)); got != c.want {
				t.Errorf("waiting %s, want %s", got, c.want)
			}
		})
	}
}
