package web

import (
	"bufio"
	"fmt"
	"net/http"
	"strings"
	"testing"
)

func TestForeignPagesAreRefusedEverywhere(t *testing.T) {
	ts := newTestServer(t)
	for _, c := range []struct{ method, path, body string }{
		{"GET", "/api/state", ""}, {"POST", "/api/arm", `{"unit":"Tin"}`}, {"POST", "/api/disarm", ""}, {"POST", "/api/extend", `{"hold_s":5}`},
		{"POST", "/api/end", ""}, {"POST", "/api/mark", `{"kind":"applied"}`}, {"POST", "/api/contact", `{"do":"close"}`},
		{"POST", "/api/units", `{"name":"Rust"}`}, {"PUT", "/api/units/1", `{"name":"Rust"}`}, {"DELETE", "/api/units/1", ""},
		{"PATCH", "/api/runs/1", `{"note":""}`}, {"DELETE", "/api/runs/1", ""}, {"POST", "/api/runs/1/exclude", `{"reason":"x"}`},
		{"POST", "/api/runs/1/include", ""}, {"POST", "/api/runs/1/derive", `{}`}, {"GET", "/live", ""}, {"GET", "/", ""}, {"POST", "/login", "token=x"}, {"POST", "/logout", ""},
	} {
		for _, origin := range []string{"http://evil.example", "null", "https://" + ts.Addr().String() + ".evil.example"} {
			status, body, h := ts.call(t, c.method, c.path, c.body, "Origin", origin)
			if code, _, _ := faultIn(t, body); status != 403 || code != "not_allowed" {
				t.Errorf("%s %s from %s: status %d code %q, want 403 not_allowed", c.method, c.path, origin, status, code)
			}
			if got := h.Get("Access-Control-Allow-Origin"); got != "" {
				t.Errorf("%s %s: Access-Control-Allow-Origin %q, want none", c.method, c.path, got)
			}
		}
		if status, _, _ := ts.call(t, c.method, c.path, c.body, "Host", "evil.example"); status != 421 {
			t.Errorf("%s %s for a foreign host: status %d, want 421", c.method, c.path, status)
		}
	}
	if len(ts.bench.calls) != 0 {
		t.Errorf("the bench was called %v", ts.bench.calls)
	}
}

func TestOwnPageMayChange(t *testing.T) {
	ts := newTestServer(t)
	if status, body, _ := ts.call(t, "POST", "/api/disarm", "", "Origin", ts.url, "Sec-Fetch-Site", "same-origin"); status != 200 {
		t.Fatalf("status %d: %s", status, body)
	}
}

func TestPathTricks(t *testing.T) {
	ts := newTestServer(t)
	for _, path := range []string{
		"/assets/../static.go", "/assets/%2e%2e/static.go", "/assets/..%2f..%2fgo.mod", "/assets/%2fetc%2fpasswd", "/assets//etc/passwd",
		"/assets/scripts/..%5c..%5cgo.mod", "/assets/scripts/%00", "/assets/scripts", "/assets/scripts/", "/assets/", "/assets/dist/.gitkeep",
		"/assets/templates/frame.html", "/assets/help/live.md", "/assets/" + ts.assets.hash + "/../../go.mod", "/assets/0000000000000000/scripts/x.js",
		"/help/..%2f..%2fgo.mod", "/help/%2e%2e", "/help/live.md", "/api/units/..%2f..", "/api/runs/1%2fexport", "/api/runs/1/../../state", "/..", "/%2e%2e/", "/api//state",
	} {
		status, body, _ := ts.call(t, "GET", path, "")
		if status != 404 && status != 301 && status != 307 && status != 400 {
			t.Errorf("GET %s: status %d: %.80s", path, status, body)
		}
		if strings.Contains(string(body), "module letthrough") || strings.Contains(string(body), "root:") {
			t.Errorf("GET %s: gave a file away", path)
		}
	}
}

func TestScriptInNamesStaysText(t *testing.T) {
	ts := newTestServer(t)
	const evil = `<script>alert(1)</script>"'&`
	ts.must(t, "POST", "/api/units", `{"name":"<script>alert(1)</script>\"'&"}`, nil)
	var got struct{ Units []struct{ Name string } }
	ts.must(t, "GET", "/api/units", "", &got)
	if len(got.Units) != 1 || got.Units[0].Name != evil {
		t.Fatalf("units %+v, want the name as it was given", got.Units)
	}
	_, body, h := ts.call(t, "GET", "/api/units", "")
	if strings.Contains(string(body), "<script") {
		t.Errorf("the answer carries the script as it is: %s", body)
	}
	if h.Get("X-Content-Type-Options") != "nosniff" {
		t.Error("a browser may guess that the answer is a page")
	}
	run := storedRun(t, ts.db, evil, 100)
	_, _, h = ts.call(t, "GET", fmt.Sprintf("/api/runs/%d/export?format=csv", run), "")
	if got, want := h.Get("Content-Disposition"), fmt.Sprintf(`attachment; filename="run-%d-script-alert-1---script.csv"`, run); got != want {
		t.Errorf("Content-Disposition %s, want %s", got, want)
	}
	status, body, h := ts.call(t, "GET", "/%3Cscript%3Ealert(1)%3C/script%3E", "", "Accept", "text/html")
	if status != 404 || strings.Contains(string(body), "<script>alert") {
		t.Errorf("status %d: the path stands in the page as it is", status)
	}
	if h.Get("Content-Security-Policy") == "" {
		t.Error("a page without a content security policy")
	}
}

func TestEveryAnswerCarriesThePolicy(t *testing.T) {
	ts := newTestServer(t)
	for _, path := range []string{"/", "/api/state", "/api/nothing", "/nothing", "/healthz", "/metrics", "/help/", "/assets/nothing"} {
		for _, accept := range []string{"text/html", "*/*"} {
			_, _, h := ts.call(t, "GET", path, "", "Accept", accept)
			csp := h.Get("Content-Security-Policy")
			for _, want := range []string{"default-src 'self'", "connect-src 'self'", "frame-ancestors 'none'", "base-uri 'none'", "form-action 'self'"} {
				if !strings.Contains(csp, want) {
					t.Errorf("%s: policy %q lacks %s", path, csp, want)
				}
			}
			if strings.Contains(csp, "unsafe") || strings.Contains(csp, "http") || strings.Contains(csp, "*") {
				t.Errorf("%s: policy %q allows too much", path, csp)
			}
			if h.Get("X-Content-Type-Options") != "nosniff" || h.Get("Referrer-Policy") != "same-origin" {
				t.Errorf("%s: nosniff %q, referrer %q", path, h.Get("X-Content-Type-Options"), h.Get("Referrer-Policy"))
			}
		}
	}
	_, _, h := ts.call(t, "GET", "/api/state", "", "Host", "evil.example")
	if h.Get("Content-Security-Policy") == "" {
		t.Error("a refusal without the policy")
	}
}

func TestHugeBodyIsNotReadToItsEnd(t *testing.T) {
	ts := newTestServer(t)
	for name, length := range map[string]int64{"said": 1 << 40, "not said": -1} {
		t.Run(name, func(t *testing.T) {
			body := &endless{}
			req, err := http.NewRequest("POST", ts.url+"/api/arm", body)
			if err != nil {
				t.Fatal(err)
			}
			req.ContentLength = length
			req.Header.Set("Content-Type", "application/json")
			resp, err := http.DefaultClient.Do(req)
			if err == nil {
				resp.Body.Close()
				if resp.StatusCode != 413 {
					t.Errorf("status = %d, want 413", resp.StatusCode)
				}
			} // else the connection was cut while the client still sent: as good
			if got := body.given.Load(); got > 64<<20 {
				t.Errorf("%d bytes were taken", got)
			}
		})
	}
}

func TestHeadersWithoutEndAreRefused(t *testing.T) {
	ts := newTestServer(t)
	c := ts.rawConn(t)
	fmt.Fprintf(c, "GET /api/state HTTP/1.1\r\nHost: %s\r\nX-Long: %s\r\n\r\n", ts.Addr(), strings.Repeat("x", 100<<10))
	line, err := bufio.NewReader(c).ReadString('\n')
	if err != nil || !strings.Contains(line, " 431 ") {
		t.Fatalf("answer %q (%v), want status 431", line, err)
	}
}
