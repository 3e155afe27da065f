package plant

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestParseFault(t *testing.T) {
	tests := []struct {
		text string
		want Fault
	}{
		{"channel_dead:B.low", Fault{Name: "channel_dead", Target: "B.low"}},
		{"rail_low:logic=0.8", Fault{Name: "rail_low", Target: "logic", Size: 0.8, Sized: true}},
		{"rail_low:logic=80 %", Fault{Name: "rail_low", Target: "logic", Size: 0.8, Sized: true}},
		{"dead_time_short=200 ns", Fault{Name: "dead_time_short", Size: 200e-9, Sized: true}},
		{"dead_time_short:B=0.2 us", Fault{Name: "dead_time_short", Target: "B", Size: 0.2e-6, Sized: true}},
		{"pulses_missing:A.low=100", Fault{Name: "pulses_missing", Target: "A.low", Size: 100, Sized: true}},
		{"reference_offset=-0.5 V", Fault{Name: "reference_offset", Size: -0.5, Sized: true}},
		{"bus_short", Fault{Name: "bus_short"}},
		{"channels_swapped:A.high,B.low", Fault{Name: "channels_swapped", Target: "A.high,B.low"}},
		{"stuck_on:A.high@bus=40 V", Fault{Name: "stuck_on", Target: "A.high", When: WhenBus, At: 40}},
		{"stuck_off:C.low@warm=20 s", Fault{Name: "stuck_off", Target: "C.low", When: WhenWarm, At: 20}},
		{"hall_open:2@tapped", Fault{Name: "hall_open", Target: "2", When: WhenTapped}},
	}
	for _, tt := range tests {
		t.Run(tt.text, func(t *testing.T) {
			got, err := ParseFault(tt.text)
			require.NoError(t, err)
			require.InDelta(t, tt.want.Size, got.Size, 1e-15)
			got.Size = tt.want.Size
			require.Equal(t, tt.want, got)
			again, err := ParseFault(got.String())
			require.NoError(t, err)
			require.Equal(t, got, again)
		})
	}
}

func TestParseFaultRefuses(t *testing.T) {
	tests := []struct{ name, text, says string }{
		{"a misspelt name, with the near miss", "chanel_dead:A.low", "did you mean channel_dead?"},
		{"nonsense, with all there are", "qqqqqqqqqqqqqqqqqqqqqqqqqqqqqqqq", "there are bleeder_open"},
		{"nothing", "", "not known"},
		{"a size where there is none", "channel_dead:A.low=3", "takes no size"},
		{"a target where there is none", "bus_short:A", "takes no target"},
		{"no target where one is needed", "stuck_on", "needs a target, as in stuck_on:B.low"},
		{"a size without its unit", "dead_time_short=200", "dead_time_short"},
		{"a size of another unit", "dead_time_short=200 mV", "dead_time_short"},
		{"a part that is no number", "rail_low:logic=much", "no number"},
		{"a negative part", "rail_low:logic=-1", "out of range"},
		{"not a number", "rail_low:logic=NaN", "out of range"},
		{"an unknown condition", "stuck_on:A.low@monday", "none of bus, warm, tapped"},
		{"a condition without value", "stuck_on:A.low@bus", "with unit"},
		{"a tap with value", "stuck_on:A.low@tapped=3", "takes no value"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, err := ParseFault(tt.text)
			require.ErrorContains(t, err, tt.says)
		})
	}
}

func TestADriveRefusesFaultsItCannotHave(t *testing.T) {
	tests := []struct {
		p          Params
		text, says string
	}{
		{heron(), "bootstrap_diode_open:A.high", "no bootstrap"},
		{plover(), "bootstrap_diode_open:A.low", `no high side "A.low"`},
		{plover(), "no_negative_bias:A.low", "no negative off level"},
		{plover(), "sense_always_reports", "no sense line"},
		{heron(), "relay_welded", "no soft charge"},
		{wren(), "hall_open:1", "no Hall inputs"},
		{wren(), "channel_dead:C.low", "there are A.high, A.low, B.high, B.low"},
		{heron(), "rail_low:drivers", "there are hall, high_A_minus"},
		{heron(), "channels_swapped:A.high", "no pair"},
		{heron(), "permissive_stuck_given:door", "no permissive"},
		{heron(), "dead_time_short:D=1 us", `no leg "D"`},
		{heron(), "hall_swapped:1,4", "no lines"},
		{heron(), "reference_polarity_missing:up", "no polarity"},
	}
	for _, tt := range tests {
		t.Run(tt.p.Name+" "+tt.text, func(t *testing.T) {
			f, err := ParseFault(tt.text)
			require.NoError(t, err)
			_, err = New(tt.p, Options{Faults: []Fault{f}})
			require.ErrorContains(t, err, tt.says)
		})
	}
	_, err := New(heron(), Options{Faults: []Fault{{Name: "no_such"}}})
	require.ErrorContains(t, err, "not simulated")
}

func TestExamplesOfAllKindsCanBeRead(t *testing.T) {
	for _, k := range Faults() {
		f, err := ParseFault(k.Example())
		require.NoError(t, err, k.Name)
		require.Equal(t, k.Name, f.Name)
		require.NotEmpty(t, k.Text)
		require.Equal(t, k.Unit != "", k.Default != "", "%s: a size has a default that is told", k.Name)
	}
}

func FuzzParseFault(f *testing.F) {
	for _, k := range Faults() {
		f.Add(k.Example())
	}
	f.Add("stuck_on:A.high=1@bus=40 V")
	f.Fuzz(func(t *testing.T, text string) {
		fault, err := ParseFault(text)
		if err != nil {
			require.False(t, strings.Contains(err.Error(), "%!"), err.Error())
			return
		}
		again, err := ParseFault(fault.String())
		require.NoError(t, err, "%q was read as %q", text, fault.String())
		require.Equal(t, fault, again)
	})
}
