package drive

import (
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
)

// Persistence says that a limit trips when N of the last M readings pass it; it is written "2 of 3".
type Persistence struct{ N, M int }

// Persistences are given by cause.
type Persistences map[string]Persistence

// The causes whose persistence a family may set.
const (
	PersistOverVoltage     = "over_voltage"
	PersistOverCurrent     = "over_current"
	PersistOverPower       = "over_power"
	PersistConstantCurrent = "constant_current"
	PersistLeadOff         = "lead_off"
	PersistTemperature     = "temperature"
)

var persistent = []string{PersistOverVoltage, PersistOverCurrent, PersistOverPower, PersistConstantCurrent, PersistLeadOff, PersistTemperature}

// longestPersistence bounds M: the persistence costs time in which the bus goes on being fed.
const longestPersistence = 10

// UnmarshalText reads "2 of 3".
func (p *Persistence) UnmarshalText(text []byte) error {
	n, m, ok := strings.Cut(string(text), " of ")
	count, errN := strconv.Atoi(strings.TrimSpace(n))
	of, errM := strconv.Atoi(strings.TrimSpace(m))
	if !ok || errN != nil || errM != nil || count < 1 || of < count || of > longestPersistence {
		return fmt.Errorf("%q is no persistence; write it like 2 of 3, at most of %d", text, longestPersistence)
	}
	p.N, p.M = count, of
	return nil
}

func (p Persistence) String() string { return fmt.Sprintf("%d of %d", p.N, p.M) }

// MarshalText is the form of the file.
func (p Persistence) MarshalText() ([]byte, error) { return []byte(p.String()), nil }

func (j *judge) persistence(key string, all Persistences) {
	for _, cause := range slices.Sorted(maps.Keys(all)) {
		if !slices.Contains(persistent, cause) {
			j.fault(key+"."+cause, "%s", notOneOf(cause, persistent))
		}
	}
}
