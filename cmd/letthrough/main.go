// Command letthrough watches a short-circuit test as it happens, keeps it and tells what it found.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"strings"

	"github.com/alecthomas/kong"
)

// The exit statuses.
const (
	exitDone   = 0
	exitFailed = 1 // one line on standard error says what was wrong and what to do
	exitUsage  = 2
)

// commands is the command line: one struct with a Run method for each command.
type commands struct {
	Demo        demoCmd        `cmd:"" help:"Simulated bench on pseudo-terminals, dashboard at the printed address."`
	Serve       serveCmd       `cmd:"" help:"The daemon: real instruments, dashboard."`
	Ports       portsCmd       `cmd:"" help:"Serial ports present, with USB identity."`
	Read        readCmd        `cmd:"" help:"Figures of recorded traces; no database needed."`
	Compare     compareCmd     `cmd:"" help:"Two to six runs or traces side by side: each figure with its difference, and a page to show."`
	Runs        runsCmd        `cmd:"" help:"Stored runs."`
	Units       unitsCmd       `cmd:"" help:"Units under test and their rating plates."`
	Loads       loadsCmd       `cmd:"" help:"What units feed in use: motors, wire."`
	Criteria    criteriaCmd    `cmd:"" help:"Named sets of criteria that verdicts go by."`
	Rig         rigCmd         `cmd:"" help:"The rig: parts, what they stand in a test, and resistors for a ramp or stairs."`
	Instruments instrumentsCmd `cmd:"" help:"Instruments that serve opens, and their calibrations."`
	Report      reportCmd      `cmd:"" help:"The shelf's table and charts as one self-contained page, CSV or JSON."`
	Verify      verifyCmd      `cmd:"" help:"Derive every figure of a bundle, or of a run as JSON, again from the samples in it."`
	Sim         simCmd         `cmd:"" help:"One simulated instrument on a pseudo-terminal whose path is printed."`
	Version     versionCmd     `cmd:"" help:"The version of this program."`
}

// surroundings are what a command gets from the outside world; a test puts its own in place.
type surroundings struct {
	ctx    context.Context // ends with the first signal
	hurry  context.Context // ends with the second: waiting is cut short
	stdin  io.Reader       // where readings may be typed
	stdout io.Writer
	stderr io.Writer
	log    *slog.Logger // writes to stderr
}

func main() {
	ctx, hurry, release := signalled()
	defer release()
	env := &surroundings{ctx: ctx, hurry: hurry, stdin: os.Stdin, stdout: os.Stdout, stderr: os.Stderr}
	env.log = slog.New(slog.NewTextHandler(env.stderr, &slog.HandlerOptions{Level: slog.LevelInfo}))
	os.Exit(run(env, os.Args[1:]))
}

// run parses the command line, runs the command and gives the exit status.
func run(env *surroundings, args []string) int {
	var cli commands
	parser, err := kong.New(&cli,
		kong.Name("letthrough"),
		kong.Description("Watches a short-circuit test as it happens: marks fault onset, cut-off and retry pulses, "+
			"derives the figures a tester needs, keeps every sample.\n\n"+cautions),
		kong.ConfigureHelp(kong.HelpOptions{Compact: true, WrapUpperBound: 100}),
		kong.Writers(env.stdout, env.stderr),
		// A negative number is a value, and refused as such, not an unknown flag.
		kong.WithHyphenPrefixedParameters(true),
	)
	if err != nil {
		fmt.Fprintln(env.stderr, "letthrough:", err)
		return exitFailed
	}
	parsed, err := parser.Parse(args)
	if err != nil {
		usage(env.stderr, err)
		return exitUsage
	}
	err = parsed.Run(env)
	var wrong *usageError
	switch {
	case err == nil:
		return exitDone
	case errors.As(err, &wrong):
		usage(env.stderr, err)
		return exitUsage
	}
	fmt.Fprintln(env.stderr, "letthrough:", oneLine(err.Error()))
	return exitFailed
}

// usageError is a command line that cannot be meant: exit status 2.
type usageError struct{ text string }

func (e *usageError) Error() string { return e.text }

func usage(w io.Writer, err error) {
	hint := "letthrough --help"
	var p *kong.ParseError
	if errors.As(err, &p) && p.Context != nil && p.Context.Selected() != nil {
		hint = "letthrough " + p.Context.Selected().Path() + " --help"
		hint = strings.ReplaceAll(hint, "letthrough letthrough", "letthrough")
	}
	fmt.Fprintf(w, "letthrough: %s; see %s\n", oneLine(err.Error()), hint)
}

// oneLine keeps an error to the one line that scripts and people expect, whatever it quotes.
func oneLine(s string) string {
	return strings.Join(strings.FieldsFunc(s, func(r rune) bool { return r == '\n' || r == '\r' }), "; ")
}

// cautions stand wherever a test can be started.
const cautions = "Low-voltage isolated outputs only, never the mains side. A fuse in the loop. Parts get hot enough to burn: " +
	"non-flammable surface, stay in the room. Local electrical codes and qualified persons come first."
