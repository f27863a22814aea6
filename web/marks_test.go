package web

import (
	"fmt"
	"strings"
	"testing"
)

// The run has an onset at 0 and a cut-off at 0.4 s from it.
func TestMarksAreAddedMovedAndStruck(t *testing.T) {
	ts := newTestServer(t)
	id := storedRun(t, ts.db, "Tin", 2000)
	path := fmt.Sprintf("/api/runs/%d/marks", id)
	for i, body := range []string{
		`{"kind":"note","t_s":0.2,"reason":"a spark"}`,
		`{"kind":"cut_off","was_t_s":0.4,"t_s":0.45,"reason":"seen in the video"}`,
		`{"kind":"cut_off","t_s":0.4,"strike":true,"reason":"the clip slipped"}`,
	} {
		status, answer, _ := ts.call(t, "POST", path, body)
		if status != 200 || strings.Count(string(answer), `"reason"`) != i+1 {
			t.Fatalf("%s: %d %s", body, status, answer)
		}
		if !strings.Contains(string(answer), `"kind":"cut_off","t_s":0.4,`) {
			t.Errorf("%s: the automatic mark is gone from %s", body, answer)
		}
	}
	var run struct {
		Edits []struct {
			Kind  string
			WasTS *float64 `json:"was_t_s"`
			TS    *float64 `json:"t_s"`
		}
	}
	ts.must(t, "GET", fmt.Sprintf("/api/runs/%d", id), "", &run)
	if len(run.Edits) != 3 || run.Edits[0].WasTS != nil || run.Edits[2].TS != nil {
		t.Errorf("edits of the run: %+v", run.Edits)
	}
	for body, want := range map[string]int{
		`{"kind":"note","t_s":0.2}`:                                     422,
		`{"kind":"cut_off","t_s":0.2,"u_s":-1,"reason":"x"}`:            422,
		`{"kind":"cut_off","t_s":0.2,"u_s":"a bit","reason":"x"}`:       400,
		`{"kind":"limited","t_s":99,"reason":"x"}`:                      422,
		`{"kind":"bang","t_s":0.2,"reason":"x"}`:                        422,
		`{"kind":"note","reason":"x"}`:                                  422,
		`{"kind":"onset","was_t_s":7,"t_s":8,"reason":"x"}`:             404,
		`{"kind":"onset","t_s":7,"strike":true,"reason":"x"}`:           404,
		`{"kind":"onset","strike":true,"reason":"x"}`:                   422,
		`{"kind":"note","t_s":"soon","reason":"x"}`:                     400,
		`{"kind":"note","t_s":1,"reason":"x","because":"of something"}`: 400,
	} {
		status, answer, _ := ts.call(t, "POST", path, body)
		if status != want {
			t.Errorf("%s: %d %s, want %d", body, status, answer, want)
		}
		faultIn(t, answer)
	}
	for edit, want := range map[string]int{"1": 200, "999": 404, "x": 400, "0": 400} {
		if status, answer, _ := ts.call(t, "DELETE", path+"/"+edit, ""); status != want {
			t.Errorf("take back %s: %d %s, want %d", edit, status, answer, want)
		}
	}
	if status, answer, _ := ts.call(t, "DELETE", path+"/1", ""); status != 409 {
		t.Errorf("take back twice: %d %s", status, answer)
	}
	if status, answer, _ := ts.call(t, "POST", "/api/runs/999/marks", `{"kind":"note","t_s":0,"reason":"x"}`); status != 404 {
		t.Errorf("run that is not there: %d %s", status, answer)
	}
}
