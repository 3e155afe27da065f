package command

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"strconv"
	"syscall"
	"time"
)

// simulation is a simulated bench in a process of its own.
type simulation struct {
	benchFile string
	process   *exec.Cmd
}

// startSimulation starts this program once more as "simulate" and waits until its instruments answer. The caller stops it.
func startSimulation(ctx context.Context, s Settings, o simulateOptions) (*simulation, error) {
	self, err := os.Executable()
	if err != nil {
		return nil, err
	}
	args := []string{"simulate", "--json", "--configs", s.Configs, "--family", o.family, "--name", o.name, "--bench-file", o.benchFile,
		"--seed", strconv.FormatUint(o.seed, 10), "--spread=" + strconv.FormatBool(o.spread), "--fitted=" + strconv.FormatBool(o.fitted),
		"--poor=" + strconv.FormatBool(o.poor)}
	for _, f := range o.faults {
		args = append(args, "--fault", f)
	}
	p := exec.CommandContext(ctx, self, args...)
	p.Stderr = os.Stderr
	p.Cancel = func() error { return p.Process.Signal(syscall.SIGTERM) }
	p.WaitDelay = 2 * time.Second
	// A signal from the terminal must not end the instruments before the bench was made safe.
	p.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	out, err := p.StdoutPipe()
	if err != nil {
		return nil, err
	}
	if err := p.Start(); err != nil {
		return nil, fmt.Errorf("simulated bench: %w", err)
	}
	line, err := bufio.NewReader(out).ReadBytes('\n')
	var addresses map[string]string
	if err == nil {
		err = json.Unmarshal(line, &addresses)
	}
	if err != nil {
		ended := p.Wait()
		var exit *exec.ExitError
		if errors.As(ended, &exit) && exit.Exited() {
			return nil, &exitError{exit.ExitCode(), nil} // it has said why
		}
		return nil, errors.Join(fmt.Errorf("simulated bench for family %s did not start: %w", o.family, err), ended)
	}
	return &simulation{benchFile: o.benchFile, process: p}, nil
}

func (s *simulation) stop() {
	_ = s.process.Process.Signal(syscall.SIGTERM) // it may have ended
	_ = s.process.Wait()                          // how it ended matters to nobody
}
