package scpi

import "sync"

// Bits of the standard event status register (IEEE 488.2 clause 11.5.1).
const (
	eventOperationComplete byte = 1 << iota
	eventRequestControl
	eventQuery
	eventDevice
	eventExecution
	eventCommand
	eventUserRequest
	eventPowerOn
)

// Bits of the status byte (IEEE 488.2 clause 11.2, SCPI-99 volume 1, status).
const (
	statusErrors       byte = 1 << 2
	statusQuestionable byte = 1 << 3
	statusMessage      byte = 1 << 4
	statusEvent        byte = 1 << 5
	statusMaster       byte = 1 << 6
	statusOperation    byte = 1 << 7
)

// Status is what a device tells about itself: the registers of IEEE 488.2 and
// SCPI-99 and the error queue. Everything in it may be used from any goroutine.
type Status struct {
	Operation, Questionable Register
	Errors                  Queue

	mu            sync.Mutex
	event         byte // standard event status register
	eventEnable   byte
	serviceEnable byte
}

func (s *Status) preset() {
	s.Operation.preset()
	s.Questionable.preset()
}

// Report puts an error into the queue and sets its bit of the standard event
// status register. Numbers above zero are the device's own errors.
func (s *Status) Report(e Error) {
	bits := eventBit(e.Number)
	if !s.Errors.push(e) {
		bits |= eventDevice // Queue overflow is a device error
	}
	s.raise(bits)
}

func (s *Status) raise(bits byte) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.event |= bits
}

// clear is *CLS: events and errors go, enable registers stay.
func (s *Status) clear() {
	s.takeEvent()
	s.Errors.clear()
	s.Operation.takeEvent()
	s.Questionable.takeEvent()
}

func (s *Status) takeEvent() byte {
	s.mu.Lock()
	defer s.mu.Unlock()
	event := s.event
	s.event = 0
	return event
}

func (s *Status) setEventEnable(mask byte) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.eventEnable = mask
}

// setServiceEnable leaves out bit 6, which summarises the others.
func (s *Status) setServiceEnable(mask byte) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.serviceEnable = mask &^ statusMaster
}

func (s *Status) enables() (event, service byte) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.eventEnable, s.serviceEnable
}

// statusByte is what *STB? answers; messageAvailable is the session's own.
func (s *Status) statusByte(messageAvailable bool) byte {
	s.mu.Lock()
	defer s.mu.Unlock()
	var b byte
	set := func(bit byte, on bool) {
		if on {
			b |= bit
		}
	}
	set(statusErrors, s.Errors.Len() > 0)
	set(statusQuestionable, s.Questionable.summary())
	set(statusMessage, messageAvailable)
	set(statusEvent, s.event&s.eventEnable != 0)
	set(statusOperation, s.Operation.summary())
	set(statusMaster, b&s.serviceEnable != 0)
	return b
}

// registerBits are the bits a register has: bit 15 always reads 0.
const registerBits = 0x7FFF

// Register is one condition register with its transition filters, event latch
// and enable mask (SCPI-99 volume 2, clauses 20.1 to 20.3).
type Register struct {
	mu                         sync.Mutex
	condition, event           uint16
	enable, positive, negative uint16
}

// Set sets or clears one bit (0 to 14) of the condition.
func (r *Register) Set(bit int, on bool) {
	if bit < 0 || bit > 14 {
		panic("scpi: a condition register has the bits 0 to 14")
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	mask := uint16(1) << bit
	was := r.condition&mask != 0
	switch {
	case on && !was:
		r.condition |= mask
		r.event |= mask & r.positive
	case !on && was:
		r.condition &^= mask
		r.event |= mask & r.negative
	}
}

// Condition is the state right now.
func (r *Register) Condition() uint16 {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.condition
}

func (r *Register) takeEvent() uint16 {
	r.mu.Lock()
	defer r.mu.Unlock()
	event := r.event
	r.event = 0
	return event
}

func (r *Register) summary() bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.event&r.enable != 0
}

// preset is STATus:PRESet for this register.
func (r *Register) preset() {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.enable, r.positive, r.negative = 0, registerBits, 0
}

// mask reads the enable mask or one of the transition filters.
func (r *Register) mask(which func(*Register) *uint16) uint16 {
	r.mu.Lock()
	defer r.mu.Unlock()
	return *which(r)
}

func (r *Register) setMask(which func(*Register) *uint16, value uint16) {
	r.mu.Lock()
	defer r.mu.Unlock()
	*which(r) = value & registerBits
}
