package script

import (
	"context"
	"fmt"
	"strings"
	"time"

	"benchwarden/daemon/event"
	"benchwarden/daemon/gates"
	"benchwarden/instruments/quantity"
)

// fakeRig is a bench in memory: it keeps what was set and answers readings from a table.
type fakeRig struct {
	highest quantity.Volts // Allowed refuses above
	did     []string
	events  []event.Body
	next    map[string]Reading
	overdue map[string]string // instruments past their calibration, with the date
	strict  bool              // which decide nothing then
	block   bool              // Next waits until the run ends
}

var _ Rig = (*fakeRig)(nil)

func (r *fakeRig) note(format string, args ...any) error {
	r.did = append(r.did, fmt.Sprintf(format, args...))
	return nil
}

func (r *fakeRig) Part() Part                                 { return Part{Continues: "before", Number: 2, Done: 30, Gap: 5} }
func (r *fakeRig) Emit(b event.Body)                          { r.events = append(r.events, b) }
func (r *fakeRig) PastCalibration(name string) (string, bool) { return r.overdue[name], r.strict }
func (r *fakeRig) ByHand(string) bool                         { return false }
func (r *fakeRig) HasRole(role string) bool                   { return role != "scope" }
func (r *fakeRig) Tighten(name string, high quantity.Value) (func(), error) {
	return func() { _ = r.note("restore %s", name) }, r.note("tighten %s %v", name, high)
}
func (r *fakeRig) Allowed(role string, v quantity.Volts, _ quantity.Amperes) error {
	if v > r.highest {
		return fmt.Errorf("%s: %v is above %v", role, v, r.highest)
	}
	return nil
}
func (r *fakeRig) SwitchOn(_ context.Context, role string, v quantity.Volts, a quantity.Amperes) error {
	return r.note("%s on %v %v", role, v, a)
}
func (r *fakeRig) SwitchOff(_ context.Context, role string) error { return r.note("%s off", role) }
func (r *fakeRig) SetVoltage(_ context.Context, role string, v quantity.Volts) error {
	return r.note("%s %v", role, v)
}
func (r *fakeRig) SetCurrent(_ context.Context, role string, a quantity.Amperes) error {
	return r.note("%s %v", role, a)
}
func (r *fakeRig) Next(ctx context.Context, name string) (Reading, error) {
	if r.block {
		<-ctx.Done()
		return Reading{}, context.Cause(ctx)
	}
	reading, ok := r.next[name]
	if !ok {
		return Reading{}, fmt.Errorf("%s is not watched", name)
	}
	reading.Name, reading.At = name, time.Now()
	return reading, nil
}
func (r *fakeRig) Limiter() (kind, value string)              { return "lamp", "60 W" }
func (r *fakeRig) OutputCapacitance(string) quantity.Farads   { return 100e-6 }
func (r *fakeRig) PullsDown(string) bool                      { return false }
func (r *fakeRig) HallSpacing(_ context.Context, n int) error { return r.note("spacing %d", n) }
func (r *fakeRig) HallOutput(_ context.Context, on bool) error {
	return r.note("hall %v", on)
}
func (r *fakeRig) HallCode(_ context.Context, n int) error { return r.note("code %d", n) }
func (r *fakeRig) HallLine(_ context.Context, n int, s string) error {
	return r.note("line %d %s", n, s)
}
func (r *fakeRig) HallLines(context.Context) (int, error) { return 5, nil }
func (r *fakeRig) Contact(_ context.Context, name string, closed bool) error {
	return r.note("contact %s %v", name, closed)
}
func (r *fakeRig) Input(context.Context, string) (bool, error) { return true, nil }
func (r *fakeRig) HasContact(string) bool                      { return true }
func (r *fakeRig) Arm(context.Context, Capture) (Pending, error) {
	return nil, fmt.Errorf("no scope")
}
func (r *fakeRig) ProbeAt(string) (string, bool) { return "", false }
func (r *fakeRig) Sight(string) gates.Sight      { return gates.Sight{} }
func (r *fakeRig) MeterRead(context.Context, string) (Reading, error) {
	return Reading{Value: quantity.Volts(5.01).Value(), Uncertainty: 0.01, Instrument: "meter"}, nil
}
func (r *fakeRig) Announce(_ context.Context, a Announcement) error {
	if len(a.Acts) > 0 {
		return r.note("announce %v for %v and %v by hand", a.Volts, a.Longest, a.Acts)
	}
	return r.note("announce %v for %v", a.Volts, a.Longest)
}
func (r *fakeRig) Place(_ context.Context, probes map[string]string, _ string, live bool) error {
	return r.note("place %v %v", probes, live)
}
func (r *fakeRig) Fit(_ context.Context, name string, n int, _ string) error {
	return r.note("fit %d %s", n, name)
}
func (r *fakeRig) Remove(_ context.Context, name, _ string) error { return r.note("remove %s", name) }
func (r *fakeRig) ReadByHand(context.Context, string, quantity.Value, quantity.Value) (quantity.Value, error) {
	return quantity.Volts(3).Value(), nil
}
func (r *fakeRig) Confirm(_ context.Context, _, _ string, offers []string) (string, error) {
	return offers[0], nil
}
func (r *fakeRig) Tap(ctx context.Context, place, _ string, _, offers []string) (string, error) {
	if r.block {
		<-ctx.Done()
		return "", context.Cause(ctx)
	}
	return strings.Join(offers, "|"), r.note("tap %s", place)
}
func (r *fakeRig) ProveDown(context.Context) error { return r.note("prove down") }
func (r *fakeRig) Down() event.Bus                 { return event.Bus{State: event.MeasuredDown, Volts: 1} }

// freeSlot is a computing slot that nobody contests.
type freeSlot struct{ held int }

func (s *freeSlot) Take(context.Context) error { s.held++; return nil }
func (s *freeSlot) Give()                      { s.held-- }

func (r *fakeRig) Switched(string, string) bool { return false }
func (r *fakeRig) FourWire() bool               { return false }
func (r *fakeRig) Between(_ context.Context, high, low, test string) (Reading, bool, error) {
	reading, ok := r.next[test+" "+high+" "+low]
	return reading, !ok, r.note("%s from %s to %s", test, high, low)
}
func (r *fakeRig) Join(_ context.Context, a, b string) error { return r.note("join %s and %s", a, b) }
func (r *fakeRig) LeadsOff(context.Context) error            { return r.note("leads off") }
