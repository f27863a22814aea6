package capture

import (
	"encoding/json"
	"fmt"
	"math"
	"strconv"
	"strings"

	"letthrough/capture/trace"
	"letthrough/capture/words"
)

// Mode is what the bench is doing.
type Mode string

// The modes of the bench.
const (
	Idle      Mode = "idle"
	Armed     Mode = "armed"
	Recording Mode = "recording"
	Replaying Mode = "replaying"
)

// State is everything that can be told at one instant; in JSON it is what GET /api/state answers.
// Times ending in AtS are seconds on the bench's time base.
type State struct {
	Bench       Mode              `json:"bench"`
	Run         *int64            `json:"run"`
	Phase       trace.Phase       `json:"phase"`
	SinceOnsetS *float64          `json:"since_onset_s"`
	Instruments []InstrumentState `json:"instruments"`
	Figures     trace.Figures     `json:"figures"`
	Guard       Guard             `json:"guard"`
	Version     string            `json:"version"`

	LastRun      *int64   `json:"last_run"` // the run that ended last since the program began
	NowAtS       float64  `json:"now_at_s"`
	ZeroAtS      *float64 `json:"zero_at_s"`   // the onset; null before there is one
	OpenedAtS    *float64 `json:"opened_at_s"` // when the open run opened
	HoldS        *float64 `json:"hold_s"`
	HoldEndsAtS  *float64 `json:"hold_ends_at_s"`
	Watching     bool     `json:"watching"` // the hold is over, the recovery is being watched
	WatchEndsAtS *float64 `json:"watch_ends_at_s"`
	Removed      bool     `json:"removed"` // a mark says that the short was taken off

	Unit      *trace.Unit     `json:"unit"`
	Output    string          `json:"output"`
	Setting   string          `json:"setting"`
	Rig       string          `json:"rig"`
	Procedure trace.Procedure `json:"procedure"`
	Behaviour trace.Behaviour `json:"behaviour"` // so far

	Contact string `json:"contact"` // open, closed, refused, or none where the program drives none
	// Whether somebody has read the cautions for the rig that is armed or recorded on; null: nothing is.
	CautionsRead *bool `json:"cautions_read"`

	Series     *SeriesState `json:"series"`      // null: none is going on
	LastSeries *SeriesState `json:"last_series"` // that ended since the program began; null: none
	ContactIs  ContactState `json:"contact_state"`
	Storing    string       `json:"storing"` // empty: well; else in words what keeps the run from being stored
	LostToDisk uint64       `json:"lost_to_disk"`
}

// InstrumentState is how one instrument is doing.
type InstrumentState struct {
	Name        string       `json:"name"`
	Format      string       `json:"format"`
	Port        string       `json:"port"`
	State       string       `json:"state"`
	Say         string       `json:"say"` // the state in words
	RateHz      float64      `json:"rate_hz"`
	Latest      []LatestJSON `json:"latest"`
	Lost        uint64       `json:"lost"`
	Garbled     uint64       `json:"garbled"`
	Duplicate   uint64       `json:"duplicate"`
	LastGarbled string       `json:"last_garbled,omitempty"`
	Problem     string       `json:"problem,omitempty"`
	Do          string       `json:"do,omitempty"`       // what a person can do about the state
	Identity    string       `json:"identity,omitempty"` // what it calls itself
	Typed       []TypedJSON  `json:"typed,omitempty"`    // the last readings that a person typed, oldest first
	Spec        string       `json:"spec,omitempty"`     // as one names it on the command line
	// Calibrations are in force: latest values are corrected.
	Calibrations map[trace.Quantity]trace.Calibration `json:"calibrations,omitempty"`
}

// TypedJSON is a reading that a person typed.
type TypedJSON struct {
	Value *float64 `json:"value"` // null: beyond the range, with no number
	Flags []string `json:"flags"`
	AtS   float64  `json:"at_s"` // when its typing began, on the bench's time base
	Kept  bool     `json:"kept"` // it can no longer be taken back
}

// JSON is the reading as the interface tells it.
func (t Typed) JSON() TypedJSON {
	j := TypedJSON{Flags: []string{}, AtS: t.AtS, Kept: t.Kept}
	if t.Flags&trace.Over != 0 {
		j.Flags = append(j.Flags, "over")
	} else {
		j.Value = ptr(t.Value)
	}
	return j
}

// LatestJSON is the newest reading of one quantity.
type LatestJSON struct {
	Quantity trace.Quantity
	Value    float64
	Flags    trace.Flags
	Samples  uint64 // taken since the instrument was added
	Shown    float64
	Right    bool // Value is corrected from what the instrument showed
}

// MarshalJSON writes null for a reading beyond the range, whose number means nothing.
func (l LatestJSON) MarshalJSON() ([]byte, error) {
	j := struct {
		Quantity trace.Quantity `json:"quantity"`
		Value    *float64       `json:"value"`
		Flags    []string       `json:"flags"`
		Samples  uint64         `json:"samples"`
		Shown    *float64       `json:"shown,omitempty"` // what the instrument shows, where a calibration corrects it
	}{Quantity: l.Quantity, Flags: []string{}, Samples: l.Samples}
	if l.Flags&trace.Over != 0 {
		j.Flags = append(j.Flags, "over")
	} else if !math.IsNaN(l.Value) && !math.IsInf(l.Value, 0) {
		j.Value = &l.Value
		if l.Right {
			j.Shown = &l.Shown
		}
	}
	if l.Flags&trace.Gap != 0 {
		j.Flags = append(j.Flags, "gap")
	}
	return json.Marshal(j)
}

// say puts an instrument's state in words.
func (s InstrumentState) say(silentForS float64) string {
	if s.Format == "hand" {
		return s.sayHand(silentForS)
	}
	switch s.State {
	case Receiving:
		return fmt.Sprintf("receiving %s readings a second", threeDigits(s.RateHz))
	case Silent:
		return fmt.Sprintf("silent for %s", words.Duration(silentForS))
	case Garbled:
		return fmt.Sprintf("receiving what cannot be read: %s", s.LastGarbled)
	case OverRange:
		return "the reading is beyond the range"
	case Unplugged:
		return "unplugged"
	case Reconnecting:
		return "trying to open the port again"
	}
	return "not heard from yet"
}

// whatToDo says what usually helps.
func (s InstrumentState) whatToDo() string {
	if s.Format == "hand" {
		return "Type what the display shows: a number and Enter."
	}
	switch s.State {
	case Silent:
		return "Is the instrument on and its program running, and does the cable have its data wires?"
	case Garbled:
		if readable(s.LastGarbled) {
			return "What comes is readable text, so the baud rate is right: look at the format and its options."
		}
		return "Look at the baud rate first, then at the format and its options."
	case OverRange:
		return "Choose a higher range, or a larger shunt."
	case Unplugged:
		return "Plug it in: it is opened by itself."
	case Reconnecting:
		return "End the other program that has the port, or allow this one to open it; it is tried again by itself."
	}
	return ""
}

// readable tells whether bytes, as wire.Printable shows them, were text: letters of any language, and tabs.
func readable(shown string) bool {
	rest := strings.NewReplacer(`\\`, "", `\t`, "", `\u`, "").Replace(shown)
	return rest != "" && !strings.Contains(rest, `\`)
}

// sayHand puts the state of an instrument whose readings are typed in words.
func (s InstrumentState) sayHand(silentForS float64) string {
	switch {
	case s.State == Garbled:
		return fmt.Sprintf("what was typed is no reading: %s", s.LastGarbled)
	case s.State == OverRange:
		return "the reading is beyond the range"
	case len(s.Latest) == 0:
		return "nothing is typed yet"
	case s.State == Silent:
		return fmt.Sprintf("nothing typed for %s", words.Duration(silentForS))
	}
	return "readings are being typed"
}

// threeDigits writes a rate without powers of ten.
func threeDigits(v float64) string {
	rounded, err := strconv.ParseFloat(strconv.FormatFloat(v, 'e', 2, 64), 64)
	if err != nil {
		return "?"
	}
	return strconv.FormatFloat(rounded, 'f', -1, 64)
}

// state tells how the instrument is doing; b.mu is held.
func (in *instrument) state() InstrumentState {
	st := in.status
	if h, ok := in.src.(*handSource); ok {
		st = h.Status() // whoever types wants to see it at once
	}
	s := InstrumentState{
		Name: in.spec.Name, Format: in.spec.Format, Port: in.spec.Port, State: st.State, RateHz: st.RateHz,
		Latest: []LatestJSON{}, Lost: st.Lost + in.lost, Garbled: st.Garbled, Duplicate: st.Duplicate,
		LastGarbled: st.LastGarbled, Problem: st.Problem, Identity: st.Identity, Spec: in.spec.String(), Calibrations: in.spec.Calibrations,
	}
	if s.State == "" {
		s.State = Silent
	}
	for _, l := range st.Latest {
		if l.Known {
			c := in.spec.Calibrations[l.Quantity]
			s.Latest = append(s.Latest, LatestJSON{Quantity: l.Quantity, Value: c.Correct(l.Value), Shown: l.Value, Right: c.Known(), Flags: l.Flags, Samples: in.samples(l.Quantity)})
		}
	}
	for _, t := range st.Typed {
		s.Typed = append(s.Typed, t.JSON())
	}
	s.Say, s.Do = s.say(st.SilentForS), s.whatToDo()
	return s
}

// samples counts what one quantity brought.
func (in *instrument) samples(q trace.Quantity) (n uint64) {
	for _, c := range in.channels {
		if c.Quantity == q {
			n += c.samples
		}
	}
	return n
}

// State tells everything at this instant.
func (b *Bench) State() State {
	simulated := b.simulatedClosed() // before the lock: the contact is somebody else's code
	b.mu.Lock()
	defer b.mu.Unlock()
	now := b.clock.NowNS()
	s := State{
		Bench: b.mode, Phase: trace.Idle, Instruments: []InstrumentState{}, Figures: trace.Figures{},
		Guard: b.guardState(now), Version: b.version, NowAtS: float64(now) / 1e9, Contact: b.contactWord(simulated), ContactIs: b.contactState(now),
	}
	s.Storing, s.LostToDisk = b.rec.Trouble()
	for _, in := range b.instruments {
		s.Instruments = append(s.Instruments, in.state())
	}
	if b.lastRun != 0 {
		s.LastRun = ptr(b.lastRun)
	}
	if p := b.plan; p != nil {
		unit := p.unit
		s.Unit, s.Output, s.Setting, s.Rig, s.Procedure = &unit, p.output, p.setting, p.rig, p.settings.Procedure
		s.HoldS, s.CautionsRead = ptr(p.settings.HoldS), ptr(p.cautionsRead)
	}
	if b.run != nil {
		b.run.tell(&s, now, b.watchNS)
	}
	if b.repeats != nil {
		s.Series = b.repeats.told(now)
	}
	s.LastSeries = b.lastSeries
	return s
}

// simulatedClosed asks a contact that hangs on no port: somebody else's hand may move it.
func (b *Bench) simulatedClosed() bool {
	b.mu.Lock()
	c := b.contact
	if b.wire != nil {
		c = nil
	}
	b.mu.Unlock()
	return c != nil && c.Closed()
}

// contactWord tells how a driven contact stands; b.mu is held.
func (b *Bench) contactWord(simulated bool) string {
	switch {
	case b.contact == nil:
		return "none"
	case b.drive.closed || simulated || b.wire != nil && b.wire.sensedKnown && b.wire.sensedClosed:
		return "closed"
	case b.wire != nil && b.wire.state == ContactRefused:
		return "refused"
	}
	return "open"
}

// tell adds what the open run knows.
func (r *run) tell(s *State, now, watchNS int64) {
	s.Run = ptr(r.id)
	s.Phase = r.det.Phase()
	s.OpenedAtS = ptr(float64(r.openedNS) / 1e9)
	s.HoldS = ptr(r.settings.HoldS)
	s.HoldEndsAtS = ptr(float64(r.holdEndsNS()) / 1e9)
	if at, ok := r.onsetNS(); ok {
		s.ZeroAtS = ptr(float64(at) / 1e9)
		s.SinceOnsetS = ptr(float64(now-at) / 1e9)
	}
	s.Watching = !r.hold
	if s.Watching {
		s.WatchEndsAtS = ptr(float64(r.holdEndNS+watchNS) / 1e9)
	}
	s.Removed = r.removedNS != 0
	if r.derivation != nil {
		s.Figures, s.Behaviour = r.derivation.Figures, r.derivation.Behaviour
	}
}

func ptr[T any](v T) *T { return &v }
