// Command meterwright carries out, checks and shows visits to electricity meters.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"syscall"

	"github.com/alecthomas/kong"

	"meterwright/internal/tell"
	"meterwright/internal/version"
)

// Exit codes, the same for every command. docs/commands.md lists them.
const (
	exitGood      = 0  // done, and what was asked about is good
	exitBad       = 1  // what was asked about is not good, or makes no sense
	exitUnread    = 2  // a file could not be read or written
	exitUndecided = 3  // no fault, but not settled: not ended, doubtful, or rows left out
	exitUsage     = 80 // the command line is wrong
)

const description = `Carries out, checks and shows visits to electricity meters.

Exit codes: 0 good; 1 not good, or it makes no sense; 2 a file could not be read or written; 3 no fault, but not settled (not ended, doubtful, rows left out); 80 the command line is wrong.

` + tell.Caution

// commands is the command line.
type commands struct {
	Visit       visitCommands       `cmd:"" help:"Carry visits out, and fold records again."`
	Record      recordCommands      `cmd:"" help:"Check and show records."`
	Method      methodCommands      `cmd:"" help:"List, show and check written methods."`
	Jobs        jobsCommands        `cmd:"" help:"Take jobs over from another system."`
	Projections projectionsCommands `cmd:"" help:"Summaries of visits, made from their records."`
	Calc        calcCommands        `cmd:"" help:"Reckon one thing, with its limits and their sources."`
	Departures  departuresCommand   `cmd:"" help:"List what can be wrong at a service position."`
	Predict     predictCommand      `cmd:"" help:"Show what every instrument would show there and what a hand would meet."`
	Netlist     netlistCommand      `cmd:"" help:"Write the same position as a deck for a SPICE program."`
	Diagnose    diagnoseCommand     `cmd:"" help:"Say which departures explain what was seen there, as leads."`
	Serve       serveCommand        `cmd:"" help:"Serve the field and the office on this machine. Ends with exit 0 when it is interrupted or told to end (SIGTERM)."`
	Version     versionCommand      `cmd:"" help:"Say which edition this is."`
}

// streams are where a command reads and writes.
type streams struct {
	ctx context.Context
	out io.Writer
	err io.Writer
}

// coded is an error with the exit code that it leads to. A nil error says nothing more: what
// there is to say stands on the output.
type coded struct {
	code int
	err  error
}

func (c coded) Error() string {
	if c.err == nil {
		return ""
	}
	return c.err.Error()
}

func (c coded) Unwrap() error { return c.err }

func bad(err error) error    { return coded{exitBad, err} }
func unread(err error) error { return coded{exitUnread, err} }

func main() {
	// A script that is being carried out ends between two entries; a second interrupt ends
	// the program at once.
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	context.AfterFunc(ctx, stop)
	code := run(ctx, os.Args[1:], os.Stdout, os.Stderr)
	stop()
	os.Exit(code)
}

func run(ctx context.Context, args []string, out, errs io.Writer) int {
	var c commands
	left := -1
	parser, err := kong.New(&c, kong.Name("meterwright"), kong.Description(description),
		kong.Writers(out, errs), kong.UsageOnError(), kong.Exit(func(code int) { left = code }),
		kong.ConfigureHelp(kong.HelpOptions{Compact: true, NoExpandSubcommands: false}),
		kong.Vars{"version": version.Edition})
	if err != nil {
		return report(errs, coded{exitBad, err})
	}
	if len(args) == 0 {
		args = []string{"--help"}
	}
	k, err := parser.Parse(args)
	if left >= 0 {
		return left // Help was asked for and shown.
	}
	if err != nil {
		return report(errs, coded{exitUsage, fmt.Errorf("%w: meterwright --help shows the commands", err)})
	}
	err = k.Run(&streams{ctx: ctx, out: out, err: errs})
	if err == nil {
		return exitGood
	}
	return report(errs, err)
}

// report writes an error, without the control characters that a file may have brought into
// it, and returns its exit code.
func report(errs io.Writer, err error) int {
	code := exitBad
	var c coded
	if errors.As(err, &c) {
		code = c.code
	}
	if text := err.Error(); text != "" {
		t := tell.New(errs)
		t.Lines("meterwright: " + text)
		if t.Err() != nil {
			return exitUnread
		}
	}
	return code
}

type versionCommand struct {
	JSON bool `help:"Write JSON."`
}

func (c *versionCommand) Run(s *streams) error {
	if c.JSON {
		return writeJSON(s.out, struct {
			Edition string `json:"edition"`
		}{version.Edition})
	}
	t := tell.New(s.out)
	t.Line("meterwright %s", version.Edition)
	return wrote(t)
}
