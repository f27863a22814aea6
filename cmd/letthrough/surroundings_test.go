package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"letthrough/capture/trace"
)

// patience bounds every wait of these tests.
const patience = 60 * time.Second

// program is a command that runs in this process until it is told to end.
type program struct {
	t      testing.TB
	out    *bufio.Reader
	end    context.CancelFunc
	status chan int
	stderr *lockedBuffer
	once   sync.Once
	got    int
}

// lockedBuffer may be written and read at the same time.
type lockedBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *lockedBuffer) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *lockedBuffer) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

// launch runs a command line.
func launch(t testing.TB, args ...string) *program {
	t.Helper()
	return launchTyping(t, nil, args...)
}

// launchTyping is launch with somebody at the keyboard.
func launchTyping(t testing.TB, stdin io.Reader, args ...string) *program {
	t.Helper()
	ctx, end := context.WithCancel(context.Background())
	r, w := io.Pipe()
	p := &program{t: t, out: bufio.NewReader(r), end: end, status: make(chan int, 1), stderr: &lockedBuffer{}}
	env := &surroundings{ctx: ctx, hurry: context.Background(), stdin: stdin, stdout: w, stderr: p.stderr}
	env.log = slog.New(slog.NewTextHandler(p.stderr, nil))
	go func() {
		p.status <- run(env, args)
		w.Close()
	}()
	t.Cleanup(func() { p.stop() })
	return p
}

// line reads the next line of standard output.
func (p *program) line() string {
	p.t.Helper()
	got := make(chan string, 1)
	go func() {
		s, _ := p.out.ReadString('\n')
		got <- strings.TrimSuffix(s, "\n")
	}()
	select {
	case s := <-got:
		return s
	case <-time.After(patience):
		p.t.Fatalf("no line on standard output; standard error: %s", p.stderr)
		return ""
	}
}

// stop tells the program to end, as the first signal does, and gives its exit status.
func (p *program) stop() int {
	p.t.Helper()
	p.once.Do(func() {
		p.end()
		go io.Copy(io.Discard, p.out)
		select {
		case p.got = <-p.status:
		case <-time.After(patience):
			p.t.Errorf("the program does not end; standard error: %s", p.stderr)
			p.got = -1
		}
	})
	return p.got
}

// serving is a daemon and its address.
type serving struct {
	*program
	url string
}

func serve(t testing.TB, args ...string) *serving {
	t.Helper()
	p := launch(t, args...)
	first := p.line()
	url, ok := strings.CutPrefix(first, "listening on ")
	if !ok {
		t.Fatalf("first line %q, want listening on http://ADDR; standard error: %s", first, p.stderr)
	}
	return &serving{p, url}
}

// ask sends a request and reads JSON; body nil is a GET.
func (s *serving) ask(path string, body any, into any) int {
	s.t.Helper()
	method, send := http.MethodGet, io.Reader(nil)
	if body != nil {
		b, err := json.Marshal(body)
		if err != nil {
			s.t.Fatal(err)
		}
		method, send = http.MethodPost, bytes.NewReader(b)
	}
	req, err := http.NewRequest(method, s.url+path, send)
	if err != nil {
		s.t.Fatal(err)
	}
	if body != nil {
		req.Header.Set("Content-Type", "application/json")
	}
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		s.t.Fatalf("%s: %v; standard error: %s", path, err, s.stderr)
	}
	defer res.Body.Close()
	b, err := io.ReadAll(res.Body)
	if err != nil {
		s.t.Fatal(err)
	}
	if into != nil {
		if err := json.Unmarshal(b, into); err != nil {
			s.t.Fatalf("%s: %v in %s", path, err, b)
		}
	}
	return res.StatusCode
}

// state is what these tests read of GET /api/state.
type state struct {
	Bench       string   `json:"bench"`
	Run         *int64   `json:"run"`
	LastRun     *int64   `json:"last_run"`
	SinceOnsetS *float64 `json:"since_onset_s"`
	NowAtS      float64  `json:"now_at_s"`
	Instruments []struct {
		Name        string `json:"name"`
		State       string `json:"state"`
		Garbled     int    `json:"garbled"`
		LastGarbled string `json:"last_garbled"`
		Latest      []struct {
			Value *float64 `json:"value"`
		} `json:"latest"`
	} `json:"instruments"`
}

// until asks for the state until it is as wanted.
func (s *serving) until(what string, ok func(state) bool) state {
	s.t.Helper()
	var st state
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	for late := time.After(patience); ; {
		st = state{}
		s.ask("/api/state", nil, &st)
		if ok(st) {
			return st
		}
		select {
		case <-tick.C:
		case <-late:
			s.t.Fatalf("waited in vain for %s; the state is %+v; standard error: %s", what, st, s.stderr)
		}
	}
}

// keptRun is what these tests read of GET /api/runs/{id}.
type keptRun struct {
	State     string          `json:"state"`
	Behaviour string          `json:"behaviour"`
	Warnings  []trace.Warning `json:"warnings"`
}

// kept gives a run that has ended, as it is stored: the store writes it a moment after its end.
func (s *serving) kept(id int64) (k keptRun) {
	s.t.Helper()
	s.until("the run in the store", func(state) bool {
		k = keptRun{}
		s.ask(fmt.Sprintf("/api/runs/%d", id), nil, &k)
		return k.State != "open"
	})
	return k
}

func tempDB(t testing.TB) string {
	t.Helper()
	return filepath.Join(t.TempDir(), "bench.db")
}

// exists fails the test where a file is missing or empty.
func exists(t testing.TB, path string) {
	t.Helper()
	if fi, err := os.Stat(path); err != nil || fi.Size() == 0 {
		t.Errorf("%s: %v, %v; want a file with something in it", path, fi, err)
	}
}

func sprint(v any) string { return fmt.Sprintf("%+v", v) }
