package drive

import (
	"path/filepath"
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

func TestLearntIsAListOrFalse(t *testing.T) {
	_, err := Decode("x.yaml", changed(t, "unknown", "learnt: false", "learnt: true"))
	require.ErrorContains(t, err, "learnt: wants the list of the runs")
	f, err := Decode("x.yaml", changed(t, "unknown", "learnt: false", "learnt: [a, b]"))
	require.NoError(t, err)
	require.Equal(t, Learnt{"a", "b"}, f.Learnt)
}
