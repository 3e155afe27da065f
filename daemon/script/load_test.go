package script

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
)

// folder writes a script that loads, and the files that it loads from, and returns the script's path.
func folder(t *testing.T, script string, loaded map[string]string) string {
	t.Helper()
	dir := t.TempDir()
	for name, text := range loaded {
		require.NoError(t, os.MkdirAll(filepath.Dir(filepath.Join(dir, name)), 0o700))
		require.NoError(t, os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600))
	}
	path := filepath.Join(dir, "trial.star")
	require.NoError(t, os.WriteFile(path, []byte(script), 0o600))
	return path
}

func TestAScriptUsesWhatItLoads(t *testing.T) {
	script := `load("with/power.star", "power")` + head + "def run(drive):\n    power(drive)\n"
	loaded := map[string]string{
		"with/power.star": `load("with/steps.star", "first")` + "\ndef power(drive):\n    bus.on(first)\n",
		"with/steps.star": "first = 10 * V\n",
	}
	s, err := Read(folder(t, script, loaded))
	require.NoError(t, err)
	rig := &fakeRig{highest: 100}
	_, err = Run(t.Context(), s, heron(t), rig, &freeSlot{})
	require.NoError(t, err)
	require.NotEmpty(t, rig.did)
	for _, text := range loaded {
		require.Contains(t, s.Text(), text, "the run is kept with all of its text")
	}

	loaded["with/steps.star"] = "first = 11 * V\n"
	other, err := Read(folder(t, script, loaded))
	require.NoError(t, err)
	require.NotEqual(t, s.SHA256, other.SHA256, "another text is another hash, whichever file it stands in")
}

func TestWhatIsLoadedIsHeldToTheSameRules(t *testing.T) {
	run := "def run(drive):\n    power(drive)\n"
	tests := []struct {
		name, load string
		loaded     map[string]string
		want       string
	}{
		{"not there", `load("with/power.star", "power")`, nil, `trial.star:1:6: load("with/power.star"): no such file or directory`},
		{"outside of the folder", `load("../power.star", "power")`, nil, `load("../power.star"): give a .star file by its path from the folder`},
		{"in a circle", `load("a.star", "power")`, map[string]string{"a.star": `load("b.star", "power")`, "b.star": `load("a.star", "power")`},
			`load("a.star") goes round in a circle: a.star loads b.star loads a.star`},
		{"without the name", `load("a.star", "power")`, map[string]string{"a.star": "x = 1\n"}, `load: name power not found in module a.star`},
		{"with a name that is not there", `load("a.star", "power")`, map[string]string{"a.star": "def power(drive):\n    bos.on()\n"}, "a.star:2:5: undefined: bos"},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			_, err := Read(folder(t, test.load+head+run, test.loaded))
			require.ErrorContains(t, err, test.want)
		})
	}
	for body, want := range map[string]string{
		"bus.set(400 * V)": "a.star:2:5: bus: 400 V is above 100 V",
		"bus.set(40)":      "a.star:2:12: bus.set: for parameter 1: got the bare number 40",
	} {
		rig := &fakeRig{highest: 100}
		s, err := Read(folder(t, `load("a.star", "power")`+head+run, map[string]string{"a.star": "def power(drive):\n    " + body + "\n"}))
		require.NoError(t, err)
		_, err = Run(t.Context(), s, heron(t), rig, &freeSlot{})
		require.ErrorContains(t, err, want)
		require.Empty(t, rig.did)
	}
}
