package benchtest

import (
	"context"
	"net"
	"strings"
	"sync"
	"time"

	"benchwarden/instruments/link"
	"benchwarden/instruments/scpi"
)

// Wired is a bench of strict SCPI instruments at the far end of real links, without sockets: links, dialects and drivers are the
// real ones, the wires are pipes in memory. Nothing is charged: its supplies give what they are set to at once.
type Wired struct {
	Answer time.Duration // what an instrument takes for a message

	wires sync.WaitGroup

	mu       sync.Mutex
	fault    func(Exchange) Loss
	number   int
	sent     []Exchange
	devices  map[string]*scpi.Device
	supplies map[string]*Supply
	contacts map[int]bool
	hall     bool
}

// NewWired returns instruments for the roles bus, control, reference, bus_meter, hall and contacts, all off.
func NewWired() *Wired {
	w := &Wired{Answer: 3 * time.Millisecond, devices: map[string]*scpi.Device{}, supplies: map[string]*Supply{}, contacts: map[int]bool{}}
	for _, role := range []string{"bus", "control", "reference"} {
		w.supplies[role] = &Supply{}
		w.devices[role] = w.supply(role)
	}
	w.devices["bus_meter"] = w.device("meter")
	w.devices["bus_meter"].Handle("MEASure:VOLTage[:DC]", asks(func(*scpi.Call) string { return scpi.FormatNumber(w.terminals()) }))
	w.devices["hall"] = w.device("hall")
	w.devices["hall"].Handle("OUTPut[:STATe]", w.onOff(&w.hall))
	w.devices["contacts"] = w.switches()
	return w
}

func (w *Wired) device(kind string) *scpi.Device {
	return scpi.NewDevice([4]string{"Quayside Simulated", kind + " SIMULATED", "1", "1.0"})
}

func asks(f func(*scpi.Call) string) scpi.Command {
	return scpi.Command{Ask: func(c *scpi.Call) (string, error) { return f(c), nil }}
}

func (w *Wired) onOff(is *bool) scpi.Command {
	return scpi.Command{Takes: 1, Do: func(c *scpi.Call) error {
		on, err := c.Bool(0)
		if err == nil {
			w.mu.Lock()
			*is = on
			w.mu.Unlock()
		}
		return err
	}, Ask: func(*scpi.Call) (string, error) {
		w.mu.Lock()
		defer w.mu.Unlock()
		return map[bool]string{true: "1", false: "0"}[*is], nil
	}}
}

func (w *Wired) value(is *float64, unit string) scpi.Command {
	return scpi.Command{Takes: 1, Do: func(c *scpi.Call) error {
		x, err := c.Number(0, unit)
		if err == nil {
			w.mu.Lock()
			*is = x
			w.mu.Unlock()
		}
		return err
	}, Ask: func(*scpi.Call) (string, error) {
		w.mu.Lock()
		defer w.mu.Unlock()
		return scpi.FormatNumber(*is), nil
	}}
}

func (w *Wired) supply(role string) *scpi.Device {
	s, d := w.supplies[role], w.device("watched supply")
	var overVoltageOn, overCurrentOn bool
	d.Handle("OUTPut[:STATe]", w.onOff(&s.On))
	d.Handle("[SOURce:]VOLTage[:LEVel][:IMMediate][:AMPLitude]", w.value(&s.Voltage, "V"))
	d.Handle("[SOURce:]CURRent[:LEVel][:IMMediate][:AMPLitude]", w.value(&s.Limit, "A"))
	d.Handle("[SOURce:]VOLTage:PROTection[:LEVel]", w.value(&s.OverVoltage, "V"))
	d.Handle("[SOURce:]CURRent:PROTection[:LEVel]", w.value(&s.OverCurrent, "A"))
	d.Handle("[SOURce:]VOLTage:PROTection:STATe", w.onOff(&overVoltageOn))
	d.Handle("[SOURce:]CURRent:PROTection:STATe", w.onOff(&overCurrentOn))
	d.Handle("OUTPut:SILence[:TIME]", w.value(&s.Silence, "S"))
	d.Handle("MEASure:VOLTage[:DC]", asks(func(*scpi.Call) string { return scpi.FormatNumber(w.output(role)) }))
	d.Handle("MEASure:CURRent[:DC]", asks(func(*scpi.Call) string { return scpi.FormatNumber(0) }))
	return d
}

func (w *Wired) switches() *scpi.Device {
	d := w.device("contacts")
	set := func(closed bool) func(*scpi.Call) error {
		return func(c *scpi.Call) error {
			channels, err := c.Channels(0)
			if err != nil {
				return err
			}
			w.mu.Lock()
			defer w.mu.Unlock()
			for _, n := range channels {
				w.contacts[n] = closed
			}
			return nil
		}
	}
	d.Handle("ROUTe:OPEN", scpi.Command{Takes: 1, Do: set(false)})
	d.Handle("ROUTe:CLOSe", scpi.Command{Takes: 1, Do: set(true), AskTakes: 1, Ask: func(c *scpi.Call) (string, error) {
		channels, err := c.Channels(0)
		if err != nil {
			return "", err
		}
		w.mu.Lock()
		defer w.mu.Unlock()
		return map[bool]string{true: "1", false: "0"}[w.contacts[channels[0]]], nil
	}})
	return d
}

func (w *Wired) output(role string) float64 {
	w.mu.Lock()
	defer w.mu.Unlock()
	if s := w.supplies[role]; s.On {
		return s.Voltage
	}
	return 0
}

func (w *Wired) terminals() float64 { return w.output("bus") }

// Lose has f asked before each message; nil loses nothing, and Late is not known here.
func (w *Wired) Lose(f func(Exchange) Loss) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.fault = f
}

// Supply is a copy of a supply's state.
func (w *Wired) Supply(role string) Supply {
	w.mu.Lock()
	defer w.mu.Unlock()
	return *w.supplies[role]
}

// Closed tells whether the contact on a channel is closed.
func (w *Wired) Closed(channel int) bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.contacts[channel]
}

// Sent is every message that reached an instrument's end of the wire, lost ones included.
func (w *Wired) Sent() []Exchange {
	w.mu.Lock()
	defer w.mu.Unlock()
	return append([]Exchange(nil), w.sent...)
}

// Open is for link.Options: a new wire to a role's instrument.
func (w *Wired) Open(role string) func(context.Context) (link.Port, error) {
	return func(context.Context) (link.Port, error) {
		near, far := net.Pipe()
		w.wires.Go(func() { w.serve(role, far) })
		return near, nil
	}
}

// Wait returns when every wire has ended: its link is closed, and its instrument has worked off what it was sent.
func (w *Wired) Wait() { w.wires.Wait() }

// serve reads whatever comes, so that a writer never waits for an answer to be read.
func (w *Wired) serve(role string, far net.Conn) {
	messages, done := make(chan string, 1024), make(chan struct{})
	go w.work(role, far, messages, done)
	var buf []byte
	chunk := make([]byte, 4096)
	for {
		n, err := far.Read(chunk)
		if err != nil {
			break
		}
		buf = append(buf, chunk[:n]...)
		for {
			message, rest, ok := scpi.SplitMessage(buf)
			if !ok {
				break
			}
			messages <- strings.TrimSuffix(string(message), "\r")
			buf = rest
		}
	}
	close(messages)
	<-done
}

func (w *Wired) work(role string, far net.Conn, messages <-chan string, done chan<- struct{}) {
	answers := make(chan []byte, 1024)
	written := make(chan struct{})
	go func() {
		defer close(written)
		for a := range answers {
			if _, err := far.Write(a); err != nil {
				continue // the link is closed; what follows goes nowhere
			}
		}
	}()
	session := w.devices[role].NewSession()
	for m := range messages {
		w.mu.Lock()
		w.number++
		e := Exchange{Number: w.number, Role: role, Text: m}
		w.sent = append(w.sent, e)
		fault := w.fault
		w.mu.Unlock()
		loss := None
		if fault != nil {
			loss = fault(e)
		}
		<-time.After(w.Answer)
		if loss == Command {
			continue
		}
		if reply := session.Execute([]byte(m)); reply != nil && loss != Reply {
			answers <- append(reply, '\n')
		}
	}
	session.Close()
	close(answers)
	<-written
	far.Close()
	close(done)
}
