package main

import (
	"slices"
	"strings"
	"sync"

	"letthrough/capture"
	"letthrough/capture/sim"
	"letthrough/capture/trace"
)

// visitor is the demo's bench as the dashboard steers it. The first touch of a control ends the
// tests that the demo does by itself, and the visitor's hand is simulated: arming puts the unit on
// the stand, and marking the short as applied closes its contact.
type visitor struct {
	*capture.Bench
	stand   *sim.Stand
	touched chan struct{}
	once    sync.Once
}

func newVisitor(b *capture.Bench, stand *sim.Stand, touched chan struct{}) *visitor {
	return &visitor{Bench: b, stand: stand, touched: touched}
}

func (v *visitor) touch() { v.once.Do(func() { close(v.touched) }) }

// Arm puts the unit on the stand and arms the bench.
func (v *visitor) Arm(q capture.ArmRequest) error {
	v.touch()
	if err := v.plug(q.Unit.Name); err != nil {
		return err
	}
	return v.Bench.Arm(q)
}

// plug puts a unit on the stand. On a bench that is not idle it leaves that alone: the bench then says why not.
func (v *visitor) plug(name string) error {
	if v.State().Bench != capture.Idle {
		return nil
	}
	units := v.stand.Units()
	i := slices.IndexFunc(units, func(u sim.Unit) bool { return strings.EqualFold(u.Plate.Name, name) })
	if i < 0 {
		names := make([]string, len(units))
		for i, u := range units {
			names[i] = u.Plate.Name
		}
		return &capture.Error{
			Code: capture.CodeNotFound, Text: "the demo's shelf holds no unit called " + name,
			Hint: "it holds " + strings.Join(names, ", "),
		}
	}
	if err := v.stand.Plug(units[i].Plate.Name); err != nil {
		return &capture.Error{Code: capture.CodeState, Text: err.Error(), Hint: "open the contact first"}
	}
	return nil
}

// StartSeries puts the unit on the stand and tests it again and again.
func (v *visitor) StartSeries(q capture.SeriesRequest) (int64, error) {
	v.touch()
	if err := v.plug(q.Arm.Unit.Name); err != nil {
		return 0, err
	}
	return v.Bench.StartSeries(q)
}

// ResumeSeries puts the unit on the stand and goes on.
func (v *visitor) ResumeSeries(id int64, unit trace.Unit) error {
	v.touch()
	if err := v.plug(unit.Name); err != nil {
		return err
	}
	return v.Bench.ResumeSeries(id, unit)
}

// Disarm stops waiting.
func (v *visitor) Disarm() error {
	v.touch()
	return v.Bench.Disarm()
}

// Extend makes the hold longer.
func (v *visitor) Extend(holdS float64) error {
	v.touch()
	return v.Bench.Extend(holdS)
}

// End ends the hold, or the watch after it.
func (v *visitor) End() error {
	v.touch()
	return v.Bench.End()
}

// DriveContact closes or opens the simulated contact.
func (v *visitor) DriveContact(closed bool) error {
	v.touch()
	return v.Bench.DriveContact(closed)
}

// CloseContactIn closes the simulated contact after a countdown.
func (v *visitor) CloseContactIn(afterS float64) error {
	v.touch()
	return v.Bench.CloseContactIn(afterS)
}

// Mark makes a mark by hand and does what the hand that makes it has just done.
func (v *visitor) Mark(kind trace.MarkKind, text string) (trace.Mark, int64, error) {
	v.touch()
	m, run, err := v.Bench.Mark(kind, text)
	if err != nil {
		return m, run, err
	}
	switch kind {
	case trace.Applied:
		err = v.stand.Contact().Close()
	case trace.Removed:
		err = v.stand.Contact().Open()
	}
	return m, run, err
}
