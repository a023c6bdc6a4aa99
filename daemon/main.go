// Command ashlamp shows a crew putting a steam locomotive away what has been
// proven, what has not yet, and what it cannot tell. It advises and operates
// nothing.
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/signal"
	"strings"
	"syscall"
	_ "time/tzdata" // a small board may have no zone files

	"ashlamp/daemon/config"
)

// Exit codes of the contract.
const (
	exitDone  = 0
	exitFail  = 1
	exitUsage = 2
)

// command is one of the tool's commands; a table of them can be read.
type command struct {
	name, usage, does string
	run               func(ctx context.Context, args []string, stdin io.Reader, stdout, stderr io.Writer) error
}

func commands() []command {
	return []command{
		{"demo", "[--speed N] [--listen ADDR] [--data DIR] [--seed N] [--fault NAME]", "simulated engines, broker, daemon and page in one process", demo},
		{"run", "[-c shed.toml] [--data DIR] [--listen ADDR]", "the daemon; without a configuration it opens set-up, on loopback", run},
		{"check", "-c shed.toml", "judge a configuration", check},
		{"replay", "-c shed.toml --engine ID [FILE...]", "judge recorded samples at their own times", replay},
		{"export", "[--data DIR] --engine ID [--disposal ID | --from T --to T] [--format csv|senml|recording] [-o FILE]", "samples as other programs read them", writeExport},
		{"report", "-c shed.toml [--data DIR] --engine ID [--disposal ID] [-o FILE]", "a disposal as PDF, for the engine's file", writeReport},
		{"scan", "[-c shed.toml] [--json]", "the chips that answer on this machine's I2C buses", scan},
		{"calibrate", "[-c shed.toml] [--engine ID] [--channel ID] --by NAME [--reference GAUGE] [--uncertainty U] [--trial] READING=REFERENCE...", "zero and span of a channel from points beside a reference, kept in the configuration", calibrate},
		{"prove-book", "[--data DIR] [--engine ID] [--noted N:HASH]", "whether the engines' books are as they were written", proveBook},
	}
}

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	code := dispatch(ctx, os.Args[1:], os.Stdin, os.Stdout, os.Stderr)
	stop()
	os.Exit(code)
}

// wrongUse says that the command was called wrongly; it makes for exit code 2.
type wrongUse struct{ text string }

func (e *wrongUse) Error() string { return e.text }

// errTold says that everything there was to say was said already.
var errTold = errors.New("told")

func dispatch(ctx context.Context, args []string, stdin io.Reader, stdout, stderr io.Writer) int {
	if len(args) == 0 {
		usage(stderr)
		return exitUsage
	}
	switch args[0] {
	case "help", "-h", "--help":
		usage(stdout)
		return exitDone
	}
	for _, c := range commands() {
		if c.name != args[0] {
			continue
		}
		return exitCode(c, c.run(ctx, args[1:], stdin, stdout, stderr), stdout, stderr)
	}
	fmt.Fprintf(stderr, "ashlamp: command %q is not known; use one of those that \"ashlamp help\" lists\n", args[0])
	return exitUsage
}

func exitCode(c command, err error, stdout, stderr io.Writer) int {
	var wrong *wrongUse
	var faults config.Faults
	switch {
	case err == nil:
		return exitDone
	case errors.Is(err, flag.ErrHelp):
		fmt.Fprintf(stdout, "ashlamp %s %s\n  %s\n", c.name, c.usage, c.does)
		return exitDone
	case errors.Is(err, errTold):
		return exitFail
	case errors.As(err, &faults):
		fmt.Fprintln(stderr, faults)
		return exitUsage
	case errors.As(err, &wrong):
		fmt.Fprintf(stderr, "ashlamp %s: %s\nusage: ashlamp %s %s\n", c.name, wrong.text, c.name, c.usage)
		return exitUsage
	}
	fmt.Fprintf(stderr, "ashlamp %s: %s\n", c.name, err)
	return exitFail
}

func usage(w io.Writer) {
	fmt.Fprintln(w, "ashlamp shows what has been proven of a steam locomotive that is being put away.")
	fmt.Fprintln(w, "It advises and operates nothing.")
	fmt.Fprintln(w)
	for _, c := range commands() {
		fmt.Fprintf(w, "  ashlamp %s %s\n      %s\n", c.name, c.usage, c.does)
	}
}

// flags returns a set that says nothing by itself: its errors become wrongUse.
func flags(name string) *flag.FlagSet {
	f := flag.NewFlagSet(name, flag.ContinueOnError)
	f.SetOutput(io.Discard)
	return f
}

func parse(f *flag.FlagSet, args []string) error {
	err := f.Parse(args)
	if err == nil || errors.Is(err, flag.ErrHelp) {
		return err
	}
	return &wrongUse{strings.TrimPrefix(err.Error(), "flag provided but not defined: ") + " is not understood; see the usage"}
}
