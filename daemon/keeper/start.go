package keeper

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"strings"
	"sync"
	"time"
)

// Order is what the daemon tells its keeper on its standard input.
type Order struct {
	Daemon  int             `json:"daemon"`  // the process to end when it does not beat
	Started string          `json:"started"` // when it began
	Benches int             `json:"benches"`
	Job     json.RawMessage `json:"job"` // what the keeper's own program needs to make them safe
}

// Config says how a keeper is started.
type Config struct {
	Program string // the executable
	Args    []string
	Env     []string // nil: this process's
	Benches int
	Job     any
	// Lost is called when the keeper has died and none could be started in its place.
	Lost func(error)
}

// Keeper is the daemon's side: it beats for each bench, and minds that the keeper lives.
type Keeper struct {
	config Config
	order  []byte

	mu      sync.Mutex
	child   *exec.Cmd
	beats   *os.File
	failed  error // why there is no keeper
	full    bool  // it does not read
	closing bool
	ended   chan struct{} // closed when the child that is minded now has ended and nobody takes its place
}

// readyWithin is how long a keeper may take to say that it watches.
const readyWithin = 10 * time.Second

// Start starts a keeper and waits until it watches. Do it before the first port is opened.
func Start(ctx context.Context, c Config) (*Keeper, error) {
	if c.Benches < 1 || c.Benches > mostBenches {
		return nil, fmt.Errorf("keeper: it can keep 1 to %d benches, not %d", mostBenches, c.Benches)
	}
	job, err := json.Marshal(c.Job)
	if err != nil {
		return nil, fmt.Errorf("keeper: %w", err)
	}
	order, err := json.Marshal(Order{os.Getpid(), started(os.Getpid()), c.Benches, job})
	if err != nil {
		return nil, fmt.Errorf("keeper: %w", err)
	}
	k := &Keeper{config: c, order: order, ended: make(chan struct{})}
	if err := k.start(ctx); err != nil {
		return nil, err
	}
	go k.mind() // ends with the last child; Close waits for it
	return k, nil
}

func (k *Keeper) start(ctx context.Context) error {
	read, write, err := os.Pipe()
	if err != nil {
		return fmt.Errorf("keeper: %w", err)
	}
	defer read.Close()
	small(write)
	child := exec.Command(k.config.Program, k.config.Args...)
	child.Env, child.SysProcAttr = k.config.Env, apart()
	child.Stdin = bytes.NewReader(k.order)
	var complaint bytes.Buffer
	child.Stderr = &complaint
	child.ExtraFiles = []*os.File{read}
	ready, err := child.StdoutPipe()
	if err == nil {
		err = child.Start()
	}
	if err != nil {
		write.Close()
		return fmt.Errorf("the keeper, which makes the bench safe when this process cannot, does not start: %w", err)
	}
	said := make(chan error, 1)
	go func() { // ends when the child has said something or has ended
		_, err := ready.Read(make([]byte, 16))
		said <- err
	}()
	timeout, cancel := context.WithTimeout(ctx, readyWithin)
	defer cancel()
	select {
	case err = <-said:
	case <-timeout.Done():
		err = context.Cause(timeout)
	}
	if err != nil {
		_ = child.Process.Kill() // it is of no use
		write.Close()
		return fmt.Errorf("the keeper, which makes the bench safe when this process cannot, does not begin to watch: %w %s",
			errors.Join(err, child.Wait()), strings.TrimSpace(complaint.String()))
	}
	k.mu.Lock()
	k.child, k.beats, k.failed, k.full = child, write, nil, false
	k.mu.Unlock()
	return nil
}

// mind waits for the keeper's end and starts another in its place.
func (k *Keeper) mind() {
	defer close(k.ended)
	for {
		k.mu.Lock()
		child := k.child
		k.mu.Unlock()
		err := child.Wait()
		k.mu.Lock()
		closing := k.closing
		k.failed = fmt.Errorf("the keeper has died (%v)", child.ProcessState)
		k.beats.Close()
		k.mu.Unlock()
		if closing {
			return
		}
		if startErr := k.start(context.Background()); startErr != nil {
			k.mu.Lock()
			k.failed = errors.Join(k.failed, err, startErr)
			k.mu.Unlock()
			k.config.Lost(k.failed)
			return
		}
	}
}

// Alive says why there is no keeper that watches; nil while there is one.
func (k *Keeper) Alive() error {
	k.mu.Lock()
	defer k.mu.Unlock()
	switch {
	case k.failed != nil:
		return fmt.Errorf("nothing is energised without a keeper: %w", k.failed)
	case k.full:
		return errors.New("nothing is energised without a keeper: it does not read its pipe")
	}
	return nil
}

func (k *Keeper) post(b byte) {
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.failed == nil && !k.closing {
		k.full = !post(k.beats, b)
	}
}

// Bench is what one bench's warden has to do with the keeper.
func (k *Keeper) Bench(i int) *Post { return &Post{k, byte(i)} }

// Post is one bench's place at the keeper.
type Post struct {
	keeper *Keeper
	number byte
}

// Beat says that the bench's warden lives; it waits for nothing.
func (p *Post) Beat() { p.keeper.post(p.number) }

// Farewell says that the bench was made safe as far as this process could, and needs no keeper any more.
func (p *Post) Farewell() { p.keeper.post(p.number | farewell) }

// Alive says why there is no keeper that watches.
func (p *Post) Alive() error { return p.keeper.Alive() }

// goneWithin is how long a keeper may take to go when all its benches have said farewell.
const goneWithin = 2 * time.Second

// Close ends the keeper. A bench that has not said farewell is made safe by it.
func (k *Keeper) Close() error {
	k.mu.Lock()
	k.closing = true
	err := k.beats.Close()
	failed := k.failed
	k.mu.Unlock()
	if failed != nil {
		return nil // it was told
	}
	select {
	case <-k.ended:
		return err
	case <-time.After(goneWithin):
		return errors.Join(err, fmt.Errorf("the keeper, process %d, has not ended: it may be making a bench safe", k.child.Process.Pid))
	}
}
