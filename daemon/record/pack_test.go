package record

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"benchwarden/daemon/event"
	"benchwarden/instruments/quantity"
)

func TestWhatIsPackedComesOutAgain(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	events := aRun()
	for _, x := range []float64{0, 1, -1, 0.1, 1.0 / 3, math.MaxFloat64, math.SmallestNonzeroFloat64, 1e22, 123456789012345678, -5e-324, math.Copysign(0, -1)} {
		events = append(events, reading(at, "bus.voltage", x))
	}
	for range 2000 {
		x := math.Float64frombits(r.Uint64())
		if math.IsNaN(x) || math.IsInf(x, 0) {
			continue
		}
		events = append(events, reading(at.Add(time.Duration(r.Int64N(1e6))*time.Hour/1000), "bus.current", x))
	}
	packed, err := pack(events)
	require.NoError(t, err)
	got, err := unpack(packed)
	require.NoError(t, err)
	require.Equal(t, events, got)
}

func reading(at time.Time, name string, x float64) event.Event {
	return event.Event{At: at, Bench: "quay", Run: run, Body: event.Reading{
		Name: name, Value: quantity.Volts(x).Value(), Asked: at.Add(-3 * time.Millisecond), Arrived: at.Add(-time.Millisecond), Instrument: "bus"}}
}

// A day of soak: 8 quantities at 1 Hz, with noise on the reading and on its time, as instruments of five and a half digits
// give them.
func TestADayOfSoakIsSmall(t *testing.T) {
	if testing.Short() {
		t.Skip("691,200 readings")
	}
	r := rand.New(rand.NewPCG(3, 4))
	var events []event.Event
	names := []string{"bus.voltage", "bus.current", "control.voltage", "control.current", "temperature.1", "temperature.2", "phase.voltage", "phase.current"}
	for second := range 24 * 3600 {
		for i, name := range names {
			at := at.Add(time.Duration(second)*time.Second + time.Duration(i*20000+r.IntN(5000))*time.Microsecond)
			e := reading(at, name, math.Round((24+r.NormFloat64()*0.01)*1e4)/1e4)
			body := e.Body.(event.Reading)
			body.Asked, body.Arrived = at.Add(-time.Duration(8000+r.IntN(4000))*time.Microsecond), at.Add(-time.Duration(r.IntN(50))*time.Microsecond)
			e.Body = body
			events = append(events, e)
		}
	}
	packed, err := pack(events)
	require.NoError(t, err)
	t.Logf("%d readings in %.2f MB", len(events), float64(len(packed))/1e6)
	require.Less(t, len(packed), 10_000_000)
	got, err := unpack(packed)
	require.NoError(t, err)
	require.Equal(t, events, got)
}

// The fuzzer counts the coverage of the whole SQLite in this package's binary and is slow for it; this mutates without it.
func TestADamagedRunIsToldAndNeverAPanic(t *testing.T) {
	packed, err := pack(aRun())
	require.NoError(t, err)
	plain, err := inflate(packed)
	require.NoError(t, err)
	r := rand.New(rand.NewPCG(9, 10))
	refused := 0
	for range 1000 {
		bad := append([]byte{}, plain...)
		for range 1 + r.IntN(4) {
			bad[r.IntN(len(bad))] = byte(r.Uint32())
		}
		events, err := unpack(deflate(bad[:1+r.IntN(len(bad))]))
		if err != nil {
			require.ErrorIs(t, err, errPacked)
			refused++
			continue
		}
		_, err = pack(events)
		require.NoError(t, err, "what comes out can be packed again")
	}
	require.NotZero(t, refused)
}

func FuzzUnpack(f *testing.F) {
	packed, err := pack(aRun())
	require.NoError(f, err)
	plain, err := inflate(packed)
	require.NoError(f, err)
	f.Add(plain)
	f.Fuzz(func(t *testing.T, plain []byte) {
		events, err := unpack(deflate(plain))
		if err != nil {
			return // a damaged run is told; it never panics
		}
		packed, err := pack(events)
		require.NoError(t, err)
		again, err := unpack(packed)
		require.NoError(t, err)
		require.Equal(t, len(events), len(again))
	})
}
