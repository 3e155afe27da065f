package hand_test

import (
	"context"
	"errors"
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"benchwarden/instruments/hand"
	"benchwarden/instruments/link"
	"benchwarden/instruments/meter"
	"benchwarden/instruments/quantity"
	"benchwarden/instruments/supply"
)

// person answers from a list and remembers the questions.
type person struct {
	answers []string
	asked   []hand.Question
	notes   []string
}

func (p *person) Compute(_ context.Context, f func()) error { f(); return nil }

func (p *person) Note(text string) { p.notes = append(p.notes, text) }

var errGone = errors.New("nobody is at the bench")

func (p *person) Ask(_ context.Context, q hand.Question) (string, error) {
	p.asked = append(p.asked, q)
	if len(p.asked) > len(p.answers) {
		return "", errGone
	}
	return p.answers[len(p.asked)-1], nil
}

func TestReadingByHandNeedsItsUnitAndIsDoubtedWhenItCannotBeMeant(t *testing.T) {
	tests := []struct {
		name    string
		answers []string
		want    quantity.Volts
		doubts  []string // part of each question's doubt, from the second on
		is      error
	}{
		{"at once", []string{"3.2 V"}, 3.2, nil, nil},
		{"prefix", []string{"3200 mV"}, 3.2, nil, nil},
		{"no unit", []string{"3.2", "3.2 V"}, 3.2, []string{"unit"}, nil},
		{"another unit", []string{"3.2 A", "3.2 V"}, 3.2, []string{"A"}, nil},
		{"not a number", []string{"dead", "0 V"}, 0, []string{"dead"}, nil},
		{"decimal point lost", []string{"3200 V", "3.2 V"}, 3.2, []string{"3.2 kV is outside -600 V to 600 V"}, nil},
		{"never", []string{"x", "y", "z", "3.2 V"}, 0, []string{"x", "y"}, hand.ErrImplausible},
		{"goes away", []string{"x"}, 0, []string{"x"}, errGone},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			p := &person{answers: test.answers}
			v, err := hand.NewMeter("bus_meter", p, 300).Read(t.Context(), link.Script, meter.DCVolts)
			if test.is != nil {
				require.ErrorIs(t, err, test.is)
				require.ErrorContains(t, err, "bus_meter, by hand: ")
			} else {
				require.NoError(t, err)
				require.Equal(t, test.want.Value(), v)
			}
			require.Equal(t, "Read the direct voltage on the bus_meter.", p.asked[0].Text)
			require.Equal(t, "V", p.asked[0].Unit)
			require.Empty(t, p.asked[0].Doubt)
			require.Len(t, p.asked, len(test.doubts)+1)
			for i, doubt := range test.doubts {
				require.Contains(t, p.asked[i+1].Doubt, doubt)
			}
		})
	}
}

func TestSupplyByHandIsNeverAskedForPastItsLimit(t *testing.T) {
	p := &person{}
	s := hand.NewSupply("bus", p, supply.Limits{Max: 90, MaxCurrent: 1})
	for _, v := range []float64{90.1, -1, math.NaN(), math.Inf(1)} {
		require.ErrorIs(t, s.SetVoltage(t.Context(), link.Script, quantity.Volts(v)), hand.ErrPastLimit)
	}
	require.ErrorIs(t, s.SetCurrent(t.Context(), link.Script, 1.1), hand.ErrPastLimit)
	require.ErrorIs(t, s.Off(), hand.ErrByHand)
	require.Empty(t, p.asked)
}

func TestSupplyByHand(t *testing.T) {
	p := &person{answers: []string{"300 V", "30.4 V", "0.5 A", "done", "30.2 V", "120 mA"}}
	s := hand.NewSupply("bus", p, supply.Limits{Max: 90, MaxCurrent: 1})
	ctx := t.Context()
	require.NoError(t, s.SetVoltage(ctx, link.Script, 30))
	require.Contains(t, p.asked[1].Doubt, "300 V is outside 28.5 V to 31.5 V")
	v, err := s.Setpoint(ctx, link.Script)
	require.NoError(t, err)
	require.Equal(t, quantity.Volts(30.4), v)
	require.NoError(t, s.SetCurrent(ctx, link.Script, 0.5))
	require.NoError(t, s.Output(ctx, link.Script, true))
	require.Equal(t, "Switch the bus supply on and confirm.", p.asked[3].Text)
	r, err := s.Measure(ctx, link.Script)
	require.NoError(t, err)
	require.Equal(t, supply.Reading{Voltage: 30.2, Current: 0.12, Mode: supply.Unknown}, r)
	require.ErrorIs(t, s.Output(ctx, link.Script, false), errGone)
}
