package plant

import (
	"math/bits"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"benchwarden/instruments/quantity"
)

// states captures what each leg does at a Hall code: H (high side conducts), L (low side conducts), - (both off).
func (b *bench) states(code int) string {
	b.t.Helper()
	b.Hall().SetCode(code)
	b.wait(60 * time.Millisecond)
	out := ""
	for _, leg := range b.params.Bridge.Legs {
		high, low := b.duty(leg+".high"), b.duty(leg+".low")
		switch {
		case high > 0.1 && low < 0.9:
			out += "H"
		case high == 0 && low > 0.99:
			out += "L"
		case high == 0 && low == 0:
			out += "-"
		default:
			out += "?"
		}
	}
	return out
}

func TestCapturedPatternsKeepTheSevenInvariantsOfCommutation(t *testing.T) {
	// Source of the rows: data sheet "10 A, 500 V, 3-phase IGBT brushless motor controller", Rev. B 10/00, "Commutation truth
	// table", both spacings. The invariants hold for every six-step table.
	forward := []string{"H-L", "-HL", "LH-", "L-H", "-LH", "HL-"}
	tests := []struct {
		name  string
		p     Params
		codes []int
	}{
		{"120 degrees", heron(), []int{0b100, 0b110, 0b010, 0b011, 0b001, 0b101}},
		{"60 degrees", plover(), []int{0b100, 0b110, 0b111, 0b011, 0b001, 0b000}},
	}
	for _, tt := range tests {
		for _, reverse := range []bool{false, true} {
			t.Run(tt.name+map[bool]string{false: " forward", true: " reverse"}[reverse], func(t *testing.T) {
				b := running(t, tt.p)
				if reverse {
					b.ask(-tt.p.Reference.Sweep)
				}
				var rows []string
				for i, code := range tt.codes {
					row := b.states(code)
					want := forward[i]
					if reverse {
						want = exchanged(want)
					}
					require.Equal(t, want, row, "code %03b", code)
					rows = append(rows, row)
				}
				checkInvariants(t, tt.codes, rows, tt.name == "120 degrees")
				for code := range 8 { // rule 2 in every state, valid or not
					b.Hall().SetCode(code)
					b.wait(30 * time.Millisecond)
					for _, leg := range tt.p.Bridge.Legs {
						requireNeverTogether(t, b, leg, 5*time.Millisecond)
					}
				}
			})
		}
	}
}

func exchanged(row string) string {
	out := ""
	for _, c := range row {
		out += map[rune]string{'H': "L", 'L': "H", '-': "-"}[c]
	}
	return out
}

func checkInvariants(t *testing.T, codes []int, rows []string, at120 bool) {
	t.Helper()
	count := func(row string, c byte) (n, at int) {
		for i := range len(row) {
			if row[i] == c {
				n, at = n+1, i
			}
		}
		return n, at
	}
	pairs, on, off := map[[2]int]int{}, map[[2]int][]int{}, map[int][]int{}
	for i, row := range rows {
		next := (i + 1) % 6
		for _, c := range []byte("HL-") { // rule 1
			n, _ := count(row, c)
			require.Equal(t, 1, n, "rule 1: %s", row)
		}
		_, h := count(row, 'H')
		_, l := count(row, 'L')
		_, o := count(row, '-')
		pairs[[2]int{h, l}]++
		on[[2]int{h, 1}] = append(on[[2]int{h, 1}], i)
		on[[2]int{l, 0}] = append(on[[2]int{l, 0}], i)
		off[o] = append(off[o], i)
		require.Equal(t, 1, bits.OnesCount(uint(codes[i]^codes[next])), "rule 3: one Hall bit changes")
		shared := 0
		for leg := range 3 {
			if row[leg] == rows[next][leg] && row[leg] != '-' {
				shared++
			}
		}
		require.Equal(t, 1, shared, "rule 4: %s to %s share one switch", row, rows[next])
		if at120 { // rule 5
			require.Equal(t, codes[i]^7, codes[(i+3)%6])
			require.Equal(t, exchanged(row), rows[(i+3)%6])
		}
	}
	require.Len(t, on, 6)
	for s, at := range on { // rule 6
		require.Len(t, at, 2, "switch %v", s)
		require.Contains(t, []int{1, 5}, at[1]-at[0], "switch %v conducts in steps that follow each other", s)
	}
	for leg, at := range off {
		require.Equal(t, 3, at[1]-at[0], "leg %d is off twice, half a turn apart", leg)
	}
	require.Len(t, pairs, 6, "rule 7: each pair once")
}

// requireNeverTogether looks at both gates of a leg: never both above the device's threshold.
func requireNeverTogether(t *testing.T, b *bench, leg string, d time.Duration) {
	t.Helper()
	high, low := b.look("gate:"+leg+".high", d, 50*time.Nanosecond), b.look("gate:"+leg+".low", d, 50*time.Nanosecond)
	threshold := float32(b.params.Device.MinimumThreshold)
	for i := range high {
		if high[i] > threshold && low[i] > threshold {
			require.Failf(t, "both gates on", "leg %s, sample %d: %v V and %v V", leg, i, high[i], low[i])
		}
	}
}

func TestBothGatesOfALegAreNeverOnTogetherWhileTheMotorTurnsAndReverses(t *testing.T) {
	for _, p := range []Params{heron(), plover(), wren()} {
		t.Run(p.Name, func(t *testing.T) {
			b := running(t, p)
			b.Hall().Spacing(map[string]int{"hall_60": 60, "hall_120": 120, "none": 120}[p.Commutation])
			b.Hall().Run(200, false)
			for i := range 4 {
				b.Reference().SetVoltage(p.Reference.Sweep * quantity.Volts(1-2*(i%2)))
				b.wait(40 * time.Millisecond)
				for _, leg := range p.Bridge.Legs {
					requireNeverTogether(t, b, leg, 40*time.Millisecond)
				}
			}
		})
	}
}

func TestAReversalNeverGivesBothGates(t *testing.T) {
	// The reference goes through zero at many places of the chopping period.
	for _, p := range []Params{heron(), plover()} {
		b := running(t, p)
		volts := p.Reference.Sweep
		for i := range 30 {
			volts = -volts
			b.wait(time.Duration(37+i*3) * time.Microsecond)
			b.Reference().SetVoltage(volts)
			b.wait(60 * time.Millisecond)
			for _, leg := range p.Bridge.Legs {
				requireNeverTogether(t, b, leg, 60*time.Millisecond)
			}
		}
	}
}
