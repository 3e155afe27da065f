package bench

import (
	"errors"
	"time"

	"benchwarden/daemon/event"
	"benchwarden/instruments/quantity"
)

// Errors that callers tell apart.
var (
	// ErrNotSafe: an output of the bench is not in its safe state, or nobody could confirm that it is.
	ErrNotSafe = errors.New("NOT SAFE")
	// ErrMadeSafe: the bench was made safe; nothing is set or switched on until the next run begins.
	ErrMadeSafe = errors.New("the bench was made safe")
	// ErrPastLimit: the setpoint is past a ceiling of the bench or a limit of the stage; nothing was sent.
	ErrPastLimit = errors.New("past the limit, nothing was sent")
	// ErrNoRole: this bench has no instrument for the role.
	ErrNoRole = errors.New("no such instrument on this bench")
	// ErrNotPolled: nothing on this bench gives this reading.
	ErrNotPolled = errors.New("not a watched quantity of this bench")
)

// Sample is one reading of a watched quantity: "bus.voltage", "bus.current", "bus.mode", "bus.protection",
// "bus_meter.voltage", "control.voltage", "interlock" and so on. Err says why there is none.
type Sample struct {
	Name       string
	Value      quantity.Value
	Text       string // for what is no number: "CV", "CC", "closed"
	Err        error
	Asked      time.Time // when the question was sent
	Arrived    time.Time
	Instrument string // role

	number uint64 // counts questions: a Next takes only what was asked after it
}

// Guard is what watches the bench. Its methods must not block.
type Guard interface {
	// Ready says why nothing may be switched on now, nil if it may.
	Ready() error
	// Feed takes every sample before anybody else sees it.
	Feed(Sample)
	// Setpoint tells of a change of a supply's set value, before an up-step is sent and after a down-step was: until settle
	// has passed, the old value holds for a fall and constant current is expected for a rise.
	Setpoint(role string, from, to quantity.Volts, limit quantity.Amperes, settle time.Duration)
	// WillFall tells before a supply is told to: from now on it may stand as low as that.
	WillFall(role string, to quantity.Volts)
	// LinkLost tells that an instrument's link is gone.
	LinkLost(role string, err error)
}

// Consent is what a person has allowed by an act at the bench (P10).
type Consent interface {
	// Allow returns nil if a running announced energising covers this.
	Allow(Announced) error
}

// Announced is what is about to be energised.
type Announced struct {
	Role    string
	Voltage quantity.Volts
	Current quantity.Amperes // current limit
}

// Envelope is what a stage allows one supply to do, and where the warden trips.
type Envelope struct {
	Voltage     quantity.Volts   // highest setpoint
	Current     quantity.Amperes // highest current limit
	TripVoltage quantity.Volts   // the warden trips above; 0: at Voltage
	TripCurrent quantity.Amperes // quiescent trip; 0: none stated
}

// Stage is what a run may do to the bench, and the drive it does it to.
type Stage struct {
	Run      string // names the run in events
	Name     string // cold, rails, board, fitted, soak
	Unit     string // serial number
	Fitted   bool   // power devices are fitted
	Supplies map[string]Envelope
	Drive    Drive
}

// Drive is the physics of the drive's DC bus, with the extremes that its tolerances allow.
type Drive struct {
	CapacitanceLeast quantity.Farads
	CapacitanceMost  quantity.Farads
	BleederLeast     quantity.Ohms // 0: none
	BleederMost      quantity.Ohms
	ControlPower     quantity.Watts // constant power that the control section draws from the bus; 0: fed separately
	ControlStop      quantity.Volts // below it the control section draws nothing
	ControlHold      time.Duration  // how long a charged, fitted drive keeps its control supply after a trip of that supply
}

// Output is one supply output to be switched on.
type Output struct {
	Role    string
	Voltage quantity.Volts
	Current quantity.Amperes // current limit; 0: the stage's
}

// SafeResult is what make-safe reached. Confirmed false is NOT SAFE.
type SafeResult struct {
	event.Safety
	At   time.Time
	Took time.Duration
}

// DownState is what is known of the drive's DC bus.
type DownState struct {
	State  string // event.Live, event.MeasuredDown, event.ProvenByHand, event.NotProvenDown
	Volts  quantity.Volts
	Age    time.Duration // of that reading
	Why    string
	Do     string
	By     string // who proved it by hand
	HasAny bool   // there is a reading at the drive's bus terminals at all
}

// Down tells whether the bus counts as down.
func (d DownState) Down() bool { return d.State == event.MeasuredDown || d.State == event.ProvenByHand }

// Event is the state as it is emitted.
func (d DownState) Event() event.Bus {
	return event.Bus{State: d.State, Volts: d.Volts, Unread: !d.HasAny && d.State != event.ProvenByHand, Why: d.Why}
}
