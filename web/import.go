package web

import (
	"errors"
	"io"
	"iter"
	"mime"
	"mime/multipart"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"time"

	"letthrough/capture/file"
	"letthrough/capture/trace"
	"letthrough/store"
)

// maxImportBytes bounds what is taken in at once; larger ones go over the command line.
const maxImportBytes = 1 << 30

// postImport takes runs: a bundle or the JSON of a run as the body, or a form with files (see importForm).
// All of it is imported or nothing; runs that are here already stay as they are.
func (s *Server) postImport(w http.ResponseWriter, r *http.Request) error {
	if _, err := query(r); err != nil {
		return err
	}
	if r.ContentLength > maxImportBytes {
		return &http.MaxBytesError{Limit: maxImportBytes}
	}
	done, err := s.oneDeriving(r) // it takes disk and a core, too
	if err != nil {
		return err
	}
	defer done()
	dir, err := os.MkdirTemp("", "letthrough-import-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir)
	body := &patientReader{r: http.MaxBytesReader(w, r.Body, maxImportBytes), rc: http.NewResponseController(w)}
	imported, err := s.importBody(r, body, dir)
	var bad *file.Error
	if errors.As(err, &bad) {
		told := *bad
		told.File, told.Hint = strings.TrimPrefix(told.File, dir+string(filepath.Separator)), ""
		return malformed(forForm.Replace(bad.Hint), "%s", &told)
	}
	if err != nil {
		return err
	}
	_ = body.rc.SetWriteDeadline(time.Now().Add(answerTimeout))
	s.writeJSON(w, r, http.StatusOK, struct {
		Runs []store.Imported `json:"runs"`
	}{imported})
	return nil
}

// forForm puts the flags of the command line as the form's fields are called.
var forForm = strings.NewReplacer("--time-column 1 --current-column 2", "column of the time 1, column of the current 2",
	"put the .cfg and the .dat into one folder", "choose the .cfg and the .dat together",
	"--time-column", "the column of the time", "--current-column", "the column of the current", "--voltage-column", "the column of the voltage")

func (s *Server) importBody(r *http.Request, body io.Reader, dir string) ([]store.Imported, error) {
	kind, params, err := mime.ParseMediaType(r.Header.Get("Content-Type"))
	if err == nil && kind == "multipart/form-data" {
		if params["boundary"] == "" {
			return nil, malformed("send it as a browser does", "the form names no boundary")
		}
		form, err := readImportForm(multipart.NewReader(body, params["boundary"]), dir)
		if err != nil {
			return nil, err
		}
		return s.importFiles(r.Context(), form)
	}
	f, err := os.Create(filepath.Join(dir, "body"))
	if err != nil {
		return nil, err
	}
	defer f.Close()
	size, err := io.Copy(f, body)
	if err != nil {
		return nil, readError(err)
	}
	runs, err := file.ReadRuns(f, size, "the body")
	if err != nil {
		return nil, err
	}
	recs, err := allOf(runs)
	if err != nil {
		return nil, err
	}
	return s.store.ImportRecordings(r.Context(), eachOf(recs))
}

// allOf reads all before the database is touched: a test may be recorded into it.
func allOf(runs *file.Runs) (recs []trace.Recording, err error) {
	for rec, err := range runs.All() {
		if err != nil {
			return nil, err
		}
		recs = append(recs, rec)
	}
	return recs, nil
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
