package web

import (
	"fmt"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"os"
	"slices"
	"strings"
)

// gate decides by a request's own headers whether it may come in at all. A page from elsewhere must
// neither read nor steer a bench just because its visitor has the bench open: the Host must be one
// of ours (else a foreign name could be pointed at this machine), and an Origin must be the very
// address the request goes to.
type gate struct {
	hosts []string // names and addresses that a Host may carry, lower case, without port
	anyIP bool     // listening on every address: each address of the machine is ours, and no page can forge one
}

// newGate derives the allowed hosts from the address listened on and the names stated besides.
func newGate(addr string, more []string) (gate, error) {
	host, _, err := net.SplitHostPort(addr)
	if err != nil {
		return gate{}, fmt.Errorf("address %q: want HOST:PORT such as 127.0.0.1:8466", addr)
	}
	g := gate{hosts: []string{"localhost"}}
	switch ip, err := netip.ParseAddr(host); {
	case host == "" || err == nil && ip.IsUnspecified():
		g.anyIP = true
		if name, err := os.Hostname(); err == nil {
			name = strings.ToLower(name)
			g.hosts = append(g.hosts, name, name+".local")
		}
	default:
		g.hosts = append(g.hosts, strings.ToLower(host))
	}
	for _, h := range more {
		g.hosts = append(g.hosts, strings.ToLower(strings.TrimSuffix(h, ".")))
	}
	return g, nil
}

// isLoopback tells whether an address to listen on can only be reached from this machine.
func isLoopback(addr string) bool {
	host, _, err := net.SplitHostPort(addr)
	if err != nil {
		return false
	}
	ip, err := netip.ParseAddr(host)
	return strings.EqualFold(host, "localhost") || err == nil && ip.IsLoopback()
}

// check refuses a request whose Host or Origin is foreign.
func (g gate) check(r *http.Request) error {
	if !g.ours(r.Host) {
		return &fault{http.StatusMisdirectedRequest, codeForeignHost,
			fmt.Sprintf("%q is not an address of this bench", clip(r.Host)),
			"use the address that the program printed at its start"}
	}
	for _, origin := range r.Header.Values("Origin") {
		if !sameOrigin(origin, r.Host) {
			return notAllowed("open the bench's own page and do it there", "requests from %q are not taken", clip(origin))
		}
	}
	if r.Header.Get("Sec-Fetch-Site") == "cross-site" && changes(r.Method) {
		return notAllowed("open the bench's own page and do it there", "requests from other sites are not taken")
	}
	return nil
}

func (g gate) ours(hostport string) bool {
	host, _, err := net.SplitHostPort(hostport)
	if err != nil {
		host = strings.Trim(hostport, "[]")
	}
	host = strings.ToLower(strings.TrimSuffix(host, "."))
	if ip, err := netip.ParseAddr(host); err == nil && (g.anyIP || ip.IsLoopback()) {
		return true
	}
	return host != "" && slices.Contains(g.hosts, host)
}

// sameOrigin compares an Origin with the Host the request went to. "null", which sandboxed frames
// and local files send, is no origin of ours.
func sameOrigin(origin, host string) bool {
	u, err := url.Parse(origin)
	if err != nil || u.Host == "" || u.User != nil || u.Path != "" || u.RawQuery != "" || u.Fragment != "" {
		return false
	}
	standard := map[string]string{"http": "80", "https": "443"}[u.Scheme]
	return standard != "" && withPort(u.Host, standard) == withPort(host, standard)
}

func withPort(hostport, port string) string {
	if _, _, err := net.SplitHostPort(hostport); err == nil {
		return strings.ToLower(hostport)
	}
	return strings.ToLower(net.JoinHostPort(strings.Trim(hostport, "[]"), port))
}

// changes tells whether a method may change something.
func changes(method string) bool {
	return method != http.MethodGet && method != http.MethodHead && method != http.MethodOptions
}

// secure sets what a browser must hold to on every answer. There is no inline script or style
// anywhere in the pages, so none needs to be allowed.
func secure(h http.Header) {
	h.Set("Content-Security-Policy", "default-src 'self'; script-src 'self'; style-src 'self'; img-src 'self' data:; "+
		"connect-src 'self'; object-src 'none'; frame-ancestors 'none'; base-uri 'none'; form-action 'self'")
	h.Set("X-Content-Type-Options", "nosniff")
	// Not no-referrer: browsers then send Origin: null with our own sign-in form.
	h.Set("Referrer-Policy", "same-origin")
	h.Set("Cross-Origin-Opener-Policy", "same-origin")
	h.Set("Cross-Origin-Resource-Policy", "same-origin")
	h.Set("X-Frame-Options", "DENY")
}
