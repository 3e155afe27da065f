package bench

import (
	"errors"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"benchwarden/daemon/event"
	"benchwarden/instruments/quantity"
)

// story plays what happens to a bus, reading by reading, at 100 ms.
type story struct {
	*down
	now time.Time
}

// heron is a bus of 470 uF with a bleeder of 3.9 kohm: RC is 1.833 s.
var heron = Drive{CapacitanceLeast: 376e-6, CapacitanceMost: 564e-6, BleederLeast: 3705, BleederMost: 4095}

const (
	heronC = 470e-6
	heronR = 3900.0
)

func newStory(d Drive, sink quantity.Amperes) *story {
	s := &story{newDown(50, func(v quantity.Volts) quantity.Volts { return 0.0005*v + 0.01 }), time.Unix(1_000_000, 0)}
	s.parameters(pull{drive: d, sink: sink})
	s.unfed(s.now) // the supply was found off at the start
	return s
}

func (s *story) state1() DownState { return s.state(s.now) }

func (s *story) reads(volts ...float64) *story {
	for _, v := range volts {
		s.read(s.now, s.now.Add(20*time.Millisecond), quantity.Volts(v))
		s.now = s.now.Add(100 * time.Millisecond)
	}
	return s
}

// up ramps the supply and the meter with it.
func (s *story) up(to float64) *story {
	s.fed()
	for v := 0.0; v <= to; v += to / 10 {
		s.supplyReads(s.now, quantity.Volts(v))
		s.reads(v)
	}
	return s
}

// falls lets the bus discharge through its bleeder for a time.
func (s *story) falls(from float64, lasts time.Duration) *story {
	for t := time.Duration(0); t < lasts; t += 100 * time.Millisecond {
		s.reads(from * math.Exp(-t.Seconds()/(heronC*heronR)))
	}
	return s
}

func (s *story) off() *story { s.unfed(s.now); return s }

func TestBusStateByItsHistory(t *testing.T) {
	tests := []struct {
		name string
		tell func(*story)
		want string
		why  string
	}{
		{"a program that has just started knows nothing", func(s *story) {}, event.NotProvenDown, "no reading at the drive's bus terminals"},
		{"zero volts after a start prove nothing: the lead may hang in the air", func(s *story) { s.reads(make([]float64, 50)...) },
			event.NotProvenDown, "nobody has proven the bus since"},
		{"a charged bus after a start is live", func(s *story) { s.reads(88, 88, 88) }, event.Live, "88 V"},
		{"a charged bus that is seen falling after a start is measured down", func(s *story) { s.falls(88, 4*time.Second) }, event.MeasuredDown, ""},
		{"energised is live, whatever the meter says", func(s *story) { s.fed(); s.reads(0, 0, 0) }, event.Live, "is fed"},
		{"followed up, fell by its bleeder, low for a second", func(s *story) { s.up(90).off().falls(90, 4*time.Second) }, event.MeasuredDown, ""},
		{"low, but not yet for a second", func(s *story) { s.up(90).off().falls(90, 1200*time.Millisecond) }, event.NotProvenDown, "a second reading below 50 V"},
		{"still above the safe voltage", func(s *story) { s.up(90).off().falls(90, 500*time.Millisecond) }, event.Live, "it should be below 50 V in"},
		{"the supply off reads 0 V at once but the lead fell off", func(s *story) { s.up(90).off().reads(make([]float64, 50)...) },
			event.NotProvenDown, "a lead fell off"},
		{"a lead that fell off while the bus was still fed", func(s *story) {
			s.up(90)
			for range 5 {
				s.supplyReads(s.now, 90)
				s.reads(0)
			}
			s.off().reads(make([]float64, 50)...)
		}, event.NotProvenDown, "a lead fell off"},
		{"a meter that never followed the bus up", func(s *story) {
			s.fed()
			for range 20 {
				s.supplyReads(s.now, 90)
				s.reads(0.1)
			}
			s.off().reads(make([]float64, 50)...)
		}, event.NotProvenDown, "has not been seen live since"},
		{"a meter that shows half of what the supply gives has not followed", func(s *story) {
			s.fed()
			for range 20 {
				s.supplyReads(s.now, 90)
				s.reads(45)
			}
			s.off().reads(44, 44, 44, 44, 44, 44, 44, 44, 44, 44, 44, 44, 44, 44)
		}, event.NotProvenDown, "has not been seen live since"},
		{"a supply that nobody reads: the meter was seen rising", func(s *story) {
			s.fed()
			s.reads(0, 0, 20, 40, 60, 80, 90).off().falls(90, 4*time.Second)
		}, event.MeasuredDown, ""},
		{"crossed leads are as live as straight ones", func(s *story) { s.up(90).off().reads(-88, -84, -80) }, event.Live, "80 V"},
		{"rebound takes the proof away", func(s *story) { s.up(90).off().falls(90, 4*time.Second).reads(52) }, event.Live, "52 V"},
		{"some volts of recovery below the safe voltage do not", func(s *story) { s.up(90).off().falls(90, 4*time.Second).reads(16, 18) },
			event.MeasuredDown, ""},
		{"the next energising takes it away", func(s *story) { s.up(90).off().falls(90, 4*time.Second).fed() }, event.Live, "is fed"},
		{"and it is not down again unless the meter followed again", func(s *story) {
			s.up(90).off().falls(90, 6*time.Second).fed()
			s.off().falls(3.4, 3*time.Second)
		}, event.NotProvenDown, "has not been seen live since"},
		{"a meter that stops answering on the way down", func(s *story) {
			s.up(90).off().falls(90, 1200*time.Millisecond)
			s.silentMeter(errors.New("no answer within 2s"))
			s.now = s.now.Add(10 * time.Second)
		}, event.NotProvenDown, "no answer within 2s"},
		{"a lead that is put back and then falls with the bus", func(s *story) {
			s.up(90).off().reads(88, 0.2, 0.1).falls(70, 4*time.Second)
		}, event.MeasuredDown, ""},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			s := newStory(heron, 0)
			tt.tell(s)
			got := s.state1()
			require.Equal(t, tt.want, got.State, got.Why)
			require.Contains(t, got.Why, tt.why)
			if got.State == event.NotProvenDown {
				require.NotEmpty(t, got.Do, "NOT PROVEN DOWN says what to do")
			}
		})
	}
}

func TestFastFallIsBelievedOnlyAsFarAsEverythingThatPullsExplainsIt(t *testing.T) {
	for _, tt := range []struct {
		name string
		sink quantity.Amperes
		want string
	}{
		{"the bleeder alone cannot", 0, event.NotProvenDown},
		// I = C·dU/dt: 0.5 A pulls 376 uF (the least) down from 90 V in 68 ms at the fastest.
		{"a supply that sinks half an ampere can", 0.5, event.MeasuredDown},
		{"one that sinks 50 mA needs 0.7 s", 0.05, event.NotProvenDown},
	} {
		t.Run(tt.name, func(t *testing.T) {
			s := newStory(heron, tt.sink)
			s.up(90).off().reads(90, 45).reads(make([]float64, 20)...)
			require.Equal(t, tt.want, s.state1().State, s.state1().Why)
		})
	}
}

func TestToleranceOfThePartsIsNoFallenLead(t *testing.T) {
	for _, c := range []float64{0.8, 1, 1.2} {
		for _, r := range []float64{0.95, 1, 1.05} {
			s := newStory(heron, 0)
			s.up(90).off()
			for i := range 60 {
				s.reads(90 * math.Exp(-float64(i)*0.1/(heronC*heronR*c*r)))
			}
			require.Equal(t, event.MeasuredDown, s.state1().State, "C x %v, R x %v: %s", c, r, s.state1().Why)
		}
	}
}

func TestSlowFallIsSaid(t *testing.T) {
	s := newStory(heron, 0)
	s.up(90).off()
	for i := range 100 { // the bleeder is open: only leakage pulls
		s.reads(90 - float64(i)*0.01)
	}
	got := s.state1()
	require.Equal(t, event.Live, got.State)
	require.Contains(t, got.Why, "something still feeds it, or the bleeder is open")
}

func TestAnUnknownCapacitanceCannotBeMeasuredDown(t *testing.T) {
	s := newStory(Drive{}, 0)
	s.up(90).off().falls(90, 5*time.Second)
	got := s.state1()
	require.Equal(t, event.NotProvenDown, got.State)
	require.Contains(t, got.Why, "the bus capacitance is not known")
}

func TestProofByHand(t *testing.T) {
	tests := []struct {
		name    string
		tell    func(*story)
		by      string
		reading quantity.Volts
		wantErr string
	}{
		{"a person with a name and a low reading", func(*story) {}, "M. Quist", 0.3, ""},
		{"crossed leads count by their size", func(*story) {}, "M. Quist", -0.3, ""},
		{"nobody", func(*story) {}, "", 0.3, "needs the name"},
		{"above the safe voltage", func(*story) {}, "M. Quist", 61, "down below 50 V only"},
		{"negative and live", func(*story) {}, "M. Quist", -61, "down below 50 V only"},
		{"no number", func(*story) {}, "M. Quist", quantity.Volts(math.NaN()), "down below 50 V only"},
		{"while the bus is fed", func(s *story) { s.up(90) }, "M. Quist", 0.3, "switch it off"},
		{"against the meter at the bus", func(s *story) { s.up(90).off().reads(88) }, "M. Quist", 0.3, "the meter at the bus shows 88 V"},
		{"after a lead fell off", func(s *story) { s.up(90).off().reads(88, 0, 0) }, "M. Quist", 0.3, ""},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			s := newStory(heron, 0)
			tt.tell(s)
			err := s.prove(s.now, tt.by, tt.reading)
			if tt.wantErr != "" {
				require.ErrorContains(t, err, tt.wantErr)
				require.False(t, s.state1().Down())
				return
			}
			require.NoError(t, err)
			got := s.state1()
			require.Equal(t, event.ProvenByHand, got.State)
			require.Equal(t, tt.by, got.By)
		})
	}
}

func TestProofByHandHoldsUntilTheBusIsFedOrComesBack(t *testing.T) {
	s := newStory(heron, 0)
	require.NoError(t, s.prove(s.now, "M. Quist", 0.2))
	s.now = s.now.Add(time.Hour)
	require.True(t, s.state1().Down(), "a bus that was not energised since stays proven")
	s.reads(0.1, 0.1, 71)
	require.Equal(t, event.Live, s.state1().State)

	s = newStory(heron, 0)
	require.NoError(t, s.prove(s.now, "M. Quist", 0.2))
	s.fed()
	require.False(t, s.state1().Down())
}

func TestJumpersNeedALowerVoltage(t *testing.T) {
	s := newStory(heron, 0)
	s.up(90).off().falls(90, 4*time.Second) // 10 V
	require.True(t, s.state(s.now).Down())
	got := s.stateBelow(5, s.now)
	require.Equal(t, event.NotProvenDown, got.State)
	require.Contains(t, got.Why, "below 5 V")
	s.reads(6, 4.9, 4.8)
	require.False(t, s.stateBelow(5, s.now).Down(), "one second has not passed")
	s.falls(4.7, 1500*time.Millisecond)
	require.True(t, s.stateBelow(5, s.now).Down())

	require.NoError(t, s.prove(s.now, "M. Quist", 12))
	require.False(t, s.stateBelow(5, s.now).Down(), "proven by hand at 12 V is not 5 V")
}

func TestSilentMeterLeavesTheProofButSaysThatNobodyWatches(t *testing.T) {
	s := newStory(heron, 0)
	s.up(90).off().falls(90, 4*time.Second)
	s.silentMeter(errors.New("no answer"))
	s.now = s.now.Add(7 * time.Second)
	got := s.state1()
	require.Equal(t, event.MeasuredDown, got.State)
	require.Contains(t, got.Why, "nobody would see the bus come back")
}
