package bench

import (
	"context"
	"fmt"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"benchwarden/daemon/event"
	"benchwarden/instruments/link"
	"benchwarden/instruments/quantity"
)

// instrument is one instrument of the bench while the bench is open.
type instrument struct {
	role  string
	file  *Instrument
	there atomic.Pointer[reach]

	turn chan struct{} // holds one token: whoever switches or sets has taken it

	mu       sync.Mutex
	on       bool // as last commanded or read; for a supply
	unknown  bool // an ON or OFF was sent whose effect nobody has read back
	setpoint quantity.Volts
	limit    quantity.Amperes
	sentOn   time.Time // when the last command that energises was sent
}

// reach is an instrument's device, or why there is none.
type reach struct {
	device *Device
	absent error
}

// device is nil while the instrument could not be reached.
func (in *instrument) device() *Device {
	if r := in.there.Load(); r != nil {
		return r.device
	}
	return nil
}

// connect reaches the instrument, or remembers why it could not be.
func (in *instrument) connect(ctx context.Context, to Connector, state func(link.State)) {
	device, err := to(ctx, in.role, in.file, state)
	if err != nil {
		device = nil
	}
	in.there.Store(&reach{device, err})
}

func newInstrument(role string, file *Instrument) *instrument {
	in := &instrument{role: role, file: file, turn: make(chan struct{}, 1), unknown: true}
	in.turn <- struct{}{}
	return in
}

// take waits for the instrument's turn; only who has it may send a command that switches or sets. A turn that is free is taken even
// where ctx has ended: an off is carried out for whoever was stopped.
func (in *instrument) take(ctx context.Context) (release func(), err error) {
	release = func() { in.turn <- struct{}{} }
	select {
	case <-in.turn:
		return release, nil
	default:
	}
	select {
	case <-in.turn:
		return release, nil
	case <-ctx.Done():
		return nil, fmt.Errorf("%s: %w", in.role, context.Cause(ctx))
	}
}

// reached says whether the instrument is there.
func (in *instrument) reached() error {
	if in.device() == nil {
		who := fmt.Sprintf("%s (%s): ", in.role, in.file.Link)
		absent := in.there.Load().absent
		if strings.HasPrefix(absent.Error(), who) {
			return absent // its session has said so already
		}
		return fmt.Errorf("%s%w", who, absent)
	}
	return nil
}

func (in *instrument) energised() (on bool, volts quantity.Volts, limit quantity.Amperes) {
	in.mu.Lock()
	defer in.mu.Unlock()
	return in.on || in.unknown, in.setpoint, in.limit
}

func (in *instrument) note(f func(*instrument)) {
	in.mu.Lock()
	defer in.mu.Unlock()
	f(in)
}

func (in *instrument) identity() event.Identity {
	id := event.Identity{Role: in.role, CalibrationDue: in.file.CalibrationDue}
	if in.device() != nil {
		id.Identity = in.device().Identity.Raw
	}
	return id
}

// quietFrom is when the latest command that energises can no longer take effect.
func (in *instrument) quietFrom() time.Time {
	in.mu.Lock()
	defer in.mu.Unlock()
	if in.sentOn.IsZero() {
		return time.Time{}
	}
	return in.sentOn.Add(in.device().TakesEffectWithin)
}
