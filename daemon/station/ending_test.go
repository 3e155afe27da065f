package station

import (
	"errors"
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"

	"benchwarden/daemon/bench"
	"benchwarden/daemon/event"
	"benchwarden/daemon/script"
	"benchwarden/daemon/verdict"
)

func TestARunEndsWithTheCodeOfTheMostSeriousThing(t *testing.T) {
	safe := event.Safety{Confirmed: true}
	unsafe := event.Safety{Outputs: []event.Output{{Name: "bus", Safe: "off", Text: "no answer"}, {Name: "reference", Safe: "zero", Confirmed: true}}}
	measured := &bench.DownState{State: event.MeasuredDown}
	byHand := &bench.DownState{State: event.ProvenByHand}
	unproven := &bench.DownState{State: event.NotProvenDown, Why: "the meter was not seen live", Do: "measure it by hand"}
	live := &bench.DownState{State: event.Live, Why: "the bus is fed, or can be"}
	trip := &tripError{event.Trip{Cause: "over-voltage", Text: "bus.voltage 104 V is above 100 V", Do: "look for what lifted it"}}
	person := fmt.Errorf("%w Ada", errPerson)
	broken := errors.New("scope: no answer")

	for _, tt := range []struct {
		name       string
		outcome    verdict.Outcome
		err, cause error
		safe       event.Safety
		down       *bench.DownState
		exit       int
		want       string
		first      string
	}{
		{"all passed", verdict.Pass, nil, nil, safe, measured, ExitPass, "pass", ""},
		{"all passed, the bus proven by hand", verdict.Pass, nil, nil, safe, byHand, ExitPass, "pass", ""},
		{"all passed, a bench without a bus", verdict.Pass, nil, nil, safe, nil, ExitPass, "pass", ""},
		{"one failed", verdict.Fail, nil, nil, safe, measured, ExitFail, "fail", ""},
		{"undecided is not passed", verdict.Undecided, nil, nil, safe, measured, ExitUndecided, "undecided", ""},
		{"not shown is not passed", verdict.NotShown, nil, nil, safe, measured, ExitUndecided, "not shown", ""},
		{"an error", verdict.Pass, broken, nil, safe, measured, ExitBroken, "broken", "scope: no answer"},
		{"a trip", verdict.Pass, broken, trip, safe, measured, ExitTripped, "tripped", "tripped, over-voltage: bus.voltage 104 V is above 100 V"},
		{"a person", verdict.Fail, broken, person, safe, measured, ExitStopped, "stopped", "stopped by Ada"},
		{"another cause is told instead of what it broke", verdict.Pass, broken, errors.New("the daemon is being stopped"), safe, measured,
			ExitBroken, "broken", "the daemon is being stopped"},
		{"passed and NOT SAFE", verdict.Pass, nil, nil, unsafe, measured, ExitNotSafe, "pass", "NOT SAFE: bus is not confirmed off (no answer)"},
		{"stopped and NOT SAFE", verdict.Pass, broken, person, unsafe, measured, ExitNotSafe, "stopped", "NOT SAFE: bus is not confirmed off (no answer)"},
		{"passed and NOT PROVEN DOWN", verdict.Pass, nil, nil, safe, unproven, ExitNotSafe, "pass", "NOT PROVEN DOWN: the meter was not seen live; measure it by hand"},
		{"tripped and still live", verdict.Pass, broken, trip, safe, live, ExitNotSafe, "tripped", "live: the bus is fed, or can be"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			ended := ending(script.Result{Outcome: tt.outcome, Reasons: []string{"what was found"}}, tt.err, tt.cause, tt.safe, tt.down)
			require.Equal(t, tt.exit, ended.Exit)
			require.Equal(t, tt.want, ended.Outcome)
			require.Contains(t, ended.Reasons, "what was found", "nothing that was found is dropped")
			if tt.first != "" {
				require.Equal(t, tt.first, ended.Reasons[0])
			}
		})
	}
}
