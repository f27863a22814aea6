// Package file reads and writes recorded traces, CSV and COMTRADE. What is not a trace is
// refused with where it stands, what was expected and what stood there; nothing that could not be
// read ever becomes a number.
package file

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"iter"
	"os"
	"path/filepath"
	"strings"
	"time"

	"letthrough/capture/trace"
)

// Instrument is what the channels of a file's trace are said to come from.
const Instrument = "file"

// The channels that a file can hold.
var (
	CurrentChannel = trace.Channel{Instrument: Instrument, Quantity: trace.Current}
	VoltageChannel = trace.Channel{Instrument: Instrument, Quantity: trace.Voltage}
)

// Trace is a recorded trace in memory. Times are as in the file.
type Trace struct {
	Name    string
	Current []trace.Sample // A
	Voltage []trace.Sample // V; empty where the file has none
	// ResolutionA is the last decimal place that the currents are written with, in amperes; 0 where
	// that cannot be told (exponents, or as many digits as a computer prints).
	ResolutionA float64
	// Marks are those from outside (contact, hand) that the file carries.
	Marks    []trace.Mark
	Started  time.Time // time of day at the file's time 0; zero where it tells none
	Warnings []trace.Warning
}

// Channels lists the channels that have samples.
func (t Trace) Channels() []trace.Channel {
	var out []trace.Channel
	if len(t.Current) > 0 {
		out = append(out, CurrentChannel)
	}
	if len(t.Voltage) > 0 {
		out = append(out, VoltageChannel)
	}
	return out
}

// Batches walks over all channels together in the order of their time.
func (t Trace) Batches() iter.Seq2[trace.Batch, error] {
	one := func(c trace.Channel, s []trace.Sample) iter.Seq2[trace.Batch, error] {
		return func(yield func(trace.Batch, error) bool) {
			if len(s) > 0 {
				yield(trace.Batch{Channel: c, Samples: s}, nil)
			}
		}
	}
	return trace.Merge(one(CurrentChannel, t.Current), one(VoltageChannel, t.Voltage))
}

// Error is a file that cannot be read as a trace. What is not known is left empty.
type Error struct {
	File   string
	Line   int    // from 1
	Byte   int64  // from 1, where lines say nothing
	Column string // its name, or its number from 1
	Want   string // what was expected
	Got    string // what stood there
	Hint   string // what to do
	Err    error
}

func (e *Error) Error() string {
	var b strings.Builder
	b.WriteString(e.File)
	if e.Line > 0 {
		fmt.Fprintf(&b, ", line %d", e.Line)
	}
	if e.Byte > 0 {
		fmt.Fprintf(&b, ", byte %d", e.Byte)
	}
	if e.Column != "" {
		fmt.Fprintf(&b, ", column %s", e.Column)
	}
	b.WriteString(": " + e.Want)
	if e.Got != "" {
		b.WriteString(", got " + e.Got)
	}
	if e.Hint != "" {
		b.WriteString("; " + e.Hint)
	}
	return b.String()
}

func (e *Error) Unwrap() error { return e.Err }

// quoted shows the start of what stood in a file, without what a terminal could stumble over.
func quoted(b []byte) string {
	const most = 40
	if len(b) > most {
		return fmt.Sprintf("%.*q...", most, b)
	}
	return fmt.Sprintf("%q", b)
}

// Options say how a file is read.
type Options struct {
	CSV CSVOptions
	// Watch is told, now and then, how many bytes of how many are read; nil: nobody watches.
	Watch func(read, size int64)
}

// Read opens a file and reads the trace in it, whatever its format.
func Read(path string, opt Options) (Trace, error) {
	f, err := os.Open(path)
	if err != nil {
		return Trace{}, openError(path, err)
	}
	defer f.Close()
	info, err := f.Stat()
	if err == nil && info.IsDir() {
		return Trace{}, &Error{File: path, Want: "want a file with a trace", Got: "a folder", Hint: "name the files in it"}
	}
	if err == nil && opt.Watch != nil {
		return read(&watched{r: f, size: info.Size(), watch: opt.Watch}, path, opt)
	}
	return read(f, path, opt)
}

// watched tells how far it is read.
type watched struct {
	r          io.Reader
	read, size int64
	watch      func(read, size int64)
}

func (w *watched) Read(b []byte) (int, error) {
	n, err := w.r.Read(b)
	w.read += int64(n)
	w.watch(w.read, w.size)
	return n, err
}

func openError(path string, err error) error {
	e := &Error{File: path, Err: err}
	var p *fs.PathError
	switch {
	case errors.Is(err, fs.ErrNotExist):
		e.Want, e.Hint = "there is no such file", "check its name"
	case errors.Is(err, fs.ErrPermission):
		e.Want, e.Hint = "it may not be read", "allow reading it"
	case errors.As(err, &p):
		e.Want = "it cannot be opened: " + p.Err.Error()
	default:
		e.Want = "it cannot be opened: " + err.Error()
	}
	return e
}

// sniffed is how much of a file's start tells its format.
const sniffed = 4096

func read(r io.Reader, path string, opt Options) (Trace, error) {
	b := bufio.NewReaderSize(r, sniffed)
	head, err := b.Peek(sniffed)
	if err != nil && err != io.EOF {
		return Trace{}, openError(path, err)
	}
	if looksLikeComtrade(path, head) {
		return readComtrade(path, ComtradeOptions{CurrentChannel: opt.CSV.CurrentColumn, VoltageChannel: opt.CSV.VoltageColumn})
	}
	return ReadCSV(b, path, opt.CSV)
}

// looksLikeComtrade knows a COMTRADE configuration by its name or by its second line: how many
// channels, analogue (A) and status (D) (IEEE C37.111).
func looksLikeComtrade(path string, head []byte) bool {
	switch strings.ToLower(filepath.Ext(path)) {
	case ".cfg", ".cff":
		return true
	case ".dat": // many things are called so
		cfg, _, err := openSibling(strings.TrimSuffix(path, filepath.Ext(path)), ".cfg", ".CFG")
		if err == nil {
			cfg.Close()
		}
		return err == nil
	}
	lines := bytes.SplitN(head, []byte("\n"), 3)
	if len(lines) < 3 {
		return false
	}
	var total, analogue, status int
	n, err := fmt.Sscanf(string(bytes.TrimSpace(lines[1])), "%d,%dA,%dD", &total, &analogue, &status)
	return err == nil && n == 3 && total == analogue+status
}
