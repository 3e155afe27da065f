package bench

import "benchwarden/instruments/quantity"

// Energised says whether an output is on, or may be, and to which voltage it was set.
func (b *Bench) Energised(role string) (on bool, set quantity.Volts) {
	in := b.instruments[role]
	if in == nil {
		return false, 0
	}
	on, set, _ = in.energised()
	return on, set
}
