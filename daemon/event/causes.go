package event

// The causes of a trip, as they stand in records and as labels of the metrics.
const (
	OverVoltage       = "over-voltage"
	OverCurrent       = "over-current"
	OverTemperature   = "over-temperature"
	OverPower         = "over-power"
	ConstantCurrent   = "constant current"
	Collapse          = "collapse"
	StaleReading      = "stale reading"
	UnreadableReading = "unreadable reading"
	RunTime           = "run time"
	LinkLost          = "link lost"
	InterlockOpen     = "interlock open"
	ProtectionActed   = "protection acted"
	KeeperLost        = "keeper lost"
	LeadOff           = "lead off"
	RampTime          = "ramp time"
	RampEnergy        = "ramp energy"
	ScriptSilent      = "script silent"
	DiskFull          = "disk full"
	NotRecorded       = "not recorded"
)

// Causes lists every cause that the warden itself trips on.
func Causes() []string {
	return []string{OverVoltage, OverCurrent, OverTemperature, OverPower, ConstantCurrent, Collapse, StaleReading,
		UnreadableReading, RunTime, LinkLost, InterlockOpen, ProtectionActed, KeeperLost, LeadOff,
		RampTime, RampEnergy, ScriptSilent, DiskFull, NotRecorded}
}
