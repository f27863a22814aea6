package web

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"
)

const (
	operatorToken = "operator-token-of-the-test"
	viewerToken   = "viewer-token-of-the-test"
)

func withTokens(o *Options) { o.Tokens = Tokens{Operator: operatorToken, Viewer: viewerToken} }

func TestRoles(t *testing.T) {
	ts := newTestServer(t, withTokens)
	for name, c := range map[string]struct {
		method, path, body, auth string
		status                   int
	}{
		"nobody may look":                    {"GET", "/api/state", "", "", 401},
		"nobody may change":                  {"POST", "/api/disarm", "", "", 401},
		"nobody may read the metrics":        {"GET", "/metrics", "", "", 401},
		"nobody may watch":                   {"GET", "/live", "", "", 401},
		"anybody may ask whether it runs":    {"GET", "/healthz", "", "", 200},
		"a viewer may look":                  {"GET", "/api/state", "", "Bearer " + viewerToken, 200},
		"a viewer may list runs":             {"GET", "/api/runs", "", "Bearer " + viewerToken, 200},
		"a viewer may not arm":               {"POST", "/api/arm", `{"unit":"Tin"}`, "Bearer " + viewerToken, 403},
		"a viewer may not mark":              {"POST", "/api/mark", `{"kind":"applied"}`, "Bearer " + viewerToken, 403},
		"a viewer may not switch":            {"POST", "/api/contact", `{"do":"close"}`, "Bearer " + viewerToken, 403},
		"a viewer may not delete":            {"DELETE", "/api/units/1", "", "Bearer " + viewerToken, 403},
		"a viewer may not change a note":     {"PATCH", "/api/runs/1", `{"note":""}`, "Bearer " + viewerToken, 403},
		"an operator may":                    {"POST", "/api/disarm", "", "Bearer " + operatorToken, 200},
		"the scheme's case does not matter":  {"POST", "/api/disarm", "", "bearer " + operatorToken, 200},
		"a wrong token":                      {"GET", "/api/state", "", "Bearer nonsense", 401},
		"the beginning of a token":           {"GET", "/api/state", "", "Bearer " + operatorToken[:10], 401},
		"a token and more":                   {"GET", "/api/state", "", "Bearer " + operatorToken + "x", 401},
		"an empty token":                     {"GET", "/api/state", "", "Bearer ", 401},
		"another scheme":                     {"GET", "/api/state", "", "Basic " + operatorToken, 401},
		"a token in the address is no token": {"GET", "/api/state?token=" + operatorToken, "", "", 401},
	} {
		t.Run(name, func(t *testing.T) {
			status, body, h := ts.call(t, c.method, c.path, c.body, "Authorization", c.auth)
			if status != c.status {
				t.Fatalf("status = %d, want %d: %s", status, c.status, body)
			}
			if status >= 400 {
				faultIn(t, body)
			}
			if status == 401 && h.Get("WWW-Authenticate") == "" {
				t.Error("401 without WWW-Authenticate")
			}
		})
	}
	if len(ts.bench.calls) != 2 {
		t.Errorf("the bench was called %v, want two times disarm by the operator", ts.bench.calls)
	}
}

// signIn posts the form and gives the answer.
func (ts *testServer) signIn(t *testing.T, token, next string) (*http.Response, string) {
	t.Helper()
	r := httptest.NewRequest("POST", "/login", strings.NewReader(url.Values{"token": {token}, "next": {next}}.Encode()))
	r.Host = "127.0.0.1"
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	w := ts.recorder(r)
	return w.Result(), w.Body.String()
}

func TestSignIn(t *testing.T) {
	ts := newTestServer(t, withTokens)

	t.Run("a browser without a token gets the form", func(t *testing.T) {
		status, body, h := ts.call(t, "GET", "/", "", "Accept", "text/html")
		if status != 401 || !strings.HasPrefix(h.Get("Content-Type"), "text/html") || !strings.Contains(string(body), `name="token"`) {
			t.Fatalf("status %d, type %s, body %s: want 401 with the form", status, h.Get("Content-Type"), body)
		}
	})
	t.Run("the right token gives a cookie that works", func(t *testing.T) {
		resp, _ := ts.signIn(t, operatorToken, "/runs")
		if resp.StatusCode != 303 || resp.Header.Get("Location") != "/runs" {
			t.Fatalf("status %d to %q, want 303 to /runs", resp.StatusCode, resp.Header.Get("Location"))
		}
		cookies := resp.Cookies()
		if len(cookies) != 1 {
			t.Fatalf("%d cookies, want 1", len(cookies))
		}
		c := cookies[0]
		if !c.HttpOnly || c.SameSite != http.SameSiteStrictMode || c.Path != "/" {
			t.Errorf("cookie %+v: want HttpOnly, SameSite=Strict, Path=/", c)
		}
		if strings.Contains(c.Value, operatorToken) {
			t.Error("the cookie carries the token itself")
		}
		if status, body, _ := ts.call(t, "POST", "/api/disarm", "", "Cookie", c.Name+"="+c.Value); status != 200 {
			t.Errorf("with the cookie: status %d: %s", status, body)
		}
		if status, _, _ := ts.call(t, "POST", "/api/disarm", "", "Cookie", c.Name+"="+c.Value+"0"); status != 401 {
			t.Errorf("with a cookie changed: status %d, want 401", status)
		}
	})
	t.Run("a viewer's cookie makes no operator", func(t *testing.T) {
		resp, _ := ts.signIn(t, viewerToken, "")
		c := resp.Cookies()[0]
		if status, _, _ := ts.call(t, "POST", "/api/disarm", "", "Cookie", c.Name+"="+c.Value); status != 403 {
			t.Errorf("status %d, want 403", status)
		}
	})
	t.Run("a wrong token gives the form again", func(t *testing.T) {
		resp, body := ts.signIn(t, "wrong", "")
		if resp.StatusCode != 401 || len(resp.Cookies()) != 0 || !strings.Contains(body, `name="token"`) {
			t.Fatalf("status %d, cookies %v, body %s", resp.StatusCode, resp.Cookies(), body)
		}
	})
	t.Run("it leads to no other machine", func(t *testing.T) {
		for _, next := range []string{"//evil.example", `/\evil.example`, "https://evil.example", "javascript:alert(1)", "/\r\nX: y", "/\t/evil.example"} {
			resp, _ := ts.signIn(t, operatorToken, next)
			if got := resp.Header.Get("Location"); got != "/" {
				t.Errorf("next %q leads to %q, want /", next, got)
			}
		}
	})
	t.Run("a form from elsewhere is refused", func(t *testing.T) {
		r := httptest.NewRequest("POST", "/login", strings.NewReader("token="+operatorToken))
		r.Host = "127.0.0.1"
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		r.Header.Set("Origin", "http://evil.example")
		if w := ts.recorder(r); w.Code != 403 || len(w.Result().Cookies()) != 0 {
			t.Fatalf("status %d, cookies %v, want 403 and none", w.Code, w.Result().Cookies())
		}
	})
	t.Run("an endless form is refused", func(t *testing.T) {
		if resp, _ := ts.signIn(t, strings.Repeat("x", 1<<20), ""); resp.StatusCode != 413 {
			t.Fatalf("status %d, want 413", resp.StatusCode)
		}
	})
	t.Run("a form that is none", func(t *testing.T) {
		if status, _, _ := ts.call(t, "POST", "/login", `{"token":"x"}`); status != 415 {
			t.Fatalf("status %d, want 415", status)
		}
	})
	t.Run("signing out takes the cookie back", func(t *testing.T) {
		_, _, h := ts.call(t, "POST", "/logout", "", "Authorization", "Bearer "+viewerToken)
		if got := h.Get("Set-Cookie"); !strings.Contains(got, "Max-Age=0") {
			t.Fatalf("Set-Cookie %q, want one that ends it", got)
		}
	})
}

func TestGuessingIsSlowedDown(t *testing.T) {
	ts := newTestServer(t, withTokens)
	resp, _ := ts.signIn(t, operatorToken, "")
	cookie := resp.Cookies()[0]
	var last int
	for range guessBurst + 1 {
		last, _, _ = ts.call(t, "GET", "/api/state", "", "Authorization", "Bearer wrong")
	}
	if last != 429 {
		t.Fatalf("status after %d wrong tokens = %d, want 429", guessBurst+1, last)
	}
	status, body, h := ts.call(t, "GET", "/api/state", "", "Authorization", "Bearer "+operatorToken)
	if status != 429 || h.Get("Retry-After") == "" {
		t.Errorf("even the right one: status %d, Retry-After %q, want 429: else guessing goes on at full speed", status, h.Get("Retry-After"))
	}
	faultIn(t, body)
	if status, _, _ := ts.call(t, "POST", "/api/end", "", "Cookie", cookie.Name+"="+cookie.Value); status != 200 {
		t.Errorf("somebody signed in: status %d, want 200: a stranger must not lock out the operator", status)
	}
}

func TestRefusalsRunOff(t *testing.T) {
	x, now := newRefusals(), time.Unix(1000, 0)
	for range guessBurst {
		if w := x.wait("a", now); w != 0 {
			t.Fatalf("wait = %v within the burst, want 0", w)
		}
		x.add("a", now)
	}
	if w := x.wait("a", now); w != guessRefill {
		t.Errorf("wait = %v after the burst, want %v", w, guessRefill)
	}
	if w := x.wait("b", now); w != 0 {
		t.Errorf("wait of another address = %v, want 0", w)
	}
	if w := x.wait("a", now.Add(guessRefill)); w != 0 {
		t.Errorf("wait = %v after one refill, want 0", w)
	}
	for i := range 3 * guessersKept {
		x.add(fmt.Sprint(i), now)
	}
	if n := len(x.full); n > guessersKept {
		t.Errorf("%d addresses kept, want at most %d", n, guessersKept)
	}
}

func TestTokensThatMakeNoSense(t *testing.T) {
	for name, change := range map[string]func(*Options){
		"another machine could reach it without a token": func(o *Options) { o.Addr = "0.0.0.0:0" },
		"a name that may be any address":                 func(o *Options) { o.Addr = "bench.example:0" },
		"a viewer's token alone":                         func(o *Options) { o.Tokens.Viewer = "x" },
		"one token for both":                             func(o *Options) { o.Tokens = Tokens{"x", "x"} },
		"no port":                                        func(o *Options) { o.Addr = "127.0.0.1" },
		"too many viewers":                               func(o *Options) { o.MaxViewers = 100000 },
	} {
		t.Run(name, func(t *testing.T) {
			o := Options{Addr: "127.0.0.1:0", Bench: newFakeBench(), Store: openTestStore(t), Files: testFiles}
			change(&o)
			if _, err := New(o); err == nil {
				t.Fatal("taken")
			}
		})
	}
}
