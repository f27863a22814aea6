package file

import (
	"bytes"
	"errors"
	"io"
	"iter"
	"os"

	"letthrough/capture/trace"
)

// Runs is a file with whole runs in it: a bundle, or the JSON of one run.
type Runs struct {
	f       *os.File
	sources []jsonSource
	// Bundle tells whether it is a bundle.
	Bundle bool
}

// ErrNoRuns says that a file is neither a bundle nor the JSON of a run: it may be a trace.
var ErrNoRuns = errors.New("no bundle and no run")

// OpenRuns opens a bundle or the JSON of a run. Close it after use.
func OpenRuns(path string) (*Runs, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, openError(path, err)
	}
	r, err := openRuns(f, path)
	if err != nil {
		return nil, errors.Join(err, f.Close())
	}
	r.f = f
	return r, nil
}

func openRuns(f *os.File, path string) (*Runs, error) {
	info, err := f.Stat()
	if err != nil {
		return nil, openError(path, err)
	}
	if !info.Mode().IsRegular() {
		return nil, &Error{File: path, Want: "want an ordinary file", Got: "none", Err: ErrNoRuns}
	}
	head := make([]byte, 64)
	n, err := f.ReadAt(head, 0)
	if err != nil && !errors.Is(err, io.EOF) {
		return nil, openError(path, err)
	}
	return runsIn(f, info.Size(), head[:n], path)
}

// ReadRuns finds the runs in what is held elsewhere, in memory or in a file without a name.
func ReadRuns(r io.ReaderAt, size int64, name string) (*Runs, error) {
	head := make([]byte, 64)
	n, err := r.ReadAt(head, 0)
	if err != nil && !errors.Is(err, io.EOF) {
		return nil, openError(name, err)
	}
	return runsIn(r, size, head[:n], name)
}

func runsIn(r io.ReaderAt, size int64, head []byte, name string) (*Runs, error) {
	text := bytes.TrimLeft(bytes.TrimPrefix(head, []byte("\xef\xbb\xbf")), " \t\r\n")
	switch {
	case bytes.HasPrefix(head, []byte("PK\x03\x04")), bytes.HasPrefix(head, []byte("PK\x05\x06")):
		sources, err := readBundle(r, size, name)
		return &Runs{sources: sources, Bundle: true}, err
	case bytes.HasPrefix(text, []byte("{")):
		open := func() (io.ReadCloser, error) { return io.NopCloser(io.NewSectionReader(r, 0, size)), nil }
		return &Runs{sources: []jsonSource{{name: name, open: open}}}, nil
	}
	if page := bytes.ToLower(text); bytes.HasPrefix(page, []byte("<!doctype html")) {
		packed, err := runsOfReport(r, size, name)
		if err != nil {
			return nil, err
		}
		sources, err := readBundle(bytes.NewReader(packed), int64(len(packed)), name)
		return &Runs{sources: sources, Bundle: true}, err
	}
	return nil, &Error{File: name, Want: "want a bundle, or the JSON of a run, or a report", Got: quoted(head[:min(len(head), 16)]), Err: ErrNoRuns,
		Hint: "read traces with: letthrough read FILE"}
}

// Len is how many runs there are.
func (r *Runs) Len() int { return len(r.sources) }

// All walks over the runs. The first one that cannot be read ends it. What is handed over can be
// walked over until Close.
func (r *Runs) All() iter.Seq2[trace.Recording, error] {
	return func(yield func(trace.Recording, error) bool) {
		for _, s := range r.sources {
			rec, err := s.recording()
			if !yield(rec, err) || err != nil {
				return
			}
		}
	}
}

// Close closes the file; calling it again does nothing.
func (r *Runs) Close() error {
	if r.f == nil {
		return nil
	}
	f := r.f
	r.f = nil
	return f.Close()
}
