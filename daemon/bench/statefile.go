package bench

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"benchwarden/daemon/event"
	"benchwarden/instruments/quantity"
)

// StateFile is what the bench wrote down before it last switched something on: enough for another process to make the bench
// safe, and to know what it does not know.
type StateFile struct {
	Bench   string         `json:"bench"`
	Written time.Time      `json:"written"`
	Process int            `json:"process"`
	On      []string       `json:"on"` // outputs that are on, or about to be
	Run     string         `json:"run,omitempty"`
	Stage   string         `json:"stage,omitempty"`
	Unit    string         `json:"unit,omitempty"`
	Fitted  bool           `json:"devices_fitted"`
	Drive   DriveState     `json:"drive"`
	Trip    *event.Trip    `json:"trip,omitempty"`     // not yet acknowledged
	NotSafe []event.Output `json:"not_safe,omitempty"` // outputs that nobody could confirm
	Bus     string         `json:"bus"`                // what was known of the drive's bus then
}

// DriveState is C and R of the drive that was connected.
type DriveState struct {
	CapacitanceLeast quantity.Farads  `json:"capacitance_least"`
	CapacitanceMost  quantity.Farads  `json:"capacitance_most"`
	BleederLeast     quantity.Ohms    `json:"bleeder_least"`
	BleederMost      quantity.Ohms    `json:"bleeder_most"`
	ControlPower     quantity.Watts   `json:"control_power"`
	ControlStop      quantity.Volts   `json:"control_stop"`
	ControlHold      quantity.Seconds `json:"control_hold"`
}

func (d Drive) state() DriveState {
	return DriveState{d.CapacitanceLeast, d.CapacitanceMost, d.BleederLeast, d.BleederMost, d.ControlPower, d.ControlStop,
		quantity.SecondsOf(d.ControlHold)}
}

// Drive is the physics that the file kept.
func (s DriveState) Drive() Drive {
	return Drive{s.CapacitanceLeast, s.CapacitanceMost, s.BleederLeast, s.BleederMost, s.ControlPower, s.ControlStop,
		s.ControlHold.Duration()}
}

// StatePath is where a bench's state file stands.
func StatePath(dir, bench string) string { return filepath.Join(dir, bench+".state.json") }

// ReadState reads a bench's state file. No file is no error and ok false: then nothing is known.
func ReadState(dir, bench string) (s StateFile, ok bool, err error) {
	path := StatePath(dir, bench)
	data, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		return StateFile{}, false, nil
	}
	if err != nil {
		return StateFile{}, false, fmt.Errorf("state file of bench %s: %w", bench, err)
	}
	if err := json.Unmarshal(data, &s); err != nil {
		return StateFile{}, false, fmt.Errorf("state file %s is damaged, so what was on is not known: %w", path, err)
	}
	return s, true, nil
}

// write replaces the file so that a crash at any moment leaves the old or the new one, whole, on the disk.
func (s StateFile) write(dir string) error {
	data, err := json.MarshalIndent(s, "", "  ")
	if err != nil {
		return fmt.Errorf("state file of bench %s: %w", s.Bench, err)
	}
	if err := replace(dir, StatePath(dir, s.Bench), append(data, '\n')); err != nil {
		return fmt.Errorf("state file of bench %s cannot be written, so nothing is switched on: %w", s.Bench, err)
	}
	return nil
}

func replace(dir, path string, data []byte) error {
	if err := os.MkdirAll(dir, 0o750); err != nil {
		return err
	}
	f, err := os.CreateTemp(dir, ".state-*")
	if err != nil {
		return err
	}
	defer os.Remove(f.Name()) // gone already when all went well
	_, err = f.Write(data)
	if err == nil {
		err = f.Sync()
	}
	if err := errors.Join(err, f.Close()); err != nil {
		return err
	}
	if err := os.Rename(f.Name(), path); err != nil {
		return err
	}
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}
