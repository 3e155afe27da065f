package station

import (
	"time"

	"benchwarden/daemon/bench"
)

// accuracy is the 95 % half width of a reading and the statement that it comes from.
func (r *rig) accuracy(role, of string, reading float64) (u float64, statement string) {
	a, stated := r.station.cfg.File.AccuracyAt(role, of, reading)
	if !stated {
		return a.At(reading), "none stated at this reading, taken as " + a.String()
	}
	return a.At(reading), a.String()
}

// PastCalibration is when an instrument's calibration was due, empty where it still holds today; undecided says that this bench
// lets such an instrument decide nothing.
func (r *rig) PastCalibration(instrument string) (due string, undecided bool) {
	file := r.station.cfg.File
	return file.PastCalibration(instrument, time.Now()), file.Calibration == bench.UndecidedWhenDue
}
