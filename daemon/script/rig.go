package script

import (
	"context"
	"time"

	"benchwarden/daemon/event"
	"benchwarden/daemon/gates"
	"benchwarden/instruments/quantity"
	"benchwarden/instruments/waveform"
)

// Rig is the bench as a script may touch it. Every method that switches or sets goes through the ceilings, the warden and
// the hands desk; a script has no other way to the bench. Methods that wait end when ctx ends.
type Rig interface {
	Supplies
	Signals
	Views
	People
	Cold

	// HasRole says whether the bench has an instrument for a role.
	HasRole(role string) bool
	// ByHand says whether a person operates a role's instrument: each of its settings and views costs a prompt.
	ByHand(role string) bool
	// PastCalibration is the date on which an instrument's calibration was due, empty where it still holds; undecided says that
	// this bench lets such an instrument decide nothing.
	PastCalibration(instrument string) (due string, undecided bool)
	// Part says which part of a long run this is.
	Part() Part
	// Emit records what the script did or found.
	Emit(event.Body)
	// Tighten lowers a trip limit for the rest of the run or until restore is called; a looser value is refused.
	Tighten(quantityName string, high quantity.Value) (restore func(), err error)
}

// Supplies are the sources and what is read of them, by role: bus, control, reference.
type Supplies interface {
	// Allowed says whether a setpoint would be taken, without touching anything; current 0 means "not set".
	Allowed(role string, v quantity.Volts, limit quantity.Amperes) error
	SwitchOn(ctx context.Context, role string, v quantity.Volts, limit quantity.Amperes) error
	SwitchOff(ctx context.Context, role string) error
	SetVoltage(ctx context.Context, role string, v quantity.Volts) error
	SetCurrent(ctx context.Context, role string, limit quantity.Amperes) error
	// Next is the next poll of a watched quantity ("bus.voltage") that is asked after this call.
	Next(ctx context.Context, name string) (Reading, error)
	// Limiter is what the bench file says stands between the bus capacitors and the bridge: none, lamp, resistor or fuse, and which.
	Limiter() (kind, value string)
	// OutputCapacitance is a supply's own output capacitor, as the bench file states it.
	OutputCapacitance(role string) quantity.Farads
	// PullsDown says whether a supply's output sinks current when it is off or set lower, so that it hides a bleeder.
	PullsDown(role string) bool
}

// Signals are the Hall source and the contacts.
type Signals interface {
	HallSpacing(ctx context.Context, degrees int) error
	HallOutput(ctx context.Context, on bool) error
	HallCode(ctx context.Context, code int) error
	HallLine(ctx context.Context, line int, state string) error
	HallLines(ctx context.Context) (int, error)
	Contact(ctx context.Context, name string, closed bool) error
	Input(ctx context.Context, name string) (bool, error)
	HasContact(name string) bool
}

// Views are the instruments that look: scope and meter.
type Views interface {
	// Arm starts a capture of the points named; the scope then waits for its trigger.
	Arm(ctx context.Context, c Capture) (Pending, error)
	// ProbeAt names the probe that is on a test point now.
	ProbeAt(point string) (string, bool)
	// Sight says how well the scope sees a leg's gates through the probes that are on them.
	Sight(leg string) gates.Sight
	MeterRead(ctx context.Context, function string) (Reading, error)
}

// Pending is an armed capture.
type Pending interface {
	// Wait returns the traces by point; triggered is false when within passed first, and then there are none.
	Wait(ctx context.Context, within time.Duration) (traces map[string]waveform.Trace, triggered bool, err error)
}

// Capture says what the scope has to look at.
type Capture struct {
	Points    []string // test points, each under a probe now
	Low, High quantity.Volts
	Rate      quantity.Hertz
	Samples   int
	Trigger   string // the point that triggers; empty: at once
	Level     quantity.Volts
	Edge      string // rising, falling, either
	Position  quantity.Ratio
	Peak      bool // peak detection: short excursions show at low rates
}

// People are the hands at the bench.
type People interface {
	// Announce asks for the act at the bench that one energising needs.
	Announce(ctx context.Context, a Announcement) error
	// Place has probes moved: bench made quiet, bus proven down, hands in, hands clear. With live the outputs stay as they are,
	// where P10 allows that.
	Place(ctx context.Context, probes map[string]string, why string, live bool) error
	// Fit has a stand-in fitted, Remove has it taken out.
	Fit(ctx context.Context, standIn string, count int, text string) error
	Remove(ctx context.Context, standIn string, text string) error
	// ReadByHand asks a person for a value between low and high.
	ReadByHand(ctx context.Context, text string, low, high quantity.Value) (quantity.Value, error)
	// Tap has a place of the board tapped while everything stays on, which the bench allows at or below 60 V d.c. from an isolated
	// source only, and returns once hands are clear again. With offers the person says what they saw change among the gates named.
	Tap(ctx context.Context, place, text string, gates, offers []string) (string, error)
	// Confirm asks a question with fixed answers; at says what it is about, for a simulated person to look at.
	Confirm(ctx context.Context, text, at string, offers []string) (string, error)
	// ProveDown returns once the bus is measured down or proven by hand.
	ProveDown(ctx context.Context) error
	// Down says what is known of the bus now.
	Down() event.Bus
}

// Announcement is one energising: which outputs, how high, how long.
type Announcement struct {
	Volts   map[string]quantity.Volts   // highest by role
	Limit   map[string]quantity.Amperes // current limit by role
	Longest quantity.Seconds            // without what people need
	Acts    map[string]int              // by role: how often something is set, switched or read, which takes a person their time
}

// Reading is one value with its 95 % half width.
type Reading struct {
	Name        string
	Value       quantity.Value
	Uncertainty float64 // in the value's base unit
	Accuracy    string  // the statement that the uncertainty comes from
	Text        string  // for what is no number: "CV"
	Instrument  string
	At          time.Time // when it was taken, as well as that is known: in the middle between question and answer
}
