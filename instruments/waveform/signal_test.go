package waveform

import (
	"math"
	"math/rand/v2"

	"benchwarden/instruments/quantity"
)

// signal is a voltage over time.
type signal func(t float64) float64

// shape is a transition from 0 to 1 with its true instants of 10 %, 50 % and 90 %; it is 0 before t = 0.
type shape struct {
	at   signal
	ten  float64
	half float64
	nine float64
	over float64 // the peak beyond 1
	back float64 // how far it falls below 1 again after the peak
}

func (s shape) duration() float64 { return s.nine - s.ten }

// crossedAt is when a transition passes a share of its swing for the first time.
func (s shape) crossedAt(share float64) float64 {
	low, high := 0.0, s.nine
	for s.at(high) < share {
		high *= 1.1
	}
	for range 80 {
		if m := (low + high) / 2; s.at(m) < share {
			low = m
		} else {
			high = m
		}
	}
	return low
}

func ramp(length float64) shape {
	return shape{ten: 0.1 * length, half: 0.5 * length, nine: 0.9 * length,
		at: func(t float64) float64 { return min(1, max(0, t/length)) }}
}

func raisedCosine(length float64) shape {
	inverse := func(y float64) float64 { return length * math.Acos(1-2*y) / math.Pi }
	return shape{ten: inverse(0.1), half: inverse(0.5), nine: inverse(0.9),
		at: func(t float64) float64 { return (1 - math.Cos(math.Pi*min(1, max(0, t/length)))) / 2 }}
}

func onePole(tau float64) shape {
	return shape{ten: -tau * math.Log(0.9), half: tau * math.Ln2, nine: -tau * math.Log(0.1),
		at: func(t float64) float64 { return 1 - math.Exp(-max(0, t)/tau) }}
}

// twoPoles is the step response of two equal single poles in a row.
func twoPoles(tau float64) shape {
	at := func(t float64) float64 { return 1 - (1+max(0, t)/tau)*math.Exp(-max(0, t)/tau) }
	return shape{ten: solve(at, 0.1, 0, 20*tau), half: solve(at, 0.5, 0, 20*tau), nine: solve(at, 0.9, 0, 20*tau), at: at}
}

// gaussian is the step response of a filter that rounds off like a normal distribution; its middle lies at six standard deviations.
func gaussian(sigma float64) shape {
	at := func(t float64) float64 { return math.Erfc((6*sigma-t)/(sigma*math.Sqrt2)) / 2 }
	return shape{ten: solve(at, 0.1, 0, 12*sigma), half: 6 * sigma, nine: solve(at, 0.9, 0, 12*sigma), at: at}
}

// solve finds where a rising edge reaches a level.
func solve(at func(float64) float64, level, low, high float64) float64 {
	for range 80 {
		middle := (low + high) / 2
		if at(middle) < level {
			low = middle
		} else {
			high = middle
		}
	}
	return high
}

// secondOrder is the step response of a second-order low pass.
func secondOrder(omega, zeta float64) shape {
	root := math.Sqrt(1 - zeta*zeta)
	at := func(t float64) float64 {
		t = max(0, t) * omega
		return 1 - math.Exp(-zeta*t)*(math.Cos(root*t)+zeta/root*math.Sin(root*t))
	}
	first := func(level float64) float64 { return solve(at, level, 0, math.Pi/root/omega) }
	// Source: overshoot of a second-order step, exp(-pi·zeta/sqrt(1-zeta²)); the trough after it is its square (analytic).
	over := math.Exp(-math.Pi * zeta / root)
	return shape{ten: first(0.1), half: first(0.5), nine: first(0.9), at: at, over: over, back: over * over}
}

// train is a pulse train between low and high: rising edges of the given shape at from + k·period, falling ones width later.
func train(low, high float64, up, down shape, from, period, width float64) signal {
	return func(t float64) float64 {
		phase := math.Mod(t-from, period)
		if phase < 0 {
			phase += period
		}
		y := up.at(phase)
		if phase >= width {
			y = 1 - down.at(phase-width)
		}
		return low + (high-low)*y
	}
}

// unsteady is a train whose edges keep their distance to each other within a period, while the periods scatter by the
// standard deviation given.
func unsteady(low, high float64, up, down shape, from, period, width, jitter float64, seed uint64) signal {
	random := rand.New(rand.NewPCG(seed, 2))
	starts := []float64{from - period}
	for range 2000 {
		starts = append(starts, starts[len(starts)-1]+period+jitter*random.NormFloat64())
	}
	k := 0
	return func(t float64) float64 {
		for k+1 < len(starts) && starts[k+1] <= t {
			k++
		}
		y := up.at(t - starts[k])
		if t >= starts[k]+width {
			y = 1 - down.at(t-starts[k]-width)
		}
		return low + (high-low)*y
	}
}

// scope is how a signal becomes a record.
type scope struct {
	start, step float64
	points      int
	bits        int     // 0: float64, else codes over low..high
	low, high   float64 // range
	noise       float64 // standard deviation, V
	seed        uint64
}

func (s scope) take(f signal) Trace {
	random := rand.New(rand.NewPCG(s.seed, 1))
	values := make([]float64, s.points)
	for i := range values {
		values[i] = f(s.start+float64(i)*s.step) + s.noise*random.NormFloat64()
	}
	var t Trace
	switch s.bits {
	case 0:
		t = FromFloat64(values)
	case 8:
		scale := (s.high - s.low) / 255
		codes := make([]byte, s.points)
		for i, v := range values {
			codes[i] = byte(min(255, max(0, math.Round((v-s.low)/scale))))
		}
		t = FromUint8(codes, scale, s.low)
	case 12: // as scopes send them: in a word each
		scale := (s.high - s.low) / 4095
		codes := make([]int16, s.points)
		for i, v := range values {
			codes[i] = int16(min(2047, max(-2048, math.Round((v-s.low)/scale)-2048)))
		}
		t = FromInt16(codes, scale, s.low+2048*scale).WithClip(-2048, 2047)
	case 16:
		scale := (s.high - s.low) / 65535
		codes := make([]int16, s.points)
		for i, v := range values {
			codes[i] = int16(min(32767, max(-32768, math.Round((v-s.low)/scale)-32768)))
		}
		t = FromInt16(codes, scale, s.low+32768*scale)
	}
	t.Start, t.Step = quantity.Seconds(s.start), quantity.Seconds(s.step)
	return t
}
