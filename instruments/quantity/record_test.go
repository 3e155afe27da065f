package quantity

import (
	"encoding/json"
	"math"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestARecordComesBackAsItWasWritten(t *testing.T) {
	for _, want := range []Volts{0, 72, -8.25, 1.23456789e-7, Volts(math.Inf(1)), Volts(math.Inf(-1)), Volts(math.NaN())} {
		data, err := json.Marshal(want)
		require.NoError(t, err)
		var got Volts
		require.NoError(t, json.Unmarshal(data, &got), "%s", data)
		if math.IsNaN(float64(want)) {
			require.True(t, math.IsNaN(float64(got)))
			continue
		}
		require.Equal(t, want, got)
	}
	var v Volts
	require.Error(t, json.Unmarshal([]byte(`"72 A"`), &v))
	require.Error(t, json.Unmarshal([]byte(`"NaN A"`), &v))
	require.Error(t, json.Unmarshal([]byte(`"NaN"`), &v))
	require.Error(t, json.Unmarshal([]byte(`72`), &v))
	require.Error(t, v.UnmarshalText([]byte("NaN V")), "a file that a person writes holds numbers only")
}
