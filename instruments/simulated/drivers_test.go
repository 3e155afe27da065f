package simulated

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	contactsdriver "benchwarden/instruments/contacts"
	"benchwarden/instruments/dialect"
	halldriver "benchwarden/instruments/hall"
	"benchwarden/instruments/link"
	meterdriver "benchwarden/instruments/meter"
	"benchwarden/instruments/quantity"
	scopedriver "benchwarden/instruments/scope"
	supplydriver "benchwarden/instruments/supply"
)

// spoken opens a role with the dialect that the bench file names for it.
func spoken(t *testing.T, b *Bench, role, name string, o link.Options) *dialect.Session {
	t.Helper()
	d, err := dialect.LoadNamed([]string{"../../configs/dialects"}, name)
	require.NoError(t, err)
	o.LockDir = t.TempDir()
	s, err := dialect.Open(t.Context(), role, d, b.Addresses()[role], o)
	require.NoError(t, err)
	t.Cleanup(func() { s.Close() })
	require.True(t, s.Identity().Simulated, "%+v", s.Identity())
	return s
}

func TestOurDriversSpeakToEveryInstrument(t *testing.T) {
	b, ctx := start(t, Options{Params: servo(), Latency: 1}), t.Context()

	limits := supplydriver.Limits{Max: 60, MaxCurrent: 2}
	bus := supplydriver.New("bus", spoken(t, b, "bus", "watched-supply", link.Options{}), limits)
	got, err := bus.Protect(ctx, link.Script, supplydriver.Protection{Voltage: 40, Current: 1.5, CurrentOn: true})
	require.NoError(t, err)
	require.Equal(t, supplydriver.Protection{Voltage: 40, Current: 1.5, CurrentOn: true}, got)
	require.NoError(t, bus.SetCurrent(ctx, link.Script, 1))
	require.NoError(t, bus.SetVoltage(ctx, link.Script, 30))
	require.NoError(t, bus.Output(ctx, link.Script, true))

	control := supplydriver.New("control", spoken(t, b, "control", "terse-supply", link.Options{}), supplydriver.Limits{Max: 26, MaxCurrent: 1})
	got, err = control.Protect(ctx, link.Script, supplydriver.Protection{Voltage: 26})
	require.NoError(t, err)
	require.Equal(t, quantity.Volts(26), got.Voltage)
	require.NoError(t, control.SetCurrent(ctx, link.Script, 1))
	require.NoError(t, control.SetVoltage(ctx, link.Script, 24))
	require.NoError(t, control.Output(ctx, link.Script, true))
	on, err := control.On(ctx, link.Script)
	require.NoError(t, err)
	require.True(t, on)

	reference := supplydriver.New("reference", spoken(t, b, "reference", "plain-reference", link.Options{}), supplydriver.Limits{Min: -10, Max: 10})
	require.NoError(t, reference.SetVoltage(ctx, link.Script, -3))
	require.NoError(t, reference.Output(ctx, link.Script, true))

	hall := halldriver.New("hall", spoken(t, b, "hall", "hall-source", link.Options{}))
	require.NoError(t, hall.Output(ctx, link.Script, true))
	require.NoError(t, hall.Run(ctx, 20, true))
	require.NoError(t, hall.SetCode(ctx, 5))
	require.NoError(t, hall.SetLine(ctx, 1, halldriver.Short))
	code, err := hall.Sense(ctx)
	require.NoError(t, err)
	require.Equal(t, 1, code)

	contacts := contactsdriver.New("contacts", spoken(t, b, "contacts", "plain-contacts", link.Options{}), map[string]contactsdriver.Channel{
		"enable": {Number: 1}, "inhibit": {Number: 6}, "interlock": {Number: 1, Input: true, Normal: true},
	})
	require.NoError(t, contacts.Set(ctx, link.Script, "enable", true))
	closed, err := contacts.Closed(ctx, link.Script, "enable")
	require.NoError(t, err)
	require.True(t, closed)
	interlock, err := contacts.Input(ctx, link.Script, "interlock")
	require.NoError(t, err)
	require.True(t, interlock)

	person := spoken(t, b, "person", "simulated-person", link.Options{})
	require.NoError(t, person.Do(ctx, link.Script, "place", dialect.Args{"probe": "M1", "point": "control"}))
	require.Error(t, person.Do(ctx, link.Script, "place", dialect.Args{"probe": "M1", "point": "nowhere"}))

	r, err := bus.Measure(ctx, link.Script)
	require.NoError(t, err)
	require.InDelta(t, 30, float64(r.Voltage), 0.1)
	require.Equal(t, supplydriver.CV, r.Mode)
	r, err = reference.Measure(ctx, link.Script)
	require.NoError(t, err)
	require.InDelta(t, -3, float64(r.Voltage), 0.01)
	for role, want := range map[string]float64{"bus_meter": 30, "meter": 24} {
		v, err := meterdriver.New(role, spoken(t, b, role, "plain-meter", link.Options{})).Read(ctx, link.Warden, meterdriver.DCVolts)
		require.NoError(t, err)
		require.InDelta(t, want, v.Number, 0.1, role)
	}

	scope := scopedriver.New("scope", spoken(t, b, "scope", "plain-scope", link.Options{}))
	require.NoError(t, scope.Configure(ctx, scopedriver.Setup{
		Channels: map[int]scopedriver.Vertical{3: {FullScale: 40, Centre: 10, Factor: 10}}, Rate: 1e5, Points: 10_000,
		Trigger: scopedriver.Trigger{Channel: 3, Level: 15, Edge: scopedriver.Falling, Position: 0.1},
	}))
	require.NoError(t, scope.Arm(ctx))
	triggered, err := scope.Triggered(ctx, 50*time.Millisecond)
	require.NoError(t, err)
	require.False(t, triggered)
	require.NoError(t, control.Off())
	triggered, err = scope.Triggered(ctx, 3*soon) // the record has to be digitised too, which a busy computer takes its time for
	require.NoError(t, err)
	require.True(t, triggered, "the control supply falls through the level once it is off")
	trace, err := scope.Fetch(ctx, 3)
	require.NoError(t, err)
	require.Equal(t, 10_000, trace.Len())
	require.InDelta(t, -0.01, float64(trace.Start), 1e-9)
	require.InDelta(t, 15, trace.At(1_000), 15*scopeGain+scopeOffset+1)

	require.NoError(t, bus.Off())
	require.Eventually(t, func() bool { on, err := bus.On(ctx, link.MakeSafe); return err == nil && !on }, soon, time.Millisecond)
}

// P5: whatever happened to an answer, what the link gives next is the answer to what was asked next, or an error.
func TestOurLinkGetsBackInStepAfterEachFault(t *testing.T) {
	for _, role := range []string{"bus", "hall"} {
		for _, fault := range []string{answerLate, answerWrong, answerCutShort, answerTwice, garbage, disconnect, goneAndBack} {
			t.Run(fault+" at the "+role, func(t *testing.T) {
				size := map[string]string{answerLate: "=400 ms", goneAndBack: "=100 ms"}[fault]
				// The fault hits soon after the opening; whatever opens is then asked for two settings in turn.
				b := start(t, Options{Params: servo()}, fault+":"+role+size+"@20")
				name := map[string]string{"bus": "watched-supply", "hall": "hall-source"}[role]
				s := spoken(t, b, role, name, link.Options{ReplyWithin: 2 * time.Second})
				first, second := "over_voltage", "over_current"
				want := map[string]float64{first: 99, second: 3.3}
				if role == "hall" {
					first, second = "spacing", "sense"
					want = map[string]float64{first: 120, second: 0}
				}
				failures, good := 0, 0
				for end := time.Now().Add(soon); good < 60 && time.Now().Before(end); {
					question := []string{first, second}[(failures+good)%2]
					a, err := s.Ask(t.Context(), link.Script, question, nil)
					if err == nil {
						var x float64
						if x, err = a.Number(); err == nil {
							require.InDelta(t, want[question], x, 1e-9, "%s got the answer to another question", question)
							good++
							continue
						}
					}
					failures++
				}
				require.Equal(t, 60, good, "it never got back in step")
				require.Equal(t, 1, b.harms[role].hits(fault), "the fault was there")
			})
		}
	}
}
