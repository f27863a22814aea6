package web

import (
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/hex"
	"fmt"
	"net"
	"net/http"
	"strings"
	"sync"
	"time"
)

// Tokens are the secrets that give access. Without an operator token everybody who can connect is an
// operator, which is why any address but loopback demands one.
type Tokens struct {
	Operator string
	Viewer   string // may be empty: then nobody comes in as a viewer only
}

// role is what somebody may do.
type role string

const (
	roleNone     role = ""
	roleViewer   role = "viewer"   // may look
	roleOperator role = "operator" // may also arm, mark, switch, change and delete
)

type roleKey struct{}

// roleOf gives the role that the access check found for this request.
func roleOf(r *http.Request) role {
	who, _ := r.Context().Value(roleKey{}).(role)
	return who
}

// access finds out who asks.
type access struct {
	keys    []accessKey
	cookie  string // its name
	refused *refusals
}

// accessKey is one token. Only its digest is compared, so that neither length nor content shows in
// the time a comparison takes. The cookie carries a value derived from the token and never the token.
type accessKey struct {
	role   role
	digest [sha256.Size]byte
	cookie string
}

func newAccess(t Tokens, addr string) *access {
	// Cookies do not tell ports apart, so the name does: two benches on one machine stay two.
	_, port, _ := net.SplitHostPort(addr)
	a := &access{cookie: "letthrough_" + port, refused: newRefusals()}
	add := func(who role, token string) {
		if token == "" {
			return
		}
		mac := hmac.New(sha256.New, []byte(token))
		mac.Write([]byte("letthrough cookie 1 " + string(who)))
		a.keys = append(a.keys, accessKey{who, sha256.Sum256([]byte(token)), hex.EncodeToString(mac.Sum(nil))})
	}
	add(roleOperator, t.Operator)
	add(roleViewer, t.Viewer)
	return a
}

// open tells whether no token is asked for at all.
func (a *access) open() bool { return len(a.keys) == 0 }

// byToken compares with every key, always in the same time.
func (a *access) byToken(token string) role {
	digest, found := sha256.Sum256([]byte(token)), roleNone
	for _, k := range a.keys {
		if subtle.ConstantTimeCompare(digest[:], k.digest[:]) == 1 && found == roleNone {
			found = k.role
		}
	}
	return found
}

func (a *access) byCookie(value string) role {
	found := roleNone
	for _, k := range a.keys {
		if subtle.ConstantTimeCompare([]byte(value), []byte(k.cookie)) == 1 {
			found = k.role
		}
	}
	return found
}

// who finds the role behind a request, or says why there is none. Only guesses at tokens are
// limited in rate: somebody signed in is never locked out of ending a run by a stranger's guessing.
func (a *access) who(r *http.Request) (role, error) {
	if a.open() {
		return roleOperator, nil
	}
	if auth := r.Header.Get("Authorization"); auth != "" {
		scheme, token, _ := strings.Cut(auth, " ")
		if !strings.EqualFold(scheme, "Bearer") {
			return roleNone, signIn("the Authorization header is no Bearer token")
		}
		return a.try(r, strings.TrimSpace(token))
	}
	if c, err := r.Cookie(a.cookie); err == nil {
		if found := a.byCookie(c.Value); found != roleNone {
			return found, nil
		}
	}
	return roleNone, signIn("this bench asks for a token")
}

// try checks a token somebody typed or sent, within the rate limit.
func (a *access) try(r *http.Request, token string) (role, error) {
	from := remoteHost(r)
	if wait := a.refused.wait(from, time.Now()); wait > 0 {
		return roleNone, &fault{http.StatusTooManyRequests, codeTooMany, "too many wrong tokens from this address",
			fmt.Sprintf("try again in %d s", int(wait/time.Second)+1)}
	}
	found := a.byToken(token)
	if found == roleNone {
		a.refused.add(from, time.Now())
		return roleNone, signIn("this token is not known here")
	}
	return found, nil
}

func signIn(text string) error {
	return &fault{http.StatusUnauthorized, codeSignIn, text,
		"send the header Authorization: Bearer TOKEN, or sign in at /login"}
}

// withRole hangs the role on the request.
func withRole(r *http.Request, who role) *http.Request {
	return r.WithContext(context.WithValue(r.Context(), roleKey{}, who))
}

func remoteHost(r *http.Request) string {
	host, _, err := net.SplitHostPort(r.RemoteAddr)
	if err != nil {
		return r.RemoteAddr
	}
	return host
}

// setCookie signs a browser in. It lasts until the browser is closed.
func (a *access) setCookie(w http.ResponseWriter, r *http.Request, who role) {
	for _, k := range a.keys {
		if k.role == who {
			http.SetCookie(w, &http.Cookie{Name: a.cookie, Value: k.cookie, Path: "/",
				HttpOnly: true, SameSite: http.SameSiteStrictMode, Secure: r.TLS != nil})
		}
	}
}

func (a *access) clearCookie(w http.ResponseWriter) {
	http.SetCookie(w, &http.Cookie{Name: a.cookie, Path: "/", MaxAge: -1, HttpOnly: true, SameSite: http.SameSiteStrictMode})
}

// Limits on guessing: so many wrong tokens at once from one address, then one each refill. The table
// of addresses is bounded, so that many addresses cannot fill the memory.
const (
	guessBurst   = 10
	guessRefill  = 6 * time.Second
	guessersKept = 4096
)

// refusals counts wrong tokens by address.
type refusals struct {
	mu   sync.Mutex
	full map[string]time.Time // the instant at which the address's allowance is whole again
}

func newRefusals() *refusals { return &refusals{full: map[string]time.Time{}} }

// wait tells how long an address must wait before its next guess; 0: it may guess now.
func (x *refusals) wait(from string, now time.Time) time.Duration {
	x.mu.Lock()
	defer x.mu.Unlock()
	full, known := x.full[from]
	if !known {
		return 0
	}
	return max(0, full.Sub(now)-(guessBurst-1)*guessRefill)
}

func (x *refusals) add(from string, now time.Time) {
	x.mu.Lock()
	defer x.mu.Unlock()
	full := x.full[from]
	if full.Before(now) {
		full = now
	}
	if _, known := x.full[from]; !known && len(x.full) >= guessersKept {
		x.forget(now)
	}
	x.full[from] = full.Add(guessRefill)
}

// forget makes room: what has run off first, and if nothing has, everything. Must hold mu.
func (x *refusals) forget(now time.Time) {
	for k, full := range x.full {
		if full.Before(now) {
			delete(x.full, k)
		}
	}
	if len(x.full) >= guessersKept {
		clear(x.full)
	}
}
