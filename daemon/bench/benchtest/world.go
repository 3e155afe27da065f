// Package benchtest is a bench in memory: instruments that behave like instruments around a bus that charges and discharges,
// and that lose commands, answers and leads when they are told to.
//
// It has no sockets, so it runs in virtual time.
package benchtest

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"sync"
	"time"

	"benchwarden/daemon/bench"
	"benchwarden/instruments/dialect"
	"benchwarden/instruments/link"
)

// ErrTimeout is what an exchange fails with that was lost.
var ErrTimeout = errors.New("no answer within its time")

// Loss is what happens to one exchange.
type Loss int

// The losses.
const (
	None    Loss = iota
	Command      // the instrument never sees it
	Reply        // it acts, but nobody hears of it
	Late         // it acts after World.Delay, and the caller has given up by then
)

// Exchange is one command or question on its way to an instrument.
type Exchange struct {
	Number int // from 1
	Role   string
	Text   string // "output on", "on?", "set 90 V"
	Line   int    // 0 is the common connection, 1 make-safe's own
	Urgent bool   // sent without awaiting an answer
}

func (e Exchange) String() string {
	return fmt.Sprintf("%d %s: %s (line %d)", e.Number, e.Role, e.Text, e.Line)
}

// World is one drive with the instruments of a bench.
type World struct {
	Answer  time.Duration // what an exchange takes
	Delay   time.Duration // of a Late command
	Patient time.Duration // how long a caller waits for an answer
	Own     bool          // instruments have a second connection for make-safe
	Effect  time.Duration // takes_effect_within
	Lag     time.Duration // between the answer to an ON and its effect
	Deaf    bool          // exchanges under way do not notice that their caller gives up
	Leads   bool          // the bus meter's leads are on

	Jammed map[string]bool // an urgent write to these roles would have to wait

	// Fault is asked before each exchange; nil is None.
	Fault func(Exchange) Loss
	// Absent instruments cannot be reached.
	Absent map[string]bool
	// Real instruments do not say that they are simulated.
	Real map[string]bool

	mu       sync.Mutex
	number   int
	sent     []Exchange
	dropped  []string
	supplies map[string]*Supply
	closed   map[string]bool // contacts
	inputs   map[string]bool
	hall     bool
	bus      float64
	busAt    time.Time
	C, R     float64
	states   map[string]func(link.State)
}

// Supply is a supply in memory. Its fields may be looked at and spoilt through World.Supply.
type Supply struct {
	On          bool
	Voltage     float64
	Limit       float64
	OverVoltage float64
	Silence     float64 // s; 0: no communication watchdog
	OverCurrent float64
	Follows     time.Duration // from an answered setpoint to the output
	Stuck       bool          // ignores off
	Lies        bool          // says off whatever it does
	NoProtect   bool          // reads back another protection than was set
}

// New returns a world with a bus of 470 uF and 3.9 kohm, everything off, and all leads on.
func New() *World {
	return &World{Answer: 5 * time.Millisecond, Delay: 200 * time.Millisecond, Patient: 100 * time.Millisecond, Effect: 300 * time.Millisecond,
		Leads: true, supplies: map[string]*Supply{}, closed: map[string]bool{}, inputs: map[string]bool{},
		C: 470e-6, R: 3900, busAt: time.Now(), states: map[string]func(link.State){}}
}

// Connect is a bench.Connector.
func (w *World) Connect(_ context.Context, role string, in *bench.Instrument, state func(link.State)) (*bench.Device, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.Absent[role] {
		return nil, errors.New("connection refused")
	}
	w.states[role] = state
	id := dialect.Identity{Raw: "Quayside Simulated," + role + " SIMULATED,1,1.0", Simulated: true}
	if w.Real[role] {
		id = dialect.Identity{Raw: "Quayside," + role + ",1,1.0"}
	}
	d := &bench.Device{Identity: id, TakesEffectWithin: w.Effect, OverCurrent: "level", Close: func() error { return nil }}
	if w.supplies[role] == nil {
		w.supplies[role] = &Supply{}
	}
	i := &instrument{world: w, role: role}
	for line := range map[bool]int{false: 1, true: 2}[w.Own] {
		c := &connection{world: w, role: role, line: line}
		i.lines = append(i.lines, c)
		d.Connections = append(d.Connections, c)
	}
	switch role {
	case bench.Bus, bench.Control, bench.Reference, bench.Load:
		d.Supply = supplied{i}
	case bench.BusMeter, bench.Meter, bench.Temperature:
		d.Meter = metered{i}
	case bench.Hall:
		d.Hall = halls{i}
	case bench.Contacts:
		d.Contacts = contacts{i}
	}
	return d, nil
}

// Lose tells the bench that an instrument's link is lost.
func (w *World) Lose(role string) {
	w.mu.Lock()
	state := w.states[role]
	w.mu.Unlock()
	state(link.State{Err: errors.New("connection reset"), Since: time.Now()})
}

// Supply lets f look at a supply or spoil it.
func (w *World) Supply(role string, f func(*Supply)) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.flow()
	if w.supplies[role] == nil {
		w.supplies[role] = &Supply{}
	}
	f(w.supplies[role])
}

// Change lets f change the world while it is in use.
func (w *World) Change(f func(*World)) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.flow()
	f(w)
}

// On tells whether a supply's output is on.
func (w *World) On(role string) (on bool) {
	w.Supply(role, func(s *Supply) { on = s.On })
	return on
}

// Contact tells whether a contact is closed.
func (w *World) Contact(name string) bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.closed[name]
}

// Input sets an input.
func (w *World) Input(name string, closed bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.inputs[name] = closed
}

// HallOn tells whether the Hall lines are driven.
func (w *World) HallOn() bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.hall
}

// Volts is the bus at the drive's terminals.
func (w *World) Volts() float64 {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.flow()
	return w.bus
}

// Charge sets the bus.
func (w *World) Charge(volts float64) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.flow()
	w.bus = volts
}

// Sent is every exchange so far.
func (w *World) Sent() []Exchange {
	w.mu.Lock()
	defer w.mu.Unlock()
	return append([]Exchange(nil), w.sent...)
}

// flow lets the bus charge and discharge up to now; mu is held. In constant current a capacitor rises by I/C, else it falls
// by its bleeder: U·exp(-t/RC).
func (w *World) flow() {
	t := time.Since(w.busAt).Seconds()
	w.busAt = time.Now()
	s := w.supplies[bench.Bus]
	if s != nil && s.On && w.bus < s.Voltage {
		w.bus = math.Min(s.Voltage, w.bus+s.Limit/w.C*t)
		return
	}
	w.bus *= math.Exp(-t / (w.R * w.C))
	if s != nil && s.On {
		w.bus = math.Max(w.bus, s.Voltage)
	}
}

// instrument is reached over its connections: the last is make-safe's own where there are two.
type instrument struct {
	world *World
	role  string
	lines []*connection
}

func (i *instrument) path(p link.Priority) *connection {
	if p == link.MakeSafe {
		return i.lines[len(i.lines)-1]
	}
	return i.lines[0]
}

// urgent sends on every connection, make-safe's own first, and awaits nothing.
func (i *instrument) urgent(text string, act func()) error {
	for _, c := range slices.Backward(i.lines) {
		c.send(text, true, act)
	}
	return nil
}

// Dropped are the roles whose connections were closed to throw away what was on its way.
func (w *World) Dropped() []string {
	w.mu.Lock()
	defer w.mu.Unlock()
	return append([]string(nil), w.dropped...)
}

// connection is one link to an instrument in memory.
type connection struct {
	world *World
	role  string
	line  int

	mu         sync.Mutex
	unanswered bool
	taken      time.Time // when what is on its way will have acted
}

// Prompt tells whether an urgent write would wait for nothing.
func (c *connection) Prompt() bool { return !c.world.Jammed[c.role] }

// Unanswered tells whether something was sent that no answer has followed.
func (c *connection) Unanswered() bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.unanswered
}

// Fence waits until everything sent was taken.
func (c *connection) Fence(ctx context.Context) error { return tell(ctx, c, "fence?", func() {}) }

// Drop forgets the connection; what it carried may act all the same.
func (c *connection) Drop() {
	c.world.mu.Lock()
	c.world.dropped = append(c.world.dropped, c.role)
	c.world.mu.Unlock()
	c.mu.Lock()
	defer c.mu.Unlock()
	c.taken, c.unanswered = time.Time{}, false
}

// send puts one command or question on the connection; act happens in the instrument, in the order of this connection. acted
// is closed then, if the answer is to be heard at all.
func (c *connection) send(text string, urgent bool, act func()) (acted chan struct{}) {
	w := c.world
	w.mu.Lock()
	w.number++
	e := Exchange{w.number, c.role, text, c.line, urgent}
	w.sent = append(w.sent, e)
	loss := None
	if w.Fault != nil {
		loss = w.Fault(e)
	}
	w.mu.Unlock()
	acts := time.Now().Add(w.Answer)
	if loss == Late {
		acts = acts.Add(w.Delay)
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	acted = make(chan struct{})
	c.unanswered = true
	if loss == Command {
		return acted
	}
	if acts.Before(c.taken) {
		acts = c.taken // one connection keeps its order
	}
	c.taken = acts
	time.AfterFunc(time.Until(acts), func() {
		w.mu.Lock()
		w.flow()
		act()
		w.mu.Unlock()
		if loss == None {
			close(acted)
		}
	})
	return acted
}

// ask does one exchange and waits for its answer.
func ask[T any](ctx context.Context, c *connection, text string, act func() T) (answer T, err error) {
	if err := context.Cause(ctx); err != nil && !c.world.Deaf {
		return answer, err
	}
	if c.world.Deaf {
		ctx = context.WithoutCancel(ctx)
	}
	var in T
	acted := c.send(text, false, func() { in = act() })
	patience := time.NewTimer(c.world.Patient)
	defer patience.Stop()
	select {
	case <-acted:
		c.mu.Lock()
		c.unanswered = false // what came before it on this connection was taken too
		c.mu.Unlock()
		return in, nil
	case <-patience.C:
		return answer, fmt.Errorf("%s: %s: %w", c.role, text, ErrTimeout)
	case <-ctx.Done():
		return answer, context.Cause(ctx)
	}
}

// tell is ask for a command.
func tell(ctx context.Context, c *connection, text string, act func()) error {
	_, err := ask(ctx, c, text, func() struct{} { act(); return struct{}{} })
	return err
}
