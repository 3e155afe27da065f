package event

import (
	"encoding/json"
	"time"

	"benchwarden/daemon/verdict"
	"benchwarden/instruments/quantity"
)

// RunStarted opens a run's record: what is tried on which unit, with what, under which limits.
type RunStarted struct {
	Script     string     `json:"script"` // file name
	Title      string     `json:"title"`
	Stage      string     `json:"stage"`
	Family     string     `json:"family"`
	Unit       string     `json:"unit"` // serial number
	Operator   string     `json:"operator,omitempty"`
	Job        string     `json:"job,omitempty"`         // the job that the run belongs to
	JobEntries int        `json:"job_entries,omitempty"` // how many entries the job had: what came later is newer than the run
	ScriptHash string     `json:"script_sha256"`
	FamilyHash string     `json:"family_sha256"`
	ScriptText string     `json:"script_text,omitempty"`
	FamilyText string     `json:"family_text,omitempty"`
	Version    string     `json:"version"`
	Simulated  bool       `json:"simulated"` // every instrument said that it is simulated
	Identities []Identity `json:"instruments"`
}

// Identity is what an instrument said of itself when the run started.
type Identity struct {
	Role           string `json:"role"`
	Identity       string `json:"identity"`
	CalibrationDue string `json:"calibration_due,omitempty"`
}

// RunEnded closes a run's record. A record without it was interrupted.
type RunEnded struct {
	Outcome string   `json:"outcome"` // pass, fail, undecided, tripped, stopped, broken
	Exit    int      `json:"exit"`
	Reasons []string `json:"reasons,omitempty"`
	// Where the time went: waiting for instruments, for people, and computing.
	Bench     quantity.Seconds `json:"waited_for_bench"`
	People    quantity.Seconds `json:"waited_for_people"`
	Computing quantity.Seconds `json:"computed"`
}

// Step says what the script does now, in the technician's words.
type Step struct {
	Text string `json:"text"`
}

// Note is a remark of a person or of the script.
type Note struct {
	Text string `json:"text"`
	By   string `json:"by,omitempty"`
}

// Reading is one value that an instrument gave, by name ("bus.voltage").
type Reading struct {
	Name       string         `json:"name"`
	Value      quantity.Value `json:"value"`
	Text       string         `json:"text,omitempty"` // for what is no number: "CV", "CC"
	Error      string         `json:"error,omitempty"`
	Asked      time.Time      `json:"asked"`
	Arrived    time.Time      `json:"arrived"`
	Instrument string         `json:"instrument"`
}

// Limits are the trip limits that are in force from now on.
type Limits struct {
	Limits []Limit `json:"limits"`
}

// Limit is one trip limit with where it came from.
type Limit struct {
	Quantity string         `json:"quantity"` // "bus.voltage"
	Kind     string         `json:"kind"`     // high, low, age, ...
	Value    quantity.Value `json:"value"`
	N        int            `json:"n"` // trips when n of the last m readings pass it
	M        int            `json:"m"`
	Origin   string         `json:"origin"` // "family heron, stage board"
}

// Trip is the warden's latched decision to make the bench safe.
type Trip struct {
	Cause   string          `json:"cause"` // over-voltage, over-current, stale reading, ...
	Reading *quantity.Value `json:"reading,omitempty"`
	Limit   *Limit          `json:"limit,omitempty"`
	Text    string          `json:"text"` // what happened
	Do      string          `json:"do"`   // what to do next
}

// TripReset says that a person has reset the trip; it permits, and energises nothing.
type TripReset struct {
	By string `json:"by"`
}

// Prompt asks a person for something. Action, Probe and Point say the same as Text to a simulated person.
type Prompt struct {
	ID     string   `json:"id"`
	Text   string   `json:"text"`
	Action string   `json:"action"`           // place, fit, remove, read, clear, energise, confirm
	Probe  string   `json:"probe,omitempty"`  // the probe, stand-in or part
	Point  string   `json:"point,omitempty"`  // the test point
	Live   []string `json:"live,omitempty"`   // live volts, with age
	Unit   string   `json:"unit,omitempty"`   // of a value to be read
	Offers []string `json:"offers,omitempty"` // the answers to choose from
}

// Answered says who answered a prompt, and what.
type Answered struct {
	ID   string `json:"id"`
	By   string `json:"by"`
	Text string `json:"text,omitempty"`
}

// Withdrawn says that a prompt is no longer open although nobody answered it.
type Withdrawn struct {
	ID  string `json:"id"`
	Why string `json:"why"`
}

// Hold says that a person's hands are in the bench, or no longer.
type Hold struct {
	By     string `json:"by"`
	Placed bool   `json:"placed"`
}

// Energising announces what is about to be switched on, and by whose act.
type Energising struct {
	Outputs []string         `json:"outputs"`
	Highest quantity.Volts   `json:"highest"`
	Longest quantity.Seconds `json:"longest"`
	By      string           `json:"by"`
}

// Switched says that an output was switched and read back.
type Switched struct {
	Output string `json:"output"`
	On     bool   `json:"on"`
}

// Safety is the result of make-safe: every output with its safe state, and whether that was read back.
type Safety struct {
	Confirmed bool     `json:"confirmed"` // false is NOT SAFE
	Cause     string   `json:"cause"`
	Outputs   []Output `json:"outputs"`
}

// Output is one output as make-safe left it.
type Output struct {
	Name      string `json:"name"`
	Safe      string `json:"safe"` // off, zero, open, closed, leave
	Confirmed bool   `json:"confirmed"`
	Text      string `json:"text,omitempty"`
}

// The states of the drive's DC bus (P11). Only MeasuredDown and ProvenByHand let hands near it.
const (
	Live          = "live"
	MeasuredDown  = "measured down"
	ProvenByHand  = "proven by hand"
	NotProvenDown = "NOT PROVEN DOWN"
)

// Bus says what is known of the drive's DC bus.
type Bus struct {
	State string         `json:"state"` // one of the constants above
	Volts quantity.Volts `json:"volts"`
	// Unread means that nobody has read the drive's bus terminals yet: Volts says nothing.
	Unread bool   `json:"unread,omitempty"`
	Why    string `json:"why,omitempty"`
}

// Link says that an instrument's connection was lost or is back.
type Link struct {
	Instrument string `json:"instrument"`
	State      string `json:"state"` // up, lost, out of step
	Why        string `json:"why,omitempty"`
}

// Check is a named comparison that was made.
type Check verdict.Check

// Chart is the gate chart: one row a gate channel, one column a Hall state and direction.
type Chart struct {
	Columns []string   `json:"columns"`
	Rows    []ChartRow `json:"rows"`
	Legs    []ChartLeg `json:"legs,omitempty"`
}

// ChartRow is one gate channel of the chart.
type ChartRow struct {
	Channel string      `json:"channel"`
	Cells   []ChartCell `json:"cells"`
}

// ChartCell is one gate channel in one Hall state and direction.
type ChartCell struct {
	Expected string           `json:"expected"`
	Found    string           `json:"found"`
	Outcome  verdict.Outcome  `json:"outcome"`
	Low      quantity.Volts   `json:"low"`
	High     quantity.Volts   `json:"high"`
	Period   quantity.Seconds `json:"period,omitempty"`
	Duty     quantity.Ratio   `json:"duty,omitempty"`
	Reason   string           `json:"reason,omitempty"`
}

// ChartLeg is the timing between the two gates of a leg, where they alternate.
type ChartLeg struct {
	Leg      string           `json:"leg"`
	Outcome  verdict.Outcome  `json:"outcome"`
	DeadHL   quantity.Seconds `json:"dead_high_to_low"` // shortest over the record
	DeadLH   quantity.Seconds `json:"dead_low_to_high"`
	Overlap  quantity.Seconds `json:"overlap"` // longest
	Reason   string           `json:"reason,omitempty"`
	Captured string           `json:"captured,omitempty"` // how it was looked at
}

// Trace is a record of a scope channel that is kept.
type Trace struct {
	Name   string          `json:"name"`
	Beside string          `json:"beside,omitempty"` // the name of a suspect trace that this one is a sound sibling of, aligned with it
	Data   json.RawMessage `json:"data"`             // as package waveform writes it
}

// Override says that a person has set a safety rule aside, by name and with a reason; reports show it in plain sight.
type Override struct {
	Rule   string `json:"rule"` // what was set aside, in words
	By     string `json:"by"`
	Reason string `json:"reason"`
}

// Finding is a conclusion in words: what is wrong, with the likely part, and what to do.
type Finding struct {
	Subject string `json:"subject"` // gate channel, rail, bus ...
	Text    string `json:"text"`
	Part    string `json:"part,omitempty"`
	Do      string `json:"do,omitempty"`
	Devices bool   `json:"devices,omitempty"` // mended by new power devices, not by a part of the board
}

// Progress tells how far a long run is. The parts before count.
type Progress struct {
	Done quantity.Seconds `json:"done"`
	Of   quantity.Seconds `json:"of"`
}

// Continued says that this run goes on with one that was cut off.
type Continued struct {
	Run  string           `json:"continues"` // the part before
	Part int              `json:"part"`      // 2 for the first continuation
	Done quantity.Seconds `json:"done"`      // what the parts before have done
	Gap  quantity.Seconds `json:"gap"`       // from when the part before was last heard of to this one's begin
	// ClockSetBack says that Gap is not known: the computer's clock was set back meanwhile.
	ClockSetBack bool `json:"clock_set_back,omitempty"`
}

func (RunStarted) kind() string { return "run started" }
func (RunEnded) kind() string   { return "run ended" }
func (Step) kind() string       { return "step" }
func (Note) kind() string       { return "note" }
func (Reading) kind() string    { return "reading" }
func (Limits) kind() string     { return "limits" }
func (Trip) kind() string       { return "trip" }
func (TripReset) kind() string  { return "trip reset" }
func (Prompt) kind() string     { return "prompt" }
func (Answered) kind() string   { return "answered" }
func (Withdrawn) kind() string  { return "prompt withdrawn" }
func (Hold) kind() string       { return "hold" }
func (Energising) kind() string { return "energising" }
func (Switched) kind() string   { return "switched" }
func (Safety) kind() string     { return "safety" }
func (Bus) kind() string        { return "bus" }
func (Link) kind() string       { return "link" }
func (Check) kind() string      { return "check" }
func (Chart) kind() string      { return "chart" }
func (Trace) kind() string      { return "trace" }
func (Finding) kind() string    { return "finding" }
func (Override) kind() string   { return "override" }
func (Progress) kind() string   { return "progress" }
func (Continued) kind() string  { return "continued" }
