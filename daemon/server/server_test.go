package server_test

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"benchwarden/daemon/bench"
	"benchwarden/daemon/event"
	"benchwarden/daemon/hands"
	"benchwarden/daemon/server"
	"benchwarden/daemon/station"
	"benchwarden/instruments/quantity"
)

// fakeBench keeps what it was asked.
type fakeBench struct {
	hub   *event.Hub
	desk  *hands.Desk
	start error

	mu    sync.Mutex
	asked []string
	news  chan string
}

func newFake() *fakeBench {
	b := &fakeBench{hub: event.NewHub(), news: make(chan string, 16)}
	b.desk = hands.New(hands.Config{Bench: "quay", Run: func() string { return "" }, Sink: b.hub, ActWithin: time.Minute,
		Live: func() []string { return []string{"bus_meter.voltage 3.2 V, 0.4 s old"} }})
	return b
}

func (b *fakeBench) note(format string, args ...any) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.asked = append(b.asked, fmt.Sprintf(format, args...))
	b.news <- b.asked[len(b.asked)-1]
}

func (b *fakeBench) Name() string { return "quay" }
func (b *fakeBench) Status() station.Status {
	return station.Status{Bench: "quay", Holds: b.desk.Holds(), Bus: event.Bus{State: event.NotProvenDown, Unread: true}}
}

func (b *fakeBench) Start(o station.Order) (*station.Running, error) {
	if b.start != nil {
		return nil, b.start
	}
	events := b.hub.Subscribe(event.Lossless) // first: whoever reads the note may emit at once
	b.note("start %s %s %s by %s", o.Script, o.Family, o.Unit, o.Operator)
	return &station.Running{Run: "run-1", Events: events}, nil
}

func (b *fakeBench) Stop(by string) error { b.note("stop by %s", by); return nil }

func (b *fakeBench) MakeSafe(ctx context.Context, by string) event.Safety {
	b.note("make-safe by %s, %v", by, ctx.Err())
	return event.Safety{Cause: by, Outputs: []event.Output{{Name: "bus", Safe: "off"}}}
}
func (b *fakeBench) Reset(by string) error { b.note("reset by %s", by); return nil }
func (b *fakeBench) Desk() *hands.Desk     { return b.desk }
func (b *fakeBench) Console() string       { return "/dev/tty1" }
func (b *fakeBench) Events() *event.Hub    { return b.hub }

// api is a client over the real socket.
type api struct {
	*fakeBench
	socket string
	http   *http.Client
}

func serve(t *testing.T) *api {
	t.Helper()
	folder, err := os.MkdirTemp("", "bw") // short: a socket's path is limited to 107 bytes (unix(7))
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, os.RemoveAll(folder)) })
	a := &api{fakeBench: newFake(), socket: filepath.Join(folder, "sub", "s")}
	listener, err := server.Listen(a.socket)
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- server.New(a.fakeBench).Serve(ctx, listener) }()
	transport := &http.Transport{DialContext: func(ctx context.Context, _, _ string) (net.Conn, error) {
		return (&net.Dialer{}).DialContext(ctx, "unix", a.socket)
	}}
	a.http = &http.Client{Transport: transport, Timeout: 30 * time.Second}
	t.Cleanup(func() {
		transport.CloseIdleConnections()
		cancel()
		require.NoError(t, <-done)
	})
	return a
}

func (a *api) call(t *testing.T, method, path, body string) (int, string) {
	t.Helper()
	request, err := http.NewRequestWithContext(t.Context(), method, "http://bench"+path, strings.NewReader(body))
	require.NoError(t, err)
	response, err := a.http.Do(request)
	require.NoError(t, err)
	defer response.Body.Close()
	text, err := io.ReadAll(response.Body)
	require.NoError(t, err)
	return response.StatusCode, string(text)
}

func TestOnlyTheSocketsOwnerAndGroupMayUseIt(t *testing.T) {
	a := serve(t)
	info, err := os.Stat(a.socket)
	require.NoError(t, err)
	require.Equal(t, os.FileMode(0o660), info.Mode().Perm())
}

func TestASocketIsTakenFromADeadDaemonOnly(t *testing.T) {
	a := serve(t)
	_, err := server.Listen(a.socket)
	require.ErrorContains(t, err, "another daemon serves "+a.socket)
	code, _ := a.call(t, "GET", "/benches", "")
	require.Equal(t, http.StatusOK, code, "the living one goes on")

	left := filepath.Join(filepath.Dir(a.socket), "left")
	dead, err := net.Listen("unix", left)
	require.NoError(t, err)
	dead.(*net.UnixListener).SetUnlinkOnClose(false) // as a killed daemon leaves it
	require.NoError(t, dead.Close())
	require.FileExists(t, left)
	fresh, err := server.Listen(left)
	require.NoError(t, err)
	require.NoError(t, fresh.Close())
}

func TestWhatIsAskedReachesTheBench(t *testing.T) {
	for _, tt := range []struct{ path, body, want string }{
		{"/benches/quay/stop", `{"by":"Ada"}`, "stop by Ada"},
		{"/benches/quay/make-safe", `{"by":"Ada"}`, "make-safe by Ada, <nil>"},
		{"/benches/quay/reset", `{"by":"Ada"}`, "reset by Ada"},
		{"/benches/quay/hold", `{"by":"Ada"}`, "stop by Ada"},
	} {
		t.Run(tt.path, func(t *testing.T) {
			a := serve(t)
			code, text := a.call(t, "POST", tt.path, tt.body)
			require.Equal(t, http.StatusOK, code, text)
			require.Equal(t, []string{tt.want}, a.asked)
		})
	}
}

func TestRefusalsSayWhyWithACodeOfTheirOwn(t *testing.T) {
	const order = `{"script":"rails","family":"wren","unit":"W-1"}`
	for _, tt := range []struct {
		name, method, path, body string
		start                    error
		code                     int
		want                     string
	}{
		{"unknown bench", "POST", "/benches/quai/stop", `{"by":"Ada"}`, nil, http.StatusNotFound, "bench quai: this daemon does not serve it, did you mean quay?; it serves quay"},
		{"busy bench", "POST", "/benches/quay/runs", order, fmt.Errorf("bench quay: %w with run r", station.ErrBusy), http.StatusConflict, "bench quay: the bench is busy with run r"},
		{"faulty order", "POST", "/benches/quay/runs", order, fmt.Errorf("unknown family: %w", station.ErrOrder), http.StatusUnprocessableEntity, "unknown family"},
		{"bench that is not safe", "POST", "/benches/quay/runs", order, fmt.Errorf("%w: bus", bench.ErrNotSafe), http.StatusServiceUnavailable, "NOT SAFE: bus"},
		{"anything else", "POST", "/benches/quay/runs", order, errors.New("disk full"), http.StatusBadRequest, "disk full"},
		{"misspelt field", "POST", "/benches/quay/runs", `{"scirpt":"rails"}`, nil, http.StatusBadRequest, `unknown field "scirpt"`},
		{"no JSON", "POST", "/benches/quay/stop", `by=Ada`, nil, http.StatusBadRequest, "request: "},
		{"body without end", "POST", "/benches/quay/stop", `{"by":"` + strings.Repeat("a", 1<<17) + `"}`, nil, http.StatusBadRequest, "request: "},
		{"a hold without a name", "POST", "/benches/quay/hold", `{}`, nil, http.StatusBadRequest, "carries the name"},
		{"lifting nobody's hold", "POST", "/benches/quay/lift", `{"by":"Ann"}`, nil, http.StatusBadRequest, "Ann has placed no hold"},
		{"answer to nothing", "POST", "/benches/quay/prompts/7", `{"by":"Ada","text":"12 V"}`, nil, http.StatusBadRequest, "no such prompt"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			a := serve(t)
			a.start = tt.start
			code, text := a.call(t, tt.method, tt.path, tt.body)
			require.Equal(t, tt.code, code, text)
			var refusal server.Refusal
			require.NoError(t, json.Unmarshal([]byte(text), &refusal), text)
			require.Contains(t, refusal.Text, tt.want)
			require.Empty(t, a.asked, "nothing reached the bench")
		})
	}
}

// run starts a run and returns the lines of its event stream, and what ends the request.
func (a *api) run(t *testing.T) (*bufio.Scanner, context.CancelFunc) {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	t.Cleanup(cancel)
	request, err := http.NewRequestWithContext(ctx, "POST", "http://bench/benches/quay/runs",
		strings.NewReader(`{"script":"rails","family":"wren","unit":"W-1","operator":"Ada"}`))
	require.NoError(t, err)
	answered := make(chan *http.Response, 1)
	go func() {
		response, err := a.http.Do(request)
		if err == nil {
			answered <- response
		}
		close(answered)
	}()
	require.Equal(t, "start rails wren W-1 by Ada", <-a.news)
	a.hub.Emit(event.Event{Bench: "quay", Run: "run-1", Body: event.Step{Text: "first"}})
	response := <-answered
	require.NotNil(t, response)
	t.Cleanup(func() { response.Body.Close() })
	return bufio.NewScanner(response.Body), cancel
}

func TestARunsEventsComeAsTheyHappenAndEndWithIt(t *testing.T) {
	a := serve(t)
	lines, _ := a.run(t)
	a.hub.Emit(event.Event{Bench: "other", Run: "run-2", Body: event.Step{Text: "another bench's"}})
	a.hub.Emit(event.Event{Bench: "quay", Run: "run-1", Body: event.RunEnded{Outcome: "pass"}})
	a.hub.Emit(event.Event{Bench: "quay", Run: "run-1", Body: event.Step{Text: "after the end"}})
	var kinds []string
	for lines.Scan() {
		var e event.Event
		require.NoError(t, json.Unmarshal(lines.Bytes(), &e))
		require.Equal(t, "run-1", e.Run)
		kinds = append(kinds, fmt.Sprintf("%T", e.Body))
	}
	require.NoError(t, lines.Err())
	require.Equal(t, []string{"event.Step", "event.RunEnded"}, kinds)
	require.Len(t, a.asked, 1, "nobody stopped it")
}

func TestARunWhoseClientIsGoneIsStopped(t *testing.T) {
	a := serve(t)
	lines, gone := a.run(t)
	require.True(t, lines.Scan())
	gone()
	require.Equal(t, "stop by the server, since the terminal that started the run is gone", <-a.news)
}

func TestTheActIsNotTakenFromTheSocketAlone(t *testing.T) {
	a := serve(t)
	prompts := a.hub.Subscribe(event.Lossless)
	defer prompts.Close()
	ctx, cancel := context.WithCancel(t.Context())
	acted := make(chan error, 1)
	go func() {
		acted <- a.desk.Act(ctx, hands.Announced{Longest: time.Minute, Volts: map[string]quantity.Volts{"bus": 30}})
	}()
	e, err := prompts.Next(t.Context())
	require.NoError(t, err)
	prompt := e.Body.(event.Prompt)
	require.Equal(t, hands.Energise, prompt.Action)

	code, text := a.call(t, "GET", "/benches/quay/prompts", "")
	require.Equal(t, http.StatusOK, code)
	require.Contains(t, text, "bus_meter.voltage 3.2 V, 0.4 s old")
	code, text = a.call(t, "POST", "/benches/quay/prompts/"+prompt.ID, `{"by":"Ada","text":"energise"}`)
	require.Equal(t, http.StatusForbidden, code, text)
	require.Contains(t, text, "only somebody at the bench can answer this")
	require.Error(t, a.desk.Allow("bus", 12), "nothing was permitted")
	cancel()
	require.Error(t, <-acted)
}
