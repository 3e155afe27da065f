package bench

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"os"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"benchwarden/daemon/event"
	"benchwarden/instruments/hand"
	"benchwarden/instruments/link"
	"benchwarden/instruments/quantity"
)

// Config is what a bench needs besides its file.
type Config struct {
	Dialects []string // directories with dialect files
	StateDir string   // overrides the file's
	Sink     event.Sink
	Guard    Guard
	Consent  Consent
	Hand     hand.Asker // who operates what is operated by hand; nil: nobody
	LockDir  string     // where locks of serial ports are kept
	// Connect reaches an instrument; nil is Dial.
	Connect Connector
	// SafeWithin is how long make-safe tries to confirm an output; 0 is 5 s, or a minute where a person has to do it.
	SafeWithin time.Duration
}

// Bench is an open bench. Its methods may be called from any goroutine.
type Bench struct {
	file   *File
	config Config

	instruments map[string]*instrument
	order       []*instrument // as make-safe starts them
	lastSafe    SafeResult
	before      StateFile // what the process before this one had left
	hadBefore   bool
	stateErr    error // the state file before was damaged

	asked atomic.Uint64 // counts questions

	mu       sync.Mutex
	stage    *Stage
	run      string
	latched  string // why nothing is switched on or set; empty: a run may
	working  context.Context
	told     map[string]bool // the supplies whose protection this run's record tells of
	stopWork context.CancelCauseFunc
	making   *making
	pending  *pending
	down     *down
	bus      string // last state emitted
	last     map[string]Sample
	news     chan struct{} // closed and replaced at each sample
	polling  bool
	trip     *event.Trip
	notSafe  []event.Output
	writing  sync.Mutex // one state file at a time
}

// Open reaches every instrument, brings every output into its safe state and reads that back, before it returns. An instrument
// that cannot be reached and an output that cannot be confirmed are no error of Open: the bench is then usable for MakeSafe
// only, and Usable says why.
func Open(ctx context.Context, file *File, config Config) (*Bench, error) {
	if config.SafeWithin == 0 {
		config.SafeWithin = safeWithin
		if file.handOperated() {
			config.SafeWithin = safeByHand
		}
	}
	if config.StateDir == "" {
		config.StateDir = file.State.Dir
	}
	if config.StateDir == "" {
		return nil, fmt.Errorf("bench %s has no directory for its state file: write state: {dir: ...} into the bench file", file.Bench)
	}
	if config.Connect == nil {
		config.Connect = Dial(file, config.Dialects, config.Hand, link.Options{LockDir: config.LockDir})
	}
	b := &Bench{file: file, config: config, instruments: map[string]*instrument{}, latched: "no run has begun",
		last: map[string]Sample{}, news: make(chan struct{})}
	b.working, b.stopWork = context.WithCancelCause(context.Background())
	b.stopWork(fmt.Errorf("no run has begun"))
	b.before, b.hadBefore, b.stateErr = ReadState(config.StateDir, file.Bench)
	b.trip = b.before.Trip
	b.down = newDown(file.SafeVoltage, file.uncertainty(BusMeter))
	if b.hadBefore {
		b.down.parameters(b.pull(b.before.Drive.Drive()))
	}
	b.connect(ctx)
	b.config.SafeWithin = max(b.config.SafeWithin, b.slowest()+time.Second)
	b.MakeSafe(ctx, "the bench was opened")
	if err := b.onlySimulated(); err != nil {
		return nil, errors.Join(err, b.Close())
	}
	return b, nil
}

// connect reaches all instruments at once, so that one that is off costs the others nothing. Each is told its safe state as soon
// as it is reached: nobody knows what the process before has left, and how long the slowest takes.
func (b *Bench) connect(ctx context.Context) {
	for _, role := range slices.Sorted(maps.Keys(b.file.Instruments)) {
		in := newInstrument(role, b.file.Instruments[role])
		b.instruments[role] = in
		b.order = append(b.order, in)
	}
	slices.SortStableFunc(b.order, func(x, y *instrument) int { return x.file.Order - y.file.Order })
	safe := map[*instrument]target{}
	targets, _ := b.targets("")
	for _, t := range targets {
		safe[t.in] = t
	}
	var wg sync.WaitGroup
	for _, in := range b.order {
		wg.Go(func() {
			in.connect(ctx, b.config.Connect, b.linkState(in.role))
			if t, ok := safe[in]; ok {
				t.send()
			}
		})
	}
	wg.Wait()
}

// slowest is how long the slowest instrument may take to carry out two commands.
func (b *Bench) slowest() time.Duration {
	var slowest time.Duration
	for _, in := range b.order {
		if in.device() != nil {
			slowest = max(slowest, 2*in.device().TakesEffectWithin)
		}
	}
	return slowest
}

// onlySimulated refuses a simulated person beside an instrument that is real (P10).
func (b *Bench) onlySimulated() error {
	if b.file.Person != "simulated" {
		return nil
	}
	for _, in := range b.order {
		if in.file.Dialect != HandDialect && in.device() != nil && !in.device().Identity.Simulated {
			return fmt.Errorf("bench %s: person: simulated, but %s says it is %q: a simulated person may act only where every instrument is simulated",
				b.file.Bench, in.role, in.device().Identity.Raw)
		}
	}
	return nil
}

// Close ends the links. It does not make safe; do that first.
func (b *Bench) Close() error {
	var errs []error
	for _, in := range b.order {
		if in.device() != nil && in.device().Close != nil {
			errs = append(errs, in.device().Close())
		}
	}
	return errors.Join(errs...)
}

// File is the bench file.
func (b *Bench) File() *File { return b.file }

// Before is what the process before this one had written down, ok false if nothing is known.
func (b *Bench) Before() (state StateFile, ok bool, err error) {
	return b.before, b.hadBefore, b.stateErr
}

// Identities are what the instruments said of themselves, by role.
func (b *Bench) Identities() []event.Identity {
	var all []event.Identity
	for _, in := range b.order {
		all = append(all, in.identity())
	}
	return all
}

// Simulated tells whether every instrument is there and said that it is simulated. What is operated by hand has no identity: it is
// simulated where the bench has a simulated person, who can turn no real knob.
func (b *Bench) Simulated() bool {
	for _, in := range b.order {
		byHand := in.file.Dialect == HandDialect && b.file.Instruments[Person] != nil
		if in.device() == nil || !byHand && !in.device().Identity.Simulated {
			return false
		}
	}
	return len(b.order) > 0
}

// Missing says which instruments could not be reached, and why.
func (b *Bench) Missing() []error {
	var errs []error
	for _, in := range b.order {
		if err := in.reached(); err != nil {
			errs = append(errs, err)
		}
	}
	return errs
}

// Usable says why no run can begin, nil if one can.
func (b *Bench) Usable() error {
	errs := b.Missing()
	told := map[string]bool{}
	for _, err := range errs {
		told[err.Error()] = true
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	var unreached []string
	for _, o := range b.notSafe {
		if told[o.Text] {
			unreached = append(unreached, o.Name)
			continue
		}
		errs = append(errs, fmt.Errorf("%w: %s: %s", ErrNotSafe, o.Name, o.Text))
	}
	if len(unreached) > 0 {
		errs = append(errs, fmt.Errorf("%w: nobody could read back %s", ErrNotSafe, strings.Join(unreached, ", ")))
	}
	return errors.Join(errs...)
}

// LastSafe is the result of the latest make-safe.
func (b *Bench) LastSafe() SafeResult {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.lastSafe
}

// Begin permits a run to set and switch within the stage. It energises nothing. End it with MakeSafe.
func (b *Bench) Begin(stage Stage) error {
	if err := b.Usable(); err != nil {
		return err
	}
	if err := b.config.Guard.Ready(); err != nil {
		return err
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.making != nil {
		return fmt.Errorf("bench %s is being made safe", b.file.Bench)
	}
	if b.stage != nil && b.latched == "" {
		return fmt.Errorf("bench %s is busy with run %s", b.file.Bench, b.run)
	}
	b.stage, b.run, b.latched, b.pending = &stage, stage.Run, "", nil
	b.told = map[string]bool{}
	for _, in := range b.order {
		if d := in.device(); d != nil && d.Forget != nil {
			d.Forget()
		}
	}
	b.working, b.stopWork = context.WithCancelCause(context.Background())
	b.down.parameters(b.pull(stage.Drive))
	return nil
}

// Resume permits the run that was under way to go on after a make-safe that was confirmed, within its stage.
func (b *Bench) Resume() error {
	b.mu.Lock()
	stage := b.stage
	b.mu.Unlock()
	if stage == nil {
		return errors.New("no run has begun")
	}
	return b.Begin(*stage)
}

func (b *Bench) pull(d Drive) pull {
	p := pull{drive: d}
	if bus := b.file.Instruments[Bus]; bus != nil {
		p.sink = bus.Sinks
		p.drive.CapacitanceMost += bus.OutputCapacitance
	}
	if b.file.Discharge.Resistor > 0 {
		p.resistors = append(p.resistors, b.file.Discharge.Resistor)
	}
	return p
}

// StandingTrip is a trip that nobody has acknowledged yet, perhaps from before a restart; nil when there is none.
func (b *Bench) StandingTrip() *event.Trip {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.trip
}

// NoteTrip keeps a trip over restarts until it is acknowledged; nil is the acknowledgement.
func (b *Bench) NoteTrip(trip *event.Trip) error {
	b.mu.Lock()
	b.trip = trip
	b.mu.Unlock()
	return b.writeState(nil)
}

// writeState writes the state file with what is on now, and one output more that is about to be.
func (b *Bench) writeState(next *Output) error {
	b.writing.Lock()
	defer b.writing.Unlock()
	s := StateFile{Bench: b.file.Bench, Written: time.Now().UTC(), Process: os.Getpid()}
	for _, in := range b.order {
		if !in.switches() {
			continue
		}
		if on, _, _ := in.energised(); on || (next != nil && next.Role == in.role) {
			s.On = append(s.On, in.role)
		}
	}
	b.mu.Lock()
	if b.stage != nil {
		s.Run, s.Stage, s.Unit, s.Fitted, s.Drive = b.run, b.stage.Name, b.stage.Unit, b.stage.Fitted, b.stage.Drive.state()
	} else {
		s.Fitted, s.Drive = b.before.Fitted, b.before.Drive
	}
	s.Trip, s.NotSafe, s.Bus = b.trip, b.notSafe, b.down.state(time.Now()).State
	b.mu.Unlock()
	return s.write(b.config.StateDir)
}

// Down is what is known of the drive's DC bus (P11).
func (b *Bench) Down() DownState {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.down.state(time.Now())
}

// DownBelow is Down with a lower voltage to be below, as before jumpers or devices are fitted.
func (b *Bench) DownBelow(limit quantity.Volts) DownState {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.down.stateBelow(limit, time.Now())
}

// ProveDown takes a person's proof that the bus is down, with the reading of a proven meter (live, dead, live).
func (b *Bench) ProveDown(ctx context.Context, by string, reading quantity.Volts) error {
	b.mu.Lock()
	err := b.down.prove(time.Now(), by, reading)
	b.mu.Unlock()
	if err != nil {
		return err
	}
	b.busNews()
	return errors.Join(b.finish(ctx), b.writeState(nil))
}

// busNews emits the state of the bus when it has changed.
func (b *Bench) busNews() {
	b.mu.Lock()
	s := b.down.state(time.Now())
	changed := s.State != b.bus
	b.bus = s.State
	b.mu.Unlock()
	if changed {
		b.emit(s.Event())
	}
}

// ProveSafe takes a person's proof that the outputs which nobody could confirm are safe: switched off by hand, unplugged.
func (b *Bench) ProveSafe(by, how string) error {
	if by == "" || how == "" {
		return errors.New("a proof by hand needs the name of the person, and what they did and saw")
	}
	b.mu.Lock()
	outputs := b.notSafe
	b.notSafe = nil
	b.mu.Unlock()
	if len(outputs) == 0 {
		return nil
	}
	safety := event.Safety{Confirmed: true, Cause: "proven by hand by " + by}
	for _, o := range outputs {
		o.Confirmed, o.Text = true, fmt.Sprintf("proven by hand by %s: %s", by, how)
		safety.Outputs = append(safety.Outputs, o)
	}
	b.emit(safety)
	return b.writeState(nil)
}

func (b *Bench) emit(body event.Body) {
	b.mu.Lock()
	run := b.run
	b.mu.Unlock()
	b.config.Sink.Emit(event.Event{At: time.Now(), Bench: b.file.Bench, Run: run, Body: body})
}
