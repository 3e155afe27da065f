package keeper

import (
	"encoding/json"
	"fmt"
	"io"
	"os"
	"os/signal"
	"syscall"
)

// beatsFD is the descriptor under which a keeper finds the daemon's pipe.
const beatsFD = 3

// Duty is a keeper's own side: what it was told, and the pipe it watches.
type Duty struct {
	Order  Order
	daemon *Process
	beats  *os.File
}

// Take reads what the daemon has to say, takes hold of its process and becomes deaf to what ends a daemon.
func Take(in io.Reader) (*Duty, error) {
	signal.Ignore(syscall.SIGINT, syscall.SIGTERM, syscall.SIGHUP, syscall.SIGPIPE)
	d := &Duty{}
	if err := json.NewDecoder(in).Decode(&d.Order); err != nil {
		return nil, fmt.Errorf("keeper: it is started by the daemon, and was told nothing: %w", err)
	}
	if d.Order.Benches < 1 || d.Order.Benches > mostBenches {
		return nil, fmt.Errorf("keeper: it was told to keep %d benches", d.Order.Benches)
	}
	if err := syscall.SetNonblock(beatsFD, true); err != nil { // so that reads can have a deadline
		return nil, fmt.Errorf("keeper: the daemon's pipe is not there: %w", err)
	}
	syscall.CloseOnExec(beatsFD)
	d.beats = os.NewFile(beatsFD, "daemon")
	var err error
	if d.daemon, _, err = OpenProcess(d.Order.Daemon, d.Order.Started); err != nil {
		return nil, err
	}
	return d, nil // a daemon that is gone already has closed its pipe
}

// Watch watches until the daemon needs its keeper, and ends it where it hangs.
func (d *Duty) Watch() (Case, error) {
	c, err := Watch(d.beats, d.Order.Benches)
	if err != nil || !c.Hung || d.daemon == nil {
		return c, err
	}
	if err := d.daemon.End(Silence); err != nil {
		c.Why += "; " + err.Error()
		return c, nil
	}
	c.Why += "; it was ended"
	return c, nil
}
