package command

import (
	"benchwarden/daemon/drive"
	"benchwarden/instruments/simulated/plant"
)

// paramsOf fills the simulated drive's parameters from a family. The simulation shares no code with package drive: its
// commutation and its patterns are its own.
func paramsOf(f *drive.Family) plant.Params {
	p := plant.Params{
		Name:   f.Name,
		Bridge: plant.Bridge{Legs: f.Bridge.Legs},
		Device: plant.Device{Kind: f.Device.Kind, MinimumThreshold: f.Device.MinimumThreshold},
		Gate: plant.Gate{
			HighSideSupply: f.Gate.HighSideSupply, On: plant.Band(f.Gate.On), Off: plant.Band(f.Gate.Off), Load: f.Gate.Load,
			Resistor: f.Gate.Resistor, Rise: f.Gate.Rise, Fall: f.Gate.Fall,
		},
		Modulation: plant.Modulation{
			Kind: f.Modulation.Kind, Frequency: f.Modulation.Frequency, Within: f.Modulation.Within, Jitter: f.Modulation.Jitter,
			DeadTime:    plant.DeadTime{Shortest: f.Modulation.DeadTime.Shortest, Longest: f.Modulation.DeadTime.Longest},
			HighestDuty: f.Modulation.HighestDuty,
		},
		Commutation: f.Commutation.Kind,
		Patterns:    plant.Patterns(f.Patterns),
		Loop:        f.Loop,
		Permissives: map[string]plant.Permissive{},
		Reset:       f.Reset,
		FaultLamp:   f.FaultLamp,
		Control: plant.Control{
			Feed: f.Control.Feed, Nominal: f.Control.Nominal, Current: f.Control.Current, Start: f.Control.Start,
			Stop: f.Control.Stop, Power: f.Control.Power, Settle: f.Control.Settle,
		},
		Rails: map[string]plant.Rail{},
		Bus: plant.Bus{
			Nominal: f.Bus.Nominal, Reduced: f.Bus.Reduced, Capacitance: f.Bus.Capacitance, CapWithin: f.Bus.CapWithin,
			Bleeder: f.Bus.Bleeder, BleedWithin: f.Bus.BleedWithin, Quiescent: plant.CurrentBand(f.Bus.Quiescent), SoftCharge: f.Bus.SoftCharge,
			LockoutHigh: f.Bus.LockoutHigh, LockoutWithin: f.Bus.LockoutWithin,
		},
		Reference: plant.Reference{FullScale: f.Reference.FullScale, Sweep: f.Reference.Sweep, Offset: f.Reference.Offset},
		Thermal:   plant.Thermal{Rise: f.Soak.Rise, TimeConstant: f.Soak.TimeConstant, Fan: f.Soak.Fan},
	}
	if c := f.Cold; c != nil {
		p.Cold = plant.Cold{Drop: (c.DeviceDrop.Low + c.DeviceDrop.High) / 2, Lines: c.Rectifier}
		if c.RectifierDrop != nil {
			p.Cold.LineDrop = (c.RectifierDrop.Low + c.RectifierDrop.High) / 2
		}
		if c.Half != nil { // one half is seen beside the other
			p.Cold.Balance = 2 * c.Half.Mid()
		}
	}
	if f.Fitted != nil {
		p.Fitted = plant.FittedStage{
			Star: f.Fitted.Star, Load: f.Fitted.Load, CurrentLimit: f.Fitted.CurrentLimit, LimitWithin: f.Fitted.LimitWithin,
			FullScale: f.Fitted.FullScale, GainWithin: f.Fitted.GainWithin, Sensors: f.Fitted.Sensors,
			SensorGain: float64(f.Fitted.SensorVolts), SensorOffset: f.Fitted.SensorOffset, SensorWithin: f.Fitted.SensorWithin,
		}
	}
	for _, c := range f.Bridge.Channels {
		p.Bridge.Channels = append(p.Bridge.Channels, plant.Channel(c))
	}
	for name, permissive := range f.Permissives {
		p.Permissives[name] = plant.Permissive(permissive)
	}
	if f.Inhibit != nil {
		inhibit := plant.Permissive(*f.Inhibit)
		p.Inhibit = &inhibit
	}
	for _, s := range f.StandIns {
		p.StandIns = append(p.StandIns, plant.StandIn{Name: s.Name, Sense: s.Sense})
	}
	for name, r := range f.Rails {
		p.Rails[name] = plant.Rail{Nominal: r.Nominal, Within: r.Within, Ripple: r.Ripple}
	}
	return p
}
