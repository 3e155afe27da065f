package record

import (
	"context"
	"fmt"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"benchwarden/daemon/event"
	"benchwarden/instruments/quantity"
)

// TestAClockThatIsSet promises that a journal's events stay in order and as far apart as they were when somebody sets the computer's
// clock during a run, that this is told, and that it is told once. Virtual time has no clock to set: what it shows is moved here.
func TestAClockThatIsSet(t *testing.T) {
	const n, every = 40, 250 * time.Millisecond
	for name, tt := range map[string]struct {
		steps map[int]time.Duration // before which reading, by how much
		told  []string
	}{
		"not at all":                  {nil, nil},
		"too little to matter":        {map[int]time.Duration{10: 50 * time.Millisecond}, nil},
		"forward":                     {map[int]time.Duration{10: time.Hour}, []string{"set forward, or it slept, by 1h0m0s and shows 2000-01-01 01:00:02"}},
		"back":                        {map[int]time.Duration{10: -time.Hour}, []string{"set back by 1h0m0s and shows 1999-12-31 23:00:02"}},
		"back and forward again":      {map[int]time.Duration{10: -3 * time.Second, 20: 3 * time.Second}, []string{"set back by 3s", "set forward, or it slept, by 3s"}},
		"little by little, the total": {map[int]time.Duration{10: 60 * time.Millisecond, 20: 60 * time.Millisecond}, []string{"by 120ms"}},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				j, err := Create(t.TempDir(), "r")
				require.NoError(t, err)
				began := time.Now()
				j.clock.wall = func(at time.Time) time.Time {
					shows := at.Round(0)
					for i, by := range tt.steps {
						if at.Sub(began) >= time.Duration(i)*every {
							shows = shows.Add(by)
						}
					}
					return shows
				}
				hub := event.NewHub()
				kept := hub.Subscribe(event.Lossless)
				for i := range n {
					now := time.Now()
					hub.Emit(event.Event{At: now, Run: "r", Body: event.Reading{Name: fmt.Sprint(i), Value: quantity.Volts(1).Value(), Asked: now.Add(-3 * time.Millisecond), Arrived: now}})
					<-time.After(every)
				}
				hub.Emit(event.Event{At: time.Now(), Run: "r", Body: event.RunEnded{Outcome: "pass"}})
				require.NoError(t, j.Keep(context.Background(), "r", kept))
				require.NoError(t, j.Close())

				run, err := Read(j.Path())
				require.NoError(t, err)
				var told []string
				before, readings := run.Events[0].At, 0
				for _, e := range run.Events {
					require.False(t, e.At.Before(before), "the order of time")
					before = e.At
					switch b := e.Body.(type) {
					case event.Note:
						told = append(told, b.Text)
					case event.Reading:
						require.Equal(t, time.Duration(readings)*every, e.At.Sub(run.Events[0].At), "durations")
						require.Equal(t, 3*time.Millisecond, b.Arrived.Sub(b.Asked))
						require.True(t, b.Arrived.Equal(e.At), "a reading's own times are on the same scale")
						readings++
					}
				}
				require.Equal(t, n, readings, "nothing is lost over it")
				require.Len(t, told, len(tt.told))
				for i, text := range tt.told {
					require.Contains(t, told[i], text)
				}
			})
		})
	}
}
