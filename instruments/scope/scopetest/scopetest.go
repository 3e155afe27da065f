// Package scopetest has a scope in memory that behaves like the one of the dialect plain-scope: it keeps its settings, waits
// for its trigger and answers a record that a test has laid down.
package scopetest

import (
	"fmt"
	"strings"
	"sync"

	"benchwarden/instruments/dialect/dialecttest"
	"benchwarden/instruments/scpi"
)

// Fake is a scope in memory.
type Fake struct {
	*dialecttest.Instrument
	device *scpi.Device

	mu       sync.Mutex
	running  bool
	record   []byte
	preamble string
}

// Bits of the operation condition (SCPI-99 volume 2, chapter 20).
const (
	measuring = 4
	waiting   = 5
)

// New is a scope with four channels.
func New() *Fake {
	f := &Fake{device: scpi.NewDevice([4]string{"Quayside Test", "scope", "1", "1"})}
	d := f.device
	f.Instrument = dialecttest.OfDevice(d)
	for _, pattern := range []string{
		"INPut<1..4>[:STATe]", "INPut<1..4>:ATTenuation", "SENSe<1..4>:VOLTage:RANGe:PTPeak", "SENSe<1..4>:VOLTage:RANGe:OFFSet",
		"SENSe:SWEep:POINts", "SENSe:SWEep:TINTerval", "SENSe:SWEep:OREFerence:LOCation", "SENSe:DETector[:FUNCtion]",
		"TRIGger:SOURce", "TRIGger:LEVel", "TRIGger:SLOPe", "FORMat:DATA", "FORMat:BORDer",
	} {
		d.Handle(pattern, scpi.Command{Takes: 2, Do: func(*scpi.Call) error { return nil }})
	}
	d.Handle("INITiate", scpi.Command{Do: func(*scpi.Call) error {
		f.mu.Lock()
		defer f.mu.Unlock()
		if f.running {
			return scpi.NewError(-213, "under way")
		}
		f.running = true
		f.show(waiting)
		return nil
	}})
	d.Handle("ABORt", scpi.Command{Do: func(*scpi.Call) error {
		f.mu.Lock()
		defer f.mu.Unlock()
		f.running = false
		f.show(0)
		return nil
	}})
	d.Handle("TRIGger:IMMediate", scpi.Command{Do: func(*scpi.Call) error {
		f.Trigger()
		f.Complete()
		return nil
	}})
	d.Handle("TRACe:PREamble", scpi.Command{AskTakes: 1, Ask: func(*scpi.Call) (string, error) {
		f.mu.Lock()
		defer f.mu.Unlock()
		return f.preamble, nil
	}})
	d.Handle("TRACe:DATA", scpi.Command{AskTakes: 1, Ask: func(*scpi.Call) (string, error) {
		f.mu.Lock()
		defer f.mu.Unlock()
		return string(scpi.EncodeBlock(f.record)), nil
	}})
	return f
}

func (f *Fake) show(bit int) {
	for _, b := range []int{measuring, waiting} {
		f.device.Operation.Set(b, b == bit)
	}
}

// Lay puts down what a complete capture answers.
func (f *Fake) Lay(preamble string, codes ...int8) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.preamble, f.record = preamble, make([]byte, len(codes))
	for i, c := range codes {
		f.record[i] = byte(c)
	}
}

// Trigger is the trigger's coming: the record is being filled.
func (f *Fake) Trigger() {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.show(measuring)
}

// Complete ends the capture.
func (f *Fake) Complete() {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.running = false
	f.show(0)
}

// Settings are the messages that arrived since Forget, without those that keep question and answer in step.
func (f *Fake) Settings() []string {
	var rest []string
	for _, m := range f.Sent() {
		if !strings.HasPrefix(m, "*") && !strings.HasPrefix(m, "SYST") {
			rest = append(rest, m)
		}
	}
	return rest
}

// Preamble is one as the dialect plain-scope wants it.
func Preamble(points int, step, start, scale, offset float64) string {
	n := scpi.FormatNumber
	return fmt.Sprintf("%d,%s,%s,%s,%s,-128,127", points, n(step), n(start), n(scale), n(offset))
}
