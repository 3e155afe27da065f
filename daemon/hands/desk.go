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
	"maps"
	"math"
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
	Join     = "join"     // short two points for a moment
	Tap      = "tap"      // tap a place of the board with an insulated stick; with offers: and say what changed
	Operate  = "operate"  // switch what is operated by hand
	Confirm  = "confirm"  // choose an answer
	File     = "file"     // name a file
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

// Warning is how loudly everybody near the bench is warned.
type Warning int

const (
	Quiet     Warning = iota // nothing is energised
	Energised                // the beacon: something is or may be energised
	Countdown                // beacon and sounder: something is about to be energised
)

// Warner warns everybody near the bench. The desk warns for the countdown and for as long as its permit stands; it goes quiet
// when hands may come to the drive, and when nothing came of a countdown. After a trip, a stop and the end of a run the
// bench's make-safe brings beacon and sounder into their safe states: the desk does not touch an instrument then.
type Warner interface {
	Warn(ctx context.Context, w Warning) error
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
	ActBy     string          // key or pedal: the prompts ask for it
	// Waiting is called when a prompt begins to wait, and what it returns when that is over. Nil: nobody minds.
	Waiting func() (over func())
	// Over is called, by a goroutine of its own, when the announced time has passed while the permit stood: what is energised
	// has to go down. Nil: nothing can be energised.
	Over func()
}

// Desk is the hands desk of one bench. Its zero permit is the safe state: nothing may energise.
type Desk struct {
	cfg Config

	mu      sync.Mutex
	next    int
	open    map[string]*openPrompt
	holds   map[string]struct{}
	handsIn bool
	acting  context.CancelCauseFunc // ends the act that is under way
	permit  *permit
}

type permit struct {
	volts map[string]quantity.Volts // highest by role
	until time.Time
	over  *time.Timer
}

// New returns a desk at which nobody has acted.
func New(cfg Config) *Desk {
	return &Desk{cfg: cfg, open: map[string]*openPrompt{}, holds: map[string]struct{}{}}
}

func (d *Desk) emit(b event.Body) {
	d.cfg.Sink.Emit(event.Event{At: time.Now(), Bench: d.cfg.Bench, Run: d.cfg.Run(), Body: b})
}

// Handle has hands at the drive: it withdraws the permit, puts the prompts one by one, and returns when somebody at the
// bench has said that all hands are clear. The caller has made the bench quiet and proven the bus down before; what it left
// on may be probed, and live says that something was left on.
func (d *Desk) Handle(ctx context.Context, live bool, prompts ...event.Prompt) ([]Answer, error) {
	d.mu.Lock()
	d.endPermit(errHandsIn)
	d.handsIn = true
	d.mu.Unlock()
	if !live {
		if err := d.warn(ctx, Quiet); err != nil {
			return nil, err
		}
	}
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

// HandsIn says that hands come to the drive for a while: no permit stands, and before anything is energised somebody at the bench has
// to say that they are clear.
func (d *Desk) HandsIn() {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.endPermit(errHandsIn)
	d.handsIn = true
}

var errHandsIn = fmt.Errorf("hands come to the drive: %w", ErrNoAct)

// clear leaves handsIn set when nobody said that hands are clear.
func (d *Desk) clear(ctx context.Context) error {
	_, err := d.Ask(ctx, event.Prompt{Text: "Are all hands clear of the drive and the bench?" + d.how(), Action: Clear, Live: d.cfg.Live()})
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
	ByHand  time.Duration // that part of it which people get who operate the bench; 0: none
}

func (a Announced) check() error {
	if len(a.Volts) == 0 {
		return errors.New("an announced energising names no output")
	}
	for role, v := range a.Volts {
		if !(v >= 0) || math.IsInf(float64(v), 0) { // this way round NaN is refused too
			return fmt.Errorf("an announced energising of %s up to %v", role, v)
		}
	}
	if a.Longest <= 0 {
		return fmt.Errorf("an announced energising for %v", quantity.SecondsOf(a.Longest))
	}
	return nil
}

// lasts is the longest time in words.
func (a Announced) lasts() string {
	text := quantity.SecondsOf(a.Longest).String()
	if a.ByHand > 0 {
		text += fmt.Sprintf(", %v of it for what is done by hand", quantity.SecondsOf(a.ByHand))
	}
	return text
}

// Act announces an energising, waits for the act at the bench, warns and counts down. After it, Allow permits these outputs
// until the longest time has passed or the permit is withdrawn. Whatever would withdraw a permit ends an act under way too.
func (d *Desk) Act(ctx context.Context, a Announced) error {
	if err := a.check(); err != nil {
		return err
	}
	ctx, err := d.begin(ctx)
	if err != nil {
		return err
	}
	defer d.end()
	if d.needsClear() {
		if err := d.clear(ctx); err != nil {
			return err
		}
	}
	outputs, highest := outputsOf(a)
	askCtx, cancel := context.WithTimeoutCause(ctx, d.cfg.ActWithin,
		fmt.Errorf("nobody allowed the energising within %v: %w", quantity.SecondsOf(d.cfg.ActWithin), ErrNoAct))
	answer, err := d.Ask(askCtx, event.Prompt{Action: Energise, Live: d.cfg.Live(),
		Text: fmt.Sprintf("Energise %s, up to %v, for at most %s?", list(outputs), highest, a.lasts()) + d.how()})
	cancel()
	if err != nil {
		return err
	}
	d.emit(event.Energising{Outputs: outputs, Highest: highest, Longest: quantity.SecondsOf(a.Longest), By: answer.By})
	err = d.countDown(ctx)
	if err == nil {
		err = d.grant(ctx, a)
	}
	if err != nil {
		return errors.Join(err, d.calm(ctx))
	}
	return nil
}

// how is what a prompt asks for where the bench has a key or pedal.
func (d *Desk) how() string {
	if d.cfg.ActBy == "key" || d.cfg.ActBy == "pedal" {
		return fmt.Sprintf(" Then let go of the %s and press it.", d.cfg.ActBy)
	}
	return ""
}

// begin starts an act that Withdraw can end.
func (d *Desk) begin(ctx context.Context) (context.Context, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if len(d.holds) > 0 {
		return nil, d.freeLocked()
	}
	if d.acting != nil {
		return nil, errors.New("another energising is being announced")
	}
	ctx, d.acting = context.WithCancelCause(ctx)
	return ctx, nil
}

func (d *Desk) end() {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.acting(nil)
	d.acting = nil
}

// grant sets the permit, unless something ended the act meanwhile.
func (d *Desk) grant(ctx context.Context, a Announced) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if ctx.Err() != nil {
		return context.Cause(ctx)
	}
	if err := d.freeLocked(); err != nil {
		return err
	}
	if d.permit != nil {
		d.permit.over.Stop()
	}
	p := &permit{volts: maps.Clone(a.Volts), until: time.Now().Add(a.Longest)}
	p.over = time.AfterFunc(a.Longest, func() { d.expire(p) })
	d.permit = p
	return nil
}

func (d *Desk) expire(p *permit) {
	d.mu.Lock()
	stands := d.permit == p
	if stands {
		d.permit = nil
	}
	d.mu.Unlock()
	if stands && d.cfg.Over != nil {
		d.cfg.Over()
	}
}

// endPermit takes the permit away and ends an act under way; it needs the lock.
func (d *Desk) endPermit(why error) {
	if d.acting != nil {
		d.acting(why)
	}
	if d.permit != nil {
		d.permit.over.Stop()
		d.permit = nil
	}
}

func (d *Desk) needsClear() bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.handsIn
}

func (d *Desk) countDown(ctx context.Context) error {
	if err := d.warn(ctx, Countdown); err != nil {
		return err
	}
	timer := time.NewTimer(d.cfg.Countdown)
	defer timer.Stop()
	select {
	case <-timer.C:
	case <-ctx.Done():
		return context.Cause(ctx)
	}
	return d.warn(ctx, Energised)
}

func (d *Desk) warn(ctx context.Context, w Warning) error {
	if d.cfg.Warner == nil {
		return nil
	}
	if err := d.cfg.Warner.Warn(ctx, w); err != nil {
		return fmt.Errorf("beacon and sounder: %w", err)
	}
	return nil
}

// calmWithin bounds the wait for beacon and sounder when an act came to nothing.
const calmWithin = 2 * time.Second

// calm ends the warning of an act that came to nothing; the beacon stays where an earlier permit stands.
func (d *Desk) calm(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), calmWithin)
	defer cancel()
	if _, stands := d.Until(); stands {
		return d.warn(ctx, Energised)
	}
	return d.warn(ctx, Quiet)
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
	case !time.Now().Before(d.permit.until): // expire takes the permit away
		return fmt.Errorf("%s at %v: the announced time is over: %w", role, v, ErrNoAct)
	}
	highest, announced := d.permit.volts[role]
	switch {
	case !announced:
		return fmt.Errorf("%s was not announced: %w", role, ErrNoAct)
	case !(math.Abs(float64(v)) <= float64(highest)): // this way round NaN is refused too
		return fmt.Errorf("%s at %v was not announced, only up to %v: %w", role, v, highest, ErrNoAct)
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

// Withdraw ends the permit, and an act under way: after a trip, a stop, the end of a run. It touches no instrument and waits
// for nobody.
func (d *Desk) Withdraw() {
	d.mu.Lock()
	d.endPermit(fmt.Errorf("withdrawn: %w", ErrNoAct))
	d.mu.Unlock()
}

// Hold says that this person's hands are in the bench; only they lift it. What is energised has to go down: the caller
// does that. A hold is never refused: without a name it is somebody's.
func (d *Desk) Hold(by string) {
	by = cmp.Or(by, "somebody")
	d.mu.Lock()
	d.endPermit(fmt.Errorf("%w: held by %s", ErrHold, by))
	d.holds[by] = struct{}{}
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

func (d *Desk) freeLocked() error {
	switch {
	case len(d.holds) > 0:
		return fmt.Errorf("%w: held by %s", ErrHold, list(d.holders()))
	case d.handsIn:
		return fmt.Errorf("%w: nobody has said that hands are clear", ErrHold)
	}
	return nil
}

// HandsClear is nil when nobody's hands are at the drive.
func (d *Desk) HandsClear() error {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.freeLocked()
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
