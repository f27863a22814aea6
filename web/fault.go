package web

import (
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"os"
	"strings"

	"letthrough/capture"
	"letthrough/store"
)

// fault is an error as the outside sees it: a status, a stable code, one sentence that says what is
// wrong and, where there is something to do, a hint that says what. Everything that is no fault is
// answered as 500 "internal": its text goes to the log only, since it may name files and addresses.
type fault struct {
	status int
	code   string
	text   string
	hint   string
}

// Error gives the sentence.
func (f *fault) Error() string { return f.text }

// The codes of faults that web itself finds. Those of the bench are declared in package capture.
const (
	codeMalformed   = "malformed"
	codeSignIn      = "not_signed_in"
	codeNotAllowed  = "not_allowed"
	codeNotFound    = "not_found"
	codeMethod      = "wrong_method"
	codeTimeout     = "timeout"
	codeState       = "wrong_state"
	codeTooLarge    = "too_large"
	codeNotJSON     = "not_json"
	codeForeignHost = "foreign_host"
	codeRange       = "out_of_range"
	codeTooMany     = "too_many"
	codeInternal    = "internal"
	codeUnavailable = "unavailable"
)

func malformed(hint, format string, a ...any) *fault {
	return &fault{http.StatusBadRequest, codeMalformed, fmt.Sprintf(format, a...), hint}
}

func notFound(format string, a ...any) *fault {
	return &fault{http.StatusNotFound, codeNotFound, fmt.Sprintf(format, a...), ""}
}

func outOfRange(hint, format string, a ...any) *fault {
	return &fault{http.StatusUnprocessableEntity, codeRange, fmt.Sprintf(format, a...), hint}
}

func wrongState(hint, format string, a ...any) *fault {
	return &fault{http.StatusConflict, codeState, fmt.Sprintf(format, a...), hint}
}

func notAllowed(hint, format string, a ...any) *fault {
	return &fault{http.StatusForbidden, codeNotAllowed, fmt.Sprintf(format, a...), hint}
}

// faultOf turns any error into what the outside may see of it; ok is false where that is only
// "internal".
func faultOf(err error) (f *fault, ok bool) {
	var tooLarge *http.MaxBytesError
	var fromBench *capture.Error
	var fromStore *store.Error
	switch {
	case errors.As(err, &f):
		return f, true
	case errors.As(err, &fromBench):
		return &fault{benchStatus(fromBench.Code), string(fromBench.Code), fromBench.Text, fromBench.Hint}, true
	case errors.As(err, &fromStore):
		if status := storeStatus(fromStore); status != 0 {
			return &fault{status, string(fromStore.Code), fromStore.Text, fromStore.Hint}, true
		}
	case errors.As(err, &tooLarge):
		return &fault{http.StatusRequestEntityTooLarge, codeTooLarge,
			fmt.Sprintf("the body is larger than %d bytes", tooLarge.Limit), "send less at once"}, true
	case errors.Is(err, os.ErrDeadlineExceeded):
		return &fault{http.StatusRequestTimeout, codeTimeout, "the body did not arrive in time", "send it again, in one piece"}, true
	}
	return &fault{http.StatusInternalServerError, codeInternal, "something went wrong inside; the log says what",
		"what is recorded is kept; look at the program's standard error"}, false
}

// writeJSON answers with v as JSON. What cannot be written as JSON is a defect of ours: logged and
// answered as 500, never half an answer.
func (s *Server) writeJSON(w http.ResponseWriter, r *http.Request, status int, v any) {
	b, err := json.Marshal(v)
	if err != nil {
		s.log.Error("answer is no JSON", "path", r.URL.Path, "err", err)
		f, _ := faultOf(err)
		writeFault(w, f)
		return
	}
	h := w.Header()
	h.Set("Content-Type", "application/json")
	h.Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	_, _ = w.Write(append(b, '\n')) // a client that has gone is no fault of ours
}

// writeErr answers with an error: as a page to a browser that asked for a page, else as JSON.
func (s *Server) writeErr(w http.ResponseWriter, r *http.Request, err error) {
	f, known := faultOf(err)
	if !known {
		s.log.Error("request failed", "method", r.Method, "path", r.URL.Path, "err", err)
	} else {
		s.log.Debug("request refused", "method", r.Method, "path", r.URL.Path, "status", f.status, "text", f.text)
	}
	if wantsPage(r) {
		s.writeProblem(w, r, f.status, f.text, f.hint)
		return
	}
	writeFault(w, f)
}

func writeFault(w http.ResponseWriter, f *fault) {
	var body struct {
		Error struct {
			Code string `json:"code"`
			Text string `json:"text"`
			Hint string `json:"hint"`
		} `json:"error"`
	}
	body.Error.Code, body.Error.Text, body.Error.Hint = f.code, f.text, f.hint
	b, err := json.Marshal(body)
	if err != nil { // three strings always are JSON
		slog.Error("error body", slog.Any("err", err))
	}
	h := w.Header()
	h.Set("Content-Type", "application/json")
	h.Set("Cache-Control", "no-store")
	w.WriteHeader(f.status)
	_, _ = w.Write(append(b, '\n'))
}

// wantsPage tells whether a person with a browser asked: the programs' interface always answers JSON.
func wantsPage(r *http.Request) bool {
	for _, prefix := range []string{"/api/", "/live", "/healthz", "/metrics"} {
		if strings.HasPrefix(r.URL.Path, prefix) {
			return false
		}
	}
	return strings.Contains(r.Header.Get("Accept"), "text/html")
}

// benchStatus gives the status of a code of the bench.
func benchStatus(code capture.Code) int {
	switch code {
	case capture.CodeMalformed:
		return http.StatusBadRequest
	case capture.CodeNotFound:
		return http.StatusNotFound
	case capture.CodeState:
		return http.StatusConflict
	case capture.CodeRange:
		return http.StatusUnprocessableEntity
	}
	return http.StatusInternalServerError
}

// storeStatus gives the status of an error of the store; 0 where its text is for the log only. What
// stops the store from writing is told in its own words: whoever runs the bench has to act on it.
func storeStatus(err error) int {
	for _, c := range []struct {
		is     error
		status int
	}{
		{store.ErrNotFound, http.StatusNotFound},
		{store.ErrConflict, http.StatusConflict},
		{store.ErrState, http.StatusConflict},
		{store.ErrInvalid, http.StatusUnprocessableEntity},
		{store.ErrReadOnly, http.StatusServiceUnavailable},
		{store.ErrBusy, http.StatusServiceUnavailable},
		{store.ErrFull, http.StatusServiceUnavailable},
		{store.ErrCorrupt, http.StatusServiceUnavailable},
	} {
		if errors.Is(err, c.is) {
			return c.status
		}
	}
	return 0
}
