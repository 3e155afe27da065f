package bench

import (
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"strings"

	"benchwarden/instruments/datafile"
	"benchwarden/instruments/quantity"
)

// The roles an instrument can play.
const (
	Bus         = "bus"
	BusMeter    = "bus_meter"
	Control     = "control"
	Reference   = "reference"
	Hall        = "hall"
	Scope       = "scope"
	Meter       = "meter"
	Matrix      = "matrix"
	Load        = "load"
	Temperature = "temperature"
	Contacts    = "contacts"
	Person      = "person"
)

// Roles lists them in the order in which a person would name them.
var Roles = []string{Bus, BusMeter, Control, Reference, Hall, Scope, Meter, Matrix, Load, Temperature, Contacts, Person}

// HandDialect is the dialect of an instrument that a person sets and reads on the program's request.
const HandDialect = "hand"

// File is a bench file: what stands on one bench, how it is wired, and what may never be exceeded there.
type File struct {
	Bench  string `yaml:"bench" need:"true"`
	Title  string `yaml:"title"`
	Person string `yaml:"person"` // bench (default), simulated

	Act           Act                    `yaml:"act"`
	Earthing      Earthing               `yaml:"earthing" need:"true"`
	Interlock     Interlock              `yaml:"interlock"`
	EmergencyStop string                 `yaml:"emergency_stop" need:"true"` // where it is and what it cuts, in words
	Limiter       Limiter                `yaml:"limiter"`
	HandTimes     HandTimes              `yaml:"hand_times"`
	Discharge     Discharge              `yaml:"discharge"`
	Period        quantity.Seconds       `yaml:"period" need:"true"` // the warden's: every watched quantity is asked this often
	Ceilings      Ceilings               `yaml:"ceilings" need:"true"`
	SafeVoltage   quantity.Volts         `yaml:"safe_voltage"` // below it the bus counts as down; 0 is 50 V d.c.
	Instruments   map[string]*Instrument `yaml:"instruments" need:"true"`
	Probes        []Probe                `yaml:"probes"`
	State         State                  `yaml:"state"`
	// Calibration is what an instrument past its calibration does to the checks that used it.
	Calibration string `yaml:"calibration"` // said_when_due (default), undecided_when_due

	doc  *datafile.Document
	path string
	hash string
}

// Act is how a person at this bench lets something be energised (P10).
type Act struct {
	By      string `yaml:"by"`      // console, key, pedal
	Console string `yaml:"console"` // the terminal device that counts as being at the bench
	Contact string `yaml:"contact"` // the input of the contacts role that key or pedal moves out of its normal state
	Pedal   string `yaml:"pedal"`   // press (default): one press is the act; hold_to_run: letting go stops the run
}

// HoldToRun in Act.Pedal: who lets the pedal go stops the run.
const HoldToRun = "hold_to_run"

// Earthing is what of the drive is tied to what.
type Earthing struct {
	BusFeed       string `yaml:"bus_feed" need:"true"`       // isolated, not_isolated
	ControlCommon string `yaml:"control_common" need:"true"` // isolated, bus_negative
}

// Interlock is the door or cover contact of the bench.
type Interlock struct {
	Contact        string `yaml:"contact"`
	ActsInHardware bool   `yaml:"acts_in_hardware"`
}

// Limiter is what stands between the bus capacitors and the bridge; nothing in the instruments can do its work.
type Limiter struct {
	Kind  string `yaml:"kind"`  // none (default), lamp, resistor, fuse
	Value string `yaml:"value"` // "60 W", "47 ohm", "1 A"
}

// Discharge is a resistor that a person or a contact puts across the bus.
type Discharge struct {
	Resistor quantity.Ohms `yaml:"resistor"`
	Text     string        `yaml:"text"`
}

// Ceilings are what no run may exceed on this bench, whatever a family or a script says.
type Ceilings struct {
	Voltage quantity.Volts   `yaml:"voltage" need:"true"`
	Current quantity.Amperes `yaml:"current" need:"true"`
	Power   quantity.Watts   `yaml:"power"` // 0: none beyond voltage and current
}

// State is where the bench's state file is kept.
type State struct {
	Dir string `yaml:"dir"`
}

// Instrument is one instrument of the bench.
type Instrument struct {
	Link    string `yaml:"link"`
	Dialect string `yaml:"dialect" need:"true"`
	Safe    string `yaml:"safe"`  // off, zero, open, closed, leave
	Order   int    `yaml:"order"` // make-safe starts the lower ones first; all are started before any answer is awaited
	Earthed bool   `yaml:"earthed"`

	Sinks             quantity.Amperes `yaml:"sinks"` // what the output can pull out of the bus
	OutputCapacitance quantity.Farads  `yaml:"output_capacitance"`
	Period            quantity.Seconds `yaml:"period"` // of its own where its wire is slow; 0 is the bench's
	CurrentRange      quantity.Amperes `yaml:"current_range"`
	VoltageRange      quantity.Volts   `yaml:"voltage_range"`

	Accuracy       map[string]Stated  `yaml:"accuracy"`        // by quantity: "0.05 % of reading + 10 mV"
	CalibrationDue string             `yaml:"calibration_due"` // "2027-03-31"
	NoProtection   string             `yaml:"no_protection"`   // why the supply has no over-current protection of its own
	Contacts       map[string]Contact `yaml:"contacts"`

	FourWire bool `yaml:"four_wire"` // of a meter: two of its leads feed and two sense, so that nothing of the leads is in a resistance

	Files    string `yaml:"files"`    // of a scope operated by hand: the folder into which its exports come
	Channels int    `yaml:"channels"` // of a scope operated by hand

	Rows    map[string]int `yaml:"rows"`    // of a matrix: where the meter's leads are, high and low
	Columns map[string]int `yaml:"columns"` // of a matrix: by test point, "bus+", "phase:A", "gate:A.high"
}

// Contact is one contact or input of the contacts role.
type Contact struct {
	Channel int    `yaml:"channel" need:"true"`
	Input   bool   `yaml:"input"`
	Safe    string `yaml:"safe"`   // outputs: open, closed, leave
	Normal  string `yaml:"normal"` // inputs: closed, open: how it stands when all is well
}

// Probe is how a scope channel or the meter reaches a test point.
type Probe struct {
	Name          string           `yaml:"name" need:"true"` // "P1"
	Role          string           `yaml:"role"`             // scope (default), meter, bus_meter
	Channel       int              `yaml:"channel"`
	Kind          string           `yaml:"kind" need:"true"` // differential, earthed, isolated
	Factor        float64          `yaml:"factor"`           // 0 is 1
	MaxCommonMode quantity.Volts   `yaml:"max_common_mode"`
	Skew          quantity.Seconds `yaml:"skew"`
	At            string           `yaml:"at"` // test point; "gate:{leg}.high" is moved by hand, one leg a position; empty: free
}

// Kinds of probes.
const (
	Differential = "differential"
	Earthed      = "earthed"
	Isolated     = "isolated"
)

const defaultSafeVoltage quantity.Volts = 50

// Path is the file that the bench was read from; empty for one that stands in none.
func (f *File) Path() string { return f.path }

// Hash is the file's SHA-256 when it was read.
func (f *File) Hash() string { return f.hash }

// ReadFile reads a bench file. Its faults are all told at once; what depends on a family is looked at by Validate.
func ReadFile(path string) (*File, error) {
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, errors.Unwrap(err))
	}
	f, err := DecodeFile(path, data)
	if err != nil {
		return nil, err
	}
	sum := sha256.Sum256(data)
	f.path, f.hash = path, hex.EncodeToString(sum[:])
	return f, nil
}

// DecodeFile is ReadFile for data that stand in no file; name is used in messages.
func DecodeFile(name string, data []byte) (*File, error) {
	f := &File{}
	doc, err := datafile.Decode(name, data, f)
	if err != nil {
		return nil, err
	}
	return f.complete(doc), nil
}

func (f *File) complete(doc *datafile.Document) *File {
	f.doc = doc
	if f.Person == "" {
		f.Person = "bench"
	}
	if f.SafeVoltage == 0 {
		f.SafeVoltage = defaultSafeVoltage
	}
	if f.Limiter.Kind == "" {
		f.Limiter.Kind = "none"
	}
	for i := range f.Probes {
		if f.Probes[i].Role == "" {
			f.Probes[i].Role = Scope
		}
		if f.Probes[i].Factor == 0 {
			f.Probes[i].Factor = 1
		}
	}
	return f
}

// PeriodOf is how often a role's watched quantities are asked.
func (f *File) PeriodOf(role string) quantity.Seconds {
	if in := f.Instruments[role]; in != nil && in.Period > 0 {
		return in.Period
	}
	return f.Period
}

// handOperated tells whether a supply of this bench is switched by hand.
func (f *File) handOperated() bool {
	for role, in := range f.Instruments {
		if in.Dialect == HandDialect && kinds[role].kind == "supply" {
			return true
		}
	}
	return false
}

// HandOperated tells whether a supply of this bench is switched by hand.
func (f *File) HandOperated() bool { return f.handOperated() }

// ByHand tells whether a person operates a role's instrument.
func (f *File) ByHand(role string) bool {
	in := f.Instruments[role]
	return in != nil && in.Dialect == HandDialect
}

// HandTimes is how long people need at this bench for one act, and for one file from a scope, at most.
type HandTimes struct {
	Act  quantity.Seconds `yaml:"act"`  // to turn, switch or read one thing and say so
	File quantity.Seconds `yaml:"file"` // to set a scope, capture once and bring the file
}

// The times of people that hold where the bench file states none (common practice, no source).
const (
	actTakes  quantity.Seconds = 30
	fileTakes quantity.Seconds = 180

	longestAct quantity.Seconds = 900
)

// HandTime is how long one act with a role's instrument takes at most, 0 where no person operates it.
func (f *File) HandTime(role string) quantity.Seconds {
	switch {
	case !f.ByHand(role):
		return 0
	case role == Scope:
		return cmp.Or(f.HandTimes.File, fileTakes)
	}
	return cmp.Or(f.HandTimes.Act, actTakes)
}

// Unwatched says, one sentence each, what the warden of this bench cannot see because a person reads it.
func (f *File) Unwatched() []string {
	var all []string
	for _, role := range Roles {
		if in := f.Instruments[role]; in != nil && in.Dialect == HandDialect && polled(role) {
			all = append(all, role+" is operated by hand: the warden cannot see "+unseen[role])
		}
	}
	if f.Instruments[BusMeter] == nil {
		all = append(all, "nothing stands at the drive's bus terminals: the warden cannot see the bus, and a person has to prove it down each time")
	}
	return all
}

// unseen is what a role's readings would have shown.
var unseen = map[string]string{
	Bus:         "its voltage, its current or whether it limits; nothing trips on them, and only a hand switches it off",
	BusMeter:    "the voltage at the drive; it is known when somebody types it in",
	Control:     "its voltage or its current; only a hand switches it off",
	Reference:   "what it gives",
	Load:        "what it takes",
	Temperature: "how warm the drive gets",
}

// On is where the probe stands for a leg: "gate:{leg}.high" becomes "gate:A.high".
func (p Probe) On(leg string) string { return strings.ReplaceAll(p.At, "{leg}", leg) }

// Moves tells whether the probe is moved from leg to leg.
func (p Probe) Moves() bool { return strings.Contains(p.At, "{leg}") }
