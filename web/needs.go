package web

import (
	"context"
	"iter"
	"os"
	"time"

	"letthrough/capture"
	"letthrough/capture/contact"
	"letthrough/capture/trace"
	"letthrough/capture/wire"
	"letthrough/store"
)

// Bench is what web needs of the bench; *capture.Bench satisfies it. Nothing here may make the bench
// wait for a viewer: web wakes on Changed and then pulls what is new by number.
type Bench interface {
	State() capture.State
	Changed() <-chan struct{}
	Channels() []capture.ChannelInfo
	Events(after uint64) (events []capture.Event, last, missed uint64)
	Columns(ch int, after uint64, dst []capture.Column) (columns []capture.Column, last, missed uint64)
	Window(ch int) (columns []capture.Column, last uint64)

	Arm(capture.ArmRequest) error
	Disarm() error
	Extend(holdS float64) error
	End() error
	Mark(kind trace.MarkKind, text string) (trace.Mark, int64, error)
	HasContact() bool
	DriveContact(closed bool) error
	CloseContactIn(afterS float64) error
	UseContact(spec contact.Spec, wait bool) error
	RemoveContact() error
	CheckContact() error
	StartSeries(capture.SeriesRequest) (int64, error)
	ResumeSeries(id int64, unit trace.Unit) error
	StopSeries() error
	CautionsRead(rig string)
	AddInstrument(wire.Spec) error
	RemoveInstrument(name string) error
	Calibrate(name string, q trace.Quantity, c trace.Calibration) error
	TypeReading(instrument, text string, ago time.Duration) (capture.Typed, error)
	TakeBack(instrument string) (capture.Typed, error)
}

// Store is what web needs of the store; *store.DB satisfies it.
type Store interface {
	Units(ctx context.Context) ([]trace.Unit, error)
	Unit(ctx context.Context, id int64) (trace.Unit, error)
	UnitByName(ctx context.Context, name string) (trace.Unit, error)
	CreateUnit(ctx context.Context, u trace.Unit) (trace.Unit, error)
	UpdateUnit(ctx context.Context, u trace.Unit) (trace.Unit, error)
	DeleteUnit(ctx context.Context, id int64) error

	Loads() *store.Shelf[trace.Load]
	Rigs() *store.Shelf[trace.Rig]
	Parts() *store.Shelf[trace.Part]
	AddStarter(ctx context.Context, parts []trace.Part, rig trace.Rig) (added int, err error)
	Criteria() *store.Shelf[trace.CriteriaSet]
	ChosenCriteria(ctx context.Context) (trace.CriteriaSet, error)
	Verdicts(ctx context.Context, unit int64, criteria string) ([]store.Verdict, error)
	KeepVerdict(ctx context.Context, v store.Verdict, after int64) (store.Verdict, error)
	Remarks(ctx context.Context, unit int64) ([]store.Remark, error)
	AddRemark(ctx context.Context, r store.Remark) (store.Remark, error)
	RemoveRemark(ctx context.Context, unit, remark int64) error
	Forecasts(ctx context.Context, unit int64) ([]store.Forecast, error)
	AddForecast(ctx context.Context, f store.Forecast) (store.Forecast, error)
	RemoveForecast(ctx context.Context, unit, forecast int64) error

	Instruments(ctx context.Context) ([]store.Instrument, error)
	KeepInstrument(ctx context.Context, i store.Instrument) (store.Instrument, error)
	EnsureInstrument(ctx context.Context, i store.Instrument) (store.Instrument, error)
	UpdateInstrument(ctx context.Context, i store.Instrument) (store.Instrument, error)
	DeleteInstrument(ctx context.Context, id int64) error
	Calibrate(ctx context.Context, instrument int64, c store.Calibration) (store.Calibration, error)
	EndCalibration(ctx context.Context, instrument int64, q trace.Quantity) error

	AllSeries(ctx context.Context) ([]trace.Series, error)
	Series(ctx context.Context, id int64) (trace.Series, []trace.SeriesRun, error)
	Contact(ctx context.Context) (string, error)
	KeepContact(ctx context.Context, spec string) error
	CautionsRead(ctx context.Context, rig string) error
	CautionsReadFor(ctx context.Context) ([]string, error)

	Runs(ctx context.Context, q store.RunQuery) (store.RunPage, error)
	CountRuns(ctx context.Context) (store.RunCount, error)
	Run(ctx context.Context, id int64) (store.Run, error)
	Recording(ctx context.Context, id int64) (trace.Recording, error)
	ImportRecordings(ctx context.Context, recordings iter.Seq2[trace.Recording, error]) ([]store.Imported, error)
	Batches(ctx context.Context, id int64) iter.Seq2[trace.Batch, error]
	BatchesFrom(ctx context.Context, id int64, read map[trace.Channel]int64) batchSeq
	Samples(ctx context.Context, id int64, ch trace.Channel) iter.Seq2[[]trace.Sample, error]
	OutsideMarks(ctx context.Context, id int64) ([]trace.Mark, error)
	Columns(ctx context.Context, id int64, fromS, toS float64, n int) ([]store.Columns, error)
	SetNote(ctx context.Context, id int64, note string) error
	Exclude(ctx context.Context, id int64, reason string) error
	Include(ctx context.Context, id int64) error
	DeleteRun(ctx context.Context, id int64) error
	EditMark(ctx context.Context, id int64, e trace.MarkEdit) (trace.MarkEdit, error)
	TakeBackEdit(ctx context.Context, id, edit int64) error
	AddDerivation(ctx context.Context, id int64, s trace.Settings, d trace.Derivation, version string) (int64, error)
	DerivationByID(ctx context.Context, id, derivation int64) (trace.Derivation, trace.Settings, error)
	ChooseDerivation(ctx context.Context, id, derivation int64) error
	Health() store.Health
	Path() string
	Copy(ctx context.Context) (*os.File, error)
}

type batchSeq = iter.Seq2[trace.Batch, error]

// Derive reads a whole run again; it must do what the bench did live. marks are those from outside,
// all times are on the run's own time base.
type Derive func(s trace.Settings, marks []trace.Mark, samples iter.Seq2[trace.Batch, error]) (trace.Derivation, error)

// Explain derives and says which readings each figure rests on, times on the run's own time base.
type Explain func(s trace.Settings, marks []trace.Mark, samples iter.Seq2[trace.Batch, error]) (trace.Derivation, trace.Uses, error)

// Port is a serial port that is present, as a form offers it.
type Port struct {
	Path    string `json:"path"`    // a name that stays the same however it is plugged in, where there is one
	Device  string `json:"device"`  // what the system calls it
	USB     string `json:"usb"`     // VID:PID, empty where it hangs on no USB
	Says    string `json:"says"`    // what its USB device calls itself
	Problem string `json:"problem"` // why it cannot be opened and what to type; empty where it can
}

// Timeouts of the server. A client that stalls is let go before it can hold anything up.
const (
	headerTimeout = 10 * time.Second
	bodyTimeout   = 12 * time.Second // from the beginning of the request; 15 s are promised
	answerTimeout = 30 * time.Second // for an answer nobody takes; long answers get it anew as they flow
	idleTimeout   = 15 * time.Second // a browser keeps several open; they count against the limit
	closeTimeout  = 2 * time.Second
)
