package web

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"testing"

	"letthrough/capture"
	"letthrough/capture/trace"
)

func TestContactAndSeriesOverTheInterface(t *testing.T) {
	ts := newTestServer(t)
	ts.must(t, "POST", "/api/units", `{"name":"Tin","rated_current_a":1.4,"rated_voltage_v":12}`, nil)
	ts.must(t, "POST", "/api/rigs", `{"name":"bench1","parts":[{"kind":"shunt","name":"shunt","ohm":0.1,"rated_w":1}]}`, nil)
	s, err := ts.db.BeginSeries(context.Background(), trace.Series{Unit: "Tin", N: 3, HoldS: 5, Procedure: trace.Short})
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name, method, path, body string
		status                   int
		says, call               string
	}{
		{"close", "POST", "/api/contact", `{"do":"close"}`, 200, "", "close"},
		{"close after a countdown", "POST", "/api/contact", `{"do":"close","after_s":3}`, 200, "", "close in 3"},
		{"open", "POST", "/api/contact", `{"do":"open"}`, 200, "", "open"},
		{"check", "POST", "/api/contact", `{"do":"check"}`, 200, "", "check contact"},
		{"open after a countdown", "POST", "/api/contact", `{"do":"open","after_s":3}`, 422, "after_s", ""},
		{"how it stands", "GET", "/api/contact", "", 200, "", ""},
		{"hang it on a port", "PUT", "/api/contact", `{"spec":"/dev/ttyUSB7?sense=cts"}`, 200, "", "use contact /dev/ttyUSB7?sense=cts"},
		{"on no port", "PUT", "/api/contact", `{}`, 400, "spec", ""},
		{"on one with an option unheard of", "PUT", "/api/contact", `{"spec":"/dev/ttyUSB7?speed=9"}`, 422, "speed", ""},
		{"take it away", "DELETE", "/api/contact", "", 200, "", "remove contact"},
		{"begin a series", "POST", "/api/series", `{"unit":"Tin","n":5,"hold_s":10,"rest_s":30,"rig":"bench1"}`, 200, "", "series of 5"},
		{"of how many", "POST", "/api/series", `{"unit":"Tin"}`, 400, "n: is missing", ""},
		{"of nobody", "POST", "/api/series", `{"unit":"Nobody","n":3}`, 404, "Nobody", ""},
		{"of what", "POST", "/api/series", `{"n":3}`, 400, "unit", ""},
		{"go on", "POST", "/api/series", fmt.Sprintf(`{"do":"resume","id":%d}`, s.ID), 200, "", "resume 1 of Tin"},
		{"go on with which", "POST", "/api/series", `{"do":"resume"}`, 400, "id", ""},
		{"go on with one that is not there", "POST", "/api/series", `{"do":"resume","id":77}`, 404, "77", ""},
		{"stop", "POST", "/api/series", `{"do":"stop"}`, 200, "", "stop series"},
		{"do what", "POST", "/api/series", `{"do":"dance"}`, 422, "dance", ""},
		{"list series", "GET", "/api/series", "", 200, "", ""},
		{"one series", "GET", "/api/series/1", "", 200, "", ""},
		{"no series", "GET", "/api/series/9", "", 404, "9", ""},
		{"runs of a series", "GET", "/api/runs?series=1", "", 200, "", ""},
		{"runs of no series", "GET", "/api/runs?series=x", "", 400, "series", ""},
		{"cautions were read", "POST", "/api/cautions", `{"rig":"bench1"}`, 200, "", "cautions of bench1"},
		{"of a bench without a rig", "POST", "/api/cautions", `{"rig":""}`, 200, "", "cautions of "},
		{"of which rig", "POST", "/api/cautions", `{}`, 400, "rig", ""},
		{"which were read", "GET", "/api/cautions", "", 200, "", ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			ts.bench.mu.Lock()
			ts.bench.calls = nil
			ts.bench.mu.Unlock()
			status, body, _ := ts.call(t, c.method, c.path, c.body)
			if status != c.status {
				t.Fatalf("status %d, want %d: %s", status, c.status, body)
			}
			if status >= 400 {
				if _, text, _ := faultIn(t, body); !strings.Contains(text, c.says) {
					t.Errorf("says %q, want %q", text, c.says)
				}
			}
			ts.bench.mu.Lock()
			defer ts.bench.mu.Unlock()
			if c.call != "" && !slices.Contains(ts.bench.calls, c.call) || c.call == "" && len(ts.bench.calls) != 0 {
				t.Errorf("the bench was told %q, want %q", ts.bench.calls, c.call)
			}
		})
	}
	if kept, err := ts.db.Contact(context.Background()); err != nil || kept != "" {
		t.Errorf("kept contact %q after it was taken away, %v", kept, err)
	}
	var read struct{ Read []string }
	ts.must(t, "GET", "/api/cautions", "", &read)
	if !slices.Equal(read.Read, []string{"", "bench1"}) {
		t.Errorf("cautions read for %q", read.Read)
	}
	if ts.bench.armed.Rig != "bench1" || *ts.bench.armed.HoldS != 10 {
		t.Errorf("the series is of %+v", ts.bench.armed)
	}
}

func TestWithoutAContact(t *testing.T) {
	ts := newTestServer(t)
	ts.must(t, "POST", "/api/units", `{"name":"Tin","rated_current_a":1.4}`, nil)
	ts.bench.contact = false
	for path, want := range map[string]int{"/api/contact": 404, "/api/series": 409} {
		status, body, _ := ts.call(t, "POST", path, `{"unit":"Tin","n":3}`)
		if _, text, _ := faultIn(t, body); status != want || !strings.Contains(text, "no contact") {
			t.Errorf("%s: status %d saying %q, want %d", path, status, text, want)
		}
	}
}

func TestTheGuardIsToldOverTheSocket(t *testing.T) {
	ts := newTestServer(t)
	s := ts.dial(t, "", nil)
	for s.next().kind() != "hello" { // what comes before it is not for this viewer
	}
	used, left := 0.83, 4.2
	ts.bench.publish(capture.Event{Kind: capture.EventGuard, AtNS: 12e9, Run: 3, Guard: &capture.Guard{Part: "shunt", Used: &used, SecondsLeft: &left, Level: "near", Text: "Open the contact soon."}})
	for {
		m := s.next()
		if m.kind() != "guard" {
			continue
		}
		if m.text["part"] != "shunt" || m.text["used"] != used || m.text["seconds_left"] != left || m.text["level"] != "near" || m.text["run"] != 3.0 || m.text["at_s"] != 12.0 {
			t.Errorf("told %v", m.text)
		}
		return
	}
}
