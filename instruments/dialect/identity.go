package dialect

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"unicode"

	"benchwarden/instruments/link"
	"benchwarden/instruments/scpi"
)

// Identity is what an instrument says it is.
type Identity struct {
	Maker, Model, Serial, Firmware string
	Simulated                      bool   // it said so itself
	Raw                            string // the whole answer
}

// ErrIdentity: another instrument answered than the bench file says.
var ErrIdentity = errors.New("not the instrument that the bench file says")

// simulatedMark is the word by which a simulated instrument says what it is.
const simulatedMark = "SIMULATED"

// ReadIdentity reads the answer to an identity question: maker, model, serial number and firmware by commas (IEEE 488.2
// clause 10.14), or whatever of these there are.
func ReadIdentity(reply string) Identity {
	id := Identity{Raw: strings.TrimSpace(reply)}
	fields := scpi.SplitList(id.Raw)
	for i, into := range []*string{&id.Maker, &id.Model, &id.Serial, &id.Firmware} {
		if i < len(fields) {
			*into = fields[i]
		}
	}
	for word := range strings.FieldsFuncSeq(id.Raw, func(r rune) bool { return r == ' ' || r == ',' }) {
		id.Simulated = id.Simulated || word == simulatedMark
	}
	return id
}

// Identify asks the instrument what it is. Another one than the dialect is for is ErrIdentity.
func (s *Session) Identify(ctx context.Context) (Identity, error) {
	reply, err := s.main.Query(ctx, link.Script, s.dialect.Identity.Ask)
	if err != nil {
		return Identity{}, s.failed(err)
	}
	id := ReadIdentity(string(reply))
	if !s.dialect.Identity.Pattern.MatchString(id.Raw) {
		hint := ""
		if strings.ContainsFunc(id.Raw, func(r rune) bool { return r == unicode.ReplacementChar || !unicode.IsPrint(r) }) {
			hint = "; unreadable bytes usually mean the wrong baud rate or parity"
		}
		return id, fmt.Errorf("%s: %w: at %s %q answered, which is no %s (its identity has to match %s)%s",
			s.name, ErrIdentity, s.main.Address(), excerpt(reply), s.dialect.Name, s.dialect.Identity.Pattern, hint)
	}
	return id, nil
}

// known makes sure that a connection which was lost has come back to the same instrument before anything is said over it.
func (s *Session) known(ctx context.Context, l *line, p link.Priority) error {
	if !l.stranger.Load() {
		return nil
	}
	reply, err := l.Query(ctx, p, s.dialect.Identity.Ask)
	if err != nil {
		return err
	}
	if raw := strings.TrimSpace(string(reply)); raw != s.identity.Raw {
		return fmt.Errorf("%w: since the connection came back %q answers instead of %q", ErrIdentity, excerpt(reply), s.identity.Raw)
	}
	l.stranger.Store(false)
	return nil
}
