package gates

import (
	"testing"

	"github.com/stretchr/testify/require"

	"benchwarden/instruments/quantity"
	"benchwarden/instruments/waveform"
)

func bandOf(b Beside) waveform.Band {
	from, to := b.Suspect.Start, b.Suspect.Time(b.Suspect.Len()-1)
	return waveform.BandOf(b.Others, from, to, 200)
}

func called(traces []waveform.Trace) (all []string) {
	for _, t := range traces {
		all = append(all, t.Name)
	}
	return all
}

// The suspect lies outside the band of its siblings where its fault is, and each of the others within that of the rest.
func TestASuspectIsLaidOverTheBandOfItsSiblings(t *testing.T) {
	for _, tt := range []struct {
		name, family, suspect, check string
		make                         func(b *board)
		others                       []string
		side                         float64 // where it lies outside: above or below
		between                      [2]quantity.Seconds
	}{
		{"slow rise", "plover", "C.high", "rise time", func(b *board) { b.channels["C.high"].tauUp = 250e-9 }, []string{"A.high", "B.high"}, 0, [2]quantity.Seconds{-500e-9, 500e-9}},
		{"slow fall", "wren", "B.high", "fall time", func(b *board) { b.channels["B.high"].tauDown = 250e-9 }, []string{"A.high", "A.low"}, 0, [2]quantity.Seconds{-500e-9, 500e-9}},
		{"low level", "heron", "C.low", "gate level on", func(b *board) { b.channels["C.low"].on = 11 }, []string{"A.low", "B.low"}, -1, [2]quantity.Seconds{-13e-6, 125e-6}},
		{"no negative bias", "heron", "B.high", "gate level off", func(b *board) { b.channels["B.high"].off = 0 }, []string{"A.high", "C.high"}, 1, [2]quantity.Seconds{-15e-6, 125e-6}},
		{"ringing", "heron", "C.high", "gate level on", func(b *board) { b.channels["C.high"].ring = 14 }, []string{"A.high", "B.high"}, 1, [2]quantity.Seconds{0, 1e-6}},
		{"narrow pulses", "plover", "B.high", "pulse timing", func(b *board) { b.channels["B.high"].onDelay = 4e-6 }, []string{"A.high", "C.high"}, -1, [2]quantity.Seconds{-5e-6, 50e-6}},
		{"dead", "heron", "A.high", "gate pattern", func(b *board) { b.channels["A.high"].stuck = "dead" }, []string{"B.high", "C.high"}, -1, [2]quantity.Seconds{0, 40e-6}},
		{"low level without family data", "unknown", "B.high", "gate level on", func(b *board) { b.channels["B.high"].on = 9.5 }, []string{"A.high", "C.high"}, -1, [2]quantity.Seconds{-6e-6, 60e-6}},
		{"stuck on", "plover", "C.high", "gate pattern", func(b *board) { b.channels["C.high"].stuck = "on" }, []string{"A.high", "B.high"}, 1, [2]quantity.Seconds{-5e-6, 50e-6}},
	} {
		t.Run(tt.name+" "+tt.family, func(t *testing.T) {
			b := newBoard(t, tt.family)
			tt.make(b)
			r := b.sweep(t, sight).Judge(Circumstances{})
			require.Len(t, r.Beside, 1)
			found := r.Beside[0]
			require.Equal(t, tt.suspect, found.Suspect.Name)
			require.Equal(t, tt.check, found.Check)
			require.Subset(t, called(found.Others), tt.others)
			require.NotContains(t, called(found.Others), tt.suspect)
			d := bandOf(found).Departure(found.Suspect, 0.5)
			require.NotZero(t, d.For, "it lies outside somewhere")
			if tt.side != 0 {
				require.Positive(t, float64(d.Furthest)*tt.side, "%v at %v", d.Furthest, d.At)
			}
			require.GreaterOrEqual(t, float64(d.At), float64(tt.between[0]))
			require.LessOrEqual(t, float64(d.At), float64(tt.between[1]))
			for i, o := range found.Others {
				require.Zero(t, bandOf(found).Departure(o, 1e-9).For, "%s lies within", o.Name)
				require.InDelta(t, float64(found.Suspect.Start), float64(o.Start), 2*float64(o.Step), "%d begins with the others", i)
			}
		})
	}
}

func TestWhatHasNoSoundSiblingsIsLaidOverNothing(t *testing.T) {
	for name, break_ := range map[string]func(b *board){
		"a good board":  func(*board) {},
		"nothing fires": func(b *board) { b.refuses = true },
		"all levels wrong": func(b *board) {
			for _, g := range b.channels {
				g.on = 11
			}
		},
		"no pulse anywhere": func(b *board) {
			for _, g := range b.channels {
				g.stuck = "off"
			}
		},
	} {
		b := newBoard(t, "heron")
		break_(b)
		require.Empty(t, b.sweep(t, sight).Judge(Circumstances{}).Beside, name)
	}
	require.Empty(t, New(newBoard(t, "heron").family, sight).Judge(Circumstances{}).Beside, "nothing seen")
}
