package web

import (
	"fmt"
	"io"
	"net/http"
	"path/filepath"
	"strconv"
	"strings"
	"time"
)

// getBackup sends a copy of the database as it stands now, also while a run is recorded into it. It holds
// everything, so that only an operator has it, and there is one at a time.
func (s *Server) getBackup(w http.ResponseWriter, r *http.Request) error {
	if roleOf(r) != roleOperator {
		return notAllowed("sign in with the operator's token", "a backup holds everything that is kept; viewers may not take it")
	}
	if _, err := query(r); err != nil {
		return err
	}
	select {
	case s.copying <- struct{}{}:
		defer func() { <-s.copying }()
	default:
		return &fault{http.StatusTooManyRequests, codeTooMany, "a backup is being made already", "wait until it is there"}
	}
	f, err := s.store.Copy(r.Context())
	if err != nil {
		return err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return err
	}
	out := &download{w: w, rc: http.NewResponseController(w)}
	out.head = func() {
		h := w.Header()
		h.Set("Content-Type", "application/vnd.sqlite3")
		h.Set("Content-Length", strconv.FormatInt(info.Size(), 10))
		h.Set("Cache-Control", "no-store")
		h.Set("Content-Disposition", fmt.Sprintf("attachment; filename=%q", backupName(s.store.Path(), time.Now())))
		w.WriteHeader(http.StatusOK)
	}
	if _, err = io.Copy(struct{ io.Writer }{out}, f); err != nil && out.begun {
		if r.Context().Err() == nil {
			s.log.Error("backup broke off", "err", err)
		}
		panic(http.ErrAbortHandler) // half a file must not look like a whole one
	}
	return err
}

// backupName names a copy by its day.
func backupName(path string, now time.Time) string {
	name := strings.Map(func(c rune) rune {
		if c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9' {
			return c
		}
		return '-'
	}, strings.TrimSuffix(filepath.Base(path), filepath.Ext(path)))
	return fmt.Sprintf("%s-%s.db", name, now.Format("2006-01-02-1504"))
}
