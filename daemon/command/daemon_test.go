package command

import (
	"bufio"
	"net"
	"net/http"
	"os"
	"os/exec"
	"regexp"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"benchwarden/daemon/event"
	"benchwarden/daemon/record"
	"benchwarden/daemon/station"
)

// served is a daemon with one simulated bench, and what a technician does beside it.
type served struct {
	*place
	file   string
	daemon *program
}

func serveBench(t *testing.T, p *place, file string) *served {
	t.Helper()
	s := &served{place: p, file: file}
	s.serve(t)
	return s
}

func (s *served) serve(t *testing.T) {
	t.Helper()
	s.daemon = s.start(t, "serve", s.file)
	s.daemon.says(`metrics on http://(\S+)`)
}

func (s *served) order(script string, more ...string) []string {
	return append([]string{"run", script, "--bench", "quay", "--family", "wren", "--unit", "W-1"}, more...)
}

// outputOn asks the simulated bus supply itself, beside the program.
func (s *served) outputOn(t *testing.T) string {
	t.Helper()
	text, err := os.ReadFile(s.file)
	require.NoError(t, err)
	address := regexp.MustCompile(`\n  bus:\n    link: tcp://(\S+)`).FindStringSubmatch(string(text))[1]
	conn, err := net.DialTimeout("tcp", address, patience)
	require.NoError(t, err)
	defer conn.Close()
	require.NoError(t, conn.SetDeadline(time.Now().Add(patience)))
	_, err = conn.Write([]byte("OUTP?\n"))
	require.NoError(t, err)
	answer, err := bufio.NewReader(conn).ReadString('\n')
	require.NoError(t, err)
	return strings.TrimSpace(answer)
}

func TestARunOnADaemonIsStoppedByItsTechnician(t *testing.T) {
	t.Parallel()
	p := newPlace(t)
	s := serveBench(t, p, p.simulated(t, "wren"))

	running := s.start(t, s.order("bus_ramp", "--json", s.path("events.jsonl"))...)
	running.says("bus on")
	require.Equal(t, "1", s.outputOn(t))
	listing := s.run(t, "bench").output()
	require.Contains(t, listing, "ENERGISED    bus at ")
	require.NotContains(t, listing, "confirmed off", "what make-safe reached before the run says nothing about now")

	second := s.run(t, s.order("rails")...)
	oneLine(t, second, station.ExitBroken, "bench quay: the bench is busy with run ")
	oneLine(t, s.run(t, "run", "rails", "--bench", "quai", "--family", "wren", "--unit", "W-1"), ExitConfig, "did you mean quay?")
	oneLine(t, s.run(t, "run", "rails", "--bench", "quay", "--family", "wern", "--unit", "W-1"), ExitConfig, `did you mean "wren"?`)
	oneLine(t, s.run(t, "run", "rials", "--bench", "quay", "--family", "wren", "--unit", "W-1"), ExitConfig, "there is no such script")

	running.says("Step to 30 V")
	s.scrape(t)
	running.signal(os.Interrupt)
	require.Equal(t, station.ExitStopped, running.ended(), running.output())
	require.Contains(t, running.output(), "stopping: the bench is being made safe")
	require.Contains(t, running.output(), "outputs confirmed in their safe states")
	require.Contains(t, running.output(), "measured down at")
	require.Equal(t, "0", s.outputOn(t))
	events, err := record.Read(s.path("events.jsonl"))
	require.NoError(t, err)
	require.False(t, events.Interrupted)
	var stopped bool
	for _, e := range events.Events {
		switch b := e.Body.(type) {
		case event.Safety:
			stopped = stopped || strings.HasPrefix(b.Cause, "stopped by ")
		case event.Switched:
			require.False(t, stopped && b.On, "%s was switched on after the stop", b.Output)
		}
	}
	require.True(t, stopped, "the stop itself made the bench safe, before the run's own end did")
	require.NotContains(t, s.run(t, "bench").output(), "TRIPPED", "a stop is no trip, and nobody has to reset it")

	killed := s.start(t, s.order("bus_ramp")...)
	killed.says(`Energise bus`) // an act of its own: the one of the stopped run is used up
	killed.says("bus on")
	killed.signal(syscall.SIGKILL)
	s.daemon.says("stopped by the server, since the terminal that started the run is gone")
	require.Equal(t, "0", s.outputOn(t), "nobody watches a run whose terminal is gone")

	safe := s.run(t, "make-safe", "quay")
	require.Regexp(t, `bus +off +confirmed`, safe.output())
	require.Contains(t, safe.output(), "drive's bus: ")

	held := s.run(t, "hold", "quay", "--by", "Ada")
	require.Contains(t, held.output(), "HOLD         hands in: Ada")
	refused := s.run(t, s.order("bus_ramp")...)
	oneLine(t, refused, station.ExitBroken, "hands are in the bench: held by Ada; only who placed a hold lifts it")
	oneLine(t, s.run(t, "lift", "quay", "--by", "Ann"), station.ExitBroken, "Ann has placed no hold")
	require.NotContains(t, s.run(t, "lift", "quay", "--by", "Ada").output(), "HOLD")
	oneLine(t, s.run(t, "reset", "quay"), station.ExitBroken, "no trip stands")
}

// scrape holds what a running daemon serves against the checks of the Prometheus project's own tool.
func (s *served) scrape(t *testing.T) {
	t.Helper()
	response, err := http.Get("http://" + s.daemon.says(`metrics on http://(\S+)`))
	require.NoError(t, err)
	defer response.Body.Close()
	require.Equal(t, http.StatusOK, response.StatusCode)
	tool, err := exec.LookPath("promtool")
	if err != nil {
		t.Log("the scrape was not checked: promtool is not installed (Debian package prometheus)")
		return
	}
	check := exec.Command(tool, "check", "metrics")
	check.Stdin = response.Body
	out, err := check.CombinedOutput()
	require.NoError(t, err, string(out))
	require.Empty(t, string(out))
}

func TestADaemonThatEndsMakesItsBenchSafeFirst(t *testing.T) {
	t.Parallel()
	p := newPlace(t)
	s := serveBench(t, p, p.simulated(t, "wren"))
	running := s.start(t, s.order("bus_ramp")...)
	running.says("bus on")
	s.daemon.signal(syscall.SIGTERM)
	require.Zero(t, s.daemon.ended(), s.daemon.output())
	require.Contains(t, s.daemon.output(), "outputs confirmed in their safe states (the daemon is being stopped)")
	require.Equal(t, "0", s.outputOn(t))
	require.Contains(t, []int{station.ExitBroken, station.ExitNotSafe}, running.ended(), "the bus may not be proven down yet")
	require.Contains(t, running.output(), "- the daemon is being stopped")
	require.NoFileExists(t, s.socket)
}

func TestMakeSafeWithoutADaemonSwitchesOffWhatAKilledOneLeft(t *testing.T) {
	t.Parallel()
	p := newPlace(t)
	s := serveBench(t, p, p.simulated(t, "wren"))
	running := s.start(t, s.order("bus_ramp")...)
	running.says("bus on")
	keeper := keeperOf(t, s.daemon.cmd.Process.Pid)
	require.NoError(t, syscall.Kill(keeper, syscall.SIGSTOP))
	s.daemon.signal(syscall.SIGKILL)
	require.NoError(t, syscall.Kill(keeper, syscall.SIGKILL))
	s.daemon.ended()
	running.ended()
	safe := s.run(t, "make-safe", s.file)
	require.Equal(t, station.ExitNotSafe, safe.code, "the bus is not proven down: %s", safe.output())
	require.Regexp(t, `bus +off +confirmed`, safe.output())
	require.Contains(t, safe.complaint(), "prove the bus dead with a proven meter")
	require.Equal(t, "0", s.outputOn(t))
	who := s.run(t, "bench", s.file)
	require.Zero(t, who.code, who.output())
	require.Contains(t, who.output(), "bus_meter    Quayside Simulated,meter SIMULATED,")
}

func TestATripStandsUntilItIsResetByName(t *testing.T) {
	t.Parallel()
	p := newPlace(t)
	path := p.path("bench.yaml")
	p.start(t, "simulate", "--family", "wren", "--name", "quay", "--bench-file", path, "--fault", "gone_and_back:bus_meter=1 s@10 s").says("Ctrl-C ends it")
	s := serveBench(t, p, p.changed(t, path, "\nperiod: 100 ms", "\nperiod: 500 ms", "    period: 300 ms", "    period: 800 ms"))
	long := s.write(t, "long.star", head+"    person.prove_down()\n    wait(300 * s)\n")
	short := s.write(t, "short.star", head+"    step(\"nothing is done\")\n")

	tripped := s.run(t, s.order(long)...)
	require.Contains(t, []int{station.ExitTripped, station.ExitNotSafe}, tripped.code, tripped.output())
	require.Contains(t, tripped.output(), "TRIP ")
	oneLine(t, s.run(t, s.order(short)...), station.ExitBroken, "benchwarden reset quay")

	s.daemon.signal(syscall.SIGTERM)
	s.daemon.ended()
	s.serve(t)
	require.Contains(t, s.run(t, "bench").output(), "TRIP ", "a trip stands over a restart")
	oneLine(t, s.run(t, s.order(short)...), station.ExitBroken, "benchwarden reset quay")
	reset := s.run(t, "reset", "quay", "--by", "Ada")
	require.Zero(t, reset.code, reset.output())
	require.NotContains(t, reset.output(), "TRIP ")
	require.Contains(t, s.run(t, s.order(short)...).output(), "nothing is done")
}
