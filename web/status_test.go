package web

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"net/http"
	"strings"
	"testing"
	"time"

	"letthrough/capture"
)

// Every status rule of the interface, named by its outcome.
func TestStatuses(t *testing.T) {
	ts := newTestServer(t)
	ts.must(t, "POST", "/api/units", `{"name":"Tin","rated_current_a":1.4,"rated_voltage_v":12}`, nil)
	run := storedRun(t, ts.db, "Tin", 2000)
	runPath := fmt.Sprintf("/api/runs/%d", run)
	longText := strings.Repeat("x", 5000)
	for name, c := range map[string]struct {
		method, path, body string
		status             int
		code               string
		says               string
	}{
		"200 the state":                          {"GET", "/api/state", "", 200, "", ""},
		"200 the state's head":                   {"HEAD", "/api/state", "", 200, "", ""},
		"200 armed":                              {"POST", "/api/arm", `{"unit":"Tin","procedure":"short","hold_s":30}`, 200, "", ""},
		"200 armed by the unit's number":         {"POST", "/api/arm", `{"unit":1}`, 200, "", ""},
		"200 ended without a body":               {"POST", "/api/end", "", 200, "", ""},
		"200 disarmed with an empty object":      {"POST", "/api/disarm", "{}", 200, "", ""},
		"200 marked":                             {"POST", "/api/mark", `{"kind":"note","text":"sparks"}`, 200, "", ""},
		"200 contact closed":                     {"POST", "/api/contact", `{"do":"close"}`, 200, "", ""},
		"200 instruments":                        {"GET", "/api/instruments", "", 200, "", ""},
		"200 health":                             {"GET", "/healthz", "", 200, "", ""},
		"400 no JSON":                            {"POST", "/api/arm", `{"unit":`, 400, "malformed", "ends inside"},
		"400 no body where one is needed":        {"POST", "/api/arm", "", 400, "malformed", "missing"},
		"400 an unknown field":                   {"POST", "/api/arm", `{"unit":"Tin","hold":5}`, 400, "malformed", `"hold"`},
		"400 a text for a number":                {"POST", "/api/arm", `{"unit":"Tin","hold_s":"long"}`, 400, "malformed", "hold_s"},
		"400 no unit":                            {"POST", "/api/arm", `{}`, 400, "malformed", "unit"},
		"400 a unit that is neither name nor id": {"POST", "/api/arm", `{"unit":[1]}`, 400, "malformed", "unit"},
		"400 no hold to extend to":               {"POST", "/api/extend", `{}`, 400, "malformed", "hold_s"},
		"400 a mark of no kind":                  {"POST", "/api/mark", `{"text":"x"}`, 400, "malformed", "kind"},
		"400 a body where none is wanted":        {"POST", "/api/end", `{"why":1}`, 400, "malformed", `"why"`},
		"400 a contact that is told nothing":     {"POST", "/api/contact", `{}`, 400, "malformed", "do"},
		"400 a limit that is no number":          {"GET", "/api/runs?limit=many", "", 400, "malformed", "limit"},
		"400 a time that is none":                {"GET", "/api/runs?from=yesterday", "", 400, "malformed", "from"},
		"400 a misspelt filter":                  {"GET", "/api/runs?unti=Tin", "", 400, "malformed", "unti"},
		"400 a filter twice":                     {"GET", "/api/runs?unit=Tin&unit=Moss", "", 400, "malformed", "unit"},
		"400 a broken query":                     {"GET", "/api/runs?unit=%zz", "", 400, "malformed", "query"},
		"400 a window that is no number":         {"GET", runPath + "/samples?from_s=soon", "", 400, "malformed", "from_s"},
		"400 a note that is left out":            {"PATCH", runPath, `{}`, 400, "malformed", "note"},
		"400 a reason that is left out":          {"POST", runPath + "/exclude", `{}`, 400, "malformed", "reason"},
		"400 an unknown setting":                 {"POST", runPath + "/derive", `{"settings":{"rated_amps":1}}`, 400, "malformed", "rated_amps"},
		"400 no export format":                   {"GET", runPath + "/export", "", 400, "malformed", "format"},
		"426 the live view without a websocket":  {"GET", "/live", "", 426, "not_a_socket", ""},
		"404 nothing there":                      {"GET", "/api/nothing", "", 404, "not_found", "/api/nothing"},
		"404 an unknown unit to arm":             {"POST", "/api/arm", `{"unit":"Nobody"}`, 404, "not_found", "Nobody"},
		"404 no such unit":                       {"GET", "/api/units/99", "", 404, "not_found", ""},
		"404 a unit that is no number":           {"GET", "/api/units/Tin", "", 404, "not_found", "Tin"},
		"404 no such run":                        {"GET", "/api/runs/99", "", 404, "not_found", ""},
		"404 a run below nought":                 {"GET", "/api/runs/-1", "", 404, "not_found", ""},
		"404 a run beyond counting":              {"GET", "/api/runs/99999999999999999999", "", 404, "not_found", ""},
		"404 samples of no run":                  {"GET", "/api/runs/99/samples", "", 404, "not_found", ""},
		"404 export of no run":                   {"GET", "/api/runs/99/export?format=csv", "", 404, "not_found", ""},
		"404 derive no run":                      {"POST", "/api/runs/99/derive", `{}`, 404, "not_found", ""},
		"404 exclude no run":                     {"POST", "/api/runs/99/exclude", `{"reason":"x"}`, 404, "not_found", ""},
		"404 delete no run":                      {"DELETE", "/api/runs/99", "", 404, "not_found", ""},
		"404 delete no unit":                     {"DELETE", "/api/units/99", "", 404, "not_found", ""},
		"404 help that is not written":           {"GET", "/help/nothing", "", 404, "not_found", ""},
		"200 one instrument":                     {"GET", "/api/instruments/shunt", "", 200, "", ""},
		"201 an instrument added":                {"POST", "/api/instruments", `{"spec":"meter=text:/dev/ttyUSB0?unit=V"}`, 201, "", ""},
		"204 an instrument removed":              {"DELETE", "/api/instruments/shunt", "", 204, "", ""},
		"400 an instrument without a line":       {"POST", "/api/instruments", `{}`, 400, "malformed", "spec"},
		"404 no such instrument":                 {"GET", "/api/instruments/nothing", "", 404, "not_found", "nothing"},
		"422 an instrument of no known format":   {"POST", "/api/instruments", `{"spec":"meter=smoke:/dev/ttyUSB0"}`, 422, "out_of_range", "smoke"},
		"422 an instrument line that is none":    {"POST", "/api/instruments", `{"spec":"meter"}`, 422, "out_of_range", "meter"},
		"405 a wrong method":                     {"GET", "/api/arm", "", 405, "wrong_method", "GET"},
		"405 deleting the state":                 {"DELETE", "/api/state", "", 405, "wrong_method", ""},
		"405 an unheard method":                  {"BREW", "/api/state", "", 405, "wrong_method", ""},
		"405 posting to one run":                 {"POST", runPath, `{}`, 405, "wrong_method", ""},
		"405 a preflight is not answered":        {"OPTIONS", "/api/arm", "", 405, "wrong_method", ""},
		"409 a name that is taken":               {"POST", "/api/units", `{"name":"Tin"}`, 409, "conflict", ""},
		"413 more than 1 MiB":                    {"POST", "/api/arm", `{"unit":"` + strings.Repeat("x", 1<<20) + `"}`, 413, "too_large", ""},
		"422 a negative rating":                  {"POST", "/api/units", `{"name":"Rust","rated_current_a":-1}`, 422, "out_of_range", "rated_current_a"},
		"422 a rating beyond belief":             {"POST", "/api/units", `{"name":"Rust","rated_current_a":1e9}`, 422, "out_of_range", "rated_current_a"},
		"422 a number no float holds":            {"POST", "/api/units", `{"name":"Rust","rated_current_a":1e999}`, 422, "out_of_range", "rated_current_a"},
		"422 no name":                            {"POST", "/api/units", `{"rated_current_a":1}`, 422, "out_of_range", "name"},
		"422 a name with a line break":           {"POST", "/api/units", `{"name":"Ru\nst"}`, 422, "out_of_range", "name"},
		"422 a waveform nobody knows":            {"POST", "/api/units", `{"name":"Rust","waveform":"square"}`, 422, "out_of_range", "waveform"},
		"422 an unknown procedure":               {"POST", "/api/arm", `{"unit":"Tin","procedure":"melt"}`, 422, "out_of_range", "melt"},
		"422 a mark that only the program makes": {"POST", "/api/mark", `{"kind":"cut_off"}`, 422, "out_of_range", "cut_off"},
		"422 a text without end":                 {"POST", "/api/mark", `{"kind":"note","text":"` + longText + `"}`, 422, "out_of_range", "text"},
		"422 a contact that should burn":         {"POST", "/api/contact", `{"do":"burn"}`, 422, "out_of_range", "burn"},
		"422 a limit below one":                  {"GET", "/api/runs?limit=0", "", 422, "out_of_range", "limit"},
		"422 a limit beyond the most":            {"GET", "/api/runs?limit=100000000", "", 422, "out_of_range", "limit"},
		"422 a procedure to filter by":           {"GET", "/api/runs?procedure=melt", "", 422, "out_of_range", "melt"},
		"422 an order nobody knows":              {"GET", "/api/runs?sort=colour", "", 422, "out_of_range", ""},
		"422 a cursor that is none":              {"GET", "/api/runs?after=zzzz", "", 422, "out_of_range", ""},
		"422 a verdict that there is not":        {"GET", "/api/runs?verdict=good", "", 422, "out_of_range", "verdict"},
		"422 no columns":                         {"GET", runPath + "/samples?columns=0", "", 422, "out_of_range", "columns"},
		"422 columns without end":                {"GET", runPath + "/samples?columns=99999999", "", 422, "out_of_range", "columns"},
		"422 a window backwards":                 {"GET", runPath + "/samples?from_s=2&to_s=1", "", 422, "out_of_range", "from_s"},
		"422 a window at infinity":               {"GET", runPath + "/samples?from_s=Inf", "", 422, "out_of_range", "from_s"},
		"422 a window that is not a number":      {"GET", runPath + "/samples?from_s=NaN", "", 422, "out_of_range", "from_s"},
		"422 an export format nobody knows":      {"GET", runPath + "/export?format=pdf", "", 422, "out_of_range", "pdf"},
		"422 an empty reason":                    {"POST", runPath + "/exclude", `{"reason":"  "}`, 422, "out_of_range", "reason"},
		"422 a setting out of range":             {"POST", runPath + "/derive", `{"settings":{"hold_s":-1}}`, 422, "out_of_range", "hold_s"},
		"422 another id in the body":             {"PUT", "/api/units/1", `{"id":2,"name":"Tin"}`, 422, "out_of_range", "id"},
	} {
		t.Run(name, func(t *testing.T) {
			status, body, h := ts.call(t, c.method, c.path, c.body)
			if status != c.status {
				t.Fatalf("status = %d, want %d: %.300s", status, c.status, body)
			}
			if status < 400 || c.method == "HEAD" {
				return
			}
			code, text, _ := faultIn(t, body)
			if code != c.code || !strings.Contains(text, c.says) {
				t.Errorf("code %q, text %q: want %q saying %q", code, text, c.code, c.says)
			}
			if !strings.HasPrefix(h.Get("Content-Type"), "application/json") {
				t.Errorf("content type %q, want JSON", h.Get("Content-Type"))
			}
			if status == 405 && h.Get("Allow") == "" {
				t.Error("405 without Allow")
			}
		})
	}
}

func TestContentTypeThatIsNotJSON(t *testing.T) {
	ts := newTestServer(t)
	for _, path := range []string{"/api/arm", "/api/disarm", "/api/extend", "/api/end", "/api/mark", "/api/units", "/api/contact"} {
		for _, kind := range []string{"", "text/plain", "application/x-www-form-urlencoded", "multipart/form-data; boundary=x", "application/jsonp"} {
			status, body, _ := ts.call(t, "POST", path, `{"unit":"Tin"}`, "Content-Type", kind)
			if code, _, _ := faultIn(t, body); status != 415 || code != "not_json" {
				t.Errorf("%s as %q: status %d code %q, want 415 not_json", path, kind, status, code)
			}
		}
	}
	if len(ts.bench.calls) != 0 {
		t.Errorf("the bench was called %v", ts.bench.calls)
	}
}

func TestBenchRefusals(t *testing.T) {
	for code, want := range map[capture.Code]int{
		capture.CodeMalformed: 400, capture.CodeNotFound: 404, capture.CodeState: 409, capture.CodeRange: 422, "unheard": 500,
	} {
		t.Run(string(code), func(t *testing.T) {
			ts := newTestServer(t)
			ts.bench.fail = &capture.Error{Code: code, Text: "the bench is armed", Hint: "disarm it first"}
			ts.must(t, "POST", "/api/units", `{"name":"Tin"}`, nil)
			for path, body := range map[string]string{
				"/api/arm": `{"unit":"Tin","hold_s":-5}`, "/api/disarm": "", "/api/extend": `{"hold_s":5}`, "/api/end": "",
				"/api/mark": `{"kind":"applied"}`, "/api/contact": `{"do":"open"}`,
			} {
				status, b, _ := ts.call(t, "POST", path, body)
				gotCode, text, hint := faultIn(t, b)
				if status != want || gotCode != string(code) || text != "the bench is armed" || hint != "disarm it first" {
					t.Errorf("%s: %d %q %q %q, want %d with the bench's own words", path, status, gotCode, text, hint, want)
				}
			}
		})
	}
}

func TestHardwareThatFails(t *testing.T) {
	ts := newTestServer(t)
	ts.bench.fail = errors.New("port /dev/ttyUSB0: no such file")
	for path, c := range map[string]struct {
		body   string
		status int
	}{
		"/api/contact":     {`{"do":"open"}`, 503},
		"/api/instruments": {`{"spec":"meter=text:/dev/ttyUSB0"}`, 422},
	} {
		status, body, _ := ts.call(t, "POST", path, c.body)
		if _, text, hint := faultIn(t, body); status != c.status || !strings.Contains(text, "/dev/ttyUSB0") || hint == "" {
			t.Errorf("%s: status %d, %q, %q: want %d that names the port and says what to do", path, status, text, hint, c.status)
		}
	}
}

func TestNoContactConfigured(t *testing.T) {
	ts := newTestServer(t)
	ts.bench.contact = false
	status, body, _ := ts.call(t, "POST", "/api/contact", `{"do":"close"}`)
	if code, _, _ := faultIn(t, body); status != 404 || code != "not_found" {
		t.Fatalf("status %d code %q, want 404 not_found", status, code)
	}
}

func TestPanicTellsNothing(t *testing.T) {
	ts := newTestServer(t)
	ts.bench.mu.Lock()
	ts.bench.blow = true
	ts.bench.mu.Unlock()
	status, body, _ := ts.call(t, "GET", "/api/instruments", "")
	code, _, _ := faultIn(t, body)
	if status != 500 || code != "internal" || strings.Contains(string(body), "secret") {
		t.Fatalf("status %d, body %s: want 500 that tells nothing", status, body)
	}
	ts.bench.mu.Lock()
	ts.bench.blow = false
	ts.bench.mu.Unlock()
	ts.must(t, "GET", "/api/instruments", "", nil)
}

// rawConn opens a connection of a client that does as it likes.
func (ts *testServer) rawConn(t *testing.T) net.Conn {
	t.Helper()
	c, err := net.Dial("tcp", ts.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	if err := c.SetDeadline(time.Now().Add(patience)); err != nil {
		t.Fatal(err)
	}
	return c
}

// shortTimeouts makes a stall end at once.
func shortTimeouts(s *Server) {
	s.http.ReadHeaderTimeout, s.http.ReadTimeout = 100*time.Millisecond, 200*time.Millisecond
}

func TestStalledBodyEnds(t *testing.T) {
	ts := serveTest(t, shortTimeouts)
	c := ts.rawConn(t)
	fmt.Fprintf(c, "POST /api/arm HTTP/1.1\r\nHost: %s\r\nContent-Type: application/json\r\nContent-Length: 100\r\n\r\n{\"unit\":", ts.Addr())
	resp, err := http.ReadResponse(bufio.NewReader(c), nil)
	if err != nil {
		t.Fatalf("no answer to a stalled body: %v", err)
	}
	defer resp.Body.Close()
	if resp.StatusCode != 408 {
		t.Errorf("status = %d, want 408", resp.StatusCode)
	}
}

func TestStalledHeadersEnd(t *testing.T) {
	ts := serveTest(t, shortTimeouts)
	c := ts.rawConn(t)
	fmt.Fprintf(c, "GET /api/state HTTP/1.1\r\nHost: x\r\nX-Slow: ")
	b := make([]byte, 1024)
	n, err := c.Read(b)
	for err == nil {
		n, err = c.Read(b)
	}
	if ne, ok := err.(net.Error); ok && ne.Timeout() {
		t.Fatalf("the connection is still open after %v (%d bytes)", patience, n)
	}
}

func TestTimeoutsKeepThePromise(t *testing.T) {
	ts := newTestServer(t)
	if h := ts.http.ReadHeaderTimeout; h <= 0 || h > 30*time.Second {
		t.Errorf("stalled headers end after %v, promised is 30 s", h)
	}
	if b := ts.http.ReadTimeout; b <= 0 || b > 15*time.Second {
		t.Errorf("stalled bodies end after %v, promised is 15 s", b)
	}
}

func TestErrorsArePagesForBrowsers(t *testing.T) {
	ts := newTestServer(t)
	status, body, h := ts.call(t, "GET", "/nothing", "", "Accept", "text/html,*/*")
	if status != 404 || !strings.HasPrefix(h.Get("Content-Type"), "text/html") {
		t.Fatalf("status %d, type %q: want a 404 page", status, h.Get("Content-Type"))
	}
	if json.Valid(body) {
		t.Error("the page is JSON")
	}
	if status, body, _ = ts.call(t, "GET", "/api/nothing", "", "Accept", "text/html,*/*"); status != 404 || !json.Valid(body) {
		t.Errorf("status %d, body %.80s: the interface always answers JSON", status, body)
	}
}
