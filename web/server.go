// Package web is the outside of the program: the HTTP interface, the live socket and the pages. It
// stands on the bench and the store and knows no port, no detector and no file format of its own.
//
// A request passes, in this order: recover, headers for the browser, Host and Origin, who asks, what
// that role may do, and then its route. Everything refused on the way has the one error body.
package web

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"net"
	"net/http"
	"runtime/debug"
	"strings"
	"sync"
	"syscall"

	"letthrough/capture"
)

// Options are what a server is made of. Bench, Store and Files are needed; zero values of the others
// are defaults.
type Options struct {
	Addr        string   // HOST:PORT; default 127.0.0.1:8466, port 0 takes a free one
	Hosts       []string // further names under which browsers may reach this server
	Tokens      Tokens
	MaxViewers  int // live sockets at once, default 200, at most 400
	Bench       Bench
	Store       Store
	Derive      Derive
	Explain     Explain                // nil: nobody can say which readings a figure rests on
	ReplayClock capture.Clock          // of replays; nil: real time
	Ports       func() ([]Port, error) // the serial ports present; nil: nobody knows
	Files       fs.FS
	Version     string
	Log         *slog.Logger
}

// Server answers on one address.
type Server struct {
	opts    Options
	bench   Bench
	store   Store
	log     *slog.Logger
	gate    gate
	access  *access
	assets  *assets
	help    *helpPages
	metrics *metrics
	hub     *hub
	mux     *http.ServeMux
	pages   pages // page templates, see page.go

	http     *http.Server
	listener net.Listener
	deriving chan struct{} // holds the one derivation at a time
	copying  chan struct{} // holds the one backup at a time
	replays  replays
	judging  chan struct{} // holds the one meter that is judged at a time
	closing  sync.Once
	closeErr error
}

// The limits on sockets follow from the serial library, which cannot wait on a file descriptor of
// 1024 or more: viewers and connections together stay well below that.
const (
	defaultAddr       = "127.0.0.1:8466"
	defaultMaxViewers = 200
	mostViewers       = 400
	spareConns        = 300 // connections besides the viewers' sockets
)

// New sets defaults and builds everything that needs no network.
func New(o Options) (*Server, error) {
	if o.Addr == "" {
		o.Addr = defaultAddr
	}
	if o.MaxViewers == 0 {
		o.MaxViewers = defaultMaxViewers
	}
	if o.Log == nil {
		o.Log = slog.Default()
	}
	switch {
	case o.MaxViewers < 1 || o.MaxViewers > mostViewers:
		return nil, fmt.Errorf("viewers: %d at once, allowed is 1 to %d", o.MaxViewers, mostViewers)
	case !isLoopback(o.Addr) && o.Tokens.Operator == "":
		return nil, fmt.Errorf("address %s can be reached from other machines and no token is set: "+
			"give an operator token with --token-file or LETTHROUGH_TOKEN, or listen on 127.0.0.1", o.Addr)
	case o.Tokens.Viewer != "" && o.Tokens.Operator == "":
		return nil, errors.New("a viewer token without an operator token would let everybody else operate: set both")
	case o.Tokens.Viewer != "" && o.Tokens.Viewer == o.Tokens.Operator:
		return nil, errors.New("operator and viewer token are the same: a viewer would be an operator")
	}
	g, err := newGate(o.Addr, o.Hosts)
	if err != nil {
		return nil, err
	}
	s := &Server{opts: o, bench: o.Bench, store: o.Store, log: o.Log, gate: g, access: newAccess(o.Tokens, o.Addr), deriving: make(chan struct{}, 1), copying: make(chan struct{}, 1), judging: make(chan struct{}, 1)}
	if s.assets, err = loadAssets(o.Files); err != nil {
		return nil, err
	}
	if s.help, err = loadHelp(o.Files); err != nil {
		return nil, err
	}
	s.hub = newHub(o.Bench, o.MaxViewers, o.Log)
	s.metrics = newMetrics(o.Bench, o.Store, s.hub, o.Version)
	s.mux = http.NewServeMux()
	s.routes()
	s.http = &http.Server{
		Handler:           s.Handler(),
		ReadHeaderTimeout: headerTimeout,
		ReadTimeout:       bodyTimeout,
		WriteTimeout:      answerTimeout,
		IdleTimeout:       idleTimeout,
		MaxHeaderBytes:    32 << 10,
		ErrorLog:          slog.NewLogLogger(o.Log.Handler(), slog.LevelDebug),
	}
	return s, nil
}

// Open listens. It returns once the address is taken, so that a busy one is the caller's error and
// not a line in a log.
func (s *Server) Open() error {
	l, err := net.Listen("tcp", s.opts.Addr)
	switch {
	case errors.Is(err, syscall.EADDRINUSE):
		return fmt.Errorf("listen on %s: another program already does: end it or choose another --addr", s.opts.Addr)
	case errors.Is(err, syscall.EADDRNOTAVAIL):
		return fmt.Errorf("listen on %s: this machine has no such address: choose another --addr", s.opts.Addr)
	case errors.Is(err, syscall.EACCES):
		return fmt.Errorf("listen on %s: not allowed to: choose a port of 1024 or more", s.opts.Addr)
	case err != nil:
		return fmt.Errorf("listen on %s: %w", s.opts.Addr, err)
	}
	s.listener = newBoundedListener(l, s.opts.MaxViewers+spareConns)
	s.hub.start()
	return nil
}

// Addr is the address listened on, once open.
func (s *Server) Addr() net.Addr { return s.listener.Addr() }

// URL is what a browser on this machine opens.
func (s *Server) URL() string {
	host, port, err := net.SplitHostPort(s.Addr().String())
	if err != nil {
		return "http://" + s.Addr().String()
	}
	if ip := net.ParseIP(host); ip != nil && ip.IsUnspecified() {
		host = "127.0.0.1"
	}
	return "http://" + net.JoinHostPort(host, port)
}

// Serve answers until Close; it returns nil then.
func (s *Server) Serve() error {
	if err := s.http.Serve(s.listener); !errors.Is(err, http.ErrServerClosed) {
		return fmt.Errorf("serve: %w", err)
	}
	return nil
}

// Close ends everything and waits for it: answers under way get a moment, then they are cut. Live
// sockets are told first, since http.Server forgets a connection once it was taken over.
func (s *Server) Close() error {
	s.closing.Do(func() {
		s.hub.close()
		ctx, cancel := context.WithTimeout(context.Background(), closeTimeout)
		defer cancel()
		err := s.http.Shutdown(ctx)
		if errors.Is(err, context.DeadlineExceeded) {
			err = s.http.Close()
		}
		if s.listener != nil { // never served: then Shutdown does not know it
			if lerr := s.listener.Close(); lerr != nil && !errors.Is(lerr, net.ErrClosed) {
				err = errors.Join(err, lerr)
			}
		}
		s.closeErr = err
	})
	return s.closeErr
}

// Handler is the whole chain.
func (s *Server) Handler() http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		defer s.recoverPanic(w, r)
		secure(w.Header())
		if err := s.gate.check(r); err != nil {
			s.writeErr(w, r, err)
			return
		}
		who, err := s.admit(r)
		if err != nil {
			s.refuse(w, r, err)
			return
		}
		s.dispatch(w, withRole(r, who))
	})
}

// recoverPanic keeps one broken request from ending a test: the text goes to the log, the client is
// told no more than that it happened.
func (s *Server) recoverPanic(w http.ResponseWriter, r *http.Request) {
	v := recover()
	if v == nil {
		return
	}
	if v == http.ErrAbortHandler { // net/http's own way to cut an answer short
		panic(v)
	}
	s.log.Error("request panicked", "method", r.Method, "path", r.URL.Path, "panic", v, "stack", string(debug.Stack()))
	f, _ := faultOf(errors.New("panic"))
	writeFault(w, f)
}

// public tells which paths need no token: those a browser needs to show the sign-in form, and the
// health check, which says nothing but "ok".
func public(r *http.Request) bool {
	p := r.URL.Path
	return p == "/login" || p == "/healthz" || strings.HasPrefix(p, "/assets/")
}

// admit finds the role and checks what it may do.
func (s *Server) admit(r *http.Request) (role, error) {
	who, err := s.access.who(r)
	if public(r) {
		return who, nil
	}
	if err != nil {
		return roleNone, err
	}
	if changes(r.Method) && who != roleOperator && r.URL.Path != "/logout" {
		return roleNone, notAllowed("sign in with the operator's token", "viewers may look but not change anything")
	}
	return who, nil
}

// refuse answers somebody who may not come in: a browser gets the sign-in form, a program an error.
func (s *Server) refuse(w http.ResponseWriter, r *http.Request, err error) {
	f, _ := faultOf(err)
	switch f.status {
	case http.StatusUnauthorized:
		w.Header().Set("WWW-Authenticate", `Bearer realm="letthrough"`)
		if wantsPage(r) {
			s.writeLogin(w, r, f.status, "")
			return
		}
	case http.StatusTooManyRequests:
		w.Header().Set("Retry-After", "6")
	}
	s.writeErr(w, r, err)
}

// dispatch hands the request to its route. What no route takes is answered here, since the mux would
// answer in plain text.
func (s *Server) dispatch(w http.ResponseWriter, r *http.Request) {
	h, pattern := s.mux.Handler(r)
	if pattern != "" {
		s.mux.ServeHTTP(w, r)
		return
	}
	probe := &statusProbe{header: http.Header{}}
	h.ServeHTTP(probe, r)
	switch {
	case probe.status == http.StatusMethodNotAllowed:
		allow := probe.header.Get("Allow")
		w.Header().Set("Allow", allow)
		s.writeErr(w, r, &fault{probe.status, codeMethod, fmt.Sprintf("%s is not for %s", clip(r.URL.Path), clip(r.Method)), "use " + allow})
	case probe.status >= 300 && probe.status < 400:
		h.ServeHTTP(w, r)
	default:
		s.writeErr(w, r, notFound("there is nothing at %s", clip(r.URL.Path)))
	}
}

// statusProbe takes an answer's status and headers and throws the rest away.
type statusProbe struct {
	header http.Header
	status int
}

func (p *statusProbe) Header() http.Header { return p.header }
func (p *statusProbe) WriteHeader(status int) {
	if p.status == 0 {
		p.status = status
	}
}
func (p *statusProbe) Write(b []byte) (int, error) {
	p.WriteHeader(http.StatusOK)
	return len(b), nil
}
