package bench

import (
	"context"
	"time"

	"benchwarden/instruments/contacts"
	"benchwarden/instruments/dialect"
	"benchwarden/instruments/hall"
	"benchwarden/instruments/hand"
	"benchwarden/instruments/link"
	"benchwarden/instruments/matrix"
	"benchwarden/instruments/meter"
	"benchwarden/instruments/quantity"
	"benchwarden/instruments/scope"
	"benchwarden/instruments/supply"
	"benchwarden/instruments/waveform"
)

// Supply is what the bench needs of a supply, a reference or a load.
type Supply interface {
	SetVoltage(context.Context, link.Priority, quantity.Volts) error
	SetCurrent(context.Context, link.Priority, quantity.Amperes) error
	Output(context.Context, link.Priority, bool) error
	On(context.Context, link.Priority) (bool, error)
	Setpoint(context.Context, link.Priority) (quantity.Volts, error)
	Measure(context.Context, link.Priority) (supply.Reading, error)
	Protect(context.Context, link.Priority, supply.Protection) (supply.Protection, error)
	ClearProtection(context.Context, link.Priority) error
	Off() error  // urgent
	Zero() error // urgent
}

// VoltMeter is what the bench polls at the drive's bus. meter.Meter is one.
type VoltMeter interface {
	Read(context.Context, link.Priority, meter.Function) (quantity.Value, error)
}

// HallSource stands in for the motor's Hall sensors. hall.Hall is one.
type HallSource interface {
	Output(context.Context, link.Priority, bool) error
	On(context.Context, link.Priority) (bool, error)
	SetCode(context.Context, int) error
	SetLine(context.Context, int, hall.Line) error
	Spacing(context.Context, int) error
	Run(context.Context, quantity.Hertz, bool) error
	Hold(context.Context) error
	Sense(context.Context) (int, error)
	Off() error
}

// ContactBank switches and reads contacts. contacts.Contacts is one.
type ContactBank interface {
	Set(ctx context.Context, p link.Priority, contact string, closed bool) error
	Closed(ctx context.Context, p link.Priority, contact string) (bool, error)
	Input(ctx context.Context, p link.Priority, name string) (bool, error)
	Urgent(map[string]bool) error
}

// Viewer captures traces. scope.Scope is one.
type Viewer interface {
	Configure(context.Context, scope.Setup) error
	Arm(context.Context) error
	Triggered(ctx context.Context, within time.Duration) (bool, error)
	Fetch(ctx context.Context, channel int) (waveform.Trace, error)
}

// PathSwitch brings test points to the meter's leads. matrix.Matrix is one.
type PathSwitch interface {
	Reaches(point string) bool
	Connect(ctx context.Context, p link.Priority, high, low string) error
	Join(ctx context.Context, p link.Priority, a, b string) error
	Open(ctx context.Context, p link.Priority) error
	Closed(ctx context.Context, p link.Priority) (string, error)
	OpenAll() error // urgent
}

// Connection is one link to an instrument, as make-safe sees it.
type Connection interface {
	Prompt() bool                // an urgent write would leave now, without waiting
	Unanswered() bool            // something was sent whose being taken no answer has proven
	Fence(context.Context) error // proves that everything sent so far was taken
	Drop()                       // closes the connection; it opens again by itself
}

// Device is one instrument, reached. The driver of its role is set, the other drivers are nil. What has link.MakeSafe for its
// priority, and what is urgent, goes over a connection of its own where the instrument serves more than one.
type Device struct {
	Identity          dialect.Identity
	TakesEffectWithin time.Duration // longest time from a command to its effect
	OverCurrent       string        // kind of over-current protection: level, on_cc, none
	Connections       []Connection
	Close             func() error
	Forget            func() // what a person confirmed before this run; nil: nothing rests on that

	Supply   Supply
	Meter    VoltMeter
	Hall     HallSource
	Contacts ContactBank
	Matrix   PathSwitch
	Scope    Viewer
	Session  *dialect.Session
}

// Connector reaches an instrument. lost is called when one of its links is gone or back.
type Connector func(ctx context.Context, role string, in *Instrument, state func(link.State)) (*Device, error)

var (
	_ Supply      = sessionSupply{}
	_ VoltMeter   = (*meter.Meter)(nil)
	_ HallSource  = (*hall.Hall)(nil)
	_ ContactBank = (*contacts.Contacts)(nil)
	_ PathSwitch  = (*matrix.Matrix)(nil)
	_ Viewer      = (*scope.Scope)(nil)
	_ Viewer      = (*hand.Scope)(nil)
	_ HallSource  = (*hand.Hall)(nil)
	_ ContactBank = (*hand.Contacts)(nil)
	_ Connection  = (*link.Link)(nil)
)
