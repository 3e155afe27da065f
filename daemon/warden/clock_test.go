package warden

import (
	"testing"
	"time"
	"unsafe"

	"github.com/stretchr/testify/require"

	"benchwarden/daemon/event"
	"benchwarden/instruments/quantity"
)

// jumped is an instant as it would have been taken before or after somebody set the wall clock: the same one by the monotonic clock. The
// layout is that of time.Time with a monotonic reading: whole seconds of the wall clock from bit 30 on.
func jumped(t *testing.T, at time.Time, seconds int64) time.Time {
	moved := at
	wall := (*uint64)(unsafe.Pointer(&moved))
	*wall = uint64(int64(*wall) + seconds<<30)
	require.Equal(t, time.Duration(seconds)*time.Second, moved.Round(0).Sub(at.Round(0)), "the wall clock has jumped")
	require.Zero(t, moved.Sub(at), "and the monotonic one has not")
	return moved
}

// A wall clock that jumps makes no reading older or younger: a good one does not trip, and one that no longer comes does.
func TestAWallClockThatJumpsMovesNoTrip(t *testing.T) {
	age := []Limit{NewLimit("bus.voltage", Age, quantity.Seconds(60).Value(), "three periods")}
	for name, seconds := range map[string]int64{"an hour back": 3600, "an hour on": -3600} { // against now, readings stand the other way
		t.Run(name, func(t *testing.T) {
			w := New(Config{Bench: "quay", Sink: event.SinkFunc(func(event.Event) {}), Tick: time.Second, MakeSafe: func(string) func(event.Trip) { return func(event.Trip) {} }})
			require.NoError(t, w.Arm("run-1", age))
			began := time.Now()
			w.armedAt = jumped(t, began.Add(-2*time.Minute), seconds)
			asked := jumped(t, began, seconds)
			w.Feed(event.Reading{Name: "bus.voltage", Value: quantity.Volts(24).Value(), Asked: asked, Arrived: asked})
			w.judgeTime(began.Add(50 * time.Second))
			require.Nil(t, w.Tripped(), "50 s old, 60 s are allowed")
			w.judgeTime(began.Add(61 * time.Second))
			require.NotNil(t, w.Tripped(), "61 s old, 60 s are allowed")
			require.Equal(t, event.StaleReading, w.Tripped().Cause)
		})
	}
}
