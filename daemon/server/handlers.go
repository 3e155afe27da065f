package server

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"

	"benchwarden/daemon/event"
	"benchwarden/daemon/hands"
	"benchwarden/daemon/station"
)

// Who is the body of every request that a person's name belongs to.
type Who struct {
	By string `json:"by"`
}

// Reply is the body of an answer to a prompt.
type Reply struct {
	By   string `json:"by"`
	Text string `json:"text"`
}

const longestBody = 1 << 16

func body[T any](w http.ResponseWriter, r *http.Request) (T, error) {
	var v T
	d := json.NewDecoder(http.MaxBytesReader(w, r.Body, longestBody))
	d.DisallowUnknownFields()
	if err := d.Decode(&v); err != nil {
		return v, fmt.Errorf("request: %w", err)
	}
	return v, nil
}

func by(f func(Bench, string) error) handler {
	return func(w http.ResponseWriter, r *http.Request, b Bench) error {
		who, err := body[Who](w, r)
		if err != nil {
			return err
		}
		if err := f(b, who.By); err != nil {
			return err
		}
		return write(w, b.Status())
	}
}

// hold is never refused: whoever says that hands are in the bench is believed, and what runs is stopped.
func hold(b Bench, name string) error {
	if name == "" {
		return errors.New("a hold carries the name of who placed it")
	}
	b.Desk().Hold(name)
	if err := b.Stop(name); err != nil && !errors.Is(err, station.ErrIdle) {
		return err
	}
	return nil
}

// run starts a run and streams its events, one JSON object a line, until it has ended. When the client goes away first, the
// run is stopped: nobody watches it any more.
func (s *Server) run(w http.ResponseWriter, r *http.Request, b Bench) error {
	order, err := body[station.Order](w, r)
	if err != nil {
		return err
	}
	running, err := b.Start(order)
	if err != nil {
		return err
	}
	defer running.Events.Close()
	if err := stream(r.Context(), w, running.Events, running.Run); err != nil {
		stopErr := b.Stop("the server, since the terminal that started the run is gone")
		if errors.Is(stopErr, station.ErrIdle) {
			return nil
		}
		return stopErr
	}
	running.Wait() // until it is in the record, so that who started it finds it there
	return nil
}

func (s *Server) events(w http.ResponseWriter, r *http.Request, b Bench) error {
	events := b.Events().Subscribe(event.Lossy)
	defer events.Close()
	// A watcher that goes away ends its own stream only.
	_ = stream(r.Context(), w, events, "")
	return nil
}

// stream writes the events of a run until it has ended, or with an empty run all events.
func stream(ctx context.Context, w http.ResponseWriter, events *event.Subscription, run string) error {
	w.Header().Set("Content-Type", "application/x-ndjson")
	out := http.NewResponseController(w)
	encoder := json.NewEncoder(w)
	for {
		e, err := events.Next(ctx)
		if err != nil {
			return err
		}
		if run != "" && e.Run != run {
			continue
		}
		if err := encoder.Encode(e); err != nil {
			return err
		}
		if err := out.Flush(); err != nil {
			return err
		}
		if _, ended := e.Body.(event.RunEnded); ended && run != "" {
			return nil
		}
	}
}

func (s *Server) makeSafe(w http.ResponseWriter, r *http.Request, b Bench) error {
	who, err := body[Who](w, r)
	if err != nil {
		return err
	}
	return write(w, b.MakeSafe(context.WithoutCancel(r.Context()), who.By))
}

func (s *Server) prompts(w http.ResponseWriter, _ *http.Request, b Bench) error {
	open := b.Desk().Open()
	if open == nil {
		open = []event.Prompt{}
	}
	return write(w, open)
}

func (s *Server) answer(w http.ResponseWriter, r *http.Request, b Bench) error {
	reply, err := body[Reply](w, r)
	if err != nil {
		return err
	}
	pid, _ := r.Context().Value(peerKey{}).(int)
	consoleErr := hands.AtConsole(pid, b.Console())
	err = b.Desk().Answer(r.PathValue("id"), hands.Answer{By: reply.By, Text: reply.Text, AtBench: consoleErr == nil})
	if errors.Is(err, hands.ErrNotAtBench) {
		return fmt.Errorf("%w (%w)", err, consoleErr)
	}
	if err != nil {
		return err
	}
	return write(w, struct{}{})
}
