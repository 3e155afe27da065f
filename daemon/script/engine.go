package script

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"go.starlark.net/starlark"

	"benchwarden/daemon/drive"
	"benchwarden/daemon/event"
	"benchwarden/daemon/verdict"
)

// Slot is the right to compute. Whoever only computes takes one, so that a processor is always free for the warden.
type Slot interface {
	Take(ctx context.Context) error
	Give()
}

// Result is what a run of a script came to.
type Result struct {
	Outcome  verdict.Outcome
	Reasons  []string
	Checks   []verdict.Check
	Findings []event.Finding
	Spent    Spent
}

// Spent is where a run's time went.
type Spent struct {
	Bench     time.Duration // waiting for instruments: wire, settling, acquisition
	People    time.Duration // prompts, the act, its countdown
	Computing time.Duration // the script and the analysis
}

// ErrStopped is the cause of a run that the script itself ended with stop().
var ErrStopped = errors.New("the script ended the run")

const (
	stepsPerSlot = 20_000      // Starlark steps between two offers of the computing slot
	stepBudget   = 500_000_000 // a script that computes longer is in a loop
)

// Run checks the script against the bench and the family, then executes it. Nothing is energised before the roles and the
// announced setpoints were found good. The result holds what was checked until the run ended; the error says why it ended
// early, with the script's file and line. When ctx ends, its cause is in the error.
func Run(ctx context.Context, s *Script, family *drive.Family, rig Rig, slot Slot) (Result, error) {
	ctx, cancel := context.WithCancel(ctx)
	e := &engine{ctx: ctx, script: s, family: family, rig: rig, slot: slot, started: time.Now()}
	err := e.execute()
	cancel() // a prompt that the script has left open is withdrawn
	e.background.Wait()
	result := e.result()
	result.Spent.Computing = time.Since(e.started) - result.Spent.Bench - result.Spent.People
	return result, err
}

type engine struct {
	ctx     context.Context
	script  *Script
	family  *drive.Family
	rig     Rig
	slot    Slot
	started time.Time

	tapping    *tapping       // the last one
	background sync.WaitGroup // what goes on beside the script; it ends with ctx

	steps    uint64
	spent    Spent
	checks   []verdict.Check
	findings []event.Finding
}

func (e *engine) execute() error {
	thread := &starlark.Thread{
		Name:  e.script.File,
		Print: func(_ *starlark.Thread, text string) { e.rig.Emit(event.Note{Text: text}) },
	}
	stopWatching := context.AfterFunc(e.ctx, func() { thread.Cancel(context.Cause(e.ctx).Error()) })
	defer stopWatching()

	if err := e.slot.Take(e.ctx); err != nil {
		return err
	}
	defer e.slot.Give()
	thread.SetMaxExecutionSteps(stepsPerSlot)
	thread.OnMaxSteps = e.breathe

	globals, err := e.script.globals(thread, predeclared(e))
	if err != nil {
		return e.ended(err)
	}
	family := familyValue(e.family, e.script.Stage)
	announced, err := starlark.Call(thread, globals["energises"], starlark.Tuple{family}, nil)
	if err != nil {
		return e.ended(err)
	}
	if err := e.allowed(announced); err != nil {
		return err
	}
	if err := e.constantsAllowed(); err != nil {
		return err
	}
	_, err = starlark.Call(thread, globals["run"], starlark.Tuple{family}, nil)
	return e.ended(err)
}

// breathe gives the computing slot to whoever waits for it, every few thousand steps.
func (e *engine) breathe(thread *starlark.Thread) {
	e.steps += stepsPerSlot
	if e.steps > stepBudget {
		thread.Cancel(fmt.Sprintf("the script computed more than %d steps: it is in a loop", stepBudget))
		return
	}
	e.slot.Give()
	e.retake()
	thread.SetMaxExecutionSteps(thread.ExecutionSteps() + stepsPerSlot)
}

// waiting runs f, which waits for the bench, without holding the computing slot.
func waiting[T any](e *engine, f func(context.Context) (T, error)) (T, error) {
	return idle(e, &e.spent.Bench, f)
}

// asking runs f, which waits for people, without holding the computing slot.
func asking[T any](e *engine, f func(context.Context) (T, error)) (T, error) {
	return idle(e, &e.spent.People, f)
}

func idle[T any](e *engine, spent *time.Duration, f func(context.Context) (T, error)) (T, error) {
	began := time.Now()
	e.slot.Give()
	defer e.retake()
	defer func() { *spent += time.Since(began) }()
	return f(e.ctx)
}

// retake waits for the slot whatever happened to the run: the script's end has to be computed too, and every holder gives
// it back after a few thousand steps.
func (e *engine) retake() { _ = e.slot.Take(context.WithoutCancel(e.ctx)) }

func (e *engine) do(f func(context.Context) error) error {
	_, err := waiting(e, func(ctx context.Context) (struct{}, error) { return struct{}{}, f(ctx) })
	return err
}

// ask is do for what people do.
func (e *engine) ask(f func(context.Context) error) error {
	_, err := asking(e, func(ctx context.Context) (struct{}, error) { return struct{}{}, f(ctx) })
	return err
}

func (e *engine) ended(err error) error {
	if err == nil {
		return nil
	}
	if cause := context.Cause(e.ctx); cause != nil {
		return fmt.Errorf("%s: %w", plainError(err), cause)
	}
	return plainError(err)
}

// allowed checks every setpoint that the script announces before anything is energised.
func (e *engine) allowed(v starlark.Value) error {
	list, ok := v.(*starlark.List)
	if !ok {
		return fmt.Errorf("%s: energises(drive) has to return a list of supply(...)", e.script.File)
	}
	for item := range list.Elements() {
		s, ok := item.(announcedSupply)
		if !ok {
			return fmt.Errorf("%s: energises(drive) returned %s, want supply(...)", e.script.File, item)
		}
		if err := e.rig.Allowed(s.role, s.volts, s.limit); err != nil {
			return fmt.Errorf("%s: %w", e.script.File, err)
		}
	}
	return nil
}

// result sums the checks up: what the stage needs of this script has to be there.
func (e *engine) result() Result {
	var needed []string
	for _, name := range e.family.Stages[e.script.Stage].Needs {
		if slices.Contains(e.script.Checks, name) {
			needed = append(needed, name)
		}
	}
	outcome, reasons := verdict.Sum(e.checks, needed)
	return Result{Outcome: outcome, Reasons: reasons, Checks: e.checks, Findings: e.findings, Spent: e.spent}
}

// keep records a check and returns it as it was kept.
func (e *engine) keep(c verdict.Check) verdict.Check {
	c = e.calibrated(c)
	e.checks = append(e.checks, c)
	e.rig.Emit(event.Check(c))
	return c
}
