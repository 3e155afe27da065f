package scpi

import (
	"errors"
	"strings"
	"sync"
)

// Device is an instrument as its commands show it: a command tree, the status
// registers and the error queue, shared by all sessions. The mandatory commands
// of IEEE 488.2 and SCPI-99 are there from the start.
type Device struct {
	*Tree
	Status

	// The three functions below run while the device is locked, as handlers do.

	// Reset brings the device to its known state for *RST; nil does nothing.
	Reset func()
	// SelfTest serves *TST?; 0 is passed, which nil answers too.
	SelfTest func() int
	// Pending serves *OPC, *OPC? and *WAI: a channel that is closed when no
	// operation is under way any more. Nil, as function or channel, means
	// none is.
	Pending func() <-chan struct{}

	id [4]string // maker, model, serial number, firmware

	mu       sync.Mutex      // held while a command runs
	complete <-chan struct{} // what an *OPC waits for, nil if none does
}

// NewDevice returns a device that identifies itself with maker, model, serial
// number and firmware. An empty field is answered as 0 (IEEE 488.2 clause
// 10.14); a field has no comma or semicolon. Its event register tells that
// power came on.
func NewDevice(id [4]string) *Device {
	d := &Device{Tree: NewTree(), id: id}
	d.preset()
	d.raise(eventPowerOn)
	d.handleCommon()
	d.handleSystem()
	d.handleStatus()
	return d
}

// pending is closed or nil when no operation is under way.
func (d *Device) pending() <-chan struct{} {
	if d.Pending == nil {
		return nil
	}
	return d.Pending()
}

// notice sets the bit that an earlier *OPC asked for, once its operations are
// done.
func (d *Device) notice() {
	if d.complete != nil && isClosed(d.complete) {
		d.complete = nil
		d.raise(eventOperationComplete)
	}
}

func isClosed(done <-chan struct{}) bool {
	select {
	case <-done:
		return true
	default:
		return false
	}
}

// Session is one connection to a device. It has its own place in the command
// tree and its own answers. One goroutine uses it, except for Close.
type Session struct {
	device *Device
	answer []byte // of the message under way
	closed chan struct{}
	close  sync.Once
}

// NewSession opens a connection to the device.
func (d *Device) NewSession() *Session {
	return &Session{device: d, closed: make(chan struct{})}
}

// Close ends the session: a command of its own that waits is given up. It may be
// called from any goroutine, and more than once.
func (s *Session) Close() { s.close.Do(func() { close(s.closed) }) }

// Interrupted tells the device that a message came before the answer to the
// one before was read: -410. Who owns the connection knows that; the unread
// answer is to be thrown away there.
func (s *Session) Interrupted() { s.device.Report(NewError(-410, "")) }

// Execute carries out one program message, without the NL that ends it, and
// returns the answer without NL, nil if nothing was asked. Answers of several
// queries are joined by semicolons.
//
// Where a unit of the message is wrong, those before it have been executed, it
// and those after it are not, and the error is in the queue. A message of white
// space does nothing. Execute blocks while a handler waits, until Close.
func (s *Session) Execute(message []byte) []byte {
	s.device.mu.Lock()
	defer s.device.mu.Unlock()
	s.answer = nil
	if err := s.execute(message); err != nil && !errors.Is(err, errClosed) {
		s.device.Report(asError(err))
	}
	if isClosed(s.closed) {
		return nil
	}
	return s.answer
}

// errClosed is a wait that the end of the session cut.
var errClosed = errors.New("the session was closed")

func asError(err error) Error {
	var e Error
	if errors.As(err, &e) {
		return e
	}
	return NewError(-200, err.Error())
}

func (s *Session) execute(message []byte) error {
	r := reader{buf: message}
	r.skipSpace()
	var at path
	for !r.ended() {
		h, data, err := r.unit()
		if err != nil {
			return err
		}
		if at, err = s.unit(at, h, data); err != nil {
			return err
		}
		if isClosed(s.closed) {
			return errClosed
		}
		if r.peek() == ';' {
			r.at++
			if r.skipSpace(); r.ended() {
				return NewError(-102, "nothing follows the last semicolon")
			}
		}
	}
	return nil
}

// unit runs one command and returns where the next one starts in the tree.
func (s *Session) unit(at path, h header, data []datum) (path, error) {
	d := s.device
	d.notice()
	call := &Call{session: s, data: data}
	var command *Command
	if h.common {
		if command = d.common[strings.ToUpper(strings.TrimSuffix(h.text, "?"))]; command == nil {
			return nil, NewError(-113, h.text)
		}
	} else {
		full, err := d.walk(at, h)
		if err != nil {
			return nil, err
		}
		if command = d.end(full).command; command == nil {
			return nil, NewError(-113, h.text)
		}
		if call.suffixes, err = d.suffixesOf(full); err != nil {
			return nil, err
		}
		at = full[:len(full)-1]
	}
	return at, s.run(command, h, call)
}

func (s *Session) run(command *Command, h header, call *Call) error {
	takes := command.Takes
	if h.query {
		takes = command.AskTakes
	}
	switch {
	case h.query && command.Ask == nil, !h.query && command.Do == nil:
		return NewError(-113, h.text)
	case call.Len() > takes:
		return NewError(-108, h.text)
	case !h.query:
		return command.Do(call)
	}
	text, err := command.Ask(call)
	if err != nil {
		return err
	}
	if s.answer == nil {
		s.answer = make([]byte, 0, len(text)+1)
	} else {
		s.answer = append(s.answer, ';')
	}
	s.answer = append(s.answer, text...)
	return nil
}

// await gives the device free for other sessions while it waits.
func (s *Session) await(done <-chan struct{}) bool {
	if done == nil || isClosed(done) {
		return true
	}
	s.device.mu.Unlock()
	defer s.device.mu.Lock()
	select {
	case <-done:
		return true
	case <-s.closed:
		return false
	}
}
