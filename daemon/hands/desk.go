// Package hands stands between the program and the people at the bench: prompts and their answers, holds, and the act at
// the bench without which nothing energises (P10).
//
// One act covers one announced energising with all its steps and power cycles. It ends with hands at the drive, a hold, a
// trip, its longest time, or the process.
package hands

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"benchwarden/daemon/event"
	"benchwarden/instruments/quantity"
)

var (
	// ErrNoAct means that nobody at the bench has allowed this energising.
	ErrNoAct = errors.New("no act at the bench allows this")
	// ErrHold means that somebody's hands are in the bench.
	ErrHold = errors.New("hands are in the bench")
	// ErrNotAtBench means that the answer came from somewhere else than the bench.
	ErrNotAtBench = errors.New("only somebody at the bench can answer this")
	// ErrNoPrompt means that nobody asked.
	ErrNoPrompt = errors.New("no such prompt is open")
)

// Actions of a prompt. Clear and Energise are taken at the bench only.
const (
	Place    = "place"    // move a probe to a test point
	Fit      = "fit"      // fit a stand-in
	Remove   = "remove"   // take a stand-in out
	Read     = "read"     // read a value
	Confirm  = "confirm"  // choose an answer
	Prove    = "prove"    // prove the bus dead with a proven meter: live, dead, live
	Clear    = "clear"    // say that all hands are clear
	Energise = "energise" // the act
)

// Answer is what a person said to a prompt.
type Answer struct {
	By      string
	Text    string
	AtBench bool // given by key, pedal or the console that the bench file names
}

// Warner warns everybody near the bench: beacon and sounder.
type Warner interface {
	Warn(ctx context.Context, on bool) error
}

// Config says how the desk of a bench works.
type Config struct {
	Bench     string
	Run       func() string // the run going on, or ""
	Sink      event.Sink
	Countdown time.Duration   // between the act and the energising
	ActWithin time.Duration   // an act that is not done by then is refused
	Live      func() []string // live volts for the prompts, with their age
	Warner    Warner          // nil: the bench has neither beacon nor sounder
}

// Desk is the hands desk of one bench. Its zero permit is the safe state: nothing may energise.
type Desk struct {
	cfg Config

	mu      sync.Mutex
	next    int
	open    map[string]*openPrompt
	holds   map[string]time.Time
	handsIn bool
	permit  *permit
}

type openPrompt struct {
	prompt event.Prompt
	answer chan Answer
}

type permit struct {
	volts map[string]quantity.Volts // highest by role
	until time.Time
}

// New returns a desk at which nobody has acted.
func New(cfg Config) *Desk {
	return &Desk{cfg: cfg, open: map[string]*openPrompt{}, holds: map[string]time.Time{}}
}

func (d *Desk) emit(b event.Body) {
	d.cfg.Sink.Emit(event.Event{At: time.Now(), Bench: d.cfg.Bench, Run: d.cfg.Run(), Body: b})
}

// Ask puts a prompt and waits for its answer.
func (d *Desk) Ask(ctx context.Context, p event.Prompt) (Answer, error) {
	d.mu.Lock()
	d.next++
	p.ID = fmt.Sprintf("p%d", d.next)
	o := &openPrompt{prompt: p, answer: make(chan Answer, 1)}
	d.open[p.ID] = o
	d.mu.Unlock()
	defer func() {
		d.mu.Lock()
		delete(d.open, p.ID)
		d.mu.Unlock()
	}()
	d.emit(p)
	select {
	case a := <-o.answer:
		d.emit(event.Answered{ID: p.ID, By: a.By, Text: a.Text})
		return a, nil
	case <-ctx.Done():
		return Answer{}, context.Cause(ctx)
	}
}

// Open lists the prompts that wait for an answer, the oldest first.
func (d *Desk) Open() []event.Prompt {
	d.mu.Lock()
	defer d.mu.Unlock()
	var prompts []event.Prompt
	for _, o := range d.open {
		prompts = append(prompts, o.prompt)
	}
	slices.SortFunc(prompts, func(a, b event.Prompt) int {
		return cmp.Or(cmp.Compare(len(a.ID), len(b.ID)), cmp.Compare(a.ID, b.ID))
	})
	return prompts
}

// Answer answers an open prompt. What only somebody at the bench may say is refused from elsewhere.
func (d *Desk) Answer(id string, a Answer) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	o, ok := d.open[id]
	if !ok {
		return fmt.Errorf("answer to %s: %w", id, ErrNoPrompt)
	}
	if (o.prompt.Action == Clear || o.prompt.Action == Energise) && !a.AtBench {
		return fmt.Errorf("answer to %q: %w", o.prompt.Text, ErrNotAtBench)
	}
	if a.By == "" {
		return fmt.Errorf("answer to %q: say who answers", o.prompt.Text)
	}
	if len(o.prompt.Offers) > 0 && !slices.Contains(o.prompt.Offers, a.Text) {
		return fmt.Errorf("answer to %q: %q is none of %q", o.prompt.Text, a.Text, o.prompt.Offers)
	}
	select {
	case o.answer <- a:
		return nil
	default:
		return fmt.Errorf("answer to %q: it was answered already", o.prompt.Text)
	}
}

// Handle has hands at the drive: it withdraws the permit, puts the prompts one by one, and returns when somebody at the
// bench has said that all hands are clear. The caller has made the bench quiet and proven the bus down before.
func (d *Desk) Handle(ctx context.Context, prompts ...event.Prompt) ([]Answer, error) {
	d.mu.Lock()
	d.permit = nil
	d.handsIn = true
	d.mu.Unlock()
	var answers []Answer
	for _, p := range prompts {
		p.Live = d.cfg.Live()
		a, err := d.Ask(ctx, p)
		if err != nil {
			return answers, err
		}
		answers = append(answers, a)
	}
	return answers, d.clear(ctx)
}

// clear leaves handsIn set when nobody said that hands are clear.
func (d *Desk) clear(ctx context.Context) error {
	_, err := d.Ask(ctx, event.Prompt{Text: "Are all hands clear of the drive and the bench?", Action: Clear, Live: d.cfg.Live()})
	if err != nil {
		return err
	}
	d.mu.Lock()
	d.handsIn = false
	d.mu.Unlock()
	return nil
}

// Announced is one energising that wants an act: highest volts by role, and its longest time.
type Announced struct {
	Volts   map[string]quantity.Volts
	Longest time.Duration
}

// Act announces an energising, waits for the act at the bench, warns and counts down. After it, Allow permits these outputs
// until the longest time has passed or Withdraw was called.
func (d *Desk) Act(ctx context.Context, a Announced) error {
	if err := d.free(); err != nil {
		return err
	}
	if d.needsClear() {
		if err := d.clear(ctx); err != nil {
			return err
		}
	}
	outputs, highest := outputsOf(a)
	askCtx, cancel := context.WithTimeoutCause(ctx, d.cfg.ActWithin,
		fmt.Errorf("nobody allowed the energising within %v: %w", d.cfg.ActWithin, ErrNoAct))
	answer, err := d.Ask(askCtx, event.Prompt{Action: Energise, Live: d.cfg.Live(),
		Text: fmt.Sprintf("Energise %s, up to %v, for at most %v?", list(outputs), highest, quantity.SecondsOf(a.Longest))})
	cancel()
	if err != nil {
		return err
	}
	d.emit(event.Energising{Outputs: outputs, Highest: highest, Longest: quantity.SecondsOf(a.Longest), By: answer.By})
	if err := d.countDown(ctx); err != nil {
		return err
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	if err := d.freeLocked(); err != nil {
		return err
	}
	d.permit = &permit{volts: a.Volts, until: time.Now().Add(a.Longest)}
	return nil
}

func (d *Desk) needsClear() bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.handsIn
}

func (d *Desk) countDown(ctx context.Context) error {
	if d.cfg.Warner != nil {
		if err := d.cfg.Warner.Warn(ctx, true); err != nil {
			return fmt.Errorf("warning before energising: %w", err)
		}
	}
	timer := time.NewTimer(d.cfg.Countdown)
	defer timer.Stop()
	select {
	case <-timer.C:
		return nil
	case <-ctx.Done():
		return context.Cause(ctx)
	}
}

// Allow says whether an output may be on at this voltage now.
func (d *Desk) Allow(role string, v quantity.Volts) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if err := d.freeLocked(); err != nil {
		return err
	}
	switch {
	case d.permit == nil:
		return fmt.Errorf("%s at %v: %w", role, v, ErrNoAct)
	case time.Now().After(d.permit.until):
		d.permit = nil
		return fmt.Errorf("%s at %v: the announced time is over: %w", role, v, ErrNoAct)
	}
	highest, announced := d.permit.volts[role]
	if !announced || !(v <= highest) {
		return fmt.Errorf("%s at %v was not announced (announced: %v): %w", role, v, highest, ErrNoAct)
	}
	return nil
}

// Until is when the permit ends; ok is false when there is none.
func (d *Desk) Until() (until time.Time, ok bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.permit == nil {
		return time.Time{}, false
	}
	return d.permit.until, true
}

// Withdraw ends the permit: after a trip, a stop, the end of a run.
func (d *Desk) Withdraw() {
	d.mu.Lock()
	d.permit = nil
	d.mu.Unlock()
}

// Hold says that this person's hands are in the bench; only they lift it. What is energised has to go down: the caller
// does that.
func (d *Desk) Hold(by string) {
	d.mu.Lock()
	d.permit = nil
	d.holds[by] = time.Now()
	d.mu.Unlock()
	d.emit(event.Hold{By: by, Placed: true})
}

// Lift ends the hold that this person placed.
func (d *Desk) Lift(by string) error {
	d.mu.Lock()
	_, ok := d.holds[by]
	delete(d.holds, by)
	d.mu.Unlock()
	if !ok {
		return fmt.Errorf("%s has placed no hold; only who placed one can lift it", by)
	}
	d.emit(event.Hold{By: by})
	return nil
}

// Holds names everybody whose hands are in the bench.
func (d *Desk) Holds() []string {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.holders()
}

func (d *Desk) holders() []string {
	var names []string
	for by := range d.holds {
		names = append(names, by)
	}
	slices.Sort(names)
	return names
}

func (d *Desk) free() error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if len(d.holds) > 0 {
		return fmt.Errorf("%w: held by %s", ErrHold, list(d.holders()))
	}
	return nil
}

func (d *Desk) freeLocked() error {
	switch {
	case len(d.holds) > 0:
		return fmt.Errorf("%w: held by %s", ErrHold, list(d.holders()))
	case d.handsIn:
		return fmt.Errorf("%w: nobody has said that hands are clear", ErrHold)
	}
	return nil
}

func outputsOf(a Announced) (outputs []string, highest quantity.Volts) {
	for role, v := range a.Volts {
		outputs = append(outputs, role)
		highest = max(highest, v)
	}
	slices.Sort(outputs)
	return outputs, highest
}

func list(names []string) string {
	switch n := len(names); n {
	case 0:
		return "nothing"
	case 1:
		return names[0]
	default:
		return fmt.Sprintf("%s and %s", strings.Join(names[:n-1], ", "), names[n-1])
	}
}
