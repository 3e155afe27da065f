package hands

import (
	"context"
	"errors"
	"math"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"benchwarden/daemon/event"
	"benchwarden/instruments/quantity"
)

const (
	countdown = 3 * time.Second
	actWithin = 30 * time.Second
)

// counter is a desk with a person before it, all in virtual time.
type counter struct {
	*Desk
	t *testing.T

	mu     sync.Mutex
	told   []event.Body
	warned []Warning
	fails  map[Warning]error
	over   int
}

func inBubble(t *testing.T, test func(*counter)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		c := &counter{t: t, fails: map[Warning]error{}}
		c.Desk = New(Config{
			Bench: "quay", Run: func() string { return "run-1" }, Countdown: countdown, ActWithin: actWithin, Warner: c,
			Live: func() []string { return []string{"bus_meter.voltage 0.4 V, 0.1 s old"} },
			Over: func() { c.mu.Lock(); c.over++; c.mu.Unlock() },
			Sink: event.SinkFunc(func(e event.Event) {
				c.mu.Lock()
				defer c.mu.Unlock()
				require.Equal(t, "quay", e.Bench)
				require.Equal(t, "run-1", e.Run)
				c.told = append(c.told, e.Body)
			}),
		})
		test(c)
		c.Withdraw()
	})
}

func (c *counter) Warn(_ context.Context, w Warning) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.warned = append(c.warned, w)
	return c.fails[w]
}

func (c *counter) warnings() []Warning {
	c.mu.Lock()
	defer c.mu.Unlock()
	return append([]Warning(nil), c.warned...)
}

func (c *counter) overs() int {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.over
}

// begins runs something that waits for a person, and returns where its error comes.
func (c *counter) begins(what func() error) <-chan error {
	ended := make(chan error, 1)
	go func() { ended <- what() }()
	synctest.Wait()
	return ended
}

func (c *counter) acts(a Announced) <-chan error {
	return c.begins(func() error { return c.Act(c.t.Context(), a) })
}

// answers the only open prompt, which has to be of that action.
func (c *counter) answers(action, text string) {
	c.t.Helper()
	open := c.Open()
	require.Len(c.t, open, 1)
	require.Equal(c.t, action, open[0].Action)
	require.NoError(c.t, c.Answer(open[0].ID, Answer{By: "Ines", Text: text, AtBench: true}))
	synctest.Wait()
}

func (c *counter) pass(d time.Duration) {
	<-time.After(d)
	synctest.Wait()
}

func (c *counter) permitted(a Announced) {
	c.t.Helper()
	ended := c.acts(a)
	c.answers(Energise, "")
	c.pass(countdown)
	require.NoError(c.t, <-ended)
}

func running(ended <-chan error) bool {
	select {
	case <-ended:
		return false
	default:
		return true
	}
}

var bus72 = Announced{Volts: map[string]quantity.Volts{"bus": 72, "control": 24}, Longest: 2 * time.Minute}

func TestAct(t *testing.T) {
	t.Run("permits after act, warning and countdown, and not a moment before", func(t *testing.T) {
		inBubble(t, func(c *counter) {
			require.ErrorIs(t, c.Allow("bus", 1), ErrNoAct)
			ended := c.acts(bus72)
			prompt := c.Open()[0]
			require.Equal(t, "Energise bus and control, up to 72 V, for at most 120 s?", prompt.Text)
			require.Equal(t, []string{"bus_meter.voltage 0.4 V, 0.1 s old"}, prompt.Live)
			require.Empty(t, c.warnings())
			c.answers(Energise, "energise")
			require.Contains(t, c.told, event.Energising{Outputs: []string{"bus", "control"}, Highest: 72, Longest: 120, By: "Ines"})
			require.Equal(t, []Warning{Countdown}, c.warnings())
			c.pass(countdown - time.Nanosecond)
			require.True(t, running(ended))
			require.ErrorIs(t, c.Allow("bus", 1), ErrNoAct)
			c.pass(time.Nanosecond)
			require.NoError(t, <-ended)
			require.NoError(t, c.Allow("bus", 72))
			require.Equal(t, []Warning{Countdown, Energised}, c.warnings())
		})
	})
	t.Run("covers what was announced only", func(t *testing.T) {
		inBubble(t, func(c *counter) {
			c.permitted(bus72)
			require.NoError(t, c.Allow("bus", 72))
			require.NoError(t, c.Allow("bus", 10))
			require.NoError(t, c.Allow("control", 24))
			for role, v := range map[string]quantity.Volts{"bus": 72.01, "control": 24.01, "reference": 1} {
				require.ErrorIs(t, c.Allow(role, v), ErrNoAct, role)
			}
			require.ErrorIs(t, c.Allow("bus", quantity.Volts(math.NaN())), ErrNoAct)
			require.ErrorIs(t, c.Allow("bus", -73), ErrNoAct)
		})
	})
	t.Run("is not widened by who announced it", func(t *testing.T) {
		inBubble(t, func(c *counter) {
			a := Announced{Volts: map[string]quantity.Volts{"bus": 10}, Longest: time.Minute}
			c.permitted(a)
			a.Volts["bus"] = 1000
			require.ErrorIs(t, c.Allow("bus", 11), ErrNoAct)
		})
	})
	t.Run("says how much of its time is for what is done by hand", func(t *testing.T) {
		inBubble(t, func(c *counter) {
			a := bus72
			a.ByHand = 90 * time.Second
			ended := c.acts(a)
			require.Equal(t, "Energise bus and control, up to 72 V, for at most 120 s, 90 s of it for what is done by hand?", c.Open()[0].Text)
			c.Withdraw()
			require.ErrorIs(t, <-ended, ErrNoAct)
		})
	})
	t.Run("ends with its longest time, and says so", func(t *testing.T) {
		inBubble(t, func(c *counter) {
			c.permitted(bus72)
			until, ok := c.Until()
			require.True(t, ok)
			require.Equal(t, bus72.Longest, time.Until(until))
			c.pass(bus72.Longest - time.Nanosecond)
			require.NoError(t, c.Allow("bus", 1))
			require.Zero(t, c.overs())
			c.pass(time.Nanosecond)
			require.ErrorIs(t, c.Allow("bus", 1), ErrNoAct)
			require.Equal(t, 1, c.overs(), "what is energised has to go down")
			_, ok = c.Until()
			require.False(t, ok)
		})
	})
	t.Run("a permit that was withdrawn is not over a second time", func(t *testing.T) {
		inBubble(t, func(c *counter) {
			c.permitted(bus72)
			c.Withdraw()
			c.pass(2 * bus72.Longest)
			require.Zero(t, c.overs())
		})
	})
	t.Run("a second act takes the place of the first", func(t *testing.T) {
		inBubble(t, func(c *counter) {
			c.permitted(bus72)
			c.permitted(Announced{Volts: map[string]quantity.Volts{"bus": 20}, Longest: time.Hour})
			require.ErrorIs(t, c.Allow("bus", 21), ErrNoAct)
			c.pass(2 * bus72.Longest)
			require.NoError(t, c.Allow("bus", 20))
			require.Zero(t, c.overs())
		})
	})
	t.Run("is refused when nobody acts in time", func(t *testing.T) {
		inBubble(t, func(c *counter) {
			ended := c.acts(bus72)
			c.pass(actWithin - time.Nanosecond)
			require.True(t, running(ended))
			c.pass(time.Nanosecond)
			err := <-ended
			require.ErrorIs(t, err, ErrNoAct)
			require.ErrorContains(t, err, "nobody allowed the energising within 30 s")
			require.Empty(t, c.Open())
			require.Empty(t, c.warnings())
		})
	})
	t.Run("is taken from the bench only", func(t *testing.T) {
		inBubble(t, func(c *counter) {
			ended := c.acts(bus72)
			err := c.Answer(c.Open()[0].ID, Answer{By: "Ines", Text: "energise"})
			require.ErrorIs(t, err, ErrNotAtBench)
			require.Error(t, c.Answer(c.Open()[0].ID, Answer{AtBench: true}), "nobody's act is none")
			require.True(t, running(ended))
			c.Withdraw()
			require.ErrorIs(t, <-ended, ErrNoAct)
		})
	})
	t.Run("two at once are one too many", func(t *testing.T) {
		inBubble(t, func(c *counter) {
			ended := c.acts(bus72)
			require.ErrorContains(t, c.Act(c.t.Context(), bus72), "another energising")
			c.answers(Energise, "")
			c.pass(countdown)
			require.NoError(t, <-ended)
		})
	})
	t.Run("without a beacon that works nothing is permitted", func(t *testing.T) {
		for _, w := range []Warning{Countdown, Energised} {
			inBubble(t, func(c *counter) {
				c.fails[w] = errors.New("contacts do not answer")
				ended := c.acts(bus72)
				c.answers(Energise, "")
				c.pass(countdown)
				require.ErrorContains(t, <-ended, "contacts do not answer")
				require.ErrorIs(t, c.Allow("bus", 1), ErrNoAct)
				warned := c.warnings()
				require.Equal(t, Quiet, warned[len(warned)-1])
			})
		}
	})
	nonsense := map[string]Announced{
		"nothing":      {Longest: time.Minute},
		"NaN":          {Volts: map[string]quantity.Volts{"bus": quantity.Volts(math.NaN())}, Longest: time.Minute},
		"infinity":     {Volts: map[string]quantity.Volts{"bus": quantity.Volts(math.Inf(1))}, Longest: time.Minute},
		"for no time":  {Volts: map[string]quantity.Volts{"bus": 1}},
		"for negative": {Volts: map[string]quantity.Volts{"bus": 1}, Longest: -time.Minute},
	}
	for name, a := range nonsense {
		t.Run("announcing "+name+" asks nobody", func(t *testing.T) {
			inBubble(t, func(c *counter) {
				require.ErrorContains(t, c.Act(c.t.Context(), a), "announced energising")
				require.Empty(t, c.told)
			})
		})
	}
}

// What withdraws a permit ends an act under way too, whatever it is waiting for.
func TestWithdrawing(t *testing.T) {
	withdrawals := map[string]struct {
		do  func(*counter)
		err error
	}{
		"a trip or a stop": {func(c *counter) { c.Withdraw() }, ErrNoAct},
		"a hold":           {func(c *counter) { c.Hold("Moss") }, ErrHold},
		"hands": {func(c *counter) {
			ctx, cancel := context.WithCancel(c.t.Context())
			cancel()
			_, err := c.Handle(ctx, false, event.Prompt{Action: Place})
			require.ErrorIs(c.t, err, context.Canceled)
		}, ErrNoAct},
	}
	moments := map[string]func(*counter) (ended <-chan error){
		"while the act is waited for": func(c *counter) <-chan error { return c.acts(bus72) },
		"in the countdown": func(c *counter) <-chan error {
			ended := c.acts(bus72)
			c.answers(Energise, "")
			c.pass(countdown / 2)
			return ended
		},
		"while it stands": func(c *counter) <-chan error { c.permitted(bus72); return nil },
	}
	for why, w := range withdrawals {
		for when, moment := range moments {
			t.Run(why+" "+when, func(t *testing.T) {
				inBubble(t, func(c *counter) {
					ended := moment(c)
					w.do(c)
					synctest.Wait()
					if ended != nil {
						require.ErrorIs(t, <-ended, w.err)
					}
					require.Error(t, c.Allow("bus", 1))
					require.Empty(t, c.Open(), "no prompt stays open")
					c.pass(countdown)
					require.Error(t, c.Allow("bus", 1), "no countdown ends in a permit any more")
					if when == "in the countdown" {
						warned := c.warnings()
						require.Equal(t, Quiet, warned[len(warned)-1], "the sounder stops")
					}
				})
			})
		}
	}
	t.Run("a trip in the very moment in which the countdown ends", func(t *testing.T) {
		inBubble(t, func(c *counter) {
			ended := c.acts(bus72)
			c.answers(Energise, "")
			<-time.After(countdown)
			c.Withdraw() // before or after the grant: both end without a permit
			<-ended
			require.ErrorIs(t, c.Allow("bus", 1), ErrNoAct)
		})
	})
	t.Run("a cancelled run leaves no permit", func(t *testing.T) {
		inBubble(t, func(c *counter) {
			ctx, cancel := context.WithCancelCause(c.t.Context())
			ended := c.begins(func() error { return c.Act(ctx, bus72) })
			c.answers(Energise, "")
			tripped := errors.New("tripped")
			cancel(tripped)
			require.ErrorIs(t, <-ended, tripped)
			c.pass(countdown)
			require.ErrorIs(t, c.Allow("bus", 1), ErrNoAct)
		})
	})
	t.Run("a refused second act keeps the beacon of the first", func(t *testing.T) {
		inBubble(t, func(c *counter) {
			c.permitted(bus72)
			ctx, cancel := context.WithCancel(c.t.Context())
			ended := c.begins(func() error { return c.Act(ctx, bus72) })
			c.answers(Energise, "")
			cancel()
			require.ErrorIs(t, <-ended, context.Canceled)
			require.NoError(t, c.Allow("bus", 72))
			require.Equal(t, []Warning{Countdown, Energised, Countdown, Energised}, c.warnings())
		})
	})
}

func TestHandle(t *testing.T) {
	place := event.Prompt{Action: Place, Probe: "P1", Point: "gate:A.high", Text: "Put probe P1 on gate A.high"}
	t.Run("needs somebody at the bench to say that hands are clear", func(t *testing.T) {
		inBubble(t, func(c *counter) {
			c.permitted(bus72)
			ended := c.begins(func() error { _, err := c.Handle(c.t.Context(), false, place, place); return err })
			require.ErrorIs(t, c.Allow("bus", 1), ErrHold, "hands withdraw the permit")
			require.ErrorIs(t, c.HandsClear(), ErrHold)
			require.Equal(t, Quiet, c.warnings()[2])
			require.NotEmpty(t, c.Open()[0].Live, "live volts stand on the prompt")
			c.answers(Place, "")
			c.answers(Place, "")
			require.ErrorIs(t, c.Answer(c.Open()[0].ID, Answer{By: "Ines", Text: "clear"}), ErrNotAtBench)
			require.ErrorIs(t, c.HandsClear(), ErrHold)
			c.answers(Clear, "clear")
			require.NoError(t, <-ended)
			require.NoError(t, c.HandsClear())
			require.ErrorIs(t, c.Allow("bus", 1), ErrNoAct, "clear hands permit nothing")
		})
	})
	t.Run("hands that never said clear have to before the next act", func(t *testing.T) {
		inBubble(t, func(c *counter) {
			ctx, cancel := context.WithCancel(c.t.Context())
			ended := c.begins(func() error { _, err := c.Handle(ctx, false, place); return err })
			cancel()
			require.ErrorIs(t, <-ended, context.Canceled)
			require.ErrorIs(t, c.HandsClear(), ErrHold)
			ended = c.acts(bus72)
			c.answers(Clear, "")
			c.answers(Energise, "")
			c.pass(countdown)
			require.NoError(t, <-ended)
			require.NoError(t, c.Allow("bus", 72))
		})
	})
	t.Run("probing what stays on keeps the beacon", func(t *testing.T) {
		inBubble(t, func(c *counter) {
			ended := c.begins(func() error { _, err := c.Handle(c.t.Context(), true, place); return err })
			c.answers(Place, "")
			c.answers(Clear, "")
			require.NoError(t, <-ended)
			require.Empty(t, c.warnings())
		})
	})
}

func TestHolds(t *testing.T) {
	inBubble(t, func(c *counter) {
		c.permitted(bus72)
		c.Hold("Moss")
		c.Hold("Ines")
		c.Hold("")
		require.Equal(t, []string{"Ines", "Moss", "somebody"}, c.Holds())
		require.ErrorIs(t, c.Act(c.t.Context(), bus72), ErrHold)
		require.ErrorContains(t, c.Allow("bus", 1), "held by Ines, Moss and somebody")
		require.ErrorContains(t, c.Lift("Tern"), "only who placed one")
		for _, by := range []string{"Moss", "somebody"} {
			require.NoError(t, c.Lift(by))
			require.Error(t, c.Lift(by), "lifted already")
			require.ErrorIs(t, c.HandsClear(), ErrHold)
		}
		require.NoError(t, c.Lift("Ines"))
		require.NoError(t, c.HandsClear())
		require.ErrorIs(t, c.Allow("bus", 1), ErrNoAct, "a lifted hold permits nothing")
		require.Contains(t, c.told, event.Hold{By: "Moss", Placed: true})
		require.Contains(t, c.told, event.Hold{By: "Moss"})
	})
}

func TestPrompts(t *testing.T) {
	t.Run("only what is offered is an answer", func(t *testing.T) {
		inBubble(t, func(c *counter) {
			ended := c.begins(func() error {
				a, err := c.Ask(c.t.Context(), event.Prompt{Action: Confirm, Text: "Is the lamp lit?", Offers: []string{"yes", "no"}})
				require.Equal(t, Answer{By: "Ines", Text: "no", AtBench: true}, a)
				return err
			})
			err := c.Answer(c.Open()[0].ID, Answer{By: "Ines", Text: "perhaps"})
			require.EqualError(t, err, `answer to "Is the lamp lit?": "perhaps" is none of ["yes" "no"]`)
			c.answers(Confirm, "no")
			require.NoError(t, <-ended)
			require.Equal(t, event.Answered{ID: "p1", By: "Ines", Text: "no"}, c.told[1])
		})
	})
	t.Run("are withdrawn when the run ends, and told so", func(t *testing.T) {
		inBubble(t, func(c *counter) {
			ctx, cancel := context.WithCancelCause(c.t.Context())
			ended := c.begins(func() error { _, err := c.Ask(ctx, event.Prompt{Action: Place}); return err })
			cancel(errors.New("the run was stopped"))
			require.EqualError(t, <-ended, "the run was stopped")
			require.Empty(t, c.Open())
			require.ErrorIs(t, c.Answer("p1", Answer{By: "Ines", AtBench: true}), ErrNoPrompt)
			require.Equal(t, event.Withdrawn{ID: "p1", Why: "the run was stopped"}, c.told[1])
		})
	})
	t.Run("are answered once", func(t *testing.T) {
		inBubble(t, func(c *counter) {
			ctx, cancel := context.WithCancel(c.t.Context())
			defer cancel()
			ended := c.begins(func() error { _, err := c.Ask(ctx, event.Prompt{Action: Place}); return err })
			require.NoError(t, c.Answer("p1", Answer{By: "Ines"}))
			require.ErrorIs(t, c.Answer("p1", Answer{By: "Moss"}), ErrNoPrompt)
			require.NoError(t, <-ended)
		})
	})
	t.Run("stand in the order in which they were asked", func(t *testing.T) {
		inBubble(t, func(c *counter) {
			ctx, cancel := context.WithCancel(c.t.Context())
			var asked []<-chan error
			for range 11 {
				asked = append(asked, c.begins(func() error { _, err := c.Ask(ctx, event.Prompt{Action: Place}); return err }))
			}
			open := c.Open()
			require.Equal(t, "p1", open[0].ID)
			require.Equal(t, "p2", open[1].ID)
			require.Equal(t, "p11", open[10].ID)
			cancel()
			for _, ended := range asked {
				require.ErrorIs(t, <-ended, context.Canceled)
			}
		})
	})
}

// play is a simulated person of few words.
type play func(event.Prompt) (string, error)

func (p play) Play(_ context.Context, prompt event.Prompt) (string, error) { return p(prompt) }

func TestSimulatedPerson(t *testing.T) {
	// withPerson runs a desk whose prompts a simulated person sees.
	withPerson := func(t *testing.T, player Player, test func(context.Context, *Desk, *event.Hub)) {
		synctest.Test(t, func(t *testing.T) {
			hub := event.NewHub()
			d := New(Config{Bench: "quay", Run: func() string { return "" }, Sink: hub, Countdown: countdown, ActWithin: actWithin,
				Live: func() []string { return nil }})
			events := hub.Subscribe(event.Lossless)
			ctx, cancel := context.WithCancel(t.Context())
			ended := make(chan error, 1)
			go func() { ended <- d.Simulate(ctx, events, player) }()
			test(ctx, d, hub)
			d.Withdraw()
			cancel()
			require.NoError(t, <-ended)
		})
	}
	t.Run("clears hands and acts", func(t *testing.T) {
		withPerson(t, play(func(event.Prompt) (string, error) { return "", nil }), func(ctx context.Context, d *Desk, _ *event.Hub) {
			answers, err := d.Handle(ctx, false, event.Prompt{Action: Place, Probe: "P1"})
			require.NoError(t, err)
			require.Equal(t, []Answer{{By: SimulatedPerson, AtBench: true}}, answers)
			require.NoError(t, d.Act(ctx, bus72))
			require.NoError(t, d.Allow("bus", 72))
		})
	})
	t.Run("what it cannot do is told to whoever asked", func(t *testing.T) {
		withPerson(t, play(func(event.Prompt) (string, error) { return "", errors.New("no such probe") }), func(ctx context.Context, d *Desk, _ *event.Hub) {
			_, err := d.Handle(ctx, false, event.Prompt{Action: Place, Probe: "P9", Text: "Put probe P9 somewhere"})
			require.ErrorIs(t, err, ErrRefused)
			require.ErrorContains(t, err, "no such probe")
			require.ErrorIs(t, d.HandsClear(), ErrHold)
			require.ErrorIs(t, d.Act(ctx, bus72), ErrRefused)
			require.ErrorIs(t, d.Allow("bus", 1), ErrHold)
		})
	})
	t.Run("an answer that is not offered is a refusal, no answer", func(t *testing.T) {
		withPerson(t, play(func(event.Prompt) (string, error) { return "maybe", nil }), func(ctx context.Context, d *Desk, _ *event.Hub) {
			_, err := d.Ask(ctx, event.Prompt{Action: Confirm, Offers: []string{"yes", "no"}})
			require.ErrorIs(t, err, ErrRefused)
		})
	})
	t.Run("keeps to its own bench", func(t *testing.T) {
		played := make(chan string, 10)
		withPerson(t, play(func(p event.Prompt) (string, error) { played <- p.Text; return "", nil }), func(ctx context.Context, d *Desk, hub *event.Hub) {
			hub.Emit(event.Event{Bench: "another", Body: event.Prompt{ID: "p1", Text: "theirs", Action: Energise}})
			_, err := d.Ask(ctx, event.Prompt{Action: Place, Text: "ours"})
			require.NoError(t, err)
			require.Equal(t, "ours", <-played)
			require.Empty(t, played)
		})
	})
}
