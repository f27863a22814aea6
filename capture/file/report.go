package file

import (
	"bytes"
	"encoding/base64"
	"io"
)

// A report is a page that carries the runs it stands on as a bundle, in base64url, in an element that no
// browser runs or shows.
var (
	reportRunsBegin = []byte(`<script type="text/plain" id="runs">`)
	reportSaysBegin = []byte(`<script type="application/json" id="report">`)
	reportEnd       = []byte(`</script>`)
)

// maxReport bounds what is read of a file that says it is a page.
const maxReport = 64 << 20

func runsOfReport(r io.ReaderAt, size int64, name string) ([]byte, error) {
	page, err := reportPage(r, size, name)
	if err != nil {
		return nil, err
	}
	text, ok := element(page, reportRunsBegin)
	if !ok {
		return nil, &Error{File: name, Want: "want a report that carries its runs", Got: "a page without them", Err: ErrNoRuns, Hint: "save the report again: letthrough report -o shelf.html"}
	}
	packed := make([]byte, base64.RawURLEncoding.DecodedLen(len(text)))
	n, err := base64.RawURLEncoding.Decode(packed, bytes.TrimSpace(text))
	if err != nil {
		return nil, &Error{File: name, Want: "want the runs of a report whole", Got: "damaged ones (" + err.Error() + ")", Err: err, Hint: "ask for the report again"}
	}
	return packed[:n], nil
}

func reportPage(r io.ReaderAt, size int64, name string) ([]byte, error) {
	if size > maxReport {
		return nil, &Error{File: name, Want: "want a report of at most 64 MiB", Got: "more", Err: ErrNoRuns}
	}
	page, err := io.ReadAll(io.NewSectionReader(r, 0, size))
	if err != nil {
		return nil, openError(name, err)
	}
	return page, nil
}

// element gives what stands between the beginning of an element and its end.
func element(page, begin []byte) ([]byte, bool) {
	_, rest, ok := bytes.Cut(page, begin)
	if !ok {
		return nil, false
	}
	text, _, ok := bytes.Cut(rest, reportEnd)
	return text, ok
}

// ReportSays gives what a report says of itself as JSON, and the page; ok is false where it is none.
func ReportSays(r io.ReaderAt, size int64, name string) (says, page []byte, ok bool, err error) {
	head := make([]byte, 64)
	n, _ := r.ReadAt(head, 0)
	if !bytes.HasPrefix(bytes.ToLower(bytes.TrimSpace(head[:n])), []byte("<!doctype html")) {
		return nil, nil, false, nil
	}
	if page, err = reportPage(r, size, name); err != nil {
		return nil, nil, false, err
	}
	says, ok = element(page, reportSaysBegin)
	if !ok {
		return nil, nil, false, &Error{File: name, Want: "want a report that says its figures as JSON", Got: "a page without them", Err: ErrNoRuns, Hint: "save the report again: letthrough report -o shelf.html"}
	}
	return says, page, true, nil
}
