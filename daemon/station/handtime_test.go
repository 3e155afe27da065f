package station

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"benchwarden/daemon/bench"
	"benchwarden/daemon/script"
	"benchwarden/instruments/quantity"
)

func TestPeopleGetTheTimeThatTheirActsTake(t *testing.T) {
	poor, err := bench.ReadFile("../../configs/benches/poor.yaml")
	require.NoError(t, err)
	known := *poor
	known.HandTimes = bench.HandTimes{Act: 10, File: 60}
	acts := map[string]int{bench.Reference: 4, bench.Meter: 2, bench.Scope: 3}
	for name, tt := range map[string]struct {
		file            *bench.File
		longest         time.Duration
		acts            map[string]int
		whole, byPeople time.Duration
	}{
		"instruments that the program operates need none":   {example(t), time.Minute, acts, time.Minute, 0},
		"each act its half minute, each file its three":     {poor, time.Minute, acts, 13 * time.Minute, 12 * time.Minute},
		"what the bench file says of its people":            {&known, time.Minute, acts, 5 * time.Minute, 4 * time.Minute},
		"a bus does not wait for people without end":        {poor, time.Minute, map[string]int{bench.Scope: 100}, 90 * time.Minute, 300 * time.Minute},
		"a script's own time is not cut":                    {poor, 8 * time.Hour, acts, 8 * time.Hour, 12 * time.Minute},
		"a role that this bench has not, nobody operates":   {poor, time.Minute, map[string]int{bench.Matrix: 9}, time.Minute, 0},
		"a script that says nothing of people gets no more": {poor, time.Minute, nil, time.Minute, 0},
	} {
		t.Run(name, func(t *testing.T) {
			whole, byPeople := handTime(tt.file, script.Announcement{Longest: quantity.SecondsOf(tt.longest), Acts: tt.acts})
			require.Equal(t, tt.whole, whole)
			require.Equal(t, tt.byPeople, byPeople)
		})
	}
}
