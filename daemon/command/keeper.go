package command

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"time"

	"github.com/spf13/cobra"

	"benchwarden/daemon/bench"
	"benchwarden/daemon/event"
	"benchwarden/daemon/keeper"
	"benchwarden/daemon/service"
	"benchwarden/daemon/station"
)

// keeperJob is what a keeper has to know to make the benches safe.
type keeperJob struct {
	Settings Settings `json:"settings"`
	Files    []string `json:"files"` // of the benches, in the order of their numbers
}

// startKeeper starts this program a second time as the keeper of some benches. lost is told when there is none any more.
func startKeeper(ctx context.Context, s Settings, files []*bench.File, lost func(error)) (*keeper.Keeper, error) {
	program, err := os.Executable()
	if err != nil {
		return nil, fmt.Errorf("keeper: %w", err)
	}
	job := keeperJob{Settings: s}
	for _, f := range files {
		path, err := filepath.Abs(f.Path())
		if err != nil {
			return nil, fmt.Errorf("keeper: %w", err)
		}
		job.Files = append(job.Files, path)
	}
	for _, dir := range []*string{&job.Settings.Configs, &job.Settings.Scripts, &job.Settings.Data} {
		if *dir, err = filepath.Abs(*dir); err != nil {
			return nil, fmt.Errorf("keeper: %w", err)
		}
	}
	return keeper.Start(ctx, keeper.Config{Program: program, Args: []string{"keeper"}, Benches: len(files), Job: job, Lost: lost})
}

// minders are who minds a bench's warden: the keeper, and the service manager where there is one.
type minders struct {
	*keeper.Post
	manager *service.Manager
	bench   int
}

// Beat says to both that the warden lives.
func (m *minders) Beat() {
	m.Post.Beat()
	m.manager.Beat(m.bench)
}

// Farewell says to both that the bench needs them no more.
func (m *minders) Farewell() {
	m.Post.Farewell()
	m.manager.Farewell(m.bench)
}

// openKept starts a keeper for some benches and then opens them. A keeper that is lost, with none in its place, trips what runs.
func openKept(ctx context.Context, s Settings, files []*bench.File, hub *event.Hub, slot station.Slot, owner string, jobs station.Jobs, manager *service.Manager) ([]*station.Station, *keeper.Keeper, error) {
	var mu sync.Mutex
	var opened []*station.Station
	minded, err := startKeeper(ctx, s, files, func(err error) {
		mu.Lock()
		defer mu.Unlock()
		for _, st := range opened {
			st.KeeperLost(err)
		}
	})
	if err != nil {
		return nil, nil, err
	}
	for i, file := range files {
		config := stationConfig(s, file, hub, slot, owner)
		config.Keeper, config.Jobs = &minders{Post: minded.Bench(i), manager: manager, bench: i}, jobs
		st, err := station.Open(ctx, config)
		if err != nil {
			ended, cancel := context.WithCancel(ctx)
			cancel()
			for _, st := range opened {
				err = errors.Join(err, st.Run(ended)) // makes safe and closes
			}
			for k := i; k < len(files); k++ {
				minded.Bench(k).Farewell() // never opened by this process
			}
			return nil, nil, errors.Join(err, minded.Close())
		}
		mu.Lock()
		opened = append(opened, st)
		mu.Unlock()
	}
	return opened, minded, nil
}

func keeperCommand(c *console) *cobra.Command {
	return &cobra.Command{
		Use: "keeper", Hidden: true, Args: args(0, "no arguments"),
		Short: "Mind a daemon, and make its benches safe when it cannot (started by the daemon itself)",
		RunE: func(cmd *cobra.Command, _ []string) error {
			duty, err := keeper.Take(c.in)
			if err != nil {
				return err
			}
			var job keeperJob
			if err := json.Unmarshal(duty.Order.Job, &job); err != nil {
				return fmt.Errorf("keeper: %w", err)
			}
			files := make([]*bench.File, len(job.Files))
			for i, path := range job.Files { // read now: it may be another one later, or gone
				if files[i], err = bench.ReadFile(path); err != nil {
					return err
				}
			}
			fmt.Fprintln(c.out, "watching")
			found, err := duty.Watch()
			if err != nil {
				return err
			}
			return keep(context.WithoutCancel(cmd.Context()), job.Settings, files, found)
		},
	}
}

// keep makes the benches of a case safe, all at once, and writes down what came of it.
func keep(ctx context.Context, s Settings, files []*bench.File, found keeper.Case) error {
	errs := make([]error, len(found.Benches))
	var wg sync.WaitGroup
	for i, number := range found.Benches {
		wg.Go(func() { errs[i] = keepOne(ctx, s, files[number], found.Why) })
	}
	wg.Wait()
	return errors.Join(errs...)
}

// kept is what a keeper has done for a bench, as a line of JSON.
type kept struct {
	At     time.Time     `json:"at"`
	Bench  string        `json:"bench"`
	Why    string        `json:"why"`
	Safe   *event.Safety `json:"safe,omitempty"`
	Took   string        `json:"took,omitempty"` // until the outputs were read back
	Bus    *event.Bus    `json:"bus,omitempty"`
	Failed string        `json:"failed,omitempty"`
}

// keeperLog is where a bench's keeper writes what it did.
func keeperLog(s Settings, file *bench.File) string {
	return filepath.Join(stateDir(s, file), file.Bench+".keeper.jsonl")
}

const (
	keepAgain = 500 * time.Millisecond // between two tries to reach an output that is not confirmed
	keepFor   = 10 * time.Minute       // how long a keeper tries
)

// keepOne makes a bench safe and goes on until that is confirmed: a cable that was cut may be mended, an instrument switched on again.
// Between two tries whoever waits for the bench can have it; then it is theirs to make safe.
func keepOne(ctx context.Context, s Settings, file *bench.File, why string) error {
	until := time.Now().Add(keepFor)
	for first := true; ; first = false {
		k, err := keepOnce(ctx, s, file, why)
		confirmed, taken := k.Safe != nil && k.Safe.Confirmed, errors.Is(err, keeper.ErrHeld)
		over := time.Now().After(until)
		if first || confirmed || taken || over {
			err = errors.Join(err, k.write(keeperLog(s, file)))
		}
		if confirmed || taken || over {
			return err
		}
		<-time.After(keepAgain)
	}
}

func keepOnce(ctx context.Context, s Settings, file *bench.File, why string) (kept, error) {
	k := kept{At: time.Now(), Bench: file.Bench, Why: why}
	config := stationConfig(s, file, event.NewHub(), station.NewSlot(), "keeper")
	st, err := station.Open(ctx, config)
	if err == nil {
		safe := st.Status().Safety
		k.Safe, k.Took = &safe, time.Since(k.At).Round(time.Millisecond).String()
		ended, cancel := context.WithCancel(ctx)
		cancel() // Run goes on until the bus is down, or does not come down, and closes
		err = st.Run(ended)
		bus := st.Status().Bus
		k.Bus = &bus
	}
	if err != nil {
		k.Failed = err.Error()
	}
	return k, err
}

func (k kept) write(path string) error {
	line, err := json.Marshal(k)
	if err != nil {
		return err
	}
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_APPEND, 0o640)
	if err != nil {
		return err
	}
	_, err = f.Write(append(line, '\n'))
	return errors.Join(err, f.Close())
}
