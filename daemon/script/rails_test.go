package script

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"benchwarden/daemon/event"
	"benchwarden/daemon/verdict"
	"benchwarden/instruments/quantity"
)

// handTurned is a bench whose control supply reads what a person makes of it, one reading after the other; the last one stays.
type handTurned struct {
	*fakeRig
	hand    bool
	volts   []quantity.Volts
	amperes quantity.Amperes
}

func (r *handTurned) ByHand(string) bool { return r.hand }

func (r *handTurned) Next(_ context.Context, name string) (Reading, error) {
	if name == "control.current" {
		return Reading{Name: name, Value: r.amperes.Value(), At: time.Now()}, nil
	}
	now := r.volts[0]
	if len(r.volts) > 1 {
		r.volts = r.volts[1:]
	}
	return Reading{Name: name, Value: now.Value(), At: time.Now()}, nil
}

func TestRailsTellAShortFromASlowHand(t *testing.T) {
	slowly := []quantity.Volts{0, 1, 3, 6, 9, 13, 17, 21, 24}
	for _, tt := range []struct {
		name    string
		hand    bool
		volts   []quantity.Volts
		amperes quantity.Amperes
		found   string // empty: nothing
		outcome verdict.Outcome
	}{
		{"a supply that comes up at once", false, []quantity.Volts{24}, 0.3, "", ""},
		{"a supply that stays low", false, []quantity.Volts{2}, 0.9, "a short", verdict.Fail},
		{"a hand that turns slowly", true, slowly, 0.2, "", ""},
		{"a hand that never turns", true, []quantity.Volts{0}, 0, "", verdict.Undecided},
		{"a hand that turns against a short", true, []quantity.Volts{0.5, 1, 1}, 0.9, "a short", verdict.Fail},
	} {
		t.Run(tt.name, func(t *testing.T) {
			s, err := Read("../../scripts/rails.star")
			require.NoError(t, err)
			rig := &handTurned{fakeRig: &fakeRig{highest: 100}, hand: tt.hand, volts: tt.volts, amperes: tt.amperes}
			_, err = Run(t.Context(), s, heron(t), rig, &freeSlot{})
			require.NoError(t, err)
			var outcome verdict.Outcome
			found := ""
			for _, e := range rig.events {
				switch b := e.(type) {
				case event.Check:
					if b.Subject == "feed of the control section" {
						outcome = verdict.Outcome(b.Outcome)
					}
				case event.Finding:
					if b.Subject == "control" {
						found = b.Text
					}
				}
			}
			require.Equal(t, tt.outcome, outcome)
			if tt.found == "" {
				require.Empty(t, found)
			} else {
				require.Contains(t, found, tt.found)
			}
		})
	}
}
