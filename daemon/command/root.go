// Package command is the command line: one file a command. A command parses, calls and prints.
package command

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"syscall"

	"github.com/spf13/cobra"

	"benchwarden/daemon/bench"
	"benchwarden/daemon/station"
	"benchwarden/instruments/datafile"
)

// Exit codes besides those of a run.
const (
	ExitUsage  = 64
	ExitConfig = 78
)

// exitError carries an exit code to Main.
type exitError struct {
	code int
	err  error // nil: everything was said already
}

func (e *exitError) Error() string {
	if e.err == nil {
		return ""
	}
	return e.err.Error()
}

func (e *exitError) Unwrap() error { return e.err }

func usage(format string, args ...any) error {
	return &exitError{ExitUsage, fmt.Errorf(format, args...)}
}

func configFault(err error) error {
	if err == nil {
		return nil
	}
	return &exitError{ExitConfig, err}
}

// console is where a command reads and prints.
type console struct {
	in       io.Reader
	out, err io.Writer
}

// Main runs the command line and returns its exit code.
func Main(args []string, in io.Reader, out, errOut io.Writer) int {
	ends := []os.Signal{os.Interrupt, syscall.SIGTERM}
	if hangupEnds(args) {
		ends = append(ends, syscall.SIGHUP)
	}
	ctx, stop := signal.NotifyContext(context.Background(), ends...)
	defer stop()
	root := newRoot(&console{in, out, errOut})
	root.SetArgs(args)
	return exitCode(root.ExecuteContext(ctx), errOut)
}

func exitCode(err error, errOut io.Writer) int {
	if err == nil {
		return station.ExitPass
	}
	if text := err.Error(); text != "" {
		fmt.Fprintln(errOut, "benchwarden: "+text)
	}
	var exit *exitError
	if errors.As(err, &exit) {
		return exit.code
	}
	var faults datafile.Faults
	switch {
	case errors.Is(err, bench.ErrNotSafe):
		return station.ExitNotSafe
	case errors.As(err, &faults):
		return ExitConfig
	}
	return station.ExitBroken
}

func newRoot(c *console) *cobra.Command {
	root := &cobra.Command{
		Use:   "benchwarden",
		Short: "Supervises a motor drive repair bench: limits, gate sweep, bus ramp, evidence",
		Long: `Benchwarden proves a motor drive's gate channels before power devices are fitted.

It works on energised equipment. It is no emergency stop and never says that anything is safe to touch: measure before you
touch, keep to your local codes, and let qualified people do the work.`,
		SilenceUsage:  true,
		SilenceErrors: true,
	}
	root.SetIn(c.in)
	root.SetOut(c.out)
	root.SetErr(c.err)
	root.RunE = func(cmd *cobra.Command, given []string) error {
		if len(given) == 0 {
			return cmd.Help()
		}
		var known []string
		for _, sub := range cmd.Commands() {
			known = append(known, sub.Name())
		}
		return usage("unknown command %q%s; benchwarden --help lists them", given[0], datafile.DidYouMean(given[0], known))
	}
	root.Args = cobra.ArbitraryArgs
	root.SetFlagErrorFunc(func(_ *cobra.Command, err error) error { return &exitError{ExitUsage, err} })
	s := newSettings(root.PersistentFlags())
	root.AddCommand(
		demoCommand(c, s), serveCommand(c, s), runCommand(c, s), rehearseCommand(c, s), simulateCommand(c, s),
		benchCommand(c, s), makeSafeCommand(c, s), resetCommand(c, s), holdCommand(c, s), liftCommand(c, s), validateCommand(c, s), traceCommand(c), keeperCommand(c), versionCommand(c),
		jobCommand(c, s), recordsCommand(c, s), historyCommand(c, s), familyCommand(c, s), limitsCommand(c, s), reportCommand(c, s),
	)
	return root
}

// args counts positional arguments, with our own exit code.
func args(n int, what string) cobra.PositionalArgs {
	return func(cmd *cobra.Command, given []string) error {
		if len(given) != n {
			return usage("%s: give %s; %d arguments were given", cmd.CommandPath(), what, len(given))
		}
		return nil
	}
}
