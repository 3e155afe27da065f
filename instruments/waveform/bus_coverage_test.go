package waveform

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"benchwarden/instruments/quantity"
)

// meterOff is an instrument whose gain and offset are off: by anything within ±limit at zero and at full.
type meterOff struct{ zero, full, range_ float64 }

func off(r *rand.Rand, limit, full float64) meterOff {
	return meterOff{limit * (2*r.Float64() - 1), limit * (2*r.Float64() - 1), full}
}

func (m meterOff) reads(v float64) float64 { return v + m.zero + (m.full-m.zero)*v/m.range_ }

// Buses that come up and go down, read by meters whose errors lie anywhere within what is stated of them, with more and less noise.
func TestStatedUncertaintyOfABusHoldsTheTruth(t *testing.T) {
	for name, noise := range map[string]float64{"low noise": 0.02, "high noise": 0.5} {
		t.Run(name, func(t *testing.T) {
			for seed := range *coverageSeeds {
				t.Run(fmt.Sprint("seed ", seed), func(t *testing.T) { buses(t, noise, uint64(seed)) })
			}
		})
	}
}

// buses draws noise in shares of the limits of error.
func buses(t *testing.T, noise float64, seed uint64) {
	random := rand.New(rand.NewPCG(11, seed))
	between := func(low, high float64) float64 { return low + (high-low)*random.Float64() }
	scores := holdings{}
	for range *coverageCases {
		farads, limit, target := between(300e-6, 2000e-6), between(0.1, 0.5), between(30, 90)
		voltage, current, own := between(0.01, 0.3), between(0.0005, 0.01), between(20e-6, 100e-6)
		o := RampOptions{Limit: quantity.Amperes(limit), Target: volts(target), VoltageError: volts(voltage), CurrentError: quantity.Amperes(current),
			SupplyCapacitance: quantity.Farads(own), SupplyError: quantity.Farads(own * 0.2)}
		supply := own * (1 + 0.2*between(-1, 1))
		read := func(points []RampPoint, voltages, currents float64) []RampPoint {
			v, i := off(random, voltage, voltages), off(random, current, currents)
			for k, p := range points {
				points[k].V = volts(v.reads(float64(p.V)) + noise*voltage*random.NormFloat64())
				points[k].I = quantity.Amperes(i.reads(float64(p.I)) + noise*current*random.NormFloat64())
			}
			return points
		}
		var up []RampPoint
		lasts := (farads + supply) * target / limit
		n := 10 + random.IntN(30)
		for k := range n {
			at := lasts * float64(k) / float64(n)
			up = append(up, RampPoint{T: seconds(at), V: volts(target * at / lasts), I: quantity.Amperes(limit)})
		}
		r := FitRamp(read(up, target, limit), o)
		scores.count("capacitance", farads, r.Capacitance)
		scores.count("slope", target/lasts, r.Slope)

		ohms := between(100, 300)
		var soft []RampPoint
		tau := ohms * farads
		for k := range 3 * n {
			at := 5 * tau * float64(k) / float64(3*n)
			soft = append(soft, RampPoint{T: seconds(at), V: volts(target * (1 - math.Exp(-at/tau))), I: quantity.Amperes(target / ohms * math.Exp(-at/tau))})
		}
		o.Limit, o.SupplyCapacitance, o.SupplyError = 5, 0, 0
		r = FitRamp(read(soft, target, target/ohms), o)
		scores.count("soft charge", ohms, r.SoftCharge)

		var still []RampPoint
		leak := between(0.02, 0.1)
		for k := range 3 + random.IntN(20) {
			still = append(still, RampPoint{T: seconds(float64(k)), V: volts(target), I: quantity.Amperes(leak)})
		}
		scores.count("quiescent", leak, Quiescent(read(still, target, leak), quantity.Amperes(current)))

		short := between(2, 50)
		var stuck []RampPoint
		for k := range 10 {
			stuck = append(stuck, RampPoint{T: seconds(float64(k)), V: volts(short * limit), I: quantity.Amperes(limit)})
		}
		o.Limit, o.Target = quantity.Amperes(limit), volts(2*short*limit)
		r = FitRamp(read(stuck, short*limit, limit), o)
		scores.count("holding", short, r.Holding)

		tau = between(0.3, 20)
		var down []Sample
		fall := off(random, voltage, target)
		for k := range 6 + random.IntN(20) {
			at := float64(k) * tau / 6
			down = append(down, Sample{T: seconds(at), V: volts(fall.reads(target*math.Exp(-at/tau)) + noise*voltage*random.NormFloat64())})
		}
		scores.count("time constant", tau, FitDischarge(down, volts(voltage)).TimeConstant)
	}
	scores.judge(t, nil, *coverageCases/3)
}
