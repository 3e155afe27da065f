package drive

import (
	"math"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"benchwarden/instruments/quantity"
)

func lesson(least, most quantity.Value, u float64) *Lesson {
	return &Lesson{Least: least, Most: most, U: u}
}

func TestALearntFamilyHoldsWhatTheGoodUnitShowedAndIsNeverWider(t *testing.T) {
	base, err := Load(filepath.Join(configured, "unknown.yaml"))
	require.NoError(t, err)
	text, told, err := Learn(base, "dunlin", "Learnt from unit 'X 1'", []string{"run-1", "run-2"}, Lessons{
		On:          lesson(quantity.Volts(14.8).Value(), quantity.Volts(15.1).Value(), 0.3),
		Off:         lesson(quantity.Volts(-0.1).Value(), quantity.Volts(0.05).Value(), 0.1),
		Frequency:   lesson(quantity.Hertz(8000).Value(), quantity.Hertz(8040).Value(), 0),
		DeadTime:    lesson(quantity.Seconds(1e-6).Value(), quantity.Seconds(1.2e-6).Value(), 20e-9),
		Capacitance: lesson(quantity.Farads(950e-6).Value(), quantity.Farads(950e-6).Value(), 40e-6),
		Quiescent:   lesson(quantity.Amperes(0.017).Value(), quantity.Amperes(0.017).Value(), 0.001),
	})
	require.NoError(t, err)
	require.Len(t, told, 6)
	f, err := Decode("dunlin.yaml", []byte(text))
	require.NoError(t, err, text)
	require.Equal(t, "dunlin", f.Name)
	require.Equal(t, "Learnt from unit 'X 1'", f.Title)
	require.Equal(t, Learnt{"run-1", "run-2"}, f.Learnt)
	require.InDelta(t, 14.8-0.3-1.52, float64(f.Gate.On.Low), 1e-3)
	require.InDelta(t, 15.1+0.3+1.52, float64(f.Gate.On.High), 1e-3)
	require.Equal(t, base.Gate.Off.High, f.Gate.Off.High, "no limit becomes wider")
	require.InDelta(t, 8020, float64(f.Modulation.Frequency), 1)
	require.InDelta(t, 0.0525, float64(f.Modulation.Within), 1e-3)
	require.InDelta(t, 1e-6-20e-9-0.36e-6, float64(f.Modulation.DeadTime.Shortest), 1e-9)
	require.InDelta(t, 950e-6, float64(f.Bus.Capacitance), 1e-9)
	require.InDelta(t, 0.2421, float64(f.Bus.CapWithin), 1e-3)
	require.InDelta(t, 0.0231, float64(f.Bus.Quiescent.High), 1e-4)

	_, _, err = Learn(f, "again", "again", []string{"run-3"}, Lessons{Capacitance: lesson(quantity.Farads(950e-6).Value(), quantity.Farads(950e-6).Value(), 0)})
	require.ErrorContains(t, err, "learnt already")
	_, _, err = Learn(base, "nothing", "nothing", []string{"run-1"}, Lessons{})
	require.ErrorContains(t, err, "no figure")
}

func TestRailsAndBleederAreLearntToo(t *testing.T) {
	base, err := Load(filepath.Join(configured, "heron.yaml"))
	require.NoError(t, err)
	text, told, err := Learn(base, "dunlin", "Learnt", []string{"run-1"}, Lessons{
		Rails: map[string]*Lesson{"logic": lesson(quantity.Volts(5.02).Value(), quantity.Volts(5.02).Value(), 0.01),
			"low_minus": lesson(quantity.Volts(-8.1).Value(), quantity.Volts(-8.1).Value(), 0.02)},
		Ripples:         map[string]*Lesson{"logic": lesson(quantity.Volts(0.02).Value(), quantity.Volts(0.02).Value(), 0.005)},
		Capacitance:     lesson(quantity.Farads(460e-6).Value(), quantity.Farads(460e-6).Value(), 10e-6),
		Bleeder:         lesson(quantity.Ohms(3950).Value(), quantity.Ohms(3950).Value(), 20),
		SupplyCapacity:  50e-6,
		FittedQuiescent: lesson(quantity.Amperes(0.0155).Value(), quantity.Amperes(0.0155).Value(), 0.0002),
		LoadRipple:      lesson(quantity.Volts(0.1).Value(), quantity.Volts(0.1).Value(), 0.01),
	})
	require.NoError(t, err)
	require.Len(t, told, 7)
	f, err := Decode("dunlin.yaml", []byte(text))
	require.NoError(t, err, text)
	logic := f.Rails["logic"]
	require.InDelta(t, (4.8+5.2)/2, float64(logic.Nominal), 1e-4, "5 % of room reaches beyond 4 % of 5 V on both sides: what was allowed stays")
	require.InDelta(t, 0.04, float64(logic.Within), 2e-4)
	require.InDelta(t, 0.045, float64(logic.Ripple), 1e-6, "as much again, and the uncertainty")
	minus := f.Rails["low_minus"]
	require.InDelta(t, -8.1, float64(minus.Nominal), 1e-3, "a negative rail")
	require.InDelta(t, (0.405+0.02)/8.1, float64(minus.Within), 2e-4)
	require.Equal(t, base.Rails["low_plus"], f.Rails["low_plus"], "a rail that was not seen stays as it was")
	require.Equal(t, base.Fitted.Quiescent, f.Fitted.Quiescent, "30 % of room reaches beyond what was allowed on both sides")
	require.InDelta(t, 0.21, float64(f.Fitted.Ripple), 1e-6)

	// The drive that taught passes, and what the discharge may take is no wider on any side.
	taught := 3950 * (460e-6 + 50e-6)
	low, high := dischargeLimits(f, 50e-6)
	before, most := dischargeLimits(base, 50e-6)
	require.Less(t, low, taught)
	require.Greater(t, high, taught)
	require.GreaterOrEqual(t, low, before)
	require.LessOrEqual(t, high, most)
}

// dischargeLimits are those that bus_ramp holds a time constant to.
func dischargeLimits(f *Family, supply float64) (low, high float64) {
	nominal, spread := (float64(f.Bus.Capacitance)+supply)*float64(f.Bus.Bleeder), float64(f.Bus.CapWithin+f.Bus.BleedWithin)
	return nominal * (1 - spread), nominal * (1 + spread)
}

func TestTheBleederFollowsFromDischargeAndCapacitance(t *testing.T) {
	b := Bus{Capacitance: 1000e-6, Bleeder: 10e3}
	r, supply := b.BleederBehind(quantity.Seconds(8.4e3*(900e-6+100e-6)), quantity.Seconds(10e3*1100e-6), 900e-6)
	require.InDelta(t, 8400, float64(r), 1e-6)
	require.InDelta(t, 100e-6, float64(supply), 1e-12)
}

func units(n int, centre, spread float64) *Lesson {
	l := &Lesson{Units: n, U: 0.01}
	for i := range n {
		l.Each = append(l.Each, centre+spread*(2*float64(i)/float64(n-1)-1))
	}
	l.Least, l.Most = quantity.Volts(l.Each[0]).Value(), quantity.Volts(l.Each[n-1]).Value()
	return l
}

func TestManyUnitsGiveLimitsByTheirSpreadAndFewDoNot(t *testing.T) {
	base, err := Load(filepath.Join(configured, "unknown.yaml"))
	require.NoError(t, err)
	learnt := func(l *Lesson) (Rail, string) {
		text, told, err := Learn(base, "dunlin", "Learnt", []string{"run-1"}, Lessons{Rails: map[string]*Lesson{"driver": l}})
		require.NoError(t, err)
		f, err := Decode("dunlin.yaml", []byte(text))
		require.NoError(t, err)
		return f.Rails["driver"], told[0]
	}
	few, told := learnt(units(11, 15, 0.1))
	require.InDelta(t, 15, float64(few.Nominal), 1e-3)
	require.InDelta(t, (0.1+0.01+0.75)/15, float64(few.Within), 2e-4, "a stated room")
	require.NotContains(t, told, "spread")

	many, told := learnt(units(13, 15, 0.12))
	// Of 13 evenly spaced readings the quartiles (Hyndman and Fan, definition 8) are 6 2/3 places apart: 6 2/3 x 0.02 V over 1.35.
	sigma := (6 + 2.0/3) * 0.02 / 1.35
	require.InDelta(t, (6*sigma+0.01)/15, float64(many.Within), 2e-4)
	require.Contains(t, told, "by the spread of 13 units")

	wild := units(13, 15, 0.12)
	wild.Each[12], wild.Most = 17, quantity.Volts(17).Value()
	robust, told := learnt(wild)
	require.InDelta(t, float64(many.Within), float64(robust.Within), 1e-4, "one wild unit moves nothing")
	require.Contains(t, told, "1 of 13 readings lie outside")

	worst := units(13, 15, 0.12)
	worst.Each = nil
	_, told = learnt(worst)
	require.NotContains(t, told, "spread", "the worst of many says nothing of the others")
}

// Whatever good units showed within the limits that they passed by, no limit becomes wider.
func TestNoLimitBecomesWiderWhateverWasSeen(t *testing.T) {
	random := rand.New(rand.NewPCG(5, 6))
	for _, name := range []string{"heron", "plover", "wren", "unknown"} {
		base, err := Load(filepath.Join(configured, name+".yaml"))
		require.NoError(t, err)
		for range 8 {
			within := func(low, high float64, unit quantity.Unit) *Lesson {
				l := &Lesson{Units: 1 + random.IntN(30), U: random.Float64() * (high - low)}
				for range l.Units {
					l.Each = append(l.Each, low+(high-low)*(0.01+0.98*random.Float64()))
				}
				l.Least, l.Most = quantity.Value{Number: slices.Min(l.Each), Unit: unit}, quantity.Value{Number: slices.Max(l.Each), Unit: unit}
				return l
			}
			about := func(v quantity.Value, share quantity.Ratio) *Lesson {
				return within(v.Number-math.Abs(v.Number)*float64(share), v.Number+math.Abs(v.Number)*float64(share), v.Unit)
			}
			l := Lessons{Frequency: about(base.Modulation.Frequency.Value(), base.Modulation.Within), Rails: map[string]*Lesson{},
				Capacitance: about(base.Bus.Capacitance.Value(), base.Bus.CapWithin), Bleeder: about(base.Bus.Bleeder.Value(), base.Bus.BleedWithin),
				Quiescent: within(float64(base.Bus.Quiescent.Low), float64(base.Bus.Quiescent.High), quantity.Ampere), SupplyCapacity: quantity.Farads(100e-6 * random.Float64())}
			for rail, r := range base.Rails {
				l.Rails[rail] = about(r.Nominal.Value(), r.Within)
			}
			text, _, err := Learn(base, "dunlin", "Learnt", []string{"run"}, l)
			require.NoError(t, err)
			f, err := Decode("dunlin.yaml", []byte(text))
			require.NoError(t, err, text)
			inside := func(what string, low, high, lowest, highest float64) {
				room := 1e-12 * (math.Abs(lowest) + math.Abs(highest))
				require.GreaterOrEqual(t, low, lowest-room, "%s %s", name, what)
				require.LessOrEqual(t, high, highest+room, "%s %s", name, what)
			}
			band := func(v quantity.Value, share quantity.Ratio) (float64, float64) {
				m := math.Abs(v.Number) * float64(share)
				return v.Number - m, v.Number + m
			}
			for rail, was := range base.Rails {
				low, high := band(f.Rails[rail].Nominal.Value(), f.Rails[rail].Within)
				lowest, highest := band(was.Nominal.Value(), was.Within)
				inside(rail, low, high, lowest, highest)
			}
			low, high := band(f.Bus.Bleeder.Value(), f.Bus.BleedWithin)
			lowest, highest := band(base.Bus.Bleeder.Value(), base.Bus.BleedWithin)
			inside("bleeder", low, high, lowest, highest)
			low, high = band(f.Bus.Capacitance.Value(), f.Bus.CapWithin)
			lowest, highest = band(base.Bus.Capacitance.Value(), base.Bus.CapWithin)
			inside("capacitance", low, high, lowest, highest)
			low, high = dischargeLimits(f, float64(l.SupplyCapacity))
			lowest, highest = dischargeLimits(base, float64(l.SupplyCapacity))
			inside("discharge", low, high, lowest, highest)
		}
	}
}

func TestLearntIsAListOrFalse(t *testing.T) {
	_, err := Decode("x.yaml", changed(t, "unknown", "learnt: false", "learnt: true"))
	require.ErrorContains(t, err, "learnt: wants the list of the runs")
	f, err := Decode("x.yaml", changed(t, "unknown", "learnt: false", "learnt: [a, b]"))
	require.NoError(t, err)
	require.Equal(t, Learnt{"a", "b"}, f.Learnt)
}
