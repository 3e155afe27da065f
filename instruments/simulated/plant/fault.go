package plant

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"benchwarden/instruments/datafile"
	"benchwarden/instruments/quantity"
)

// Fault is one thing that is wrong with the unit on the bench.
type Fault struct {
	Name   string
	Target string  // gate channel, leg, rail, permissive, Hall line, polarity: as Kind.Target says
	Size   float64 // in the base unit of Kind.Unit; NaN-free; 0 is a size too when Sized
	Sized  bool    // false: the kind's own default for this drive
	When   Condition
	At     float64 // volts of WhenBus, seconds of WhenWarm
}

// Condition says when a fault is there.
type Condition string

// The conditions: always, above a bus voltage, once the control section has run for some time, for two seconds after a tap.
const (
	Always     Condition = ""
	WhenBus    Condition = "bus"
	WhenWarm   Condition = "warm"
	WhenTapped Condition = "tapped"
)

// tapLasts is how long a tapped fault stays, in seconds.
const tapLasts = 2

// String is the fault as ParseFault reads it.
func (f Fault) String() string {
	s := f.Name
	if f.Target != "" {
		s += ":" + f.Target
	}
	if f.Sized {
		unit := quantity.One
		if k, ok := KindOf(f.Name); ok {
			unit = k.unit()
		}
		s += "=" + inUnit(f.Size, unit)
	}
	switch f.When {
	case WhenBus:
		s += "@bus=" + inUnit(f.At, quantity.Volt)
	case WhenWarm:
		s += "@warm=" + inUnit(f.At, quantity.Second)
	case WhenTapped:
		s += "@tapped"
	}
	return s
}

// inUnit writes a number so that reading it gives the same number.
func inUnit(x float64, u quantity.Unit) string {
	s := strconv.FormatFloat(x, 'g', -1, 64)
	if u == quantity.One {
		return s
	}
	return s + " " + u.String()
}

// ParseFault reads name[:target][=size][@condition], as in "channel_dead:B.low", "rail_low:logic=0.8",
// "dead_time_short=200 ns", "stuck_on:A.high@bus=40 V", "stuck_off:C.low@warm=20 s", "hall_open:2@tapped". A size is a bare
// number where the kind's size is a part or a count, else a quantity with unit. Whether the drive has such a target is seen by
// New.
func ParseFault(text string) (Fault, error) {
	var f Fault
	rest, condition, conditional := strings.Cut(text, "@")
	rest, size, sized := strings.Cut(rest, "=")
	f.Name, f.Target, _ = strings.Cut(strings.TrimSpace(rest), ":")
	f.Name, f.Target = strings.TrimSpace(f.Name), strings.TrimSpace(f.Target)
	k, ok := KindOf(f.Name)
	if !ok {
		return Fault{}, fmt.Errorf("fault %q is not known%s", f.Name, nearMiss(f.Name))
	}
	switch {
	case k.Target == "" && f.Target != "":
		return Fault{}, fmt.Errorf("fault %s takes no target; %q was given", k.Name, f.Target)
	case k.Target != "" && f.Target == "" && !k.TargetOptional:
		return Fault{}, fmt.Errorf("fault %s needs a target, as in %s", k.Name, k.Example())
	}
	if sized {
		if k.Unit == "" {
			return Fault{}, fmt.Errorf("fault %s takes no size; %q was given", k.Name, size)
		}
		x, err := parseSize(size, k)
		if err != nil {
			return Fault{}, fmt.Errorf("fault %s: size: %w", k.Name, err)
		}
		f.Size, f.Sized = x, true
	}
	if conditional {
		if err := f.condition(condition); err != nil {
			return Fault{}, fmt.Errorf("fault %s: %w", k.Name, err)
		}
	}
	return f, nil
}

// largest bounds sizes, so that no fault makes arithmetic overflow.
const largest = 1e9

func parseSize(text string, k Kind) (float64, error) {
	text = strings.TrimSpace(text)
	var x float64
	if k.unit() == quantity.One {
		number, err := strconv.ParseFloat(strings.TrimSpace(strings.TrimSuffix(text, "%")), 64)
		if err != nil {
			return 0, fmt.Errorf("%q is no number, as in %s", text, k.Example())
		}
		if x = number; strings.HasSuffix(text, "%") {
			x /= 100
		}
	} else {
		v, err := quantity.ParseAs(text, k.unit())
		if err != nil {
			return 0, fmt.Errorf("%w, as in %s", err, k.Example())
		}
		x = v.Number
	}
	if !(x >= -largest && x <= largest) || (x < 0 && !k.Signed) {
		return 0, fmt.Errorf("%s is out of range", text)
	}
	return x, nil
}

func (f *Fault) condition(text string) error {
	name, value, valued := strings.Cut(strings.TrimSpace(text), "=")
	unit := quantity.Volt
	switch f.When = Condition(strings.TrimSpace(name)); f.When {
	case WhenTapped:
		if valued {
			return fmt.Errorf("@tapped takes no value; %q was given", value)
		}
		return nil
	case WhenWarm:
		unit = quantity.Second
	case WhenBus:
	default:
		return fmt.Errorf("condition %q is none of bus, warm, tapped", name)
	}
	v, err := quantity.ParseAs(strings.TrimSpace(value), unit)
	if err != nil {
		return fmt.Errorf("@%s needs a value with unit, as in @bus=40 V or @warm=20 s: %w", f.When, err)
	}
	if !(v.Number >= 0 && v.Number <= largest) {
		return fmt.Errorf("@%s=%s is out of range", f.When, value)
	}
	f.At = v.Number
	return nil
}

// KindOf finds a kind of fault by name.
func KindOf(name string) (Kind, bool) {
	i := slices.IndexFunc(kinds, func(k Kind) bool { return k.Name == name })
	if i < 0 {
		return Kind{}, false
	}
	return kinds[i], true
}

// nearMiss names what was probably meant, and else lists all.
func nearMiss(name string) string {
	var all []string
	for _, k := range kinds {
		all = append(all, k.Name)
	}
	return datafile.DidYouMean(name, all)
}
