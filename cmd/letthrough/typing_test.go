package main

import (
	"encoding/json"
	"io"
	"net/http"
	"strings"
	"testing"
	"time"

	"letthrough/capture"
)

// Readings typed on the terminal are those of the instrument; nonsense is refused, counted and no number,
// the last one can be taken back, and the end of the input is no error.
func TestReadingsAreTypedOnTheTerminal(t *testing.T) {
	r, w := io.Pipe()
	p := launchTyping(t, r, "serve", "--addr", "127.0.0.1:0", "--db", tempDB(t), "--instrument", "meter=hand:terminal?averaging=0.4")
	url, ok := strings.CutPrefix(p.line(), "listening on ")
	if !ok {
		t.Fatal("the first line on standard output is another one")
	}
	if _, err := io.WriteString(w, "0,01\n\nvier\n45\n/\n4,5\r\n"); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	in := stateUntil(t, url, func(in typingState) bool { return len(in.Typed) == 3 && *in.Typed[2].Value == 4.5 })
	if *in.Typed[0].Value != 0.01 || *in.Typed[1].Value != 0.01 || in.Garbled != 1 || in.LastGarbled != "vier" {
		t.Errorf("%+v", in)
	}
	for _, want := range []string{"type what the display of meter shows", "meter: 0.01 A\n", `"vier" is no reading`, "meter: 45 A taken back\n", "meter: 4.5 A\n"} {
		if said := p.stderr.String(); !strings.Contains(said, want) {
			t.Errorf("standard error does not say %q: %s", want, said)
		}
	}
	if status := p.stop(); status != exitDone {
		t.Errorf("exit status %d; standard error: %s", status, p.stderr)
	}
}

// typingState is what is told of an instrument that somebody types for.
type typingState struct {
	Typed       []capture.TypedJSON
	Garbled     int
	LastGarbled string `json:"last_garbled"`
}

// stateUntil asks for the state until its only instrument is as wanted.
func stateUntil(t *testing.T, url string, ok func(typingState) bool) typingState {
	t.Helper()
	for late := time.Now().Add(patience); ; {
		resp, err := http.Get(url + "/api/state")
		if err != nil {
			t.Fatal(err)
		}
		var s struct{ Instruments []typingState }
		err = json.NewDecoder(resp.Body).Decode(&s)
		resp.Body.Close()
		if err != nil {
			t.Fatal(err)
		}
		if len(s.Instruments) == 1 && ok(s.Instruments[0]) {
			return s.Instruments[0]
		}
		if time.Now().After(late) {
			t.Fatalf("waited in vain; the instruments are %+v", s.Instruments)
		}
	}
}

func TestOnlyOneInstrumentIsTypedOnTheTerminal(t *testing.T) {
	p := launch(t, "serve", "--addr", "127.0.0.1:0", "--db", tempDB(t), "--instrument", "a=hand:terminal", "--instrument", "b=hand:terminal")
	if status := <-p.status; status != exitFailed || !strings.Contains(p.stderr.String(), "hand:page") {
		t.Errorf("exit status %d: %s", status, p.stderr)
	}
	p.status <- exitFailed
}
