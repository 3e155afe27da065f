package simulated

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"benchwarden/instruments/datafile"
	"benchwarden/instruments/quantity"
	"benchwarden/instruments/simulated/plant"
)

// Fault is one thing that is wrong with an instrument or with the link to it.
type Fault struct {
	Name string
	Role string        // which instrument
	Size float64       // in the base unit of its kind; the kind's default when none was given
	From time.Duration // after the start of the bench
	// After is how many messages the instrument has had before; whichever of From and After is given has to have passed.
	After int
	Times int // how often it hits; 0: for good
}

// FaultKind is one kind of such fault.
type FaultKind struct {
	Name  string
	Text  string // what goes wrong, in the trade's words
	Roles []string
	Unit  string // of the size: s, V; empty: no size
	size  float64
	times int // 0: for good
}

// The names of the faults.
const (
	answerLate     = "answer_late"
	answerWrong    = "answer_wrong"
	answerCutShort = "answer_cut_short"
	answerTwice    = "answer_twice"
	garbage        = "garbage"
	silence        = "silence"
	disconnect     = "disconnect"
	goneAndBack    = "gone_and_back"
	errorQueueFull = "error_queue_full"
	ignoresOff     = "supply_ignores_off"
	saysZero       = "supply_says_zero"
	notAccepted    = "protection_not_accepted"
	frozen         = "reading_frozen"
	leadOff        = "lead_off"
	noiseSpikes    = "noise_spikes"

	watchdogNotAccepted = "watchdog_not_accepted"
	followsLate         = "output_follows_late"
)

// FaultKinds is the table of the faults of instruments and links. The first of a kind's roles is the one it hits when none is
// named.
func FaultKinds() []FaultKind { return slices.Clone(faultKinds) }

var (
	onWire  = []string{"bus_meter", "bus", "control", "reference", "hall", "scope", "meter", "contacts"}
	onSCPI  = []string{"bus", "bus_meter", "reference", "hall", "scope", "meter", "contacts"}
	reading = []string{"bus_meter", "bus", "control", "meter"}
)

var faultKinds = []FaultKind{
	{Name: answerLate, Text: "an answer comes late, after the question was given up", Roles: onWire, Unit: "s", size: 2, times: 1},
	{Name: answerWrong, Text: "an answer is that to another question", Roles: onWire, times: 1},
	{Name: answerCutShort, Text: "an answer stops in the middle", Roles: onWire, times: 1},
	{Name: answerTwice, Text: "an answer comes twice", Roles: onWire, times: 1},
	{Name: garbage, Text: "an answer is garbage", Roles: onWire, times: 1},
	{Name: silence, Text: "no answers any more; commands are still obeyed", Roles: onWire},
	{Name: disconnect, Text: "the connection breaks in the middle of an answer and can be made again", Roles: onWire, times: 1},
	{Name: goneAndBack, Text: "the instrument is gone for this long, a serial one comes back as another device", Roles: onWire, Unit: "s", size: 1, times: 1},
	{Name: errorQueueFull, Text: "the error queue is full", Roles: onSCPI, times: 1},
	{Name: ignoresOff, Text: "a supply accepts off and stays on", Roles: []string{"bus", "control", "reference"}},
	{Name: saysZero, Text: "a supply that is off reads 0 V whatever stands at its terminals", Roles: []string{"bus", "control"}},
	{Name: notAccepted, Text: "a supply accepts protection levels and keeps the old ones", Roles: []string{"bus", "control"}},
	{Name: watchdogNotAccepted, Text: "a supply accepts a communication watchdog and does not set it", Roles: []string{"bus"}},
	{Name: followsLate, Text: "a source takes a new voltage, and its output goes there this much later", Roles: []string{"reference"}, Unit: "s", size: 0.15},
	{Name: frozen, Text: "readings stand still", Roles: reading},
	{Name: leadOff, Text: "a lead has fallen off", Roles: []string{"bus_meter", "bus", "control"}},
	{Name: noiseSpikes, Text: "now and then a voltage reading is this much too high", Roles: reading, Unit: "V", size: 40},
}

// Known is one line of the list of all faults that a bench can be given.
type Known struct {
	Name, Class, Text, Example string
}

// KnownFaults lists the faults of drives, instruments and links that are simulated.
func KnownFaults() []Known {
	var list []Known
	for _, k := range plant.Faults() {
		list = append(list, Known{k.Name, string(k.Class), k.Text, k.Example()})
	}
	for _, k := range faultKinds {
		list = append(list, Known{k.Name, "instrument", k.Text, k.Example()})
	}
	return list
}

// ParseFaults reads faults as given on a command line: those of the drive (plant.ParseFault) and those of instruments and
// links (ParseFault).
func ParseFaults(texts []string) (drive []plant.Fault, own []Fault, err error) {
	for _, text := range texts {
		name := strings.TrimSpace(text[:strings.IndexAny(text+":", ":=@*")])
		if _, ok := plant.KindOf(name); ok {
			f, err := plant.ParseFault(text)
			if err != nil {
				return nil, nil, err
			}
			drive = append(drive, f)
			continue
		}
		if _, ok := kindOf(name); !ok {
			return nil, nil, unknownFault(name)
		}
		f, err := ParseFault(text)
		if err != nil {
			return nil, nil, err
		}
		own = append(own, f)
	}
	return drive, own, nil
}

func unknownFault(name string) error {
	var names []string
	for _, k := range KnownFaults() {
		names = append(names, k.Name)
	}
	return fmt.Errorf("fault %q is not known%s", name, datafile.DidYouMean(name, names))
}

func kindOf(name string) (FaultKind, bool) {
	i := slices.IndexFunc(faultKinds, func(k FaultKind) bool { return k.Name == name })
	if i < 0 {
		return FaultKind{}, false
	}
	return faultKinds[i], true
}

// Example is a fault of this kind as ParseFault reads it.
func (k FaultKind) Example() string {
	s := k.Name + ":" + k.Roles[0]
	if k.Unit != "" {
		s += "=" + strconv.FormatFloat(k.size, 'g', -1, 64) + " " + k.Unit
	}
	return s + "@5 s"
}

// largestTime bounds the times of faults, largestTimes and largestSize the rest.
const (
	largestTime  = 24 * time.Hour
	largestTimes = 1_000_000
	largestSize  = 1e6
)

// ParseFault reads name[:role][=size][@start][*times], as in "answer_late:bus_meter=2 s@5 s", "silence:hall@40" (after 40
// messages), "answer_twice:bus*3".
func ParseFault(text string) (Fault, error) {
	rest, times, counted := strings.Cut(text, "*")
	rest, start, started := strings.Cut(rest, "@")
	rest, size, sized := strings.Cut(rest, "=")
	name, role, _ := strings.Cut(strings.TrimSpace(rest), ":")
	name, role = strings.TrimSpace(name), strings.TrimSpace(role)
	k, ok := kindOf(name)
	if !ok {
		return Fault{}, unknownFault(name)
	}
	f := Fault{Name: k.Name, Role: role, Size: k.size, Times: k.times}
	if f.Role == "" {
		f.Role = k.Roles[0]
	}
	if !slices.Contains(k.Roles, f.Role) {
		return Fault{}, fmt.Errorf("fault %s: role %q cannot have it%s", name, f.Role, datafile.DidYouMean(f.Role, k.Roles))
	}
	if sized {
		if err := f.setSize(size, k); err != nil {
			return Fault{}, fmt.Errorf("fault %s: %w", name, err)
		}
	}
	if started {
		if err := f.setStart(strings.TrimSpace(start)); err != nil {
			return Fault{}, fmt.Errorf("fault %s: %w", name, err)
		}
	}
	if counted {
		n, err := strconv.Atoi(strings.TrimSpace(times))
		if err != nil || n < 1 || n > largestTimes {
			return Fault{}, fmt.Errorf("fault %s: *%s: write how often it hits, as in *3", name, times)
		}
		f.Times = n
	}
	return f, nil
}

func (f *Fault) setSize(text string, k FaultKind) error {
	if k.Unit == "" {
		return fmt.Errorf("takes no size; %q was given", text)
	}
	unit, _ := quantity.UnitOf(k.Unit)
	v, err := quantity.ParseAs(strings.TrimSpace(text), unit)
	if err != nil {
		return fmt.Errorf("%w, as in %s", err, k.Example())
	}
	if most := largestSize; !(v.Number > 0 && v.Number <= most) || k.Unit == "s" && v.Number > largestTime.Seconds() {
		return fmt.Errorf("size %s is out of range", text)
	}
	f.Size = v.Number
	return nil
}

func (f *Fault) setStart(text string) error {
	if n, err := strconv.Atoi(text); err == nil {
		if n < 0 || n > largestTimes {
			return fmt.Errorf("@%s is out of range", text)
		}
		f.After = n
		return nil
	}
	v, err := quantity.ParseAs(text, quantity.Second)
	if err != nil {
		return fmt.Errorf("@%s: write a time (@5 s) or a number of messages (@40): %w", text, err)
	}
	if !(v.Number >= 0 && v.Number <= largestTime.Seconds()) {
		return fmt.Errorf("@%s is out of range", text)
	}
	f.From = time.Duration(v.Number * float64(time.Second))
	return nil
}

// String is the fault as ParseFault reads it.
func (f Fault) String() string {
	s := f.Name + ":" + f.Role
	k, _ := kindOf(f.Name)
	if k.Unit != "" {
		s += "=" + strconv.FormatFloat(f.Size, 'g', -1, 64) + " " + k.Unit
	}
	switch {
	case f.From > 0:
		s += "@" + strconv.FormatFloat(f.From.Seconds(), 'g', -1, 64) + " s"
	case f.After > 0:
		s += "@" + strconv.Itoa(f.After)
	}
	if f.Times > 0 {
		s += "*" + strconv.Itoa(f.Times)
	}
	return s
}
