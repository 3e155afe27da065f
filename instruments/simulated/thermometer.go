package simulated

// Accuracy of the thermometer: part of the reading, degC.
const (
	thermometerGain   = 0.002
	thermometerOffset = 0.3
)

// newThermometer makes a meter whose sensor sits on the drive's heat sink.
func (b *Bench) newThermometer(role string, celsius func() float64) *scpiInstrument {
	m := b.newSCPI(role, "meter")
	own := within(m.dice, thermometerGain, thermometerOffset)
	read := func() float64 { return m.harm.reading("TEMP", own.read(celsius()), true) }
	m.timed("MEASure[:SCALar]:TEMPerature", readingTime, read)
	m.timed("READ", readingTime, read)
	return m
}
