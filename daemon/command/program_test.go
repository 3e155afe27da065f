package command

import (
	"bytes"
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// bench of a test: a folder of its own for the program's files, so that nothing of the user's is read or written.
type place struct {
	folder, socket string
	env            []string
}

// newPlace has a short path: a Unix socket's is limited to 107 bytes (unix(7)).
func newPlace(t *testing.T) *place {
	t.Helper()
	folder, err := os.MkdirTemp("", "bw")
	require.NoError(t, err)
	t.Cleanup(func() { // a keeper that ends may still be writing down what it did
		require.Eventually(t, func() bool { return os.RemoveAll(folder) == nil }, patience, 20*time.Millisecond)
	})
	p := &place{folder: folder, socket: filepath.Join(folder, "s")}
	for _, entry := range os.Environ() {
		if !strings.HasPrefix(entry, variables) {
			p.env = append(p.env, entry)
		}
	}
	p.env = append(p.env, runsAsProgram+"=1", variable("socket")+"="+p.socket, variable("data")+"="+filepath.Join(folder, "data"),
		variable("metrics")+"=127.0.0.1:0", variable("countdown")+"=0 s")
	return p
}

// path is a file of the place.
func (p *place) path(name string) string { return filepath.Join(p.folder, name) }

func (p *place) write(t *testing.T, name, text string) string {
	t.Helper()
	require.NoError(t, os.WriteFile(p.path(name), []byte(text), 0o600))
	return p.path(name)
}

// program is the program while it runs; what it prints can be waited for.
type program struct {
	t    *testing.T
	cmd  *exec.Cmd
	done chan struct{}
	code int

	mu     sync.Mutex
	out    bytes.Buffer // both outputs, as a terminal shows them
	err    bytes.Buffer
	change chan struct{}
}

// patience bounds every wait for another process on a busy computer.
const patience = 60 * time.Second

// start starts the program in the module's own folder, where configs and scripts are.
func (p *place) start(t *testing.T, args ...string) *program {
	t.Helper()
	self, err := os.Executable()
	require.NoError(t, err)
	r := &program{t: t, cmd: exec.Command(self, args...), done: make(chan struct{}), change: make(chan struct{})}
	r.cmd.Dir, r.cmd.Env = "../..", p.env
	r.cmd.Stdout, r.cmd.Stderr = stream{r, false}, stream{r, true}
	require.NoError(t, r.cmd.Start())
	go func() {
		_ = r.cmd.Wait() // the code tells
		r.code = r.cmd.ProcessState.ExitCode()
		close(r.done)
	}()
	t.Cleanup(func() {
		_ = r.cmd.Process.Signal(syscall.SIGTERM) // it may have ended
		r.ended()
	})
	return r
}

// run runs the program to its end.
func (p *place) run(t *testing.T, args ...string) *program {
	t.Helper()
	r := p.start(t, args...)
	r.ended()
	return r
}

type stream struct {
	*program
	err bool
}

func (s stream) Write(b []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.out.Write(b)
	if s.err {
		s.program.err.Write(b)
	}
	close(s.change)
	s.change = make(chan struct{})
	return len(b), nil
}

func (r *program) output() string {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.out.String()
}

// complaint is what it said on its error output.
func (r *program) complaint() string {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.err.String()
}

// ended waits for the end and returns the exit code.
func (r *program) ended() int {
	r.t.Helper()
	select {
	case <-r.done:
	case <-time.After(patience):
		_ = r.cmd.Process.Kill() // its end is told below
		require.Fail(r.t, "the program does not end", "%v said:\n%s", r.cmd.Args[1:], r.output())
	}
	return r.code
}

// says waits until the program has said it and returns what the pattern's group matched.
func (r *program) says(pattern string) string {
	r.t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	re := regexp.MustCompile(pattern)
	for {
		r.mu.Lock()
		match, change := re.FindStringSubmatch(r.out.String()), r.change
		r.mu.Unlock()
		if match != nil {
			return match[len(match)-1]
		}
		select {
		case <-change:
		case <-r.done:
			if re.FindString(r.output()) == "" {
				require.Fail(r.t, "the program ended without saying it", "%v did not say %q but:\n%s", r.cmd.Args[1:], pattern, r.output())
			}
		case <-ctx.Done():
			require.Fail(r.t, "the program does not say it", "%v did not say %q but:\n%s", r.cmd.Args[1:], pattern, r.output())
		}
	}
}

func (r *program) signal(s os.Signal) {
	r.t.Helper()
	require.NoError(r.t, r.cmd.Process.Signal(s))
}

// simulated serves a simulated bench and returns its bench file. Its readings are asked for so seldom that a busy computer
// does not make them stale.
func (p *place) simulated(t *testing.T, family string, change ...string) string {
	t.Helper()
	path := p.path(family + ".yaml")
	p.start(t, "simulate", "--family", family, "--name", "quay", "--bench-file", path).says("Ctrl-C ends it")
	return p.changed(t, path, append([]string{"\nperiod: 100 ms", "\nperiod: 500 ms", "    period: 300 ms", "    period: 800 ms"}, change...)...)
}

// changed writes a copy of a file with texts replaced by others.
func (p *place) changed(t *testing.T, path string, pairs ...string) string {
	t.Helper()
	text, err := os.ReadFile(path)
	require.NoError(t, err)
	for i := 0; i < len(pairs); i += 2 {
		require.Contains(t, string(text), pairs[i])
		text = []byte(strings.Replace(string(text), pairs[i], pairs[i+1], 1))
	}
	f, err := os.CreateTemp(p.folder, "*.yaml")
	require.NoError(t, err)
	_, err = f.Write(text)
	require.NoError(t, err)
	require.NoError(t, f.Close())
	return f.Name()
}
