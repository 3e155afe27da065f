package command

import (
	"context"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"benchwarden/daemon/drive"
	"benchwarden/daemon/server"
)

// ownConfigs gives a place its own copy of the configuration, since limits are written there.
func ownConfigs(t *testing.T, p *place) string {
	t.Helper()
	dir := p.path("configs")
	require.NoError(t, os.CopyFS(dir, os.DirFS("../../configs")))
	p.env = append(p.env, variable("configs")+"="+dir)
	return dir
}

func TestLimitsAreShownSetAndRemembered(t *testing.T) {
	t.Parallel()
	p := newPlace(t)
	configs := ownConfigs(t, p)
	family := filepath.Join(configs, "families", "heron.yaml")
	before, err := os.ReadFile(family)
	require.NoError(t, err)

	shown := p.run(t, "limits", "show", "heron", "--stage", "board", "--bench", "example")
	require.Zero(t, shown.code, shown.output())
	require.Regexp(t, `bus\.voltage +high +100 V +1 of 1 .*family heron, stage board`, shown.output())
	require.Regexp(t, `bus\.current +settled high +80 mA +2 of 3`, shown.output())
	require.Regexp(t, `bus\.voltage +ramp time +60 s`, shown.output())
	require.Contains(t, shown.output(), "a bus that nothing controls")

	set := p.run(t, "limits", "set", "heron", "--stage", "board", "bus_voltage=95V", "--reason", "the clamp of this series opens at 96 V", "--by", "Ada")
	require.Zero(t, set.code, set.output())
	require.Contains(t, set.output(), "board.bus_voltage: 100 V -> 95 V")
	after, err := os.ReadFile(family)
	require.NoError(t, err)
	require.True(t, strings.Replace(string(before), "bus_voltage: 100 V", "bus_voltage: 95V", 1) == string(after), "comments and all else stay")
	require.Contains(t, p.run(t, "limits", "show", "heron", "--stage", "board", "--bench", "example").output(), "95 V")

	require.NoError(t, os.WriteFile(family, []byte(strings.Replace(string(after), "bus_current: 80 mA", "bus_current: 70 mA", 1)), 0o600))
	history := p.run(t, "limits", "history", "heron")
	require.Zero(t, history.code, history.output())
	for _, want := range []string{"Ada: the clamp of this series opens at 96 V", "edited by hand", "board.bus_current: 80 mA -> 70 mA"} {
		require.Contains(t, history.output(), want)
	}

	for args, want := range map[string]string{
		"bus_voltage=95V":                 "reason",
		"bus_voltage=95 --reason x":       "95",
		"bus_voltge=95V --reason x":       "did you mean bus_voltage",
		"bus_voltage=500V --reason x":     "above",
		"bus_current=200mA --reason x":    "less than the current limit",
		"current_limit=100A --reason x":   "ceiling of bench",
		"bus_voltage:95V --reason x":      "bus_voltage=95V",
		"current_limit=1.9A --reason big": "lets through",
	} {
		refused := p.run(t, append([]string{"limits", "set", "heron", "--stage", "board", "--by", "Ada"}, strings.Fields(args)...)...)
		require.NotZero(t, refused.code, args)
		require.Contains(t, refused.complaint(), want, args)
	}
}

func TestLimitsOverTheAPI(t *testing.T) {
	t.Parallel()
	p := newPlace(t)
	file := p.simulated(t, "wren")
	ownConfigs(t, p)
	s := serveBench(t, p, file)
	api, ctx := newClient(p.socket), context.Background()
	var shown []server.StageLimits
	require.NoError(t, api.do(ctx, http.MethodGet, "/families/heron/limits?stage=board&bench=example", nil, &shown))
	require.Len(t, shown, 1)
	require.Positive(t, float64(shown[0].Uncontrolled.Energy))
	require.NotEmpty(t, shown[0].Limits)

	var change drive.Change
	ask := server.ChangeLimits{Stage: drive.Board, Values: map[string]string{"bus_voltage": "96 V"}, By: "Ada", Reason: "tighter"}
	require.NoError(t, api.do(ctx, http.MethodPut, "/families/heron/limits", ask, &change))
	require.Equal(t, "96 V", change.Changed[0].After)
	ask.Reason = ""
	require.ErrorContains(t, api.do(ctx, http.MethodPut, "/families/heron/limits", ask, &change), "reason")
	require.Error(t, api.do(ctx, http.MethodPut, "/families/heron/limits", map[string]string{"stge": "board"}, &change))
	require.ErrorContains(t, api.do(ctx, http.MethodGet, "/families/heorn/limits", nil, &shown), `did you mean "heron"`)
	var history []drive.Change
	require.NoError(t, api.do(ctx, http.MethodGet, "/families/heron/limits/history", nil, &history))
	require.Equal(t, "tighter", history[len(history)-1].Reason)
	require.NotNil(t, s)
}
