package drive

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// own gives a copy of a family's file that may be changed.
func own(t *testing.T, name string) string {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("../../configs/families", name+ending))
	require.NoError(t, err)
	path := filepath.Join(t.TempDir(), name+ending)
	require.NoError(t, os.WriteFile(path, text, 0o644))
	return path
}

func loaded(t *testing.T, path string) *Family {
	t.Helper()
	f, err := Load(path)
	require.NoError(t, err)
	return f
}

var noon = time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)

func anything(*Family) error { return nil }

func TestAChangedLimitKeepsEveryOtherByteOfTheFile(t *testing.T) {
	path := own(t, "heron")
	before := loaded(t, path)
	c, err := before.SetLimits(Board, map[string]string{"bus_voltage": "95 V", "current_limit": "120mA"}, "R. Finch", "smaller bridge", noon, anything)
	require.NoError(t, err)
	require.Equal(t, []Changed{{"board.bus_voltage", "100 V", "95 V"}, {"board.current_limit", "150 mA", "120 mA"}}, c.Changed)
	at := strings.Index(before.Text(), "  board:\n")
	want := before.Text()[:at] + strings.Replace(strings.Replace(before.Text()[at:], "bus_voltage: 100 V", "bus_voltage: 95 V", 1),
		"current_limit: 150 mA #", "current_limit: 120mA #", 1)
	require.Equal(t, want, loaded(t, path).Text())
}

func TestALimitThatTheFileDoesNotHaveIsAdded(t *testing.T) {
	path := own(t, "heron")
	_, err := loaded(t, path).SetLimits(Soak, map[string]string{"ramp_time": "90 s"}, "R. Finch", "slow supply", noon, anything)
	require.NoError(t, err)
	require.EqualValues(t, 90, loaded(t, path).Stages[Soak].RampTime)
}

func TestARefusedChangeWritesNothing(t *testing.T) {
	for _, tt := range []struct{ name, key, value, who, reason, want string }{
		{"nobody", "bus_voltage", "95 V", " ", "why", "a person with a name"},
		{"no reason", "bus_voltage", "95 V", "R. Finch", "", "for a reason"},
		{"near miss", "bus_volts", "95 V", "R. Finch", "why", "did you mean bus_voltage?"},
		{"another unit", "bus_voltage", "95 A", "R. Finch", "why", "bus_voltage"},
		{"a trip that could never act", "bus_current", "150 mA", "R. Finch", "why", "could never act"},
		{"past the drive's ratings", "bus_voltage", "500 V", "R. Finch", "why", "a fifth above the nominal bus"},
		{"below what a good drive needs", "bus_voltage", "90 V", "R. Finch", "why", "above the reduced bus"},
		{"what stands already", "bus_voltage", "100 V", "R. Finch", "why", "nothing would change"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			path := own(t, "heron")
			f := loaded(t, path)
			_, err := f.SetLimits(Board, map[string]string{tt.key: tt.value}, tt.who, tt.reason, noon, anything)
			require.ErrorContains(t, err, tt.want)
			require.Equal(t, f.Text(), loaded(t, path).Text())
			changes, err := f.History()
			require.NoError(t, err)
			require.Empty(t, changes)
		})
	}
}

func TestAFileEditedByHandIsNoticedOnce(t *testing.T) {
	path := own(t, "heron")
	c, err := loaded(t, path).NoticeEdits(noon)
	require.NoError(t, err)
	require.Nil(t, c, "nothing to hold the first file against")
	require.NoFileExists(t, historyOf(path))
	_, err = loaded(t, path).SetLimits(Soak, map[string]string{"bus_voltage": "344 V"}, "R. Finch", "trial", noon, anything)
	require.NoError(t, err)
	text := loaded(t, path).Text()
	require.NoError(t, os.WriteFile(path, []byte("# a comment is no limit\n"+text), 0o644))
	c, err = loaded(t, path).NoticeEdits(noon)
	require.NoError(t, err)
	require.Nil(t, c)
	require.NoError(t, os.WriteFile(path, []byte(strings.Replace(text, "bus_voltage: 100 V", "bus_voltage: 110 V", 1)), 0o644))
	c, err = loaded(t, path).NoticeEdits(noon)
	require.NoError(t, err)
	require.NotNil(t, c)
	require.Equal(t, EditedByHand, c.Reason)
	require.Equal(t, []Changed{{"board.bus_voltage", "100 V", "110 V"}}, c.Changed)
	c, err = loaded(t, path).NoticeEdits(noon)
	require.NoError(t, err)
	require.Nil(t, c)
}

func TestACutHistoryShows(t *testing.T) {
	path := own(t, "heron")
	for _, v := range []string{"95 V", "96 V", "97 V"} {
		_, err := loaded(t, path).SetLimits(Board, map[string]string{"bus_voltage": v}, "R. Finch", "trial", noon, anything)
		require.NoError(t, err)
	}
	whole, err := os.ReadFile(historyOf(path))
	require.NoError(t, err)
	lines := strings.SplitAfter(strings.TrimSuffix(string(whole), "\n"), "\n")
	require.Len(t, lines, 4)
	for name, damaged := range map[string]string{
		"the first line cut out":  strings.Join(lines[1:], ""),
		"a line cut out":          lines[0] + lines[1] + lines[3],
		"a name rewritten":        strings.Replace(string(whole), "R. Finch", "A. Wader", 1),
		"lines that were swapped": lines[0] + lines[2] + lines[1] + lines[3],
		"a line cut short":        string(whole[:len(whole)-20]),
	} {
		t.Run(name, func(t *testing.T) {
			require.NoError(t, os.WriteFile(historyOf(path), []byte(damaged), 0o644))
			_, err := loaded(t, path).History()
			require.ErrorIs(t, err, ErrHistory)
			_, err = loaded(t, path).SetLimits(Board, map[string]string{"bus_voltage": "98 V"}, "R. Finch", "trial", noon, anything)
			require.ErrorIs(t, err, ErrHistory)
		})
	}
	require.NoError(t, os.WriteFile(historyOf(path), []byte(strings.Join(lines[:3], "")), 0o644))
	c, err := loaded(t, path).NoticeEdits(noon)
	require.NoError(t, err)
	require.NotNil(t, c, "the last line cut off: the file no longer is what its history says")
}

func TestAChangeThatSomebodyElseMadeMeanwhileIsNotLost(t *testing.T) {
	path := own(t, "heron")
	mine, theirs := loaded(t, path), loaded(t, path)
	_, err := theirs.SetLimits(Board, map[string]string{"bus_voltage": "95 V"}, "A. Lowe", "smaller bridge", noon, func(*Family) error {
		_, err := mine.SetLimits(Board, map[string]string{"bus_current": "70 mA"}, "R. Finch", "quieter board", noon, anything)
		require.ErrorContains(t, err, "another program is changing limits at this moment")
		return nil
	})
	require.NoError(t, err)
	_, err = mine.SetLimits(Board, map[string]string{"bus_current": "70 mA"}, "R. Finch", "quieter board", noon, anything)
	require.ErrorContains(t, err, "family heron has changed since it was read")
	_, err = loaded(t, path).SetLimits(Board, map[string]string{"bus_current": "70 mA"}, "R. Finch", "quieter board", noon, anything)
	require.NoError(t, err)
	now := loaded(t, path).Stages[Board]
	require.Equal(t, []float64{95, 0.07}, []float64{float64(now.BusVoltage), float64(now.BusCurrent)})
}
