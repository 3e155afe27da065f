package station

import (
	"encoding/json"
	"flag"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"go.yaml.in/yaml/v3"
)

var mutations = flag.String("mutations", "", "which defects TestMutations puts in: a part of a name, or all; empty: it is only looked whether each still fits")

// mutation is a deliberate defect.
type mutation struct {
	Name string `yaml:"name"`
	File string `yaml:"file"`
	Old  string `yaml:"old"`
	New  string `yaml:"new"`
	By   string `yaml:"by"` // the package whose tests find it; empty: the simulated seeds
}

// withinSeeds is how many seeds may be needed to find a defect.
const withinSeeds = "3000"

// TestMutations puts each defect of the list into a copy of its file and demands that it is found.
func TestMutations(t *testing.T) {
	data, err := os.ReadFile("testdata/mutations.yaml")
	require.NoError(t, err)
	var list []mutation
	require.NoError(t, yaml.Unmarshal(data, &list))
	require.GreaterOrEqual(t, len(list), 12)
	for _, m := range list {
		t.Run(m.Name, func(t *testing.T) {
			path, err := filepath.Abs(filepath.Join("../..", m.File))
			require.NoError(t, err)
			text, err := os.ReadFile(path)
			require.NoError(t, err)
			require.Equal(t, 1, strings.Count(string(text), m.Old), "the code has changed: %s no longer holds once what this defect replaces; mend the list", m.File)
			if *mutations == "" || *mutations != "all" && !strings.Contains(m.Name, *mutations) {
				return
			}
			dir := t.TempDir()
			changed := filepath.Join(dir, "changed.go")
			require.NoError(t, os.WriteFile(changed, []byte(strings.Replace(string(text), m.Old, m.New, 1)), 0o600))
			overlay, err := json.Marshal(map[string]map[string]string{"Replace": {path: changed}})
			require.NoError(t, err)
			overlayFile := filepath.Join(dir, "overlay.json")
			require.NoError(t, os.WriteFile(overlayFile, overlay, 0o600))
			args := []string{"test", "-overlay", overlayFile, "-timeout", "10m"}
			if m.By == "" {
				args = append(args, "benchwarden/daemon/station", "-run", "^(TestSeeds|TestEachExchangeLost)$", "-failfast", "-short", "-seeds", withinSeeds, "-until-broken")
			} else {
				args = append(args, "benchwarden/"+strings.TrimPrefix(m.By, "./"), "-failfast")
			}
			said, err := exec.Command("go", args...).CombinedOutput()
			require.Error(t, err, "nobody found it")
			require.NotContains(t, string(said), "[build failed]", "the defect does not compile: %s", said)
			require.Regexp(t, "--- FAIL|panic:", string(said), "it ended for another reason than a test")
			t.Logf("found: %s", firstSaid(string(said)))
		})
	}
}

// firstSaid is the most telling line of what a test said.
func firstSaid(said string) string {
	for _, line := range strings.Split(said, "\n") {
		if strings.Contains(line, " broke ") || strings.Contains(line, "--- FAIL") || strings.Contains(line, "panic:") {
			return strings.TrimSpace(line)
		}
	}
	return strings.TrimSpace(strings.SplitN(said, "\n", 2)[0])
}
