package command

import (
	"context"
	"fmt"
	"os"
	"os/signal"
	"syscall"

	"golang.org/x/term"

	"benchwarden/daemon/bench"
)

// hangupEnds says whether SIGHUP ends this process: where its terminal has gone away, and for every command but a service.
func hangupEnds(args []string) bool {
	return len(args) == 0 || args[0] != "serve" || term.IsTerminal(int(os.Stdin.Fd()))
}

// reload checks all files anew at each SIGHUP of a service, and says what a restart would change. Families, dialects' limits and
// scripts are read at the start of each run anyway; a run that is going on, and the benches that are open, are never touched.
func reload(ctx context.Context, c *console, s Settings, files []*bench.File) error {
	hangup := make(chan os.Signal, 1)
	if hangupEnds([]string{"serve"}) {
		return nil
	}
	signal.Notify(hangup, syscall.SIGHUP)
	defer signal.Stop(hangup)
	for {
		select {
		case <-hangup:
		case <-ctx.Done():
			return nil
		}
		for _, f := range files {
			now, err := bench.ReadFile(f.Path())
			switch {
			case err != nil:
				fmt.Fprintf(c.err, "benchwarden: reload: bench %s goes on as it is; its file now has faults: %v\n", f.Bench, err)
			case now.Hash() != f.Hash():
				fmt.Fprintf(c.err, "benchwarden: reload: %s has changed; bench %s goes on as it is until the daemon is started again\n", f.Path(), f.Bench)
			default:
				fmt.Fprintf(c.err, "benchwarden: reload: %s is unchanged; families and scripts are read anew at the start of each run\n", f.Path())
			}
		}
		all, err := everything(s)
		if err == nil {
			err = (&validator{c: &console{c.in, c.err, c.err}, settings: s}).all(all)
		}
		if err != nil {
			fmt.Fprintln(c.err, "benchwarden: reload:", err)
		}
	}
}
