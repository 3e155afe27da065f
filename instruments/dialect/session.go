package dialect

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"benchwarden/instruments/link"
	"benchwarden/instruments/scpi"
)

// Session is a conversation with one instrument in its dialect. It is safe for concurrent use.
type Session struct {
	name     string
	dialect  *Dialect
	main     *line
	spare    *line // a second connection of its own for making safe; nil where there is none
	identity Identity

	doing chan struct{} // held from a command to the end of its errors, so that they are told to whom they belong

	mu    sync.Mutex
	stale bool // the error queue may hold errors that are not the next command's
}

// line is one connection to the instrument.
type line struct {
	*link.Link
	stranger atomic.Bool // the connection came back, and nobody has asked yet who is at its end now
}

func dial(ctx context.Context, name string, d *Dialect, address string, o link.Options) (*line, error) {
	l := &line{}
	told := o.OnState
	o.OnState = func(s link.State) {
		if s.Up {
			l.stranger.Store(true)
		}
		if told != nil {
			told(s)
		}
	}
	var err error
	l.Link, err = link.Dial(ctx, address, d.options(name, o))
	return l, err
}

// Open opens the link to an instrument, and a second one for making safe where the instrument serves more than one client
// over the network, and identifies it. What o leaves at zero the dialect says. An instrument that identifies itself
// as something else is an error, and nothing but that question was sent to it.
func Open(ctx context.Context, name string, d *Dialect, address string, o link.Options) (*Session, error) {
	main, err := dial(ctx, name, d, address, o)
	if err != nil {
		return nil, err
	}
	s := &Session{name: name, dialect: d, main: main, doing: make(chan struct{}, 1), stale: d.HasErrorQueue()}
	if s.identity, err = s.Identify(ctx); err != nil {
		s.Close()
		return nil, err
	}
	main.stranger.Store(false)
	if d.Connections < 2 || !strings.HasPrefix(address, "tcp:") {
		return s, nil
	}
	o.OnState = nil
	if s.spare, err = dial(ctx, name+" (second connection)", d, address, o); err != nil {
		s.spare = nil
		s.Close()
		return nil, fmt.Errorf("%w; if the instrument serves one client only, its dialect has to say connections: 1", err)
	}
	return s, nil
}

// options completes a link's options by what the dialect says.
func (d *Dialect) options(name string, o link.Options) link.Options {
	if o.Name == "" {
		o.Name = name
	}
	if o.Framer == nil {
		if f := d.framer(); f != nil {
			o.Framer = f
		}
	}
	if o.EOL == "" {
		o.EOL = string(d.EOL)
	}
	for _, t := range []struct {
		into *time.Duration
		says time.Duration
	}{
		{&o.ReplyWithin, d.ReplyWithin.Duration()}, {&o.TakesEffectWithin, d.TakesEffectWithin.Duration()},
		{&o.Gap, d.Gap.Duration()}, {&o.CharacterGap, d.CharacterGap.Duration()}, {&o.Resync.Quiet, d.Resync.Silence.Duration()},
	} {
		if *t.into == 0 {
			*t.into = t.says
		}
	}
	if o.Resync.Token == nil && d.Resync.Ask != "" {
		o.Resync.Token = d.Resync.token
	}
	return o
}

// token makes a question whose answer nothing else could have been the answer to.
func (r Resync) token() (ask string, accept func(reply []byte) bool) {
	fill := strings.NewReplacer("{a}", random(), "{b}", random(), "{c}", random())
	answer := fill.Replace(r.Answer)
	return fill.Replace(r.Ask), func(reply []byte) bool { return strings.TrimSpace(string(reply)) == answer }
}

func random() string { return strconv.Itoa(1 + rand.IntN(255)) }

// Name is the instrument's role.
func (s *Session) Name() string { return s.name }

// Dialect is how the instrument is spoken to.
func (s *Session) Dialect() *Dialect { return s.dialect }

// Link is the connection that commands and questions use.
func (s *Session) Link() *link.Link { return s.main.Link }

// Spare is the second connection for making safe; nil where there is none.
func (s *Session) Spare() *link.Link {
	if s.spare == nil {
		return nil
	}
	return s.spare.Link
}

// Identity is what the instrument said it is when the session was opened.
func (s *Session) Identity() Identity { return s.identity }

// Has tells whether the instrument can be told or asked this.
func (s *Session) Has(name string) bool { return s.dialect.Has(name) }

// Range is what a parameter may be.
func (s *Session) Range(parameter string) (Span, bool) {
	span, ok := s.dialect.Ranges[parameter]
	return span, ok
}

// Confirms tells whether a command that the instrument did not take shows in Do. Where it does not, what was set has to be
// read back.
func (s *Session) Confirms() bool { return s.dialect.HasErrorQueue() }

// OverCurrent says what the instrument's over-current protection does: level, on_cc or none.
func (s *Session) OverCurrent() string { return s.dialect.OverCurrent }

// Close ends the connections.
func (s *Session) Close() error {
	err := s.main.Close()
	if s.spare != nil {
		err = errors.Join(err, s.spare.Close())
	}
	return err
}

// path is the connection to use: making safe has its own while it is up.
func (s *Session) path(p link.Priority) *line {
	if p == link.MakeSafe && s.spare != nil && s.spare.State().Up {
		return s.spare
	}
	return s.main
}

func (s *Session) failed(err error) error {
	if strings.HasPrefix(err.Error(), s.name+" ") || strings.HasPrefix(err.Error(), s.name+":") {
		return err // the link has named it
	}
	return fmt.Errorf("%s: %w", s.name, err)
}

// Ask asks one question. An answer that cannot be read is ErrUnreadable; the link then gets into step before anything else
// is asked.
func (s *Session) Ask(ctx context.Context, p link.Priority, query string, args Args) (Answer, error) {
	message, err := s.dialect.RenderQuery(query, args)
	if err != nil {
		return Answer{}, s.failed(err)
	}
	l := s.path(p)
	if err := s.known(ctx, l, p); err != nil {
		return Answer{}, s.failed(err)
	}
	reply, err := l.Query(s.patient(ctx, s.dialect.Queries[query].Within.Duration()), p, message)
	if err != nil {
		s.doubtErrors()
		return Answer{}, s.failed(s.withReason(ctx, l, p, err))
	}
	a, err := s.dialect.Read(query, reply)
	if err != nil {
		err = fmt.Errorf("%s: %q: %w", s.name, message, err)
		return Answer{}, errors.Join(err, s.outOfStep(ctx, l))
	}
	return a, nil
}

// withReason adds to a missing answer what the instrument says about the question. Only a script waits for that: whoever
// supervises or makes safe has the link to itself at once.
func (s *Session) withReason(ctx context.Context, l *line, p link.Priority, err error) error {
	if p != link.Script || !errors.Is(err, link.ErrTimeout) || ctx.Err() != nil || !s.dialect.HasErrorQueue() {
		return err
	}
	select {
	case s.doing <- struct{}{}: // nobody waits for errors of a command's
		defer func() { <-s.doing }()
	default:
		return err
	}
	reported, none := s.errors(ctx, l, p, "")
	if none != nil || len(reported) == 0 {
		return err
	}
	return fmt.Errorf("%w; the instrument reports %s", err, listed(reported))
}

func listed(reported []scpi.Error) string {
	texts := make([]string, len(reported))
	for i, r := range reported {
		texts[i] = fmt.Sprintf("%d %q", r.Number, r.Text)
	}
	return strings.Join(texts, ", ")
}

func (s *Session) patient(ctx context.Context, within time.Duration) context.Context {
	if within == 0 {
		return ctx
	}
	return link.Patient(ctx, within)
}

// outOfStep treats a connection whose last answer was not what the question asked for.
func (s *Session) outOfStep(ctx context.Context, l *line) error {
	s.doubtErrors()
	if s.dialect.Resync.Ask == "" {
		l.Drop()
		return nil
	}
	if err := l.Fence(ctx); err != nil && !errors.Is(err, link.ErrUnproven) {
		return err
	}
	return nil
}

func (s *Session) doubtErrors() {
	s.mu.Lock()
	s.stale = s.dialect.HasErrorQueue()
	s.mu.Unlock()
}

// Urgent sends commands at once, for making safe, on every connection there is: it waits for no answer, and the exchange
// under way fails. The commands have to bear being carried out twice. No error means that everything was handed to the
// wire of at least one connection.
func (s *Session) Urgent(calls ...Call) error {
	messages := make([]string, len(calls))
	for i, c := range calls {
		message, err := s.dialect.Render(c.Command, c.Args)
		if err != nil {
			return s.failed(err)
		}
		messages[i] = message
	}
	s.doubtErrors()
	if s.spare == nil {
		return s.main.Urgent(messages...)
	}
	first := s.spare.Urgent(messages...)
	second := s.main.Urgent(messages...)
	if first != nil && second != nil {
		return errors.Join(first, second)
	}
	return nil
}

// InstrumentError is what an instrument reported about a command.
type InstrumentError struct {
	Name     string // the instrument's role
	Command  string // as it was sent
	Reported []scpi.Error
}

func (e *InstrumentError) Error() string {
	return fmt.Sprintf("%s: the instrument did not accept %q: %s", e.Name, e.Command, listed(e.Reported))
}

// Unwrap gives the errors as the instrument reported them.
func (e *InstrumentError) Unwrap() []error {
	errs := make([]error, len(e.Reported))
	for i, r := range e.Reported {
		errs[i] = r
	}
	return errs
}
