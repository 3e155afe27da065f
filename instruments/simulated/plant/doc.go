// Package plant is the physical model behind the simulated bench: one motor drive without (or with) its power devices, the
// supplies and signal sources that are wired to it, and what a probe or a meter sees at each test point, now or in the last
// thirty seconds. It speaks no protocol; the instruments around it do.
//
// The model is honest about a board without power devices: high sides that float without their jumpers, edges that say nothing
// without a gate load, loops that saturate without feedback, permissives that stay away with the missing parts, a control
// section that draws constant power from the bus, the supply's own output capacitor. Faults have names and may be combined
// (see Faults). A seed makes every random thing repeatable: the same seed, the same acts at the same instants give the same
// samples.
//
// It has its own commutation table and its own reading of the family's figures on purpose: it must not agree with a mistake
// of the program that judges it.
package plant
