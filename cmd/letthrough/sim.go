package main

import (
	"fmt"

	"letthrough/capture/sim"
)

type simCmd struct {
	Unit    string  `help:"Which simulated unit: Tin, Slate, Amber, Moss, Clay, Flint or Fern." default:"Tin" placeholder:"NAME"`
	Format  string  `help:"What the instrument speaks: text, codes (packets), frame, scpi, modbus." default:"text" placeholder:"FORMAT"`
	Kind    string  `help:"Which frames a hand-held meter sends: ascii-16, or example (the invented meter of the help page Frames)." placeholder:"NAME"`
	Rate    float64 `help:"Readings a second." default:"1000" placeholder:"HZ"`
	ShortAt seconds `help:"When the contact closes." default:"2s" placeholder:"S"`
	Hold    seconds `help:"How long it stays closed." default:"30s" placeholder:"S"`
	Speed   float64 `help:"Runs the simulation so many times faster; the times it sends stay simulated ones." default:"1" placeholder:"N"`
	Voltage bool    `help:"Send the voltage at the unit's terminals as well."`
	Smooth  bool    `help:"Smooth direct current, whatever the unit's own waveform."`
	Seed    uint64  `help:"Begins the simulated chances; the same seed gives the same stream." default:"1" placeholder:"N"`
}

func (c simCmd) Run(env *surroundings) error {
	o := sim.StreamOptions{
		Unit: c.Unit, Format: c.Format, Kind: c.Kind, RateHz: c.Rate, ShortAtS: float64(c.ShortAt), HoldS: float64(c.Hold),
		Speed: c.Speed, Voltage: c.Voltage, Smooth: c.Smooth, Seed: c.Seed,
	}
	return sim.Stream(env.ctx, o, func(path string) { fmt.Fprintln(env.stdout, path) })
}
