package plant

import (
	"fmt"
	"math"
	"sync"
	"time"

	"benchwarden/instruments/quantity"
)

// History is how long inputs and voltages are remembered for Capture, FindTrigger and Point.
const History = 30 * time.Second

// Options say which unit stands on the bench, and how the bench is.
type Options struct {
	// Seed makes everything random repeatable: the unit's own deviations, jitter, noise, read-back errors.
	Seed uint64
	// Spread gives the unit parameters of its own, over the inner 80 % of the family's tolerances; without it they are nominal.
	Spread bool
	// Fitted says that the power devices are fitted.
	Fitted bool
	Faults []Fault
	// StandIns are fitted from the start; later a person fits and removes them.
	StandIns []string
	// Contactor says that a contact named bus_contactor stands between bus supply and drive; else they are wired together.
	Contactor bool
	// Bus and Control are the supplies; zero fields get DefaultBusSupply and DefaultControlSupply.
	Bus, Control SupplySpec
	// Now is the clock; nil is time.Now. It must not run backwards.
	Now func() time.Time
}

// Plant is the model. All methods of it and of its ports may be called from any goroutine; each first brings the model up to
// the clock.
type Plant struct {
	mu    sync.Mutex
	clock func() time.Time
	start time.Time
	now   float64 // seconds since start, as far as the model has been brought

	params Params
	opts   Options
	unit   unit // the unit's actual figures

	bus, control *feed
	reference    reference
	hall         hallSource
	contacts     map[string]bool
	changed      map[string]contactChange
	lastChange   float64 // of any contact
	warmth       float64 // of the heat sink above ambient, K
	inputs       map[string]bool
	probes       map[string]string
	standIns     map[string]bool
	tappedUntil  float64
	tappedAt     string // the place, empty: the whole board
	leadsOff     map[string]bool
	around       surroundings
	charged      map[int]bool // gates that a meter has charged, by channel

	step    float64 // next step of the model, s
	busC    float64 // good capacitance and series resistance of the drive's bus
	busESR  float64
	relayIn bool // soft-charge relay

	section section // control section and rails
	drive   drive   // the drive's logic
	views   map[uint64]*view
	log     history
}

// New builds a drive on a bench: every supply off, every contact open, Hall lines open, no stand-in fitted. It refuses
// parameters that make no drive, unknown fault targets, and faults that this kind of drive cannot have.
func New(p Params, o Options) (*Plant, error) {
	if err := p.check(); err != nil {
		return nil, err
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if len(o.Faults) > 64 {
		return nil, fmt.Errorf("%d faults at once; the model takes 64", len(o.Faults))
	}
	pl := &Plant{
		clock: o.Now, start: o.Now(), params: p, opts: o,
		contacts: map[string]bool{}, changed: map[string]contactChange{}, inputs: map[string]bool{"interlock": true}, probes: map[string]string{},
		standIns: map[string]bool{}, leadsOff: map[string]bool{}, charged: map[int]bool{}, views: map[uint64]*view{},
		step: shortest, hall: hallSource{spacing: 120}, drive: drive{idleAt: math.Inf(1), duty: 0.5},
	}
	for _, name := range o.StandIns {
		if err := pl.knowStandIn(name); err != nil {
			return nil, err
		}
		pl.standIns[name] = true
	}
	if err := pl.resolveFaults(); err != nil {
		return nil, err
	}
	for _, f := range pl.opts.Faults {
		if f.Name == "stand_in_left" && o.Fitted {
			pl.standIns[f.Target] = true
		}
	}
	pl.build()
	pl.think()
	return pl, nil
}

// seconds is the model's own time scale.
func (p *Plant) seconds(t time.Time) float64 { return t.Sub(p.start).Seconds() }

func (p *Plant) instant(s float64) time.Time {
	return p.start.Add(time.Duration(s * float64(time.Second)))
}

// enter locks the model and brings it up to the clock; the caller unlocks.
func (p *Plant) enter() {
	p.mu.Lock()
	p.advance(p.seconds(p.clock()))
}

// do runs one act on the model at this instant; the drive sees its result at once.
func (p *Plant) do(act func()) {
	p.enter()
	defer p.mu.Unlock()
	act()
	p.stir()
	p.think()
}

// BusSupply is the bus supply's front panel.
func (p *Plant) BusSupply() *Supply { return &Supply{p, p.bus} }

// ControlSupply is the control supply's front panel; where the control section hangs on the bus it feeds nothing.
func (p *Plant) ControlSupply() *Supply { return &Supply{p, p.control} }

// Reference is the source of the speed or torque reference.
func (p *Plant) Reference() *Source { return &Source{p} }

// Hall is the source that plays the absent motor's Hall sensors.
func (p *Plant) Hall() *Hall { return &Hall{p} }

// Contact is an output contact of the bench (enable, inhibit, bus_contactor, beacon and so on); one that nothing is wired to
// just keeps its state.
func (p *Plant) Contact(name string) *Contact { return &Contact{p, name} }

// Input reads a contact that the bench looks at: the drive's fault lamp (true: lit), interlock (true: closed, as it is at
// the start), pedal (true: pressed), or any that SetInput has set.
func (p *Plant) Input(name string) bool {
	p.enter()
	defer p.mu.Unlock()
	if name != "" && name == p.params.FaultLamp {
		return p.lamp()
	}
	return p.inputs[name]
}

// SetInput is the hand (or the hardware) that changes an input: interlock opened, pedal pressed.
func (p *Plant) SetInput(name string, on bool) { p.do(func() { p.inputs[name] = on }) }

// BusTerminals is what a meter at the drive's bus terminals sees, without the meter's own error; 0 with its lead off.
func (p *Plant) BusTerminals() quantity.Volts {
	p.enter()
	defer p.mu.Unlock()
	if p.leadsOff["bus_meter"] {
		return 0
	}
	return quantity.Volts(p.bus.net.vb)
}

// LeadOff takes a lead off (or puts it back): bus_meter (reads 0 V from then on), bus or control (that supply feeds nothing).
func (p *Plant) LeadOff(name string, off bool) { p.do(func() { p.leadsOff[name] = off }) }

// Fitted says whether the power devices are fitted.
func (p *Plant) Fitted() bool { return p.opts.Fitted }
