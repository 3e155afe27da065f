package command

import (
	"net"
	"os"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"benchwarden/daemon/station"
)

// oneLine demands one clear line with the exit code.
func oneLine(t *testing.T, r *program, code int, want string) {
	t.Helper()
	require.Equal(t, code, r.code, r.output())
	require.Contains(t, r.complaint(), want)
	require.Equal(t, 1, strings.Count(r.complaint(), "\n"), r.complaint())
	require.True(t, strings.HasPrefix(r.complaint(), "benchwarden: "), r.complaint())
}

func TestEachMistakeOnTheCommandLineIsOneClearLine(t *testing.T) {
	t.Parallel()
	p := newPlace(t)
	for _, tt := range []struct {
		args string
		code int
		want string
	}{
		{"runn", ExitUsage, `unknown command "runn", did you mean run?`},
		{"run", ExitUsage, "give one script; 0 arguments were given"},
		{"run rails --bensh quay", ExitUsage, "unknown flag: --bensh"},
		{"run rails", ExitUsage, "--bench is missing"},
		{"run rails --bench quay", ExitUsage, "--family is missing"},
		{"run rails --bench quay --family wren", ExitUsage, "--unit is missing"},
		{"run rails --bench quay --family wren --unit W-1", station.ExitBroken, `no daemon answers on ` + p.socket + `: start one with "benchwarden serve"`},
		{"run rails --bench exampel --family wren --unit W-1 --here", ExitConfig, "bench exampel: no such bench file in configs/benches, did you mean example?"},
		{"rehearse rails", ExitUsage, "--family is missing"},
		{"rehearse rails --family heorn", ExitConfig, `unknown drive family "heorn", did you mean "heron"?`},
		{"rehearse rials --family heron", ExitConfig, "script rials: there is no such script; there are bus_ramp, cold_checks,"},
		{"rehearse rails --family heron --fault dead_tyme", ExitUsage, `fault "dead_tyme" is not known`},
		{"simulate --family heorn", ExitConfig, `unknown drive family "heorn"`},
		{"validate --family heorn", ExitConfig, `unknown drive family "heorn"`},
		{"validate nosuch.yaml", ExitConfig, "nosuch.yaml: no such file"},
		{"serve", ExitUsage, "no bench"},
		{"serve exampel", ExitConfig, "did you mean example?"},
		{"serve example --metrics 0.0.0.0:9464", ExitConfig, "0.0.0.0:9464 is no loopback address"},
		{"bench --countdown 3", ExitConfig, `--countdown: "3" has no unit`},
		{"bench --act-within -1s", ExitConfig, "--act-within: -1 s is below zero"},
		{"bench --config nosuch.yaml", ExitConfig, "nosuch.yaml: no such file"},
	} {
		t.Run(tt.args, func(t *testing.T) {
			oneLine(t, p.run(t, strings.Fields(tt.args)...), tt.code, tt.want)
		})
	}
}

func TestAMistakeInTheSettingsNamesItsPlace(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct{ name, text, want string }{
		{"a misspelt key", "countdown: 3 s\nsokcet: /run/bench.sock\n", ":2: sokcet: unknown key, did you mean socket?"},
		{"a bare number", "act_within: 60\n", `:1: act_within: "60" has no unit`},
		{"another unit", "countdown: 3 V\n", ":1: countdown: "},
	} {
		t.Run(tt.name, func(t *testing.T) {
			p := newPlace(t)
			p.env = withoutVariables(p.env)
			file := p.write(t, "settings.yaml", tt.text)
			oneLine(t, p.run(t, "bench", "--config", file), ExitConfig, file+tt.want)
		})
	}
	for _, tt := range []struct{ name, entry, want string }{
		{"a misspelt variable", "BENCHWARDEN_SOKET=/run/x", "BENCHWARDEN_SOKET: unknown variable, did you mean BENCHWARDEN_SOCKET?"},
		{"a bare number in a variable", "BENCHWARDEN_COUNTDOWN=3", `environment: BENCHWARDEN_COUNTDOWN: "3" has no unit`},
	} {
		t.Run(tt.name, func(t *testing.T) {
			p := newPlace(t)
			p.env = append(p.env, tt.entry)
			oneLine(t, p.run(t, "bench"), ExitConfig, tt.want)
		})
	}
}

func TestFlagsWinOverVariablesAndThoseOverTheFile(t *testing.T) {
	t.Parallel()
	p := newPlace(t)
	p.env = withoutVariables(p.env)
	file := p.write(t, "settings.yaml", "socket: "+p.path("of-the-file")+"\n")
	require.Contains(t, p.run(t, "bench", "--config", file).complaint(), p.path("of-the-file"))
	p.env = append(p.env, "BENCHWARDEN_SOCKET="+p.path("of-the-variable"))
	require.Contains(t, p.run(t, "bench", "--config", file).complaint(), p.path("of-the-variable"))
	require.Contains(t, p.run(t, "bench", "--config", file, "--socket", p.path("of-the-flag")).complaint(), p.path("of-the-flag"))
}

func withoutVariables(env []string) []string {
	var kept []string
	for _, entry := range env {
		if !strings.HasPrefix(entry, variables) {
			kept = append(kept, entry)
		}
	}
	return kept
}

// head are a script's statements of itself; its last line begins run.
const head = `title = "A mistake"
stage = "board"
roles = ["bus", "bus_meter"]
checks = ["bus steady"]
def energises(drive):
    return [supply("bus", highest = 30 * V, limit = 100 * mA)]
def run(drive):
`

func TestAMistakeInAScriptNamesFileAndLineAndEnergisesNothing(t *testing.T) {
	t.Parallel()
	p := newPlace(t)
	bench := p.simulated(t, "wren")
	announced := head + "    person.prove_down()\n    announce(energises(drive), longest = 10 * s)\n"
	for _, tt := range []struct {
		name, text string
		code       int
		want       string
	}{
		{"syntax", head + "    bus.on(\n", ExitConfig, ":9:"},
		{"unknown name", head + "    buss.off()\n", ExitConfig, ":8:5: undefined: buss"},
		{"unit left out", announced + "    bus.on(12, limit = 100 * mA)\n", station.ExitBroken, ":10:11: bus.on: for parameter voltage: got the bare number 12"},
		{"setpoint past the limit", announced + "    bus.on(400 * V, limit = 100 * mA)\n", station.ExitNotSafe, ":10:5: bus: 400 V is above"},
		{"volts and amperes", announced + "    bus.on(2 * V + 3 * A, limit = 100 * mA)\n", station.ExitBroken, ":10:18: cannot add amperes to volts"},
		{"nothing announced", head + "    person.prove_down()\n    bus.on(12 * V, limit = 100 * mA)\n", station.ExitBroken, "no act at the bench allows this"},
		{"role that the bench has not", strings.Replace(head, `"bus_meter"`, `"load"`, 1) + "    pass\n", ExitConfig, "needs load, which bench quay does not have"},
		{"later stage", strings.Replace(head, `"board"`, `"fitted"`, 1) + "    pass\n", ExitConfig, "belongs to stage fitted"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			script := p.write(t, "mistake.star", tt.text)
			r := p.run(t, "run", script, "--here", "--bench", bench, "--family", "wren", "--unit", "W-1")
			require.Equal(t, tt.code, r.code, r.output())
			require.Contains(t, r.output(), tt.want)
			if strings.HasPrefix(tt.want, ":") {
				require.Contains(t, r.output(), script+tt.want)
			}
			require.NotContains(t, r.output(), "bus on")
			require.NotContains(t, r.output(), "NOT SAFE")
		})
	}
}

func TestAnInstrumentThatIsNotAsTheFileSaysEnergisesNothing(t *testing.T) {
	t.Parallel()
	p := newPlace(t)
	good := p.simulated(t, "wren")
	closed, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	nobody := "tcp://" + closed.Addr().String()
	require.NoError(t, closed.Close())
	linkOf := func(role string) string {
		text, err := os.ReadFile(good)
		require.NoError(t, err)
		return regexp.MustCompile(`\n  ` + role + `:\n    link: (\S+)`).FindStringSubmatch(string(text))[1]
	}
	meter, supply, scope := linkOf("bus_meter"), linkOf("bus"), linkOf("scope")
	for _, tt := range []struct {
		name, from, to string
		code           int
		want           string
	}{
		{"a meter that is off", meter, nobody, station.ExitBroken, "bus_meter (" + nobody + "): cannot connect"},
		{"a supply that is off", supply, nobody, station.ExitNotSafe, "bus (" + nobody + "): cannot connect"},
		{"another identity", meter, scope, station.ExitBroken, "not the instrument that the bench file says"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			r := p.run(t, "run", "bus_ramp", "--here", "--bench", p.changed(t, good, tt.from, tt.to), "--family", "wren", "--unit", "W-1")
			require.Equal(t, tt.code, r.code, r.output())
			require.Contains(t, r.complaint(), tt.want)
			require.NotContains(t, r.output(), "ENERGISE")
		})
	}

	// A wrong baud rate shows as unreadable bytes; a pseudo-terminal carries them whatever rate is set.
	t.Run("another baud rate", func(t *testing.T) {
		r := p.run(t, "rehearse", "bus_ramp", "--family", "wren", "--fault", "garbage:control")
		require.Equal(t, station.ExitNotSafe, r.code, r.output())
		require.Contains(t, r.complaint(), "unreadable bytes usually mean the wrong baud rate")
		require.Contains(t, r.complaint(), "NOT SAFE: nobody could read back control")
		require.NotContains(t, r.output(), "ENERGISE")
	})
}

func TestBenchFilesMistakesNameTheirLine(t *testing.T) {
	t.Parallel()
	p := newPlace(t)
	const file = "../../configs/benches/example.yaml"
	for _, tt := range []struct{ name, from, to, want string }{
		{"a misspelt key", "safe_voltage:", "save_voltage:", "save_voltage: unknown key, did you mean safe_voltage?"},
		{"a bare number", "period: 100 ms", "period: 100", `period: "100" has no unit`},
		{"an unknown dialect", "dialect: plain-scope", "dialect: plain-skope", "plain-skope"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			changed := p.changed(t, file, tt.from, tt.to)
			oneLine(t, p.run(t, "validate", changed), ExitConfig, tt.want)
			oneLine(t, p.run(t, "serve", changed), ExitConfig, tt.want)
		})
	}
}
