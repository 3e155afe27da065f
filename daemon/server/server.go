// Package server is the daemon's local API: HTTP on a Unix socket whose file permissions say who may use it.
//
// Whoever reaches it may watch, start and stop runs, make benches safe and answer prompts. What energises still needs an
// act at the bench: the daemon looks at which process is at the other end of the socket and on which terminal that runs.
package server

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"golang.org/x/sys/unix"

	"benchwarden/daemon/bench"
	"benchwarden/daemon/event"
	"benchwarden/daemon/hands"
	"benchwarden/daemon/station"
	"benchwarden/instruments/datafile"
)

// Bench is what the API needs of a bench.
type Bench interface {
	Name() string
	Status() station.Status
	// Start begins a run and returns its events from the first one on; the subscription ends with the run.
	Start(station.Order) (*station.Running, error)
	Stop(by string) error
	MakeSafe(ctx context.Context, by string) event.Safety
	Reset(by string) error
	Desk() *hands.Desk
	Console() string
	Events() *event.Hub
}

// Server serves the API for some benches.
type Server struct {
	benches map[string]Bench
	mux     *http.ServeMux
}

// New returns a server for the benches.
func New(benches ...Bench) *Server {
	s := &Server{benches: map[string]Bench{}, mux: http.NewServeMux()}
	for _, b := range benches {
		s.benches[b.Name()] = b
	}
	s.mux.HandleFunc("GET /benches", s.list)
	s.mux.HandleFunc("GET /benches/{bench}", s.at(func(w http.ResponseWriter, _ *http.Request, b Bench) error { return write(w, b.Status()) }))
	s.mux.HandleFunc("POST /benches/{bench}/runs", s.at(s.run))
	s.mux.HandleFunc("GET /benches/{bench}/events", s.at(s.events))
	s.mux.HandleFunc("POST /benches/{bench}/stop", s.at(by(func(b Bench, name string) error { return b.Stop(name) })))
	s.mux.HandleFunc("POST /benches/{bench}/make-safe", s.at(s.makeSafe))
	s.mux.HandleFunc("POST /benches/{bench}/reset", s.at(by(func(b Bench, name string) error { return b.Reset(name) })))
	s.mux.HandleFunc("POST /benches/{bench}/hold", s.at(by(hold)))
	s.mux.HandleFunc("POST /benches/{bench}/lift", s.at(by(func(b Bench, name string) error { return b.Desk().Lift(name) })))
	s.mux.HandleFunc("GET /benches/{bench}/prompts", s.at(s.prompts))
	s.mux.HandleFunc("POST /benches/{bench}/prompts/{id}", s.at(s.answer))
	return s
}

// Listen opens the socket. A socket that a dead daemon left is replaced; one that a living daemon serves is not.
func Listen(path string) (net.Listener, error) {
	if err := os.MkdirAll(filepath.Dir(path), 0o750); err != nil {
		return nil, fmt.Errorf("local API: %w", err)
	}
	if conn, err := net.DialTimeout("unix", path, time.Second); err == nil {
		conn.Close()
		return nil, fmt.Errorf("local API: another daemon serves %s; stop it first, or name another socket with --socket", path)
	}
	if err := os.Remove(path); err != nil && !errors.Is(err, os.ErrNotExist) {
		return nil, fmt.Errorf("local API: %w", err)
	}
	listener, err := net.Listen("unix", path)
	if err != nil {
		return nil, fmt.Errorf("local API: %w", err)
	}
	if err := os.Chmod(path, 0o660); err != nil {
		listener.Close()
		return nil, fmt.Errorf("local API: %w", err)
	}
	return listener, nil
}

type peerKey struct{}

// Serve serves until ctx ends.
func (s *Server) Serve(ctx context.Context, listener net.Listener) error {
	h := &http.Server{
		Handler:           s.mux,
		ReadHeaderTimeout: 5 * time.Second,
		BaseContext:       func(net.Listener) context.Context { return ctx },
		ConnContext: func(ctx context.Context, c net.Conn) context.Context {
			return context.WithValue(ctx, peerKey{}, peer(c))
		},
	}
	stop := context.AfterFunc(ctx, func() {
		end, cancel := context.WithTimeout(context.WithoutCancel(ctx), 2*time.Second)
		defer cancel()
		if h.Shutdown(end) != nil {
			h.Close()
		}
	})
	defer stop()
	if err := h.Serve(listener); !errors.Is(err, http.ErrServerClosed) {
		return fmt.Errorf("local API: %w", err)
	}
	return nil
}

// peer is the process at the other end, 0 when that cannot be seen.
func peer(c net.Conn) int {
	u, ok := c.(*net.UnixConn)
	if !ok {
		return 0
	}
	raw, err := u.SyscallConn()
	if err != nil {
		return 0
	}
	pid := 0
	err = raw.Control(func(fd uintptr) {
		if cred, err := unix.GetsockoptUcred(int(fd), unix.SOL_SOCKET, unix.SO_PEERCRED); err == nil {
			pid = int(cred.Pid)
		}
	})
	if err != nil {
		return 0
	}
	return pid
}

type handler func(w http.ResponseWriter, r *http.Request, b Bench) error

func (s *Server) at(h handler) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		b, ok := s.benches[r.PathValue("bench")]
		if !ok {
			refuse(w, http.StatusNotFound, s.unknown(r.PathValue("bench")))
			return
		}
		if err := h(w, r, b); err != nil {
			refuse(w, statusOf(err), err)
		}
	}
}

func (s *Server) names() []string { return slices.Sorted(maps.Keys(s.benches)) }

func (s *Server) unknown(name string) error {
	return fmt.Errorf("bench %s: this daemon does not serve it%s; it serves %s", name, datafile.DidYouMean(name, s.names()), strings.Join(s.names(), ", "))
}

func statusOf(err error) int {
	switch {
	case errors.Is(err, station.ErrBusy):
		return http.StatusConflict
	case errors.Is(err, station.ErrOrder):
		return http.StatusUnprocessableEntity
	case errors.Is(err, bench.ErrNotSafe):
		return http.StatusServiceUnavailable
	case errors.Is(err, hands.ErrNotAtBench):
		return http.StatusForbidden
	}
	return http.StatusBadRequest
}

func refuse(w http.ResponseWriter, status int, err error) {
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(status)
	_ = json.NewEncoder(w).Encode(Refusal{Text: err.Error()}) // a client that is gone needs no answer
}

// Refusal is the body of an answer that is not 200.
type Refusal struct {
	Text string `json:"error"`
}

func write(w http.ResponseWriter, v any) error {
	w.Header().Set("Content-Type", "application/json")
	return json.NewEncoder(w).Encode(v)
}

func (s *Server) list(w http.ResponseWriter, _ *http.Request) {
	all := []station.Status{}
	for _, name := range s.names() {
		all = append(all, s.benches[name].Status())
	}
	_ = write(w, all)
}
