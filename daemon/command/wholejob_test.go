package command

import (
	"cmp"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"benchwarden/daemon/job"
	"benchwarden/daemon/record"
	"benchwarden/daemon/verdict"
)

// repair is a unit's stay in a shop, as somebody types it.
type repair struct {
	*place
	t      *testing.T
	id     string
	family string
}

func takeIn(t *testing.T, family string) *repair {
	t.Helper()
	r := &repair{place: newPlace(t), t: t, family: family}
	r.id = jobName.FindString(r.does("job", "new", "--unit", "U-1", "--family", family, "--symptom", "blown bridge", "--by", "Ann"))
	require.NotEmpty(t, r.id)
	return r
}

// does runs a command that has to work.
func (r *repair) does(args ...string) string {
	r.t.Helper()
	p := r.run(r.t, args...)
	require.Zero(r.t, p.ended(), "%v: %s", args, p.output())
	return p.output()
}

// bench is a simulated bench that is read often enough for every check, and seldom enough for a busy computer.
func (r *repair) bench(more ...string) string { return r.benchNamed("quay", more...) }

func (r *repair) benchNamed(name string, more ...string) string {
	r.t.Helper()
	path := r.path(name + ".yaml")
	r.start(r.t, append([]string{"simulate", "--family", r.family, "--name", name, "--bench-file", path}, more...)...).says("Ctrl-C ends it")
	require.NoError(r.t, slowly(path))
	return path
}

// script runs one for the job and returns what it came to; one that this computer starved is run again.
func (r *repair) script(bench, name string) string {
	r.t.Helper()
	for n := 1; ; n++ {
		p := r.start(r.t, "run", name, "--here", "--bench", bench, "--job", r.id, "--operator", "Ann")
		select {
		case <-p.done:
		case <-time.After(5 * patience): // a run takes its time, and more on a busy computer
			require.Fail(r.t, "the run does not end", p.output())
		}
		state := r.state()
		require.NotEmpty(r.t, state.Runs, p.output())
		last := state.Runs[len(state.Runs)-1]
		require.Equal(r.t, name, last.Script, p.output())
		if slices.Contains([]string{"tripped", "broken", string(verdict.Undecided)}, last.Outcome) && n < starved {
			r.t.Logf("%s again: %s", name, last.Outcome)
			if last.Outcome == "tripped" {
				r.does("reset", bench, "--by", "Ann")
			}
			continue
		}
		return last.Outcome
	}
}

func (r *repair) state() (s job.State) {
	r.t.Helper()
	require.NoError(r.t, json.Unmarshal([]byte(r.does("job", "show", r.id, "--json")), &s))
	return s
}

// missing are the scripts that the job says have not been run in a stage.
func (r *repair) missing(stage string) (names []string) {
	r.t.Helper()
	for _, s := range r.state().Stages {
		if s.Name != stage {
			continue
		}
		for _, open := range s.Open {
			if name, _, ok := strings.Cut(open, " has not been run"); ok {
				names = append(names, name)
			}
		}
	}
	return names
}

// inOrder puts the first power-up first, as a person would.
func inOrder(scripts []string) []string {
	slices.SortStableFunc(scripts, func(a, b string) int {
		return cmp.Compare(slices.Index(fittedScripts, a), slices.Index(fittedScripts, b))
	})
	return scripts
}

// A good unit, from intake to the report, by what the job itself says is missing next.
func TestAWholeJob(t *testing.T) {
	t.Parallel()
	r := takeIn(t, "wren")
	r.env = append(r.env, variable("configs")+"="+quickly(t))
	bench := r.bench()
	for _, stage := range []string{"cold", "rails", "board"} {
		for _, name := range r.missing(stage) {
			require.Equal(t, string(verdict.Pass), r.script(bench, name), "%s, stage %s", name, stage)
		}
		require.Empty(t, r.missing(stage))
	}
	oneLine(t, r.run(t, "job", "release", r.id), ExitUsage, "still in the drive")
	for name, count := range r.state().StandIns {
		r.does("job", "stand-in", r.id, "--name", name, "--out", string(rune('0'+count)), "--by", "Ann")
	}
	r.does("job", "release", r.id, "--by", "Bo")
	fitted := []string{"job", "fitted", r.id, "--by", "Ann", "--insulation", "200 Mohm", "--torque", "1.2 N m", "--paste", "pad", "--electrolytics", "none changed", "--stand-ins-out"}
	for _, channel := range []string{"A.high", "A.low", "B.high", "B.low"} {
		fitted = append(fitted, "--device", channel+"=10 kohm")
	}
	r.does(fitted...)
	bench = r.benchNamed("corner", "--fitted")
	for _, stage := range []string{"fitted", "soak"} {
		require.NotEmpty(t, r.missing(stage))
		for _, name := range inOrder(r.missing(stage)) {
			require.Equal(t, string(verdict.Pass), r.script(bench, name), "%s, stage %s", name, stage)
		}
	}
	require.Contains(t, r.does("job", "close", r.id, "--outcome", "repaired", "--cause", "gate driver of A.high", "--by", "Bo"), "closed")
	require.Contains(t, r.does("records", "verify"), "in order: 1 jobs")
	r.does("report", r.id, "--html", r.path("r.html"), "--pdf", r.path("r.pdf"))
	page, err := os.ReadFile(r.path("r.html"))
	require.NoError(t, err)
	for _, run := range r.state().Runs {
		require.Contains(t, string(page), run.Name)
	}
	require.Contains(t, string(page), "gate driver of A.high")
	require.Contains(t, string(page), "SIMULATED")
}

// The program is killed at random moments of a job's runs, and while it writes into the job: nothing is lost, nothing is doubled, and the
// record is in order.
func TestKilledInTheMiddleOfAJob(t *testing.T) {
	t.Parallel()
	r := takeIn(t, "wren")
	bench := r.simulated(t, "wren")
	dice := rand.New(rand.NewPCG(uint64(time.Now().UnixNano()), 0))
	said := map[string]bool{} // what was noted, and whether the program said so before it was killed
	times := *kills
	if testing.Short() { // the race detector makes each start a long one
		times = min(times, 2)
	}
	for n := range times {
		text := fmt.Sprintf("looked at it, %d", n)
		note := r.start(t, "job", "note", r.id, "--text", text, "--by", "Ann")
		<-time.After(time.Duration(dice.Int64N(int64(400 * time.Millisecond))))
		_ = note.cmd.Process.Signal(syscall.SIGKILL)
		said[text] = note.ended() == 0
		name := []string{"rails", "bus_ramp"}[n%2]
		for _, stage := range slices.Backward(r.state().Stages) { // one that was cut off keeps the next stage locked
			if first := map[string]string{"cold": "cold_checks", "rails": "rails"}[stage.Name]; first != "" && !stage.Done {
				name = first
			}
		}
		p := r.start(t, "run", name, "--here", "--bench", bench, "--job", r.id, "--operator", "Ann")
		<-time.After(time.Duration(dice.Int64N(int64(8 * time.Second)))) // the moment is what is tried
		_ = p.cmd.Process.Signal(syscall.SIGKILL)                        // it may have come to its end before
		p.ended()
		r.does("job", "note", r.id, "--text", "the lights went out", "--by", "Ann")
		r.run(t, "reset", bench, "--by", "Ann") // a busy computer may have let a reading grow old; without a trip there is nothing to reset
	}
	// The next run that is opened takes in what was left over.
	r.script(bench, "cold_checks")
	require.Contains(t, r.does("records", "verify"), "in order: 1 jobs")
	state := r.state()
	journals, err := filepath.Glob(r.path("data/journals/*.jsonl"))
	require.NoError(t, err)
	var kept, cut []string
	for _, h := range state.Runs {
		require.NotContains(t, kept, h.Name, "no run is in the record twice")
		kept = append(kept, h.Name)
		if h.Outcome == record.Interrupted {
			cut = append(cut, h.Name)
		}
	}
	for _, path := range journals {
		run, err := record.Read(path)
		require.NoError(t, err)
		if len(run.Events) > 0 {
			require.True(t, slices.Contains(kept, strings.TrimSuffix(filepath.Base(path), ".jsonl")), "%s is in no record", path)
		}
	}
	notes := map[string]int{}
	for _, e := range state.Entries {
		if e.Kind != job.Noted {
			continue
		}
		var note struct{ Text string }
		require.NoError(t, json.Unmarshal(e.Body, &note))
		notes[note.Text]++
	}
	require.Equal(t, times, notes["the lights went out"])
	require.Greater(t, len(kept), times/4, "runs that were killed had begun")
	written := 0
	for text, whole := range said {
		require.LessOrEqual(t, notes[text], 1, "%s is in the job twice", text)
		require.True(t, !whole || notes[text] == 1, "%s was told to be written and is not there", text)
		written += notes[text]
	}
	t.Logf("killed %d times in a run and as often in a note: %d runs in the record, %d of them cut off; %d notes written", times, len(kept), len(cut), written)
}
