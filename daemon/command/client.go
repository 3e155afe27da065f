package command

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"time"

	"benchwarden/daemon/event"
	"benchwarden/daemon/server"
	"benchwarden/daemon/station"
)

// client talks to a daemon over its local API.
type client struct {
	socket string
	http   *http.Client
}

func newClient(socket string) *client {
	dial := func(ctx context.Context, _, _ string) (net.Conn, error) {
		return (&net.Dialer{Timeout: 2 * time.Second}).DialContext(ctx, "unix", socket)
	}
	return &client{socket: socket, http: &http.Client{Transport: &http.Transport{DialContext: dial}}}
}

// errNoDaemon says that nobody serves the socket.
var errNoDaemon = errors.New("no daemon answers")

func (c *client) call(ctx context.Context, method, path string, body any) (io.ReadCloser, error) {
	var payload io.Reader
	if body != nil {
		data, err := json.Marshal(body)
		if err != nil {
			return nil, err
		}
		payload = bytes.NewReader(data)
	}
	request, err := http.NewRequestWithContext(ctx, method, "http://bench"+path, payload)
	if err != nil {
		return nil, err
	}
	response, err := c.http.Do(request)
	if err != nil {
		var op *net.OpError
		if errors.As(err, &op) && op.Op == "dial" {
			return nil, fmt.Errorf("%w on %s: start one with \"benchwarden serve\", or run without one with --here", errNoDaemon, c.socket)
		}
		return nil, err
	}
	if response.StatusCode == http.StatusOK {
		return response.Body, nil
	}
	defer response.Body.Close()
	var refusal server.Refusal
	if err := json.NewDecoder(response.Body).Decode(&refusal); err != nil || refusal.Text == "" {
		return nil, fmt.Errorf("the daemon answers %s", response.Status)
	}
	err = errors.New(refusal.Text)
	switch response.StatusCode {
	case http.StatusNotFound, http.StatusUnprocessableEntity:
		return nil, configFault(err)
	case http.StatusServiceUnavailable:
		return nil, &exitError{station.ExitNotSafe, err}
	}
	return nil, err
}

func (c *client) do(ctx context.Context, method, path string, body, into any) error {
	answer, err := c.call(ctx, method, path, body)
	if err != nil {
		return err
	}
	defer answer.Close()
	return json.NewDecoder(answer).Decode(into)
}

func benchPath(bench, rest string) string { return "/benches/" + url.PathEscape(bench) + rest }

func (c *client) statuses(ctx context.Context) (all []station.Status, err error) {
	return all, c.do(ctx, http.MethodGet, "/benches", nil, &all)
}

func (c *client) status(ctx context.Context, bench string) (st station.Status, err error) {
	return st, c.do(ctx, http.MethodGet, benchPath(bench, ""), nil, &st)
}

// byName has a person's name stand for what is asked of a bench: reset, hold, lift.
func (c *client) byName(ctx context.Context, bench, what, by string) (st station.Status, err error) {
	return st, c.do(ctx, http.MethodPost, benchPath(bench, "/"+what), server.Who{By: by}, &st)
}

// longestEvent bounds a line of the event stream: a trace of a million points is about 1.4 MB of base64.
const longestEvent = 64 << 20

// run starts a run and hands every event to each until the run has ended.
func (c *client) run(ctx context.Context, bench string, o station.Order, each func(event.Event)) error {
	stream, err := c.call(ctx, http.MethodPost, benchPath(bench, "/runs"), o)
	if err != nil {
		return err
	}
	defer stream.Close()
	scanner := bufio.NewScanner(stream)
	scanner.Buffer(make([]byte, 0, 1<<16), longestEvent)
	for scanner.Scan() {
		var e event.Event
		if err := json.Unmarshal(scanner.Bytes(), &e); err != nil {
			return fmt.Errorf("event stream: %w", err)
		}
		each(e)
	}
	return scanner.Err()
}

func (c *client) stop(ctx context.Context, bench, by string) error {
	_, err := c.byName(ctx, bench, "stop", by)
	return err
}

func (c *client) makeSafe(ctx context.Context, bench, by string) (safety event.Safety, err error) {
	return safety, c.do(ctx, http.MethodPost, benchPath(bench, "/make-safe"), server.Who{By: by}, &safety)
}

func (c *client) answer(ctx context.Context, bench, id, by, text string) error {
	var nothing struct{}
	return c.do(ctx, http.MethodPost, benchPath(bench, "/prompts/"+url.PathEscape(id)), server.Reply{By: by, Text: text}, &nothing)
}
