package capture

import (
	"fmt"
	"math"
	"reflect"
	"strings"

	"letthrough/capture/rig"
	"letthrough/capture/trace"
)

// Guard says how near the rig's weakest part is to its limit.
type Guard struct {
	Rig         string   `json:"rig"`
	Part        string   `json:"part"`
	Used        *float64 `json:"used"`         // share of what the part stands, 0 to above 1
	SecondsLeft *float64 `json:"seconds_left"` // at the present current; null: it stands that for ever
	Level       string   `json:"level"`        // quiet, well, half, near, limit
	Text        string   `json:"text"`
	HoldUses    *float64 `json:"hold_uses"` // share used at the end of this hold, at the present current
	Lasts       *bool    `json:"lasts"`     // whether it lasts the hold; null: no hold goes on
	OpenNow     bool     `json:"open_now"`  // used up, and current still flows
	RestS       float64  `json:"rest_s"`    // until every part is ready for another hold; 0: ready
	RestFor     string   `json:"rest_for"`  // the part that takes longest
}

// rigsKept bounds how many rigs' warmth is remembered.
const rigsKept = 16

// guarding is what the bench knows of the rigs that stood on it; b.mu is held.
type guarding struct {
	rig    string
	known  bool // the rig is on the shelf
	parts  []trace.RigPart
	guard  *rig.Guard // nil: no rig was named yet
	others []guardedRig
	level  rig.Level // told last
	spent  bool      // a part was used up, and has not cooled to half of that yet
	alarm  bool      // a part was used up, and current has not ceased since
	toldNS int64
}

// guardedRig is a rig that was taken off the bench, and may still be warm.
type guardedRig struct {
	name  string
	parts []trace.RigPart
	guard *rig.Guard
}

// useRig puts the guard on the rig that the next test stands on; b.mu is held.
func (b *Bench) useRig(name string, parts []trace.RigPart, known bool, p *plan, now int64) {
	w := &b.watched
	expect := rig.GuardSettings{FullScaleA: p.settings.FullScaleA, ProspectiveA: p.settings.ProspectiveA}
	if expect.ProspectiveA == 0 {
		expect.ProspectiveA = rig.AssumedTimes * p.settings.RatedCurrentA
	}
	same := w.guard != nil && strings.EqualFold(w.rig, name) && reflect.DeepEqual(w.parts, parts)
	if !same {
		if w.guard != nil {
			w.others = append(w.others, guardedRig{w.rig, w.parts, w.guard})
			if len(w.others) > rigsKept {
				w.others = w.others[1:]
			}
		}
		w.rig, w.parts, w.guard = name, parts, nil
		for i, o := range w.others {
			if strings.EqualFold(o.name, name) && reflect.DeepEqual(o.parts, parts) {
				w.guard = o.guard
				w.others = append(w.others[:i:i], w.others[i+1:]...)
				break
			}
		}
		if w.guard == nil {
			w.guard = rig.NewGuard(parts, expect)
		}
		w.guard.Rest(now) // it stood beside the bench
	}
	w.known = known
	w.guard.Expect(expect)
	if same {
		w.guard.Rest(0) // a new count of gaps and of readings beyond the range
	}
	w.level, w.spent, w.alarm = w.guard.Level(), w.spent && same, false
}

// feedGuard gives the guard what the current really was, and acts where a part has used up what it stands;
// b.mu is held.
func (b *Bench) feedGuard(c *channel, samples []trace.Sample) {
	w := &b.watched
	if w.guard == nil || !w.guard.Watches() || c != b.currentChannel() {
		return
	}
	w.guard.Feed(samples)
	w.alarm = w.alarm && w.guard.Flows()
	level := w.guard.Level()
	if level == w.level {
		return
	}
	w.level = level
	switch level {
	case rig.AtLimit:
		w.spent, w.alarm = true, true
		b.guardAlarm()
	case rig.Well:
		w.spent = false
	}
	b.tellGuard(b.clock.NowNS())
}

// guardAlarm: a part has used up what it stands. A fall of the current after this may be somebody's hand.
func (b *Bench) guardAlarm() {
	b.log.Warn("guard", "says", b.watched.guard.State().Text)
	b.openBecause("guard: " + b.watched.guard.State().Part + " has used up what it stands")
	r := b.run
	if r != nil {
		r.alarm = true
	}
	if r == nil || !r.hold || r.removedNS != 0 || r.settings.FinalFall != "" {
		return
	}
	r.settings.FinalFall = trace.FallAsked
	r.det.SetFinalFall(trace.FallAsked)
	r.fresh = true
	b.rec.Amend(r.id, r.settings)
}

// guardEveryNS is how often the guard is told while a run is open, in real time.
const guardEveryNS = 200e6

// keepGuard tells the guard now and then while a run is open; b.mu is held.
func (b *Bench) keepGuard(now int64) {
	w := &b.watched
	if w.guard != nil && w.guard.Watches() && b.run != nil && now-w.toldNS >= int64(guardEveryNS*speedOf(b.clock)) {
		b.tellGuard(now)
	}
}

func (b *Bench) tellGuard(now int64) {
	b.watched.toldNS = now
	g := b.guardState(now)
	e := Event{Kind: EventGuard, AtNS: now, Guard: &g}
	if b.run != nil {
		e.Run = b.run.id
	}
	b.publish(e)
}

// spent says why nothing may be closed while a part has no heat left to take; b.mu is held.
func (b *Bench) spent() error {
	w := &b.watched
	if w.guard == nil || !w.spent {
		return nil
	}
	rest, part := w.guard.RestTo(rig.HalfUsed)
	return refuse(CodeState, "let it rest "+fmt.Sprintf("%.0f s", math.Ceil(rest)), "%s has used up what it stands", part)
}

// guardState says how the rig is; b.mu is held.
func (b *Bench) guardState(now int64) Guard {
	w := &b.watched
	if w.guard == nil || !w.guard.Watches() {
		g := Guard{Rig: w.rig, Level: string(rig.Quiet), Text: "No rig is known, so nothing watches its parts."}
		switch {
		case w.guard == nil || w.rig == "":
		case !w.known:
			g.Text = fmt.Sprintf("There is no rig %q on the shelf, so nothing watches its parts.", w.rig)
		default:
			g.Text = w.guard.State().Text
		}
		return g
	}
	s := w.guard.State()
	g := Guard{Rig: w.rig, Part: s.Part, Used: ptr(s.Used), Level: string(s.Level), Text: s.Text}
	if !math.IsInf(s.SecondsLeft, 0) && !math.IsNaN(s.SecondsLeft) {
		g.SecondsLeft = ptr(s.SecondsLeft)
	}
	flows := w.guard.Flows()
	g.OpenNow = w.alarm && flows
	if !flows {
		g.RestS, g.RestFor = w.guard.Recovery()
	}
	if w.spent && !flows {
		rest, part := w.guard.RestTo(rig.HalfUsed)
		g.Text = fmt.Sprintf("Rest: %s has used up what it stands, and has cooled by half in %s.", part, fmt.Sprintf("%.0f s", math.Ceil(rest)))
	}
	if r := b.run; r != nil && r.hold {
		left := float64(max(r.holdEndsNS()-now, 0)) / 1e9
		g.HoldUses = ptr(w.guard.UsedAfter(left))
		g.Lasts = ptr(s.SecondsLeft >= left)
	}
	return g
}

// Recovery is how long nothing must flow until the rig is ready for another hold, s, and the part that
// takes longest.
func (b *Bench) Recovery() (restS float64, part string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.watched.guard == nil {
		return 0, ""
	}
	return b.watched.guard.Recovery()
}
