package command

import (
	"bufio"
	"flag"
	"fmt"
	"math/rand/v2"
	"net"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"benchwarden/daemon/record"
	"benchwarden/daemon/station"
)

var kills = flag.Int("kills", 4, "how often TestKilledAnywhere kills a daemon")

// asked is one output of the simulated bench, asked beside the program, and what it answers in its safe state.
type asked struct {
	name, question, safe string
	conn                 net.Conn
	reader               *bufio.Reader
}

// outputs opens a connection of the test's own to each output that make-safe brings into its safe state at once: what stays as it
// is until the bus is down, Halls and control supply, is not among them.
func (s *served) outputs(t *testing.T) []*asked {
	t.Helper()
	text, err := os.ReadFile(s.file)
	require.NoError(t, err)
	all := []*asked{{name: "bus", question: "OUTP?", safe: "0"}, {name: "reference", question: "VOLT?", safe: "0"}}
	for name, contact := range map[string][2]string{"enable": {"1", "0"}, "inhibit": {"", "1"}} {
		found := regexp.MustCompile(`\n      ` + name + `: \{channel: (\d+), safe: (open|closed)\}`).FindStringSubmatch(string(text))
		if found == nil {
			continue
		}
		contact[0] = found[1]
		contact[1] = map[string]string{"open": "0", "closed": "1"}[found[2]]
		all = append(all, &asked{name: "contacts", question: "ROUT:CLOS? (@" + contact[0] + ")", safe: contact[1]})
	}
	for _, a := range all {
		address := regexp.MustCompile(`\n  ` + a.name + `:\n    link: tcp://(\S+)`).FindStringSubmatch(string(text))
		require.NotNil(t, address, a.name)
		a.conn, err = net.DialTimeout("tcp", address[1], patience)
		require.NoError(t, err)
		t.Cleanup(func() { a.conn.Close() })
		a.reader = bufio.NewReader(a.conn)
	}
	return all
}

// isSafe asks the output itself.
func (a *asked) isSafe(t *testing.T) bool {
	require.NoError(t, a.conn.SetDeadline(time.Now().Add(patience)))
	_, err := fmt.Fprintf(a.conn, "%s\n", a.question)
	require.NoError(t, err)
	answer, err := a.reader.ReadString('\n')
	require.NoError(t, err)
	if x, err := strconv.ParseFloat(strings.TrimSpace(answer), 64); err == nil {
		return x > -0.05 && x < 0.05 && a.safe == "0" || strings.TrimSpace(answer) == a.safe
	}
	return strings.TrimSpace(answer) == a.safe
}

// safeAfter is how long it takes until every output is in its safe state.
func safeAfter(t *testing.T, outputs []*asked) time.Duration {
	began := time.Now()
	for {
		safe := !slices.ContainsFunc(outputs, func(a *asked) bool { return !a.isSafe(t) })
		took := time.Since(began)
		if safe {
			return took
		}
		require.Less(t, took, patience, "an output stays as it was")
	}
}

// keeperOf finds the process of the daemon's keeper.
func keeperOf(t *testing.T, daemon int) int {
	t.Helper()
	tasks, err := filepath.Glob(fmt.Sprintf("/proc/%d/task/*/children", daemon))
	require.NoError(t, err)
	for _, path := range tasks {
		children, _ := os.ReadFile(path) // a thread may have ended
		for _, child := range strings.Fields(string(children)) {
			line, _ := os.ReadFile("/proc/" + child + "/cmdline")
			if strings.HasSuffix(strings.TrimRight(string(line), "\x00"), "\x00keeper") {
				pid, err := strconv.Atoi(child)
				require.NoError(t, err)
				return pid
			}
		}
	}
	require.Fail(t, "the daemon has no keeper")
	return 0
}

// energised starts a run and waits until the bus is on.
func (s *served) energised(t *testing.T) *program {
	t.Helper()
	running := s.start(t, s.order("bus_ramp")...)
	running.says("bus on")
	return running
}

// mends starts the daemon again and holds it to the promises: the bench is safe before it is served, and the run that was cut off
// is named and ended.
func (s *served) mends(t *testing.T, running *program) {
	t.Helper()
	require.Equal(t, station.ExitNotSafe, running.ended(), running.output())
	s.serve(t)
	s.daemon.says(`outputs confirmed in their safe states \(the bench was opened\)`)
	journals, err := filepath.Glob(filepath.Join(s.folder, "data", "journals", "*"))
	require.NoError(t, err)
	last := slices.Max(journals)
	run, err := record.Read(last)
	require.NoError(t, err)
	require.False(t, run.Interrupted, "the journal has its end")
	require.Contains(t, fmt.Sprint(run.Events[len(run.Events)-1].Body), record.Interrupted)
	require.Contains(t, s.run(t, "bench").output(), "NOT PROVEN DOWN", "what the program before knew of the bus is gone with it")
}

// TestKilledAnywhere kills a daemon at random moments of an energised run. The bounds are for a quiet computer; here they are
// printed, and only that everything becomes safe is required.
func TestKilledAnywhere(t *testing.T) {
	t.Parallel()
	p := newPlace(t)
	s := serveBench(t, p, p.simulated(t, "wren"))
	outputs := s.outputs(t)
	var took []time.Duration
	dice := rand.New(rand.NewPCG(uint64(time.Now().UnixNano()), 0))
	for range *kills {
		running := s.energised(t)
		<-time.After(time.Duration(dice.Int64N(int64(2500 * time.Millisecond)))) // the moment is what is tried
		s.daemon.signal(syscall.SIGKILL)
		took = append(took, safeAfter(t, outputs))
		s.daemon.ended()
		s.mends(t, running)
	}
	slices.Sort(took)
	t.Logf("killed %d times: every output safe after %v in the median, %v at most (the bound on a quiet computer is 250 ms)",
		len(took), took[len(took)/2], took[len(took)-1])
	kept, err := os.ReadFile(filepath.Join(s.folder, "data", "state", "quay.keeper.jsonl"))
	require.NoError(t, err)
	require.Len(t, strings.Split(strings.TrimSpace(string(kept)), "\n"), *kills)
	require.NotContains(t, string(kept), `"confirmed":false`)
	t.Log(string(kept))
}

func TestADaemonThatStandsStillIsEndedByItsKeeper(t *testing.T) {
	t.Parallel()
	p := newPlace(t)
	s := serveBench(t, p, p.simulated(t, "wren"))
	outputs := s.outputs(t)
	running := s.energised(t)
	s.daemon.signal(syscall.SIGSTOP)
	t.Logf("stopped: every output safe after %v (the bound on a quiet computer is 1.5 s)", safeAfter(t, outputs))
	s.daemon.ended()
	s.mends(t, running)
	kept, err := os.ReadFile(filepath.Join(s.folder, "data", "state", "quay.keeper.jsonl"))
	require.NoError(t, err)
	require.Contains(t, string(kept), "no beat came")
}

func TestWithDaemonAndKeeperKilledTheNextStartMakesSafe(t *testing.T) {
	t.Parallel()
	p := newPlace(t)
	s := serveBench(t, p, p.simulated(t, "wren"))
	running := s.energised(t)
	require.NoError(t, syscall.Kill(keeperOf(t, s.daemon.cmd.Process.Pid), syscall.SIGSTOP))
	keeper := keeperOf(t, s.daemon.cmd.Process.Pid)
	s.daemon.signal(syscall.SIGKILL)
	require.NoError(t, syscall.Kill(keeper, syscall.SIGKILL))
	s.daemon.ended()
	require.Equal(t, "1", s.outputOn(t), "nobody is left but the instrument's own protection")
	s.mends(t, running)
	require.Equal(t, "0", s.outputOn(t))
	s.daemon.says("was interrupted: the program that ran it")
}

func TestAKeeperThatDiesIsReplaced(t *testing.T) {
	t.Parallel()
	p := newPlace(t)
	s := serveBench(t, p, p.simulated(t, "wren"))
	running := s.energised(t)
	first := keeperOf(t, s.daemon.cmd.Process.Pid)
	require.NoError(t, syscall.Kill(first, syscall.SIGKILL))
	require.Eventually(t, func() bool {
		line, err := os.ReadFile(fmt.Sprintf("/proc/%d/cmdline", first))
		return err != nil || len(line) == 0
	}, patience, 5*time.Millisecond)
	running.ended()
	require.NotContains(t, running.output(), "TRIP ", "another keeper took the place of the first")
	require.Eventually(t, func() bool { return keeperOf(t, s.daemon.cmd.Process.Pid) != first }, patience, 10*time.Millisecond)
	outputs := s.outputs(t)
	again := s.energised(t)
	s.daemon.signal(syscall.SIGKILL)
	safeAfter(t, outputs)
	s.daemon.ended()
	s.mends(t, again)
}

func TestMakeSafeEndsADaemonThatDoesNotAnswer(t *testing.T) {
	t.Parallel()
	p := newPlace(t)
	s := serveBench(t, p, p.simulated(t, "wren"))
	running := s.energised(t)
	keeper := keeperOf(t, s.daemon.cmd.Process.Pid)
	require.NoError(t, syscall.Kill(keeper, syscall.SIGSTOP)) // so that make-safe is the one who does it
	s.daemon.signal(syscall.SIGSTOP)
	safe := s.run(t, "make-safe", s.file)
	require.Regexp(t, `bus +off +confirmed`, safe.output())
	require.Contains(t, safe.output(), "does not answer")
	require.Equal(t, "0", s.outputOn(t))
	s.daemon.ended()
	require.NoError(t, syscall.Kill(keeper, syscall.SIGCONT))
	running.ended()
}
