package web

import (
	"mime"
	"net/http"
	"strings"
)

// maxFormBytes bounds the sign-in form.
const maxFormBytes = 4 << 10

func (s *Server) getLogin(w http.ResponseWriter, r *http.Request) {
	if s.access.open() {
		http.Redirect(w, r, "/", http.StatusSeeOther)
		return
	}
	s.writeLogin(w, r, http.StatusOK, "")
}

// postLogin turns a token typed into a form into a cookie.
func (s *Server) postLogin(w http.ResponseWriter, r *http.Request) {
	if s.access.open() {
		http.Redirect(w, r, "/", http.StatusSeeOther)
		return
	}
	if kind, _, err := mime.ParseMediaType(r.Header.Get("Content-Type")); err != nil || kind != "application/x-www-form-urlencoded" {
		s.writeErr(w, r, &fault{http.StatusUnsupportedMediaType, "not_a_form", "this is no sign-in form", "use the form at /login"})
		return
	}
	r.Body = http.MaxBytesReader(w, r.Body, maxFormBytes)
	if err := r.ParseForm(); err != nil {
		s.writeErr(w, r, readError(err))
		return
	}
	who, err := s.access.try(r, strings.TrimSpace(r.PostForm.Get("token")))
	if err != nil {
		f, _ := faultOf(err)
		if f.status == http.StatusTooManyRequests {
			w.Header().Set("Retry-After", "6")
		}
		s.log.Warn("sign-in refused", "from", remoteHost(r), "why", f.text)
		problem := f.text
		if f.status != http.StatusUnauthorized {
			problem += ": " + f.hint
		}
		s.writeLogin(w, r, f.status, problem)
		return
	}
	s.access.setCookie(w, r, who)
	http.Redirect(w, r, localPath(r.PostForm.Get("next")), http.StatusSeeOther)
}

func (s *Server) postLogout(w http.ResponseWriter, r *http.Request) {
	s.access.clearCookie(w)
	http.Redirect(w, r, "/login", http.StatusSeeOther)
}

// localPath lets a form lead on only to a page of ours: "//elsewhere" and "/\elsewhere" are other
// machines to a browser.
func localPath(next string) string {
	if !strings.HasPrefix(next, "/") || strings.HasPrefix(next, "//") || strings.ContainsAny(next, "\\\r\n\t") {
		return "/"
	}
	return next
}
