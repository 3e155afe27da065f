package dialect

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"benchwarden/instruments/link"
	"benchwarden/instruments/scpi"
)

// Do sends a command, waits until it has been carried out as the dialect says, and reads the error queue where there is
// one. What the instrument reports is an *InstrumentError.
func (s *Session) Do(ctx context.Context, p link.Priority, command string, args Args) error {
	return s.DoAll(ctx, p, Call{command, args})
}

// DoAll sends several commands, each as a message of its own, and waits and reads the error queue once. All are
// rendered first: if one is refused, none is sent. An error of the instrument stops nothing, so what follows it may have
// been carried out.
func (s *Session) DoAll(ctx context.Context, p link.Priority, calls ...Call) error {
	messages := make([]string, len(calls))
	var within time.Duration
	overlapped := false
	for i, c := range calls {
		message, err := s.dialect.Render(c.Command, c.Args)
		if err != nil {
			return s.failed(err)
		}
		messages[i] = message
		command := s.dialect.Commands[c.Command]
		within, overlapped = max(within, command.Within.Duration()), overlapped || command.Overlapped
	}
	if err := s.begin(ctx); err != nil {
		return s.failed(err)
	}
	defer func() { <-s.doing }()
	if err := s.do(s.patient(ctx, within), p, messages, within, overlapped); err != nil {
		var reported *InstrumentError
		if !errors.As(err, &reported) {
			s.doubtErrors()
		}
		return s.failed(err)
	}
	return nil
}

// begin waits until no other command is under way; where none is, the link says what an ended context means.
func (s *Session) begin(ctx context.Context) error {
	select {
	case s.doing <- struct{}{}:
		return nil
	default:
	}
	select {
	case s.doing <- struct{}{}:
		return nil
	case <-ctx.Done():
		return fmt.Errorf("given up while waiting for another command: %w", context.Cause(ctx))
	}
}

func (s *Session) do(ctx context.Context, p link.Priority, messages []string, within time.Duration, overlapped bool) error {
	l := s.path(p)
	if err := s.known(ctx, l, p); err != nil {
		return err
	}
	if err := s.forgetErrors(ctx, l, p); err != nil {
		return err
	}
	for _, m := range messages {
		if err := l.Send(ctx, p, m); err != nil {
			return err
		}
	}
	first := ""
	if !overlapped {
		var err error
		if first, err = s.wait(ctx, l, p, within); err != nil {
			return fmt.Errorf("after %q: %w", strings.Join(messages, "; "), err)
		}
	}
	reported, err := s.errors(ctx, l, p, first)
	if err != nil {
		return fmt.Errorf("after %q: %w", strings.Join(messages, "; "), err)
	}
	if len(reported) > 0 {
		return &InstrumentError{Name: s.name, Command: strings.Join(messages, "; "), Reported: reported}
	}
	return nil
}

// wait waits as the dialect says. It returns the first entry of the error queue where that came in the same answer.
func (s *Session) wait(ctx context.Context, l *line, p link.Priority, within time.Duration) (first string, err error) {
	switch s.dialect.Wait.By {
	case ByOPC:
		return s.complete(ctx, l, p)
	case ByDelay:
		return "", pause(ctx, s.dialect.Wait.Delay.Duration())
	}
	if within == 0 {
		within = s.dialect.ReplyWithin.Duration()
	}
	for until := time.Now().Add(within); ; {
		reply, err := l.Query(ctx, p, s.dialect.Wait.Ask)
		if err != nil {
			return "", err
		}
		if strings.TrimSpace(string(reply)) == s.dialect.Wait.Done {
			return "", nil
		}
		if !time.Now().Before(until) {
			return "", fmt.Errorf("not carried out within %v: %q is still answered by %q", within, s.dialect.Wait.Ask, excerpt(reply))
		}
		if err := pause(ctx, s.dialect.Wait.Delay.Duration()); err != nil {
			return "", err
		}
	}
}

// complete asks *OPC? and for the first error in one exchange.
func (s *Session) complete(ctx context.Context, l *line, p link.Priority) (first string, err error) {
	const opc = "*OPC?"
	message := opc
	if s.dialect.HasErrorQueue() {
		message += ";" + rooted(s.dialect.ErrorQueue)
	}
	reply, err := l.Query(ctx, p, message)
	if err != nil {
		return "", err
	}
	done, first, both := strings.Cut(string(reply), ";")
	if strings.TrimSpace(done) != "1" || both != s.dialect.HasErrorQueue() {
		return "", errors.Join(fmt.Errorf("%w: %q answered %q", ErrUnreadable, message, excerpt(reply)), s.outOfStep(ctx, l))
	}
	return first, nil
}

// rooted makes a header start at the root when it follows a semicolon.
func rooted(message string) string {
	if strings.HasPrefix(message, ":") || strings.HasPrefix(message, "*") {
		return message
	}
	return ":" + message
}

func pause(ctx context.Context, d time.Duration) error {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-timer.C:
		return nil
	case <-ctx.Done():
		return context.Cause(ctx)
	}
}

// mostErrors bounds the reading of an error queue that never gets empty.
const mostErrors = 50

// errors reads the error queue until it is empty; first is its first entry if that is known already.
func (s *Session) errors(ctx context.Context, l *line, p link.Priority, first string) ([]scpi.Error, error) {
	if !s.dialect.HasErrorQueue() {
		return nil, nil
	}
	var reported []scpi.Error
	for range mostErrors {
		if first == "" {
			reply, err := l.Query(ctx, p, s.dialect.ErrorQueue)
			if err != nil {
				return nil, err
			}
			first = string(reply)
		}
		e, err := scpi.ParseError(first)
		if err != nil {
			return nil, errors.Join(fmt.Errorf("%w: %w", ErrUnreadable, err), s.outOfStep(ctx, l))
		}
		if e.Number == 0 {
			return reported, nil
		}
		reported, first = append(reported, e), ""
	}
	return nil, fmt.Errorf("the error queue is not empty after %d entries, the last of them %d %q", mostErrors, reported[mostErrors-1].Number, reported[mostErrors-1].Text)
}

// forgetErrors empties the error queue of what earlier exchanges left there, so that it is not blamed on the next command.
func (s *Session) forgetErrors(ctx context.Context, l *line, p link.Priority) error {
	s.mu.Lock()
	stale := s.stale
	s.stale = false
	s.mu.Unlock()
	if !stale {
		return nil
	}
	_, err := s.errors(ctx, l, p, "")
	return err
}
