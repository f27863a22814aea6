package main

import (
	"fmt"
	"text/tabwriter"

	"letthrough/capture/port"
)

type portsCmd struct {
	JSON bool `help:"Print JSON."`
}

func (c portsCmd) Run(env *surroundings) error {
	infos, err := port.List()
	if err != nil {
		return fmt.Errorf("list serial ports: %w", err)
	}
	if c.JSON {
		if infos == nil {
			infos = []port.Info{}
		}
		return printJSON(env.stdout, infos)
	}
	if len(infos) == 0 {
		_, err := fmt.Fprintln(env.stdout, "No serial port is present. Plug the instrument in and look again; `letthrough demo` needs none.")
		return err
	}
	w := tabwriter.NewWriter(env.stdout, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "port\tUSB identity\twhat it says\tuse it with")
	for _, p := range infos {
		usb := ""
		if p.USB {
			usb = p.VID + ":" + p.PID
		}
		say := p.Product
		if p.Problem != "" {
			say = p.Problem
		}
		path := p.Path
		if p.Stable != "" {
			path = p.Stable
		}
		fmt.Fprintf(w, "%s\t%s\t%s\t--instrument NAME=text:%s\n", p.Path, usb, say, path)
	}
	return w.Flush()
}
