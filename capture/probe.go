package capture

import (
	"context"
	"fmt"
	"strings"
	"time"

	"letthrough/capture/port"
	"letthrough/capture/wire"
)

// Finding is what was found out about a port.
type Finding struct {
	// Instrument is the argument that uses it, with NAME and whatever else is to be filled in in capitals;
	// empty where nothing is known.
	Instrument string   `json:"instrument,omitempty"`
	Format     string   `json:"format,omitempty"`
	Reason     string   `json:"reason"`            // what was heard
	Missing    string   `json:"missing,omitempty"` // what a person still has to say or to check
	Asked      []string `json:"asked,omitempty"`   // what was sent; nothing if empty
}

// How long to listen. Many boards start anew when their port is opened, and sit in their boot loader for
// up to two seconds. A meter of two readings a second needs three for six lines.
const (
	firstByte = 3 * time.Second
	talkTime  = 4 * time.Second
	deafAfter = 1200 * time.Millisecond // at a speed at which what comes is no text
	plenty    = 24                      // readings, and so many seconds
	plentyS   = 0.4
)

// otherBauds are tried where bytes come that no format reads; boards with USB of their own ignore the speed.
var otherBauds = []int{9600, 19200, 57600, 38400, 2400, 4800, 1200, 230400, 250000, 460800, 500000, 921600, 1000000}

// ear is what probing needs of a port.
type ear interface {
	Tune(port.Spec) error
	Hear(ctx context.Context, d time.Duration, take func(data []byte, at time.Duration) bool) error
	Say(b []byte) error
	Close() error
}

// Probe listens to a port and guesses what speaks there. Only with ask, and only if nothing was heard, it
// sends the questions that change nothing in an instrument. The error says why the port cannot be opened.
func Probe(ctx context.Context, path string, ask bool) (Finding, error) {
	e, err := port.OpenEar(port.Spec{Path: path})
	if err != nil {
		return Finding{}, err
	}
	defer e.Close()
	return probe(ctx, e, path, ask)
}

func probe(ctx context.Context, e ear, path string, ask bool) (Finding, error) {
	g, n, err := overhear(ctx, e, firstByte)
	switch {
	case err != nil:
		return Finding{}, err
	case g.Format != "":
		return found(path, g, 0, ""), nil
	case g.Text:
		return Finding{Reason: g.Reason}, nil
	case n > 0:
		return tuned(ctx, e, path, g)
	case ask:
		return asked(ctx, e, path)
	}
	return Finding{Reason: fmt.Sprintf("nothing in %g seconds: it is silent, or must be asked", firstByte.Seconds())}, nil
}

// overhear listens until a guess is sure enough, and tells how many bytes came. first is how long to wait
// for a byte.
func overhear(ctx context.Context, e ear, first time.Duration) (g wire.Guess, n int, err error) {
	var heard []wire.Heard
	tried := 0
	err = e.Hear(ctx, first+talkTime, func(data []byte, at time.Duration) (done bool) {
		if len(data) > 0 {
			heard = append(heard, wire.Heard{Data: append([]byte(nil), data...), AtNS: at.Nanoseconds() + 1})
			n += len(data)
		}
		if n == 0 {
			return at > first
		}
		since := at - time.Duration(heard[0].AtNS)
		over := since >= talkTime || n >= 1<<20 || since > deafAfter && !printable(heard)
		if n >= 2*tried || over { // every format on every delivery would be slower than what comes
			tried = n
			g, _ = wire.GuessFormat(heard)
		}
		if over || g.Readings < plenty || since.Seconds() < plentyS {
			return over
		}
		if n > tried { // what the guess was made of may have come all at once, and then no time was seen to pass
			tried = n
			g, _ = wire.GuessFormat(heard)
		}
		return g.Readings >= plenty
	})
	return g, n, err
}

// printable tells whether most of what was heard is text, so that waiting for more of it makes sense.
func printable(heard []wire.Heard) bool {
	n, good := 0, 0
	for _, h := range heard {
		for _, c := range h.Data {
			n++
			if c >= ' ' && c <= '~' || c == '\n' || c == '\r' || c == '\t' {
				good++
			}
		}
	}
	return good*10 >= n*9
}

// tuned tries the other speeds.
func tuned(ctx context.Context, e ear, path string, first wire.Guess) (Finding, error) {
	for _, baud := range otherBauds {
		if err := e.Tune(port.Spec{Path: path, Baud: baud}); err != nil {
			continue // a speed that this port does not have
		}
		g, _, err := overhear(ctx, e, deafAfter)
		if err != nil {
			return Finding{}, err
		}
		if g.Format != "" {
			return found(path, g, baud, ""), nil
		}
	}
	return Finding{Reason: first.Reason + fmt.Sprintf(" (at %d baud; nor at %d other speeds)", port.DefaultBaud, len(otherBauds))}, nil
}

// asked sends the questions, one after another.
func asked(ctx context.Context, e ear, path string) (Finding, error) {
	var said []string
	for _, q := range wire.Questions() {
		said = append(said, q.What)
		for _, baud := range q.Bauds {
			for _, line := range q.Lines {
				if err := e.Tune(PortSpec(wire.Spec{Port: path, Baud: baud, Line: line})); err != nil {
					continue
				}
				if err := e.Say(q.Bytes); err != nil {
					return Finding{}, err
				}
				var answer []byte
				var g wire.Guess
				err := e.Hear(ctx, time.Duration(q.WaitS*float64(time.Second)), func(b []byte, _ time.Duration) (done bool) {
					answer = append(answer, b[:min(len(b), 1<<12-len(answer))]...)
					g, done = q.Answer(answer)
					return done
				})
				if err != nil {
					return Finding{}, err
				}
				if g.Format != "" {
					f := found(path, g, baud, line)
					f.Asked = said
					return f, nil
				}
			}
		}
	}
	return Finding{Reason: "it says nothing, and answers none of what was asked", Asked: said}, nil
}

// found makes the argument of a guess.
func found(path string, g wire.Guess, baud int, line string) Finding {
	var options []string
	if baud != 0 {
		options = append(options, fmt.Sprintf("baud=%d", baud))
	}
	if line != "" && line != "8N1" {
		options = append(options, "line="+line)
	}
	if g.Options != "" {
		options = append(options, g.Options)
	}
	out := Finding{Instrument: "NAME=" + g.Format + ":" + path, Format: g.Format, Reason: g.Reason, Missing: g.Missing}
	if len(options) > 0 {
		out.Instrument += "?" + strings.Join(options, "&")
	}
	return out
}
