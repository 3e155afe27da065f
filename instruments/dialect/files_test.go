package dialect

import (
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
)

const ours = "../../configs/dialects"

func TestEveryDialectOfOursLoads(t *testing.T) {
	files, err := filepath.Glob(filepath.Join(ours, "*.yaml"))
	require.NoError(t, err)
	require.NotEmpty(t, files)
	for _, file := range files {
		t.Run(filepath.Base(file), func(t *testing.T) {
			d, err := Load(file)
			require.NoError(t, err)
			require.NotEmpty(t, d.Title)
		})
	}
}
