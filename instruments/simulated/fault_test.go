package simulated

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

func TestParseFaultReadsRoleSizeStartAndTimes(t *testing.T) {
	for text, want := range map[string]Fault{
		"answer_late:bus_meter=2 s@5 s":  {Name: answerLate, Role: "bus_meter", Size: 2, From: 5 * time.Second, Times: 1},
		"answer_late:hall = 300 ms":      {Name: answerLate, Role: "hall", Size: 0.3, Times: 1},
		"answer_twice:bus*3":             {Name: answerTwice, Role: "bus", Times: 3},
		"silence:hall@40":                {Name: silence, Role: "hall", After: 40},
		"silence@500 ms":                 {Name: silence, Role: "bus_meter", From: 500 * time.Millisecond},
		"noise_spikes:bus=15 V":          {Name: noiseSpikes, Role: "bus", Size: 15},
		"supply_ignores_off":             {Name: ignoresOff, Role: "bus"},
		"gone_and_back:control=2 s@3*2":  {Name: goneAndBack, Role: "control", Size: 2, After: 3, Times: 2},
		" lead_off : bus_meter @ 250 ms": {Name: leadOff, Role: "bus_meter", From: 250 * time.Millisecond},
	} {
		f, err := ParseFault(text)
		require.NoError(t, err, text)
		require.Equal(t, want, f, text)
	}
}

func TestParseFaultRefusesInOneClearLine(t *testing.T) {
	for text, want := range map[string]string{
		"answer_lat":                  `fault "answer_lat" is not known, did you mean answer_late?`,
		"silence:buss":                `fault silence: role "buss" cannot have it, did you mean bus?`,
		"lead_off:scope":              `fault lead_off: role "scope" cannot have it`,
		"error_queue_full:control":    `role "control" cannot have it`,
		"silence:bus=3 s":             "fault silence: takes no size",
		"answer_late=2":               "as in answer_late:bus_meter=2 s@5 s",
		"answer_late=2 V":             "as in answer_late:bus_meter=2 s@5 s",
		"answer_late=-1 s":            "out of range",
		"noise_spikes=1 MV":           "", // 1e6 V: as large as it gets
		"noise_spikes=10 MV":          "out of range",
		"silence@soon":                "write a time (@5 s) or a number of messages (@40)",
		"silence@-3":                  "out of range",
		"silence*0":                   "write how often it hits, as in *3",
		"silence*much":                "write how often it hits, as in *3",
		"reading_frozen:bus@5 s@6 s":  "fault reading_frozen",
		"supply_ignores_off:bus=10 %": "takes no size",
	} {
		_, err := ParseFault(text)
		if want == "" {
			require.NoError(t, err, text)
			continue
		}
		require.ErrorContains(t, err, want, text)
		require.NotContains(t, err.Error(), "\n", text)
	}
}

func TestFaultsOfDriveAndInstrumentsStandInOneList(t *testing.T) {
	drive, own, err := ParseFaults([]string{"channel_dead:A.low", "silence:bus@5 s", "bus_short"})
	require.NoError(t, err)
	require.Len(t, drive, 2)
	require.Equal(t, "bus_short", drive[1].Name)
	require.Len(t, own, 1)
	for text, want := range map[string]string{
		"channel_ded:A.low": "did you mean channel_dead?",
		"garbag":            "did you mean garbage?",
		"xxxxxxxxxxxxxxx":   "answer_cut_short",
		"":                  "is not known",
		"channel_dead":      "needs a target",
	} {
		_, _, err := ParseFaults([]string{text})
		require.ErrorContains(t, err, want, text)
	}
	seen := map[string]bool{}
	for _, k := range KnownFaults() {
		require.False(t, seen[k.Name], "%s stands twice", k.Name)
		seen[k.Name] = true
		require.NotEmpty(t, k.Text, k.Name)
		_, _, err := ParseFaults([]string{k.Example})
		require.NoError(t, err, k.Example)
	}
	require.True(t, seen[leadOff] && seen["stuck_on"])
}

func FuzzParseFaults(f *testing.F) {
	f.Add("answer_late:bus_meter=2 s@5 s*3")
	f.Add("silence:hall@40")
	f.Add("stuck_on:A.high@bus=40 V")
	f.Add("noise_spikes:bus=1e3 V@0.1 s")
	f.Fuzz(func(t *testing.T, text string) {
		_, own, err := ParseFaults([]string{text})
		if err != nil {
			require.NotEmpty(t, strings.TrimSpace(err.Error()))
			return
		}
		for _, fault := range own {
			again, err := ParseFault(fault.String())
			require.NoError(t, err, "%q became %q", text, fault)
			require.Equal(t, fault.String(), again.String())
			require.True(t, fault.Times >= 0 && fault.After >= 0 && fault.From >= 0 && fault.Size >= 0)
		}
	})
}
