package port

import (
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"go.bug.st/serial/enumerator"
	"golang.org/x/sys/unix"
)

// Info describes one serial port of this machine.
type Info struct {
	Path         string `json:"path"`
	Stable       string `json:"stable_path,omitempty"` // a name that stays the same however it is plugged in
	USB          bool   `json:"usb"`
	VID          string `json:"vid,omitempty"` // four hex digits
	PID          string `json:"pid,omitempty"`
	Serial       string `json:"serial,omitempty"`
	Manufacturer string `json:"manufacturer,omitempty"`
	Product      string `json:"product,omitempty"`
	Problem      string `json:"problem,omitempty"` // why it cannot be opened and what to type; empty where it can
}

// ttyClass is where the kernel describes its terminals.
const ttyClass = "/sys/class/tty"

// List gives the serial ports of this machine by name. It sends nothing to any of them.
func List() ([]Info, error) {
	found, err := enumerator.GetDetailedPortsList()
	if err != nil {
		return nil, err
	}
	stable := stableNames("/dev/serial/by-id")
	others := openByOthers()
	var out []Info
	for _, d := range found {
		if d == nil || d.Name == "" {
			continue
		}
		out = append(out, Info{
			Path: d.Name, Stable: stable[d.Name], USB: d.IsUSB, VID: d.VID, PID: d.PID,
			Serial: d.SerialNumber, Manufacturer: d.Manufacturer, Product: d.Product,
			Problem: problem(d.Name, others),
		})
	}
	for _, path := range builtIn(ttyClass) {
		if !slices.ContainsFunc(out, func(i Info) bool { return i.Path == path }) {
			out = append(out, Info{Path: path, Problem: problem(path, others)})
		}
	}
	slices.SortFunc(out, func(a, b Info) int { return natural(a.Path, b.Path) })
	return out, nil
}

// Problem says why the port at a path could not be opened just now, without opening it; empty where it
// could.
func Problem(path string) string { return problem(path, openByOthers()) }

// problem says why a port could not be opened just now, without opening it.
func problem(path string, others users) string {
	err := checkNode(path)
	if err == nil {
		if err = unix.Access(path, unix.R_OK|unix.W_OK); err != nil {
			err = explain(path, err)
		}
	}
	if oe, ok := errors.AsType[*OpenError](err); ok {
		if oe.Hint == "" {
			return oe.What
		}
		return oe.What + "; " + oe.Hint
	}
	if who := others.holders(path); who != "" {
		return "another program has it open (" + who + ")"
	}
	return ""
}

// builtIn finds the machine's own serial ports. The library leaves out those that it cannot open, so
// one that is in use or not permitted would be missing from the list just when its owner looks for it.
// The kernel calls a line without hardware behind it type 0.
func builtIn(class string) []string {
	types, err := filepath.Glob(filepath.Join(class, "ttyS*", "type"))
	if err != nil {
		return nil
	}
	var out []string
	for _, f := range types {
		if kind, err := os.ReadFile(f); err == nil && strings.TrimSpace(string(kind)) != "0" {
			out = append(out, "/dev/"+filepath.Base(filepath.Dir(f)))
		}
	}
	return out
}

// stableNames maps a port's path to the link that names it by the identity of its device.
func stableNames(dir string) map[string]string {
	out := map[string]string{}
	links, err := os.ReadDir(dir)
	if err != nil {
		return out
	}
	for _, l := range links {
		link := filepath.Join(dir, l.Name())
		if target, err := filepath.EvalSymlinks(link); err == nil {
			out[target] = link
		}
	}
	return out
}

// natural orders ttyUSB2 before ttyUSB10.
func natural(a, b string) int {
	stem := func(s string) (string, int) {
		t := strings.TrimRight(s, "0123456789")
		return t, len(s) - len(t)
	}
	sa, na := stem(a)
	sb, nb := stem(b)
	if sa == sb && na != nb {
		return na - nb
	}
	return strings.Compare(a, b)
}
