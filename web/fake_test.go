package web

import (
	"fmt"
	"slices"
	"sync"
	"time"

	"letthrough/capture"
	"letthrough/capture/contact"
	"letthrough/capture/trace"
	"letthrough/capture/wire"
)

// fakeBench is a bench whose every move a test makes by hand.
type fakeBench struct {
	mu      sync.Mutex
	state   capture.State
	events  []capture.Event
	chans   []capture.ChannelInfo
	columns [][]capture.Column
	from    []uint64 // number of the first column kept, by channel
	wake    chan struct{}
	calls   []string
	fail    error // what every command answers
	contact bool
	armed   capture.ArmRequest
	blow    bool // State panics

	beforeWindow func() // something happens while the hub makes a backlog
}

var _ Bench = (*fakeBench)(nil)

func newFakeBench() *fakeBench {
	b := &fakeBench{wake: make(chan struct{}), contact: true}
	b.state = capture.State{
		Bench: capture.Idle, Phase: trace.Idle, Version: "test", Contact: "open",
		Instruments: []capture.InstrumentState{{
			Name: "shunt", Format: "text", Port: "/dev/null", State: "receiving", RateHz: 10000,
			Latest: []capture.LatestJSON{{Quantity: trace.Current, Value: 1.25}},
		}},
	}
	b.addChannel("shunt", trace.Current)
	return b
}

func (b *fakeBench) addChannel(instrument string, q trace.Quantity) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.chans = append(b.chans, capture.ChannelInfo{Channel: trace.Channel{Instrument: instrument, Quantity: q}, Unit: q.Unit()})
	b.columns = append(b.columns, nil)
	b.from = append(b.from, 1)
	b.changed()
}

// changed wakes everybody; mu is held.
func (b *fakeBench) changed() {
	close(b.wake)
	b.wake = make(chan struct{})
}

func (b *fakeBench) publish(es ...capture.Event) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, e := range es {
		e.Seq = uint64(len(b.events) + 1)
		b.events = append(b.events, e)
	}
	b.changed()
}

func (b *fakeBench) addColumns(ch int, cols ...capture.Column) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.columns[ch] = append(b.columns[ch], cols...)
	b.changed()
}

// forget drops all but the newest n columns, as a full ring does.
func (b *fakeBench) forget(ch, n int) {
	b.mu.Lock()
	defer b.mu.Unlock()
	drop := max(0, len(b.columns[ch])-n)
	b.columns[ch] = b.columns[ch][drop:]
	b.from[ch] += uint64(drop)
}

func (b *fakeBench) setState(f func(*capture.State)) {
	b.mu.Lock()
	defer b.mu.Unlock()
	f(&b.state)
	b.changed()
}

func (b *fakeBench) State() capture.State {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.blow {
		panic("secret path /var/lib/secret")
	}
	return b.state
}

func (b *fakeBench) Changed() <-chan struct{} {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.wake
}

func (b *fakeBench) Channels() []capture.ChannelInfo {
	b.mu.Lock()
	defer b.mu.Unlock()
	return slices.Clone(b.chans)
}

func (b *fakeBench) Events(after uint64) (es []capture.Event, last, missed uint64) {
	b.mu.Lock()
	defer b.mu.Unlock()
	last = uint64(len(b.events))
	if after >= last {
		return nil, last, 0
	}
	return slices.Clone(b.events[after:]), last, 0
}

func (b *fakeBench) Columns(ch int, after uint64, dst []capture.Column) (cols []capture.Column, last, missed uint64) {
	b.mu.Lock()
	defer b.mu.Unlock()
	last = b.from[ch] - 1 + uint64(len(b.columns[ch]))
	if after >= last {
		return dst, last, 0
	}
	if after+1 < b.from[ch] {
		missed = b.from[ch] - 1 - after
		after = b.from[ch] - 1
	}
	return append(dst, b.columns[ch][after+1-b.from[ch]:]...), last, missed
}

func (b *fakeBench) Window(ch int) ([]capture.Column, uint64) {
	if b.beforeWindow != nil {
		b.beforeWindow()
	}
	cols, last, _ := b.Columns(ch, 0, nil)
	return cols, last
}

func (b *fakeBench) did(call string) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.calls = append(b.calls, call)
	return b.fail
}

func (b *fakeBench) setFail(err error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.fail = err
}

func (b *fakeBench) Arm(q capture.ArmRequest) error {
	b.mu.Lock()
	b.armed = q
	b.mu.Unlock()
	return b.did("arm")
}
func (b *fakeBench) Disarm() error        { return b.did("disarm") }
func (b *fakeBench) Extend(float64) error { return b.did("extend") }
func (b *fakeBench) End() error           { return b.did("end") }
func (b *fakeBench) Mark(kind trace.MarkKind, text string) (trace.Mark, int64, error) {
	err := b.did("mark " + string(kind))
	return trace.Mark{ID: 7, Kind: kind, T: 6.5, U: trace.HandU, By: trace.Hand, Text: text}, 3, err
}
func (b *fakeBench) AddInstrument(s wire.Spec) error {
	if err := b.did("add " + s.Name); err != nil {
		return err
	}
	b.setState(func(st *capture.State) {
		st.Instruments = append(slices.Clone(st.Instruments), capture.InstrumentState{Name: s.Name, Format: s.Format, Port: s.Port})
	})
	return nil
}
func (b *fakeBench) TypeReading(instrument, text string, ago time.Duration) (capture.Typed, error) {
	return capture.Typed{Instrument: instrument, Value: 4.51, AtS: 6.5}, b.did("type " + text)
}
func (b *fakeBench) TakeBack(instrument string) (capture.Typed, error) {
	return capture.Typed{Instrument: instrument, Value: 4.51, AtS: 6.5}, b.did("take back")
}
func (b *fakeBench) RemoveInstrument(name string) error { return b.did("remove " + name) }
func (b *fakeBench) Calibrate(name string, q trace.Quantity, c trace.Calibration) error {
	return b.did("calibrate " + name + " " + q.String())
}
func (b *fakeBench) HasContact() bool { return b.contact }
func (b *fakeBench) CloseContactIn(afterS float64) error {
	return b.did(fmt.Sprintf("close in %g", afterS))
}
func (b *fakeBench) UseContact(s contact.Spec, wait bool) error {
	return b.did("use contact " + s.String())
}
func (b *fakeBench) RemoveContact() error { return b.did("remove contact") }
func (b *fakeBench) StartSeries(q capture.SeriesRequest) (int64, error) {
	b.mu.Lock()
	b.armed = q.Arm
	b.mu.Unlock()
	return 4, b.did(fmt.Sprintf("series of %d", q.N))
}
func (b *fakeBench) ResumeSeries(id int64, u trace.Unit) error {
	return b.did(fmt.Sprintf("resume %d of %s", id, u.Name))
}
func (b *fakeBench) StopSeries() error       { return b.did("stop series") }
func (b *fakeBench) CautionsRead(rig string) { _ = b.did("cautions of " + rig) }
func (b *fakeBench) CheckContact() error     { return b.did("check contact") }
func (b *fakeBench) DriveContact(closed bool) error {
	if closed {
		return b.did("close")
	}
	return b.did("open")
}
