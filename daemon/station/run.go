package station

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"benchwarden/daemon/bench"
	"benchwarden/daemon/drive"
	"benchwarden/daemon/event"
	"benchwarden/daemon/hands"
	"benchwarden/daemon/job"
	"benchwarden/daemon/record"
	"benchwarden/daemon/script"
	"benchwarden/daemon/verdict"
	"benchwarden/instruments/quantity"
)

// Order is what somebody wants to be run.
type Order struct {
	Script   string `json:"script"` // name or path
	Family   string `json:"family"`
	Unit     string `json:"unit"`          // serial number
	Job      string `json:"job,omitempty"` // family and unit are the job's
	Operator string `json:"operator,omitempty"`
	// Continue goes on with the job's latest run of this script, which was cut off.
	Continue bool `json:"continue,omitempty"`
	// ProbeEnergised sets aside the bounds of energised probing, with a reason; it needs an operator's name, and is printed.
	ProbeEnergised string `json:"probe_energised,omitempty"`
	// Rehearsal lets every stage be run without a job, on a simulated bench only.
	Rehearsal bool `json:"-"`
}

// Running is a run that is going on.
type Running struct {
	Run     string
	Journal string
	Events  *event.Subscription // every event of the bench from the run's first one on
	stop    context.CancelCauseFunc
	done    chan struct{}
	ended   event.RunEnded
	making  sync.WaitGroup // make-safes that somebody's stop began
}

// Wait returns how the run ended, once it is in the record.
func (r *Running) Wait() event.RunEnded {
	if r.done == nil { // it was not begun by Start: there is nothing to wait for
		return r.ended
	}
	<-r.done
	return r.ended
}

// Exit codes of a run.
const (
	ExitPass      = 0
	ExitFail      = 1
	ExitUndecided = 2
	ExitTripped   = 3
	ExitStopped   = 4
	ExitBroken    = 5
	ExitNotSafe   = 6
)

var errPerson = errors.New("stopped by")

type tripError struct{ trip event.Trip }

func (e *tripError) Error() string { return "tripped, " + e.trip.Cause + ": " + e.trip.Text }

// plan is an order whose parts were all found good.
type plan struct {
	order  Order
	script *script.Script
	family *drive.Family
	work   job.Work
	part   script.Part
}

func (s *Station) plan(o Order) (p plan, err error) {
	if strings.TrimSpace(o.ProbeEnergised) != "" && strings.TrimSpace(o.Operator) == "" {
		return p, errors.New("energised probing beyond its bounds is a named person's decision: give the name with --operator")
	}
	if o.Unit == "" && o.Job == "" {
		return p, errors.New("no unit: give the drive's serial number with --unit, or a job with --job")
	}
	path, err := script.Find(s.cfg.Scripts, o.Script)
	if err != nil {
		return p, err
	}
	if p.script, err = script.Read(path); err != nil {
		return p, err
	}
	if o, p.work, err = s.permit(o, p.script.Stage); err != nil {
		return p, err
	}
	p.order = o
	if p.family, err = drive.LoadNamed(s.cfg.Families, o.Family); err != nil {
		return p, err
	}
	if _, ok := p.family.Stages[p.script.Stage]; !ok {
		return p, fmt.Errorf("family %s has no figures for stage %s", p.family.Name, p.script.Stage)
	}
	if p.part, err = s.part(p); err != nil {
		return p, err
	}
	var missing []string
	for _, role := range p.script.Roles {
		if _, ok := s.cfg.File.Instruments[role]; !ok {
			missing = append(missing, role)
		}
	}
	if len(missing) > 0 {
		return p, fmt.Errorf("script %s needs %s, which bench %s does not have", o.Script, strings.Join(missing, " and "), s.Name())
	}
	if err := s.cfg.File.Validate(needsFor(p.family, p.script.Stage), bench.Speaks(s.cfg.Dialects)).Faults.Err(); err != nil {
		return p, err
	}
	return p, CheckUncontrolled(p.family, p.script.Stage, s.cfg.File, s.cfg.Dialects)
}

// orderError is a fault of an order in its own words.
type orderError struct{ error }

func (e orderError) Is(target error) bool { return target == ErrOrder }
func (e orderError) Unwrap() error        { return e.error }

// Start begins a run. What is wrong with the order is told before anything is touched, as an ErrOrder.
func (s *Station) Start(o Order) (*Running, error) {
	p, err := s.plan(o)
	if err != nil {
		return nil, orderError{err}
	}
	if trip := s.warden.Tripped(); trip != nil {
		return nil, fmt.Errorf("bench %s has tripped, %s: %s; %s; then: benchwarden reset %s", s.Name(), trip.Cause, trip.Text, trip.Do, s.Name())
	}
	if by := s.desk.Holds(); len(by) > 0 {
		return nil, fmt.Errorf("bench %s: %w: held by %s; only who placed a hold lifts it, with: benchwarden lift %s", s.Name(), hands.ErrHold,
			strings.Join(by, ", "), s.Name())
	}
	if err := s.bench.Usable(); err != nil && !s.cfg.File.HandOperated() {
		return nil, err
	}
	if err := s.room(); err != nil {
		return nil, err
	}
	now := time.Now()
	name := fmt.Sprintf("%s-%s-%s", now.UTC().Format("20060102T150405.000Z"), s.Name(), strings.TrimSuffix(filepath.Base(p.script.File), ".star"))
	ctx, stop := context.WithCancelCause(context.Background())
	r := &Running{Run: name, stop: stop, done: make(chan struct{})}

	s.mu.Lock()
	switch {
	case s.closing:
		s.mu.Unlock()
		return nil, errors.New("the daemon is being stopped")
	case s.running != nil:
		busy := s.running.Run
		s.mu.Unlock()
		return nil, fmt.Errorf("bench %s: %w with run %s", s.Name(), ErrBusy, busy)
	}
	s.running = r
	s.mu.Unlock()

	journal, err := record.Create(s.cfg.Journals, name)
	if err != nil {
		s.free(r)
		return nil, err
	}
	r.Journal = journal.Path()
	r.Events = s.cfg.Hub.Subscribe(event.Lossless)
	go s.execute(ctx, r, p, journal)
	return r, nil
}

func (s *Station) free(r *Running) {
	s.mu.Lock()
	s.running = nil
	s.mu.Unlock()
	r.making.Wait()
	close(r.done)
}

// execute owns the run from its first event to its last.
func (s *Station) execute(ctx context.Context, r *Running, p plan, journal *record.Journal) {
	standBack()
	defer s.free(r)
	kept := s.cfg.Hub.Subscribe(event.Lossless)
	keeping := make(chan error, 1)
	go func() {
		err := journal.Keep(context.Background(), r.Run, kept) // ends with the run's last event
		if err != nil {
			s.warden.Trip(event.Trip{Cause: event.NotRecorded, Text: fmt.Sprintf("the run is not being recorded: %v", err),
				Do: "look at the disk and the folder of the journals, then reset and run it again: what was not recorded was not measured"})
		}
		keeping <- err
	}()

	s.begin(p.work)
	s.emit(s.opening(r, p))
	for _, sentence := range s.cfg.File.Unwatched() {
		s.emit(event.Note{Text: sentence})
	}
	if remark := noticeEdits(p.family); remark != "" {
		s.emit(event.Note{Text: remark})
	}
	if p.part.Continues != "" {
		s.emit(event.Continued{Run: p.part.Continues, Part: p.part.Number, Done: p.part.Done, Gap: p.part.Gap, ClockSetBack: p.part.ClockSetBack})
		s.emit(event.Note{Text: fmt.Sprintf("part %d: it goes on with run %s, which was cut off; %s were done before, %s",
			p.part.Number, p.part.Continues, p.part.Done.Duration().Round(time.Second), p.part.GapInWords())})
	}
	result, runErr := s.perform(ctx, r, p)
	r.ended = s.conclude(ctx, result, runErr)
	s.emit(r.ended)

	if err := <-keeping; err != nil && r.ended.Exit < ExitBroken {
		r.ended.Outcome, r.ended.Exit = "broken", ExitBroken
		r.ended.Reasons = append(r.ended.Reasons, err.Error())
	}
	kept.Close()
	r.Events.Close()
	if err := journal.Close(); err != nil {
		r.ended.Reasons = append(r.ended.Reasons, err.Error())
	}
	s.take(r.Journal)
}

func (s *Station) opening(r *Running, p plan) event.RunStarted {
	return event.RunStarted{
		Script: p.script.File, Title: p.script.Title, Stage: string(p.script.Stage), Family: p.family.Name, Unit: p.order.Unit,
		Operator: p.order.Operator, Job: p.work.Job, JobEntries: p.work.Entries, ScriptText: p.script.Text(), FamilyText: p.family.Text(),
		ScriptHash: p.script.SHA256, FamilyHash: p.family.Hash(), Version: s.cfg.Version,
		Simulated: s.bench.Simulated(), Identities: s.bench.Identities(),
	}
}

// perform arms the warden, opens the bench for the stage, runs the script and brings everything down again.
func (s *Station) perform(ctx context.Context, r *Running, p plan) (result script.Result, err error) {
	result.Outcome = verdict.Undecided
	s.confirmByHand()
	if err := s.bench.Usable(); err != nil {
		return result, err
	}
	if err := s.warden.Arm(r.Run, limitsFor(p.family, p.script.Stage, s.cfg.File)); err != nil {
		return result, err
	}
	defer s.warden.Disarm()
	awaited, cancel := context.WithTimeout(ctx, nextWithin)
	defer cancel()
	if err := s.warden.AwaitReady(awaited); err != nil {
		return result, err
	}
	if err := s.bench.Begin(stageOf(r.Run, p.family, p.script.Stage, p.order.Unit)); err != nil {
		return result, err
	}
	if ctx.Err() != nil { // stopped just before, and Begin has opened again what that make-safe had closed
		s.bench.MakeSafe(context.Background(), context.Cause(ctx).Error())
		return result, context.Cause(ctx)
	}
	rig := &rig{station: s, family: p.family, stage: p.script.Stage, unit: p.order.Unit, job: p.work.Job, by: p.order.Operator, probing: p.order.ProbeEnergised, part: p.part}
	slot := &mindedSlot{Slot: s.cfg.Slot}
	minding, stopMinding := context.WithCancel(ctx)
	var mind sync.WaitGroup
	mind.Go(func() { s.mind(minding, slot) })
	result, err = script.Run(ctx, p.script, p.family, rig, slot)
	stopMinding()
	mind.Wait()
	s.desk.Withdraw()
	return result, errors.Join(err, s.bringDown(err == nil, rig.downWithin()))
}

// bringDown ends a run: the bus stepped down where nothing is wrong, then make-safe, then the bus watched down.
func (s *Station) bringDown(orderly bool, downWithin time.Duration) error {
	ctx := context.Background()
	_, hasBus := s.cfg.File.Instruments[bench.Bus]
	var stepErr error
	if orderly && hasBus {
		_, stepErr = s.bench.BringDown(ctx, downWithin)
	}
	s.warden.Disarm() // make-safe cuts the polls' exchanges short, and does all that a trip would do
	s.bench.MakeSafe(ctx, "the run has ended")
	if !hasBus {
		return stepErr
	}
	_, err := s.bench.AwaitDown(ctx, downWithin)
	return errors.Join(stepErr, err)
}

// conclude says how the run ended.
func (s *Station) conclude(ctx context.Context, result script.Result, err error) event.RunEnded {
	var down *bench.DownState
	if _, hasBus := s.cfg.File.Instruments[bench.Bus]; hasBus {
		d := s.bench.Down()
		down = &d
	}
	return ending(result, err, context.Cause(ctx), s.bench.LastSafe().Safety, down)
}

// ending puts the end of a run into words and an exit code, the most serious thing first: the bench's state before what ended
// the run, and that before what was found. cause is why the run was ended from outside; down is nil on a bench without a bus.
func ending(result script.Result, err, cause error, safe event.Safety, down *bench.DownState) event.RunEnded {
	ended := event.RunEnded{
		Outcome: string(result.Outcome), Reasons: result.Reasons, Bench: quantity.SecondsOf(result.Spent.Bench),
		People: quantity.SecondsOf(result.Spent.People), Computing: quantity.SecondsOf(result.Spent.Computing),
	}
	var trip *tripError
	switch {
	case errors.As(cause, &trip):
		ended.Outcome, ended.Exit = "tripped", ExitTripped
		ended.Reasons = append([]string{trip.Error(), trip.trip.Do}, ended.Reasons...)
	case errors.Is(cause, errPerson):
		ended.Outcome, ended.Exit = "stopped", ExitStopped
		ended.Reasons = append([]string{cause.Error()}, ended.Reasons...)
	case err != nil:
		ended.Outcome, ended.Exit = "broken", ExitBroken
		if cause != nil {
			err = cause // it ended the script, wherever that was
		}
		ended.Reasons = append([]string{err.Error()}, ended.Reasons...)
	case result.Outcome == verdict.Fail:
		ended.Exit = ExitFail
	case result.Outcome != verdict.Pass:
		ended.Exit = ExitUndecided
	}
	if !safe.Confirmed {
		ended.Exit = ExitNotSafe
		ended.Reasons = append([]string{"NOT SAFE: " + unconfirmed(safe.Outputs)}, ended.Reasons...)
	}
	if down != nil && !down.Down() {
		ended.Exit = ExitNotSafe
		why := []string{down.State + ": " + down.Why}
		if down.Do != "" {
			why = append(why, down.Do)
		}
		ended.Reasons = append([]string{strings.Join(why, "; ")}, ended.Reasons...)
	}
	return ended
}

func unconfirmed(outputs []event.Output) string {
	var names []string
	for _, o := range outputs {
		if !o.Confirmed {
			names = append(names, fmt.Sprintf("%s is not confirmed %s (%s)", o.Name, o.Safe, o.Text))
		}
	}
	slices.Sort(names)
	return strings.Join(names, "; ")
}

func roleOf(name string) string {
	role, _, _ := strings.Cut(name, ".")
	return role
}
