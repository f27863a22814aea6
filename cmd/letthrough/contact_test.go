package main

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/creack/pty"

	"letthrough/capture/trace"
	"letthrough/store"
)

// A pseudo-terminal is a serial port to the library and has no lines: serve says so and does not start.
func TestServeRefusesAContact(t *testing.T) {
	master, slave, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	defer master.Close()
	defer slave.Close()
	link := filepath.Join(t.TempDir(), "contact")
	if err := os.Symlink(slave.Name(), link); err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		args []string
		says string
	}{
		"on a port without lines":               {[]string{"--contact", link}, "no modem lines"},
		"on the measuring port, through a link": {[]string{"--instrument", "board=text:" + slave.Name(), "--contact", link}, "is the port of instrument board"},
		"on a port that is not there":           {[]string{"--contact", "/dev/ttyNONE7"}, "no such port"},
		"with an option that does not exist":    {[]string{"--contact", link + "?baud=9600"}, "no option"},
		"on a file":                             {[]string{"--contact", "contact_test.go"}, "is a file"},
	} {
		t.Run(name, func(t *testing.T) {
			p := launch(t, append([]string{"serve", "--addr", "127.0.0.1:0", "--db", tempDB(t)}, c.args...)...)
			status := <-p.status
			p.status <- status
			if said := p.stderr.String(); status != exitFailed || !strings.Contains(said, c.says) {
				t.Errorf("exit status %d, standard error %q; want 1 saying %q", status, said, c.says)
			}
		})
	}
}

// contactState is what these tests read of GET /api/state beside the rest.
type contactState struct {
	state
	Contact   string `json:"contact"`
	ContactIs struct {
		State, Why string
	} `json:"contact_state"`
	Guard struct {
		Part, Level, Text string
	} `json:"guard"`
	Series *struct {
		Done  int
		Stage string
	} `json:"series"`
	LastSeries *struct {
		Done        int
		Stage, Text string
	} `json:"last_series"`
}

func (s *serving) untilContact(what string, ok func(contactState) bool) (st contactState) {
	s.t.Helper()
	s.until(what, func(state) bool {
		st = contactState{}
		s.ask("/api/state", nil, &st)
		return ok(st)
	})
	return st
}

type fields = map[string]any

// The demo's contact over the interface: a run that the guard ends, a series, and the end of the program while
// the contact is closed, which is marked in the run.
func TestDemoDrivesItsContact(t *testing.T) {
	path := tempDB(t)
	s := serve(t, "demo", "--addr", "127.0.0.1:0", "--db", path, "--speed", "10")
	s.untilContact("the contact to be checked", func(st contactState) bool { return st.ContactIs.State == "ready" })
	weak := fields{"name": "weak", "parts": []fields{{"kind": "shunt", "name": "small shunt", "ohm": 0.1, "rated_w": 0.2, "overload_factor": 5, "overload_s": 5}, {"kind": "fuse", "name": "fuse", "rated_a": 10}}}
	if status := s.ask("/api/rigs", weak, nil); status != 201 {
		t.Fatalf("add a rig: status %d", status)
	}
	// The demo tests its shelf by itself until somebody touches it.
	s.ask("/api/contact", fields{"do": "open"}, nil)
	s.untilContact("the demo's own test to be over", func(st contactState) bool {
		if st.Bench != "idle" {
			s.ask("/api/end", fields{}, nil)
			s.ask("/api/disarm", fields{}, nil)
		}
		return st.Bench == "idle"
	})
	if status := s.ask("/api/arm", fields{"unit": "Moss", "rig": "weak", "hold_s": 25}, nil); status != 200 {
		t.Fatalf("arm: status %d", status)
	}
	if status := s.ask("/api/contact", fields{"do": "close", "after_s": 2}, nil); status != 200 {
		t.Fatalf("close: status %d", status)
	}
	s.untilContact("the contact to close", func(st contactState) bool { return st.Contact == "closed" })
	st := s.untilContact("the guard to open it", func(st contactState) bool { return st.Contact == "open" && st.ContactIs.Why != "on command" })
	if !strings.HasPrefix(st.ContactIs.Why, "guard: small shunt") {
		t.Errorf("opened because %q", st.ContactIs.Why)
	}
	if status := s.ask("/api/contact", fields{"do": "close"}, nil); status != 409 {
		t.Errorf("closed on a shunt that is used up: status %d", status)
	}
	st = s.untilContact("the run to end", func(st contactState) bool { return st.Bench == "idle" })
	if run := s.kept(*st.LastRun); run.State != "complete" || run.Behaviour != "sustained" {
		t.Errorf("the guard's run is %+v", run)
	}

	if status := s.ask("/api/series", fields{"unit": "Tin", "n": 2, "hold_s": 5, "rest_s": 3}, nil); status != 200 {
		t.Fatalf("series: status %d", status)
	}
	st = s.untilContact("the series", func(st contactState) bool { return st.Series == nil && st.LastSeries != nil })
	if st.LastSeries.Done != 2 || st.LastSeries.Stage != "complete" {
		t.Errorf("the series: %+v", st.LastSeries)
	}
	var listed struct{ Runs []struct{ Behaviour string } }
	s.ask("/api/runs?series=1", nil, &listed)
	if len(listed.Runs) != 2 {
		t.Errorf("runs of the series: %+v", listed)
	}

	s.ask("/api/arm", fields{"unit": "Moss", "hold_s": 60}, nil)
	s.ask("/api/contact", fields{"do": "close"}, nil)
	st = s.untilContact("the onset", func(st contactState) bool { return st.SinceOnsetS != nil && *st.SinceOnsetS > 1 })
	if status := s.stop(); status != exitDone {
		t.Errorf("exit status %d", status)
	}
	db, err := store.Open(context.Background(), path, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	marks, err := db.OutsideMarks(context.Background(), *st.Run)
	if err != nil || len(marks) != 2 || marks[1].Kind != trace.Removed || marks[1].Text != "the program ends" {
		t.Errorf("marks %+v, %v; want the contact opened as the program ends", marks, err)
	}
}

// A contact that is kept and not plugged in is waited for; serve starts all the same.
func TestServeWaitsForTheKeptContact(t *testing.T) {
	path := tempDB(t)
	db, err := store.Open(context.Background(), path, store.Options{Record: true})
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(db.KeepContact(context.Background(), "/dev/ttyNONE7?sense=dsr"), db.Close()); err != nil {
		t.Fatal(err)
	}
	s := serve(t, "serve", "--addr", "127.0.0.1:0", "--db", path)
	var st struct {
		Contact   string                                  `json:"contact"`
		ContactIs struct{ Port, Spec, State, Say string } `json:"contact_state"`
	}
	s.ask("/api/state", nil, &st)
	if st.Contact != "open" || st.ContactIs.State != "away" || st.ContactIs.Spec != "/dev/ttyNONE7?sense=dsr" || !strings.Contains(st.ContactIs.Say, "no such port") {
		t.Errorf("%+v", st)
	}
	if status := s.ask("/api/contact", fields{"do": "close"}, nil); status != 409 {
		t.Errorf("closed a contact that is away: status %d", status)
	}
	if status := s.stop(); status != exitDone {
		t.Errorf("exit status %d", status)
	}
}
