package job

import (
	"testing"

	"github.com/stretchr/testify/require"

	"benchwarden/daemon/event"
)

var (
	openResistor = event.Finding{Subject: "A.low", Text: "the gate resistor of A.low is open", Part: "the gate resistor of A.low"}
	shorted      = event.Finding{Subject: "A.high", Text: "A.high is shorted from drain to source", Part: "the device at A.high", Devices: true}
	wholeSet     = event.Finding{Subject: "replacement", Text: "replace the whole set of 2 devices", Part: "power devices", Devices: true}
)

// What the cold checks propose is followed or declined by name before devices are released, and the whole set is fitted, not only what
// was shorted.
func TestAProposalIsFollowedOrDeclinedByName(t *testing.T) {
	s := open(t, fullShelf)
	_, err := s.do(Replaced, Replacement{Part: "gate resistor R14", Quantity: 1, For: "A.low"})
	require.ErrorContains(t, err, "the latest cold checks propose nothing")
	s.run("cold_checks", "cold", "fail", -1, false, openResistor, shorted, wholeSet)
	state := s.must(Replaced, Replacement{Part: "fuse F1", Quantity: 1})
	require.Len(t, state.Proposals, 3)
	require.Equal(t, "open", state.Proposals[0].Decision())
	require.Equal(t, "what was found has been worked on", state.Stages[0].Text, "it has not passed")
	s.run("rails", "rails", "pass", -1, false)
	s.run("gate_sweep", "board", "pass", -1, false)
	s.run("twitch", "board", "pass", -1, false)
	_, err = s.do(Released, Release{})
	require.ErrorContains(t, err, "A.low: the gate resistor of A.low is open; neither replaced")
	require.NotContains(t, err.Error(), "shorted", "devices are fitted after the release")

	_, err = s.do(Declined, Refusal{For: "A.low"})
	require.ErrorContains(t, err, "declined with a reason")
	_, err = s.do(Declined, Refusal{For: "A.lo", Reason: "measured again"})
	require.ErrorContains(t, err, "there are A.low, A.high, replacement")
	state = s.must(Declined, Refusal{For: "A.low", Reason: "measured again, it was the lead"})
	require.Equal(t, "DECLINED by Bo: measured again, it was the lead (entry 3)", state.Proposals[0].Decision())
	s.must(Released, Release{})

	half := goodFitting
	half.Devices = half.Devices[:1]
	_, err = s.do(Fitted, half)
	require.ErrorContains(t, err, "the whole set is proposed, and no new device is named for A.low")
	state = s.must(Fitted, goodFitting)
	for _, p := range state.Proposals[1:] {
		require.Equal(t, "new devices fitted by Bo (entry 5)", p.Decision())
	}
}

func TestAReplacementFollowsItsProposal(t *testing.T) {
	s := open(t, fullShelf)
	s.run("cold_checks", "cold", "fail", -1, false, openResistor)
	state := s.must(Replaced, Replacement{Part: "gate resistor R14", Quantity: 1, For: "A.low"})
	require.Equal(t, "replaced by Bo (entry 2)", state.Proposals[0].Decision())

	s.run("cold_checks", "cold", "fail", -1, false, openResistor)
	state, err := s.desk.Show(t.Context(), s.id)
	require.NoError(t, err)
	require.Equal(t, "open", state.Proposals[0].Decision(), "what is found again is proposed again")

	s.run("cold_checks", "cold", "pass", -1, false)
	state, err = s.desk.Show(t.Context(), s.id)
	require.NoError(t, err)
	require.Empty(t, state.Proposals)
}

func TestAStageThatIsGoneOnWithoutTakesItsProposalsWithIt(t *testing.T) {
	s := open(t, fullShelf)
	s.run("cold_checks", "cold", "fail", -1, false, openResistor)
	s.must(Override, Overridden{Stage: "cold", Reason: "the meter is on loan"})
	s.run("rails", "rails", "pass", -1, false)
	s.run("gate_sweep", "board", "pass", -1, false)
	s.run("twitch", "board", "pass", -1, false)
	s.must(Released, Release{})
}
