package main

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"sync"
	"text/tabwriter"

	"letthrough/capture"
	"letthrough/capture/port"
	"letthrough/web"
)

type portsCmd struct {
	Ports []string `arg:"" optional:"" name:"port" help:"Only these ports. With --probe an instrument that is silent on one of them is asked who it is."`
	Probe bool     `help:"Listen on each port for some seconds and guess what speaks there. Opening a port makes many boards start anew."`
	JSON  bool     `help:"Print JSON."`
}

func (portsCmd) Help() string {
	return "Without --probe nothing is opened and nothing is sent. With --probe and no port named, every port that is free is listened to and " +
		"nothing is sent. A port that is named and stays silent is asked what changes nothing in an instrument: *IDN?, and to read a Modbus register. " +
		"Name only ports on which you know an instrument to hang: to anything else, such as a relay, these bytes are noise."
}

// portEntry is a port with what was found out about it.
type portEntry struct {
	port.Info
	Guess *capture.Finding `json:"guess,omitempty"`
}

func (c portsCmd) Run(env *surroundings) error {
	entries, err := c.list()
	if err != nil {
		return err
	}
	var failed error
	if c.Probe {
		failed = c.listen(env, entries)
	}
	if c.JSON {
		return errors.Join(printJSON(env.stdout, entries), failed)
	}
	if len(entries) == 0 {
		_, err := fmt.Fprintln(env.stdout, "No serial port is present. Plug the instrument in and look again; `letthrough demo` needs none.")
		return err
	}
	if c.Probe {
		for _, p := range entries {
			p.tell(env.stdout)
		}
		return failed
	}
	w := tabwriter.NewWriter(env.stdout, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "port\tUSB identity\twhat it says\tuse it with")
	for _, p := range entries {
		usb, say := "", p.Product
		if p.USB {
			usb = p.VID + ":" + p.PID
		}
		if p.Problem != "" {
			say = p.Problem
		}
		fmt.Fprintf(w, "%s\t%s\t%s\t--instrument NAME=text:%s\n", p.Path, usb, say, cmp.Or(p.Stable, p.Path))
	}
	return w.Flush()
}

// list is the machine's ports, or those that were named, also where the system does not list them.
func (c portsCmd) list() ([]portEntry, error) {
	infos, err := port.List()
	if err != nil {
		return nil, fmt.Errorf("list serial ports: %w", err)
	}
	entries := []portEntry{}
	if len(c.Ports) == 0 {
		for _, i := range infos {
			entries = append(entries, portEntry{Info: i})
		}
		return entries, nil
	}
	for _, path := range c.Ports {
		at := slices.IndexFunc(infos, func(i port.Info) bool { return i.Path == path || i.Stable == path })
		if at >= 0 {
			entries = append(entries, portEntry{Info: infos[at]})
			continue
		}
		entries = append(entries, portEntry{Info: port.Info{Path: path, Problem: port.Problem(path)}})
	}
	return entries, nil
}

// listen probes every port that can be opened, all at once. A port that somebody named and that cannot be
// opened is an error; of the others the listing says so.
func (c portsCmd) listen(env *surroundings, entries []portEntry) error {
	wait(env.stderr, "listening for some seconds ...")
	errs := make([]error, len(entries))
	var wg sync.WaitGroup
	for i := range entries {
		p := &entries[i]
		if p.Problem != "" {
			if len(c.Ports) > 0 {
				errs[i] = fmt.Errorf("%s: %s", p.Path, p.Problem)
			}
			continue
		}
		wg.Go(func() {
			found, err := capture.Probe(env.ctx, p.Path, len(c.Ports) > 0)
			if err != nil {
				p.Problem, errs[i] = err.Error(), err
				return
			}
			if p.Stable != "" {
				found.Instrument = strings.Replace(found.Instrument, ":"+p.Path, ":"+p.Stable, 1)
			}
			p.Guess = &found
		})
	}
	wg.Wait()
	if len(c.Ports) == 0 {
		return nil
	}
	return errors.Join(errs...)
}

// tell prints what was found out about a port, a line each so that none is cut.
func (p portEntry) tell(w io.Writer) {
	fmt.Fprintln(w, strings.TrimSpace(p.Path+"  "+strings.Trim(p.VID+":"+p.PID, ":")+"  "+p.Product))
	if p.Guess == nil {
		fmt.Fprintf(w, "  cannot be opened: %s\n", p.Problem)
		return
	}
	g := p.Guess
	fmt.Fprintf(w, "  heard: %s\n", g.Reason)
	for _, q := range g.Asked {
		fmt.Fprintf(w, "  asked: %s\n", q)
	}
	if g.Instrument != "" {
		fmt.Fprintf(w, "  use:   --instrument %q\n", g.Instrument)
	}
	if g.Missing != "" {
		fmt.Fprintf(w, "  check: %s\n", g.Missing)
	}
}

// presentPorts lists the serial ports as the dashboard's form offers them.
func presentPorts() ([]web.Port, error) {
	infos, err := port.List()
	if err != nil {
		return nil, fmt.Errorf("list serial ports: %w", err)
	}
	var out []web.Port
	for _, p := range infos {
		one := web.Port{Path: cmp.Or(p.Stable, p.Path), Device: p.Path, Says: p.Product, Problem: p.Problem}
		if p.USB {
			one.USB = p.VID + ":" + p.PID
		}
		out = append(out, one)
	}
	return out, nil
}
