package drive

import (
	"testing"

	"github.com/stretchr/testify/require"
)

func twoLegs() *Family {
	f := &Family{}
	f.Bridge.Legs = []string{"A", "B"}
	f.Bridge.Channels = []Channel{
		{Name: "A.high", Leg: "A", Kind: HighSide}, {Name: "A.low", Leg: "A", Kind: LowSide},
		{Name: "B.high", Leg: "B", Kind: HighSide}, {Name: "B.low", Leg: "B", Kind: LowSide},
		{Name: "brake", Kind: BrakeChopper}, {Name: "charge", Kind: ChargeSwitch},
	}
	f.Commutation.Kind = NoSensor
	f.Modulation.Kind = Antiphase
	f.Patterns = Patterns{Idle: "toggle", Inhibited: "low_on"}
	f.Loop = "open"
	f.Reference.Duty = 0.7
	return f
}

func TestExpectedPatternsByModulation(t *testing.T) {
	tests := []struct {
		name      string
		family    *Family
		code      int
		direction Direction
		want      map[string]Pattern
	}{
		{"complementary: the chopping leg's gates alternate", threeLegs(Hall120, Complementary), 0b100, Forward, map[string]Pattern{
			"A.high": Chop, "A.low": ChopInverse, "B.high": Off, "B.low": Off, "C.high": Off, "C.low": On}},
		{"complementary, reverse", threeLegs(Hall120, Complementary), 0b100, Reverse, map[string]Pattern{
			"A.high": Off, "A.low": On, "B.high": Off, "B.low": Off, "C.high": Chop, "C.low": ChopInverse}},
		{"one side chopped: the low gate of that leg stays off", threeLegs(Hall60, HighChopped), 0b000, Forward, map[string]Pattern{
			"A.high": Chop, "A.low": Off, "B.high": Off, "B.low": On, "C.high": Off, "C.low": Off}},
		{"locked anti-phase forward", twoLegs(), 0, Forward, map[string]Pattern{
			"A.high": Chop, "A.low": ChopInverse, "B.high": ChopInverse, "B.low": Chop, "brake": Off}},
		{"locked anti-phase reverse", twoLegs(), 0, Reverse, map[string]Pattern{
			"A.high": ChopInverse, "A.low": Chop, "B.high": Chop, "B.low": ChopInverse, "brake": Off}},
		{"unknown modulation expects nothing", threeLegs(Hall120, UnknownWord), 0b100, Forward, map[string]Pattern{}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got, valid := tt.family.Expected(tt.code, tt.direction)
			require.True(t, valid)
			require.Equal(t, tt.want, got)
		})
	}
}

func TestQuietPatterns(t *testing.T) {
	f := twoLegs()
	require.Equal(t, map[string]Pattern{"A.high": Toggle, "A.low": Toggle, "B.high": Toggle, "B.low": Toggle, "brake": Off}, f.Quiet(Idle))
	require.Equal(t, map[string]Pattern{"A.high": Off, "A.low": On, "B.high": Off, "B.low": On, "brake": Off}, f.Quiet(Inhibited))
	require.Equal(t, map[string]Pattern{"A.high": Off, "A.low": Off, "B.high": Off, "B.low": Off, "brake": Off}, f.Quiet(StartUp),
		"off is the default")
}

func TestDutyIsKnownOnlyWhereItProvesSomething(t *testing.T) {
	f := twoLegs()
	d, known := f.DutyOf(Chop)
	require.True(t, known)
	require.InDelta(t, 0.7, float64(d), 1e-12)
	d, known = f.DutyOf(ChopInverse)
	require.True(t, known)
	require.InDelta(t, 0.3, float64(d), 1e-12)
	d, known = f.DutyOf(Toggle)
	require.True(t, known)
	require.InDelta(t, 0.5, float64(d), 1e-12)
	f.Loop = "current"
	_, known = f.DutyOf(Chop)
	require.False(t, known, "a current loop without devices saturates")
}

func TestADriveWithoutHallsHasOneStateAndNoInvalidCode(t *testing.T) {
	f := twoLegs()
	require.Equal(t, []int{0}, f.Walk(Forward))
	require.Empty(t, f.Invalid())
	require.Zero(t, f.Spacing())
}

func TestAStageWithoutFiguresAllowsNothing(t *testing.T) {
	require.Equal(t, StageLimits{}, twoLegs().LimitsFor(Cold))
}
