package web

import (
	"errors"
	"io"
	"iter"
	"net/http"
	"os"
	"time"

	"letthrough/capture/file"
	"letthrough/capture/trace"
	"letthrough/store"
)

// maxImportBytes bounds what is taken in at once; larger ones go over the command line.
const maxImportBytes = 1 << 30

// postImport takes a bundle or the JSON of a run as the body. All of it is imported or nothing; runs
// that are here already stay as they are.
func (s *Server) postImport(w http.ResponseWriter, r *http.Request) error {
	if _, err := query(r); err != nil {
		return err
	}
	if r.ContentLength > maxImportBytes {
		return &http.MaxBytesError{Limit: maxImportBytes}
	}
	select { // one at a time, as derivations: it takes disk and a core
	case s.deriving <- struct{}{}:
		defer func() { <-s.deriving }()
	case <-r.Context().Done():
		return r.Context().Err()
	}
	f, err := os.CreateTemp("", "letthrough-import-*")
	if err != nil {
		return err
	}
	defer func() {
		f.Close()
		os.Remove(f.Name())
	}()
	body := &patientReader{r: http.MaxBytesReader(w, r.Body, maxImportBytes), rc: http.NewResponseController(w)}
	size, err := io.Copy(f, body)
	if err != nil {
		return readError(err)
	}
	done, err := s.importRuns(r, f, size)
	var bad *file.Error
	if errors.As(err, &bad) {
		return malformed(bad.Hint, "%s", (&file.Error{File: bad.File, Line: bad.Line, Byte: bad.Byte, Column: bad.Column, Want: bad.Want, Got: bad.Got}).Error())
	}
	if err != nil {
		return err
	}
	_ = body.rc.SetWriteDeadline(time.Now().Add(answerTimeout))
	s.writeJSON(w, r, http.StatusOK, struct {
		Runs []store.Imported `json:"runs"`
	}{done})
	return nil
}

func (s *Server) importRuns(r *http.Request, f *os.File, size int64) ([]store.Imported, error) {
	runs, err := file.ReadRuns(f, size, "the body")
	if err != nil {
		return nil, err
	}
	// All is read before the database is touched: a test may be recorded into it.
	var recs []trace.Recording
	for rec, err := range runs.All() {
		if err != nil {
			return nil, err
		}
		recs = append(recs, rec)
	}
	return s.store.ImportRecordings(r.Context(), eachOf(recs))
}

func eachOf(recs []trace.Recording) iter.Seq2[trace.Recording, error] {
	return func(yield func(trace.Recording, error) bool) {
		for _, rec := range recs {
			if !yield(rec, nil) {
				return
			}
		}
	}
}

// patientReader takes a body for as long as it keeps coming, each piece with the whole time-out.
type patientReader struct {
	r  io.Reader
	rc *http.ResponseController
}

func (p *patientReader) Read(b []byte) (int, error) {
	_ = p.rc.SetReadDeadline(time.Now().Add(bodyTimeout)) // a recorder in a test has none
	return p.r.Read(b)
}
