package simulated

import (
	"hash/fnv"
	"math/rand/v2"
	"sync"
)

// dice are an instrument's random numbers; the same seed and role give the same ones.
type dice struct {
	mu   sync.Mutex
	rand *rand.Rand
}

func newDice(seed uint64, role string) *dice {
	h := fnv.New64a()
	h.Write([]byte(role))
	return &dice{rand: rand.New(rand.NewPCG(seed, h.Sum64()))}
}

func (d *dice) normal() float64 {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.rand.NormFloat64()
}

// evenly is a number from -1 to 1.
func (d *dice) evenly() float64 {
	d.mu.Lock()
	defer d.mu.Unlock()
	return 2*d.rand.Float64() - 1
}

func (d *dice) oneIn(n int) bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.rand.IntN(n) == 0
}

func (d *dice) bytes(n int) []byte {
	d.mu.Lock()
	defer d.mu.Unlock()
	b := make([]byte, n)
	for i := range b {
		b[i] = byte(0x80 + d.rand.IntN(0x7f)) // no terminator among them
	}
	return b
}

// deviation is how one instrument's readings differ from the truth: always the same gain and offset, and noise.
type deviation struct {
	gain, offset float64 // part; base unit
	noise        float64 // standard deviation, base unit
	dice         *dice
}

// within draws an instrument that keeps to an accuracy of gain (part of the reading) and offset with a fifth to spare, which is
// what the noise takes.
func within(d *dice, gain, offset float64) deviation {
	return deviation{gain: 0.8 * gain * d.evenly(), offset: 0.8 * offset * d.evenly(), noise: 0.05 * offset, dice: d}
}

func (d deviation) read(truth float64) float64 {
	noise := max(-3, min(d.dice.normal(), 3))
	return truth*(1+d.gain) + d.offset + d.noise*noise
}
