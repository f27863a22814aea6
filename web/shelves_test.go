package web

import (
	"fmt"
	"strings"
	"testing"
)

func TestLoadsRigsAndCriteria(t *testing.T) {
	ts := newTestServer(t)
	// What comes with the program makes room for what is added here.
	for _, path := range []string{"criteria/1", "loads/1", "loads/2", "loads/3", "loads/4", "loads/5", "loads/6", "loads/7"} {
		if status, body, _ := ts.call(t, "DELETE", "/api/"+path, ""); status != 204 {
			t.Fatalf("%s: %d %s", path, status, body)
		}
	}
	first := map[string]string{"loads": "/8", "rigs": "/1", "criteria": "/2"}
	for plural, c := range map[string]struct{ add, change, bad, says string }{
		"loads": {`{"name":"Loco","kind":"motor","running_a":0.3,"stall_a":1.2,"insulation_class":"E"}`, `{"name":"Loco","stall_a":1.5}`,
			`{"name":"x","stall_a":-1}`, "stall_a: -1 is out of range, allowed is 0 to 1000"},
		"rigs": {`{"name":"bench A","parts":[{"kind":"fuse","rated_a":10},{"kind":"shunt","ohm":0.01}]}`, `{"name":"bench B","parts":[]}`,
			`{"name":"x","parts":[{"kind":"fuse","rated_a":-1}]}`, "parts[0].rated_a: -1 is out of range, allowed is 0 to 1000"},
		"criteria": {`{"name":"strict","text":"criterion stops\nsay: stops\njudges: time_to_cutoff_s\npass: at most 1 s"}`, `{"name":"strict","text":"criterion stops\nsay: stops\njudges: time_to_cutoff_s\npass: at most 2 s","version":1}`,
			`{"name":"x","text":""}`, "text: a set of criteria needs its text"},
	} {
		path := "/api/" + plural
		if status, body, _ := ts.call(t, "GET", path, ""); status != 200 || string(body) != fmt.Sprintf("{%q:[]}\n", plural) {
			t.Errorf("%s: %d %s", plural, status, body)
		}
		status, body, h := ts.call(t, "POST", path, c.add)
		if status != 201 || h.Get("Location") != path+first[plural] {
			t.Fatalf("%s: %d %s %v", plural, status, body, h)
		}
		one, _, _ := ts.call(t, "GET", path+first[plural], "")
		if status, _, _ := ts.call(t, "PUT", path+first[plural], string(body)); one != 200 || status != 200 {
			t.Errorf("%s: what was answered is not taken back: %d", plural, status)
		}
		if status, body, _ := ts.call(t, "PUT", path+first[plural], c.change); status != 200 || !strings.Contains(string(body), `"id":`+first[plural][1:]) {
			t.Errorf("%s: %d %s", plural, status, body)
		}
		for name, x := range map[string]struct {
			method, path, body string
			status             int
		}{
			"out of range":      {"POST", path, c.bad, 422},
			"no such field":     {"POST", path, `{"name":"x","colour":"red"}`, 400},
			"no JSON":           {"POST", path, `{`, 400},
			"the name is taken": {"POST", path, c.change, 409},
			"another number":    {"PUT", path + first[plural], `{"id":77,"name":"x"}`, 422},
			"no such number":    {"PUT", path + "/99", c.change, 404},
			"none to look at":   {"GET", path + "/99", "", 404},
			"no number":         {"GET", path + "/x", "", 404},
			"none to remove":    {"DELETE", path + "/99", "", 404},
			"wrong method":      {"PATCH", path + first[plural], "", 405},
		} {
			status, body, _ := ts.call(t, x.method, x.path, x.body)
			if status != x.status {
				t.Errorf("%s, %s: %d %s, want %d", plural, name, status, body, x.status)
			}
			if _, text, _ := faultIn(t, body); name == "out of range" && !strings.Contains(text, c.says) {
				t.Errorf("%s, %s: %q", plural, name, text)
			}
		}
		if status, _, _ := ts.call(t, "DELETE", path+first[plural], ""); status != 204 {
			t.Errorf("%s: remove: %d", plural, status)
		}
	}
}

// A page that does not know of loads leaves a unit's as it is.
func TestAUnitNamesItsWeakestLoad(t *testing.T) {
	ts := newTestServer(t)
	ts.must(t, "POST", "/api/loads", `{"name":"Loco"}`, nil)
	ts.must(t, "POST", "/api/units", `{"name":"Tin","load":"loco"}`, nil)
	var u struct{ Load string }
	ts.must(t, "PUT", "/api/units/1", `{"name":"Tin","rated_current_a":1.4}`, nil)
	if ts.must(t, "GET", "/api/units/1", "", &u); u.Load != "Loco" {
		t.Errorf("feeds %q", u.Load)
	}
	if status, body, _ := ts.call(t, "PUT", "/api/units/1", `{"name":"Tin","load":"crane"}`); status != 422 || !strings.Contains(string(body), "crane") {
		t.Errorf("%d %s", status, body)
	}
	if status, body, _ := ts.call(t, "DELETE", "/api/loads/8", ""); status != 409 || !strings.Contains(string(body), "Tin feeds") {
		t.Errorf("%d %s", status, body)
	}
	ts.must(t, "PUT", "/api/units/1", `{"name":"Tin","load":""}`, nil)
	if status, body, _ := ts.call(t, "DELETE", "/api/loads/8", ""); status != 204 {
		t.Errorf("%d %s", status, body)
	}
}
