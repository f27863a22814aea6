package web

import (
	"encoding/json"
	"math"
	"net/http"
	"strconv"
	"sync/atomic"
	"time"

	"github.com/gorilla/websocket"

	"letthrough/capture"
	"letthrough/capture/trace"
	"letthrough/store"
)

// A replay belongs to whoever looks: a socket of its own, /live?replay=RUN, with a detector of its own behind it. It
// tells what /live told when the run was live, and is steered by what its viewer sends. The bench knows nothing of it:
// a test that is armed or runs goes on, and no onset is missed because somebody looks back.

// mostReplays at once: each may take a good part of a core at a hundred times real time.
const mostReplays = 16

// replays counts the replays that go on.
type replays struct{ n atomic.Int64 }

func (r *replays) begin() error {
	if r.n.Add(1) > mostReplays {
		r.n.Add(-1)
		return errFull("too many replays at once")
	}
	return nil
}

func (r *replays) end() { r.n.Add(-1) }

// getReplay turns the request into the socket of a replay.
func (s *Server) getReplay(w http.ResponseWriter, r *http.Request, text string, trc bool) error {
	id, err := strconv.ParseInt(text, 10, 64)
	if err != nil || id < 1 {
		return malformed("give a run's number, such as /live?replay=15", "replay: %q is no number of a run", clip(text))
	}
	p, run, err := s.newReplay(r, id)
	if err != nil {
		return err
	}
	if err := s.replays.begin(); err != nil {
		return err
	}
	defer s.replays.end()
	if err := s.hub.reserve(); err != nil {
		return err
	}
	defer s.hub.release()
	conn, err := upgrade(w, r)
	if err != nil {
		return nil // answered
	}
	rs := &replaySession{p: p, run: run, stop: s.hub.stop, asks: make(chan replayAsk, 64), kick: make(chan struct{}, 1)}
	rs.v = newViewer(conn, trc, roleOf(r), func() {
		select {
		case rs.kick <- struct{}{}:
		default:
		}
	})
	rs.v.heard = rs.hear
	go rs.v.write()
	done := make(chan struct{})
	go func() {
		defer close(done)
		rs.loop(s)
	}()
	rs.v.read()
	rs.v.end(websocket.CloseNormalClosure, "")
	<-rs.v.gone
	<-done
	return nil
}

// newReplay makes a replay of a stored run.
func (s *Server) newReplay(r *http.Request, id int64) (*capture.Replay, store.Run, error) {
	run, err := s.store.Run(r.Context(), id)
	switch {
	case err != nil:
		return nil, run, err
	case run.State == trace.RunOpen:
		return nil, run, wrongState("see it live on the Bench", "run %d is still open", id)
	}
	marks, err := s.store.OutsideMarks(r.Context(), id)
	if err != nil {
		return nil, run, err
	}
	o := capture.ReplayOptions{
		Clock: s.opts.ReplayClock, Run: id, Unit: run.Plate, Setting: run.Setting, Rig: run.Rig, Output: run.Output, Settings: run.DerivedWith, Marks: marks,
		Started: run.Started, OpenedNS: trace.NS(run.OpenedS + run.ZeroS), Version: s.opts.Version,
	}
	for _, c := range run.Channels {
		o.Channels = append(o.Channels, c.Channel)
		if c.Samples > 0 {
			o.EndNS = max(o.EndNS, trace.NS(c.ToS+run.ZeroS))
		}
	}
	// Read in steps, so that a replay that stands holds no part of the database.
	o.Samples = func(read map[trace.Channel]int64) batchSeq { return s.store.BatchesFrom(r.Context(), id, read) }
	p, err := capture.NewReplay(o)
	return p, run, err
}

// replayAsk is what a viewer of a replay asks for; times count from the run's zero.
type replayAsk struct {
	Do    string   `json:"do"` // play, pause, go, step, speed, loop
	AtS   *float64 `json:"at_s"`
	By    int      `json:"by"`
	Times float64  `json:"times"`
	FromS *float64 `json:"from_s"`
	ToS   *float64 `json:"to_s"`
}

type replayStanding struct {
	Playing bool        `json:"playing"`
	Speed   float64     `json:"speed"`
	AtS     float64     `json:"at_s"`
	FromS   float64     `json:"from_s"`
	ToS     float64     `json:"to_s"`
	LoopS   *[2]float64 `json:"loop_s"`
	Ended   bool        `json:"ended"`
}

type replayHello struct {
	helloMessage
	Replay replayStanding `json:"replay"`
}

type replayState struct {
	stateMessage
	Replay replayStanding `json:"replay"`
}

type rewoundMessage struct {
	Type string `json:"type"`
	Run  int64  `json:"run"`
}

type errorMessage struct {
	Type string `json:"type"`
	Text string `json:"text"`
}

// replaySession is one replay and its viewer. Its loop alone touches the replay.
type replaySession struct {
	p     *capture.Replay
	v     *viewer
	run   store.Run
	stop  <-chan struct{} // the program ends
	asks  chan replayAsk
	kick  chan struct{} // the viewer has caught up
	story story
	shown []uint64
	told  time.Time // the state, last
}

// hear takes what the viewer sends; the loop is waited for, so that nobody can flood it.
func (rs *replaySession) hear(b []byte) {
	var ask replayAsk
	if err := json.Unmarshal(b, &ask); err != nil {
		ask = replayAsk{Do: clip(string(b))}
	}
	select {
	case rs.asks <- ask:
	case <-rs.v.gone:
	}
}

func (rs *replaySession) loop(s *Server) {
	// Whoever looks at a replay can do nothing to the bench from there.
	rs.say(s, replayHello{helloMessage{"hello", roleViewer, rs.p.Channels(), rs.p.State()}, rs.standing()})
	rs.shown = make([]uint64, len(rs.p.Channels()))
	timer := time.NewTimer(0)
	defer timer.Stop()
	for {
		asked := false
		select {
		case <-rs.stop:
			rs.v.end(websocket.CloseGoingAway, "the program ends")
			return
		case <-rs.v.gone:
			return
		case ask := <-rs.asks:
			asked = true
			rs.answer(s, rs.merged(ask))
		case <-rs.kick:
		case <-timer.C:
		}
		if err := rs.p.Advance(); err != nil {
			rs.v.tell(rs.texts(s, errorMessage{"error", reasonOf(err)})...)
			rs.v.end(websocket.CloseInternalServerErr, "the run cannot be read on")
			return
		}
		rs.tell(s, asked)
		wait := quietPeriod
		if rs.p.Standing().Playing {
			wait = framePeriod
		}
		timer.Reset(wait)
	}
}

// merged adds up what was asked meanwhile: of many places to go to only the last counts, and steps add up.
func (rs *replaySession) merged(first replayAsk) []replayAsk {
	list := []replayAsk{first}
	for {
		select {
		case ask := <-rs.asks:
			last := &list[len(list)-1]
			switch {
			case ask.Do == "go" && last.Do == "go":
				*last = ask
			case ask.Do == "step" && last.Do == "step":
				last.By += ask.By
			default:
				list = append(list, ask)
			}
		default:
			return list
		}
	}
}

func (rs *replaySession) answer(s *Server, asks []replayAsk) {
	for _, ask := range asks {
		if err := rs.do(ask); err != nil {
			rs.v.tell(rs.texts(s, errorMessage{"error", reasonOf(err)})...)
		}
	}
}

// mostStep bounds a step, in samples.
const mostStep = 10000

func (rs *replaySession) do(ask replayAsk) error {
	ns := func(t *float64) int64 {
		if t == nil || math.IsNaN(*t) || math.Abs(*t) > 1e9 {
			return 0
		}
		return trace.NS(*t + rs.run.ZeroS)
	}
	switch ask.Do {
	case "play":
		return rs.p.Play()
	case "pause":
		rs.p.Pause()
		return nil
	case "go":
		if ask.AtS == nil {
			return malformed("", "at_s: say where to, in seconds from the onset")
		}
		return rs.p.GoTo(ns(ask.AtS))
	case "step":
		return rs.p.Step(min(max(ask.By, -mostStep), mostStep))
	case "speed":
		return rs.p.SetSpeed(ask.Times)
	case "loop":
		if ask.FromS == nil || ask.ToS == nil {
			return rs.p.Loop(0, 0)
		}
		return rs.p.Loop(ns(ask.FromS), ns(ask.ToS))
	}
	return malformed("", "do: use play, pause, go, step, speed or loop")
}

// reasonOf says an error as a person reads it.
func reasonOf(err error) string {
	if f, known := faultOf(err); known {
		return asSentence(f.text)
	}
	return asSentence(err.Error())
}

// tell sends what is new: a page that was told what is no longer so forgets it first.
func (rs *replaySession) tell(s *Server, asked bool) {
	events, rewound := rs.p.Events()
	var ms []any
	if rewound {
		rs.story = story{}
		ms = append(ms, rewoundMessage{"rewound", rs.run.ID})
	}
	var news []any
	for _, e := range events {
		news = append(news, rs.story.take(e)...)
	}
	if len(news) > marksTold {
		// A leap over a long train of retries: told as to somebody who comes later, or the marks alone would be more
		// than may wait for a viewer.
		news = rs.story.all()
	}
	ms = append(ms, news...)
	rs.v.tell(rs.texts(s, ms...)...)
	if now := time.Now(); asked || rewound || len(ms) > 0 || now.Sub(rs.told) >= statePeriod {
		rs.told = now
		if m := s.hub.text(replayState{stateMessage{"state", rs.p.State()}, rs.standing()}); m != nil {
			rs.v.tellState(m)
		}
	}
	if rs.v.trace {
		rs.show(s, rewound)
	}
}

// show sends the columns that are new, or all anew.
func (rs *replaySession) show(s *Server, anew bool) {
	if n, since, late := rs.v.caughtUp(); late {
		rs.v.tell(rs.texts(s, skippedMessage{"skipped", n, time.Since(since).Seconds()})...)
		anew = true
	}
	var frames []*websocket.PreparedMessage
	for ch := range rs.shown {
		kind, cols, last, missed := frameAppend, []capture.Column(nil), rs.shown[ch], uint64(0)
		if !anew {
			cols, last, missed = rs.p.Columns(ch, rs.shown[ch], nil)
		}
		if anew || missed > 0 {
			cols, last = rs.p.Window(ch)
			kind = frameBacklog
		}
		rs.shown[ch] = last
		for _, b := range encodeFrames(kind, ch, 0, cols) {
			if m, err := websocket.NewPreparedMessage(websocket.BinaryMessage, b); err == nil {
				frames = append(frames, m)
			}
		}
	}
	if anew {
		rs.v.catchUp(frames)
		return
	}
	now := time.Now()
	for _, m := range frames {
		rs.v.show(m, now)
	}
}

// say sends a message that is not bound to the run's story.
func (rs *replaySession) say(s *Server, m any) { rs.v.tell(rs.texts(s, m)...) }

func (rs *replaySession) texts(s *Server, ms ...any) []told { return s.hub.texts(ms) }

// standing puts where the replay stands on the run's zero.
func (rs *replaySession) standing() replayStanding {
	at, zero := rs.p.Standing(), rs.run.ZeroS
	out := replayStanding{Playing: at.Playing, Speed: at.Speed, AtS: at.AtS - zero, FromS: -zero, ToS: at.EndS - zero, Ended: at.Ended}
	if at.LoopS != nil {
		out.LoopS = &[2]float64{at.LoopS[0] - zero, at.LoopS[1] - zero}
	}
	return out
}
