package command

import (
	"testing"

	"github.com/stretchr/testify/require"

	"benchwarden/daemon/record"
	"benchwarden/instruments/quantity"
)

func TestHistoryFlagsWhatIsUnlikeTheGoodUnits(t *testing.T) {
	s := record.Spread{Check: "gate level on", Subject: "A.high"}
	for i := range 20 {
		s.Good = append(s.Good, quantity.Volts(14.9+0.01*float64(i)).Value())
	}
	for volts, flagged := range map[float64]bool{15.2: false, 16.2: true, 13.8: true} {
		s.This = []quantity.Value{quantity.Volts(volts).Value()}
		if flagged {
			require.Contains(t, thisUnit(s), "FLAGGED", "%v V", volts)
			continue
		}
		require.NotContains(t, thisUnit(s), "FLAGGED", "%v V", volts)
	}
	s.Good = s.Good[:5]
	s.This = []quantity.Value{quantity.Volts(16.2).Value()}
	require.NotContains(t, thisUnit(s), "FLAGGED", "five good units are too few to say so")
}
