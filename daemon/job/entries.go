// Package job knows the order of a repair: intake, stages, stand-ins, replaced parts, release to fit, the fitting record and
// the end. What a job is now follows from its entries and runs, which are kept and never changed.
package job

import (
	"fmt"
	"slices"

	"benchwarden/instruments/quantity"
)

// The kinds of entries.
const (
	Opened   = "opened"
	Noted    = "note"
	StandIn  = "stand-in"
	Replaced = "replaced"
	Declined = "proposal declined"
	Override = "override"
	Released = "released to fit"
	Fitted   = "fitted"
	Removed  = "devices removed"
	Closed   = "closed"
	Reopened = "reopened"
)

// Intake is what is known when a drive comes in.
type Intake struct {
	Family  string `json:"family"` // "unknown" where nobody has data for it
	Unit    string `json:"unit"`
	Order   string `json:"customer_order,omitempty"`
	Symptom string `json:"symptom,omitempty"`
	Idle    string `json:"idle,omitempty"` // how long it lay unused: bus capacitors reform
}

// Remark is a note with its pictures. Cause marks what is said about why it blew; the latest one stands.
type Remark struct {
	Text   string    `json:"text,omitempty"`
	Cause  bool      `json:"why_it_blew,omitempty"`
	Photos []Picture `json:"photos,omitempty"`
}

// Picture names a stored picture.
type Picture struct {
	Name   string `json:"name"`
	SHA256 string `json:"sha256"`
	Bytes  int    `json:"bytes"`
}

// Move counts stand-ins in (above zero) or out (below zero): jumpers, dummy gate capacitors, lifted legs, resistors.
type Move struct {
	Name   string    `json:"name"`
	Count  int       `json:"count"`
	Where  string    `json:"where,omitempty"` // in words, so that the next person finds it
	Photos []Picture `json:"photos,omitempty"`
}

// Replacement is a part on the board that was replaced. Power devices are fitted after the release and belong to the
// fitting record; a part that is replaced makes every earlier run and release void.
type Replacement struct {
	Part     string `json:"part"`
	Quantity int    `json:"quantity"`
	Why      string `json:"why,omitempty"`
	For      string `json:"for,omitempty"` // the subject of the proposal that it follows
}

// Overridden is a stage that a named person goes on without.
type Overridden struct {
	Stage  string `json:"stage"`
	Reason string `json:"reason"`
}

// Release is the decision that power devices may be fitted (P8).
type Release struct {
	Runs     []string `json:"runs"`              // the passed runs that it goes by
	Missing  []string `json:"missing,omitempty"` // what was not in order; then it is an override
	Override string   `json:"override,omitempty"`
}

// Fitting is the record of how the power devices were fitted.
type Fitting struct {
	Devices       []Device      `json:"devices"`
	Insulation    quantity.Ohms `json:"tab_insulation"` // the lowest reading, tab to heatsink
	Torque        string        `json:"torque"`         // as the tool shows it, with its unit: "1.2 N m"
	Paste         string        `json:"paste"`          // or the pad
	Electrolytics string        `json:"electrolytics"`  // how their polarity was checked, or that none were changed
	StandInsOut   bool          `json:"stand_ins_out"`  // a person looked, besides the count
	Missing       []string      `json:"missing,omitempty"`
	Override      string        `json:"override,omitempty"`
}

// Device is one new power device.
type Device struct {
	Position   string        `json:"position"` // the gate channel that drives it
	Part       string        `json:"part,omitempty"`
	GateSource quantity.Ohms `json:"gate_source"` // measured between gate and source once it is in
}

// The outcomes of a closed job.
var outcomes = []string{"repaired", "not repaired", "no fault found"}

// End closes a job.
type End struct {
	Outcome string `json:"outcome"`
	Cause   string `json:"why_it_blew,omitempty"` // as far as can be told
}

func (i Intake) check() error {
	if i.Unit == "" {
		return fmt.Errorf("no unit: give the drive's serial number with --unit, or a name that you put on it")
	}
	return nil
}

func (r Replacement) check() error {
	if r.Part == "" || r.Quantity < 1 {
		return fmt.Errorf("a replacement names the part and how many, at least 1; it says %q and %d", r.Part, r.Quantity)
	}
	return nil
}

func (e End) check() error {
	if !slices.Contains(outcomes, e.Outcome) {
		return fmt.Errorf("outcome %q: a job ends as one of %q", e.Outcome, outcomes)
	}
	return nil
}
