package command

import (
	"context"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/spf13/pflag"
	"github.com/stretchr/testify/require"

	"benchwarden/daemon/bench"
	"benchwarden/daemon/event"
	"benchwarden/daemon/hands"
	"benchwarden/daemon/station"
)

// A pedal on a contact of the bench gives the act, and letting go of it ends the run and makes the bench safe (P10).
func TestAPedalOnAContactEnergisesAndLettingGoMakesSafe(t *testing.T) {
	t.Parallel()
	s, err := newSettings(pflag.NewFlagSet("test", pflag.ContinueOnError)).read()
	require.NoError(t, err)
	dir := t.TempDir()
	s.Configs, s.Scripts, s.Data, s.Countdown = "../../configs", "../../scripts", dir, 0
	sim, err := startSimulation(context.WithoutCancel(t.Context()), s, simulateOptions{family: "wren", name: "test", seed: 1, benchFile: filepath.Join(dir, "bench.yaml")})
	require.NoError(t, err)
	defer sim.stop()
	text, err := os.ReadFile(sim.benchFile)
	require.NoError(t, err)
	const simulated = "person: simulated\nact: {by: console, console: /dev/tty}"
	require.Contains(t, string(text), simulated)
	person := regexp.MustCompile(`\n  person:\n    link: tcp://(\S+)`).FindStringSubmatch(string(text))
	require.NotNil(t, person)
	byPedal := strings.Replace(string(text), simulated, "person: bench\nact: {by: pedal, contact: pedal, pedal: hold_to_run}", 1)
	require.NoError(t, os.WriteFile(sim.benchFile, []byte(byPedal), 0o600))
	require.NoError(t, slowly(sim.benchFile))
	file, err := bench.ReadFile(sim.benchFile)
	require.NoError(t, err)

	foot, err := net.Dial("tcp", person[1])
	require.NoError(t, err)
	defer foot.Close()
	pedal := func(down string) {
		_, err := fmt.Fprintf(foot, "PERS:SWIT \"pedal\",%s\n", down)
		require.NoError(t, err)
	}

	st, err := station.Open(t.Context(), stationConfig(s, file, event.NewHub(), station.NewSlot(), "test"))
	require.NoError(t, err)
	life, stop := context.WithCancel(t.Context())
	closed := make(chan error, 1)
	go func() { closed <- st.Run(life) }()
	running, err := st.Start(station.Order{Script: "bus_ramp", Family: "wren", Unit: "W-1", Operator: "Ada"})
	require.NoError(t, err)
	var acts, off []string
	var ended event.RunEnded
	for {
		e, err := running.Events.Next(t.Context())
		if err != nil {
			break
		}
		switch b := e.Body.(type) {
		case event.Prompt:
			if b.Action == hands.Energise {
				acts = append(acts, b.Text)
				<-time.After(time.Second) // a press counts only after the pedal was seen up while the prompt stood
				pedal("ON")
				continue
			}
			require.NoError(t, st.Desk().Answer(b.ID, hands.Answer{By: "Ada", Text: "0.4 V", AtBench: true}), b.Text)
		case event.Energising:
			require.Contains(t, b.By, "pedal")
		case event.Switched:
			if b.On {
				pedal("OFF")
			}
		case event.Safety:
			for _, o := range b.Outputs {
				if o.Name == "bus" && o.Confirmed {
					off = append(off, b.Cause)
				}
			}
		case event.RunEnded:
			ended = b
		}
	}
	running.Wait()
	require.Len(t, acts, 1, "one act covers the run")
	require.Equal(t, "stopped", ended.Outcome, "%v", ended.Reasons)
	require.Contains(t, strings.Join(ended.Reasons, "; "), "pedal")
	require.NotEmpty(t, off)
	require.Contains(t, off[0], "pedal", "letting go made it safe, before the run's own end did")
	stop()
	if err := <-closed; err != nil {
		require.ErrorIs(t, err, bench.ErrNotSafe) // the bus of a run that was cut short may not have been seen all the way down
	}
}
