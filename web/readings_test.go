package web

import (
	"net/http"
	"slices"
	"strings"
	"testing"

	"letthrough/capture"
)

func TestReadingsOverHTTP(t *testing.T) {
	ts := newTestServer(t)
	for _, c := range []struct {
		method, path, body string
		headers            []string
		fail               error
		status             int
		want               string
		call               string
	}{
		{"POST", "", `{"instrument":"meter","text":"4,51","ago_s":0.8}`, nil, nil, 201, `"instrument":"meter","value":4.51`, "type 4,51"},
		{"POST", "", `{"text":""}`, nil, nil, 201, `"kept":false`, "type "},
		{"POST", "", `{"value":-0.5}`, nil, nil, 201, `"value":4.51`, "type -0.5"},
		{"DELETE", "?instrument=meter", "", nil, nil, 200, `"instrument":"meter"`, "take back"},
		{"POST", "", `{}`, nil, nil, 400, "text: is missing", ""},
		{"POST", "", `{"text":"1","value":1}`, nil, nil, 400, "want one of them", ""},
		{"POST", "", `{"txt":"1"}`, nil, nil, 400, "txt", ""},
		{"POST", "", `{"text":"1","ago_s":1e12}`, nil, nil, 422, "out of range", ""},
		{"POST", "", `{"text":"4..5"}`, nil, &capture.Error{Code: capture.CodeRange, Text: `"4..5" is no reading`, Hint: "type a number"}, 422, "is no reading", "type 4..5"},
		{"POST", "", `{"instrument":"shunt","text":"1"}`, nil, &capture.Error{Code: capture.CodeState, Text: "shunt sends its readings itself"}, 409, "itself", "type 1"},
		{"DELETE", "", "", nil, &capture.Error{Code: capture.CodeState, Text: "the last reading is recorded"}, 409, "recorded", "take back"},
		{"POST", "", `{"text":"1"}`, []string{"Origin", "http://elsewhere.example"}, nil, 403, "not_allowed", ""},
		{"POST", "", `{"text":"1"}`, []string{"Content-Type", "text/plain"}, nil, 415, "not_json", ""},
		{"GET", "", "", nil, nil, 405, "wrong_method", ""},
	} {
		before := len(ts.bench.called())
		ts.bench.setFail(c.fail)
		status, b, _ := ts.call(t, c.method, "/api/readings"+c.path, c.body, c.headers...)
		if status != c.status || !strings.Contains(strings.ToLower(string(b)), strings.ToLower(c.want)) {
			t.Errorf("%s %s: %d %s, want %d with %q", c.method, c.body, status, b, c.status, c.want)
		}
		calls := slices.DeleteFunc([]string{c.call}, func(s string) bool { return s == "" })
		if got := ts.bench.called()[before:]; !slices.Equal(got, calls) {
			t.Errorf("%s %s: the bench was called %q, want %q", c.method, c.body, got, calls)
		}
	}
}

func TestOnlyAnOperatorTypes(t *testing.T) {
	ts := newTestServer(t, func(o *Options) { o.Tokens = Tokens{Operator: "operator-token", Viewer: "viewer-token"} })
	for token, want := range map[string]int{"viewer-token": http.StatusForbidden, "operator-token": http.StatusCreated, "": http.StatusUnauthorized} {
		headers := []string{}
		if token != "" {
			headers = []string{"Authorization", "Bearer " + token}
		}
		if status, b, _ := ts.call(t, "POST", "/api/readings", `{"text":"1"}`, headers...); status != want {
			t.Errorf("%q: %d %s, want %d", token, status, b, want)
		}
	}
}
