package plant

import "math"

// unit holds the figures of the one drive on the bench, deviations and faults that never change included.
type unit struct {
	period         float64            // of chopping, s
	deadTime       float64            // in the logic: at the device's threshold it is the family's, s
	rails          map[string]float64 // good level, V
	driver         []float64          // output resistance of each channel's driver, Ω
	gate           []float64          // gate load of each channel when fitted, F
	delay          []float64          // from logic to gate, s
	jitter         float64            // peak to peak, s
	power          float64            // of the control section, W
	standby        float64            // control section before it starts, S
	ready          float64            // from start to the first pattern, s
	start, stop    float64            // of the control section, V
	bleeder, board float64            // S
	highestDuty    float64
	reacts         float64 // part of a permissive's time
	lockoutHigh    float64 // V; 0: none

	currentLimit, fullScaleCurrent float64 // A, into the dummy load; 0: none
	sensors                        map[string]sensorUnit
}

// Figures of the model that no family states (practice).
const (
	probeTau         = 3.2e-9 // an unloaded edge: 7 ns from 10 to 90 %
	driverResistance = 2.5    // Ω
	gateDelay        = 150e-9 // from logic to gate, s
	unloaded         = 100e-12
	railRise         = 0.015 // soft start of the rails, s
	railDelay        = 0.005 // from start of the control section to the rails' rise, s
	railFall         = 0.025 // time constant of the rails when it has stopped, s
	bootstrapDrop    = 0.6   // V
	goodLockout      = 0.72  // drivers below this part of their rail's nominal hold off
)

// hash is a well mixed number from a seed and where it is used (splitmix64's finaliser).
func hash(parts ...uint64) uint64 {
	h := uint64(0x9e3779b97f4a7c15)
	for _, x := range parts {
		h = (h ^ x) * 0xbf58476d1ce4e5b9
		h ^= h >> 27
		h = h*0x94d049bb133111eb + 0x9e3779b97f4a7c15
		h ^= h >> 31
	}
	return h
}

// evenly spreads a hash over -1 to 1.
func evenly(h uint64) float64 { return float64(int64(h)>>10) / (1 << 53) }

func word(s string) uint64 {
	h := uint64(14695981039346656037)
	for _, c := range []byte(s) {
		h = (h ^ uint64(c)) * 1099511628211
	}
	return h
}

// noise gives repeatable numbers of about a standard normal distribution.
func noise(seed uint64, name string) func() float64 {
	n := uint64(0)
	return func() float64 {
		n++
		h := hash(seed, word(name), n)
		const quarter = 1 << 16
		sum := 0.0
		for range 4 { // the sum of four even numbers; its deviation is sqrt(4/12)
			sum += float64(h%quarter)/quarter - 0.5
			h /= quarter
		}
		return sum * math.Sqrt(3)
	}
}

// build makes the unit, its supplies and its networks.
func (p *Plant) build() {
	q, seed := p.params, p.opts.Seed
	// own is this unit's deviation, -1 to 1; spread is it over the inner 80 % of a tolerance.
	own := func(name string) float64 { return evenly(hash(seed, word(name))) }
	spread := func(name string, tolerance float64) float64 {
		if !p.opts.Spread {
			return 0
		}
		return 0.8 * tolerance * own(name)
	}
	b, u := q.Bus, &p.unit
	u.period = 1 / (float64(q.Modulation.Frequency) * (1 + spread("frequency", float64(q.Modulation.Within))))
	d := q.Modulation.DeadTime
	u.deadTime = float64(d.Shortest+d.Longest)/2 + spread("dead time", float64(d.Longest-d.Shortest)/2) + q.edgeLoss()
	u.jitter = 0.15 * float64(q.Modulation.Jitter)
	u.highestDuty = float64(q.Modulation.HighestDuty)
	if u.highestDuty == 0 {
		u.highestDuty = 1
	}
	u.rails = map[string]float64{}
	for name, r := range q.Rails {
		u.rails[name] = float64(r.Nominal) * (1 + spread("rail "+name, float64(r.Within)))
	}
	for _, c := range q.Bridge.Channels {
		u.driver = append(u.driver, driverResistance*(1+spread("driver "+c.Name, 0.15)))
		u.gate = append(u.gate, float64(q.Gate.Load)*(1+spread("gate "+c.Name, 0.05)))
		u.delay = append(u.delay, gateDelay+spread("delay "+c.Name, 10e-9))
	}
	u.start = float64(q.Control.Start) * 0.95 * (1 + spread("start", 0.04))
	u.stop = float64(q.Control.Stop) * 0.97 * (1 + spread("stop", 0.03))
	u.ready = max(0.75*float64(q.Control.Settle)*(1+spread("ready", 0.2)), railDelay+2*railRise)
	if q.Control.Feed == "from_bus" {
		u.power = float64(q.Control.Power)
	} else {
		u.power = 0.6 * float64(q.Control.Nominal) * float64(q.Control.Current)
	}
	u.power *= 1 + spread("power", 0.06)
	u.reacts = 0.5 * (1 + spread("reacts", 0.5))
	u.lockoutHigh = float64(b.LockoutHigh) * (1 + spread("over-voltage", float64(b.LockoutWithin)))
	u.standby = 0.5e-3 / max(1, u.start)
	p.buildBus(spread)
	p.buildLoad(spread)
	u.bleeder = 1 / (float64(b.Bleeder) * (1 + spread("bleeder", float64(b.BleedWithin))))
	// The board takes what the middle of the good quiescent band leaves over.
	total := float64(b.Quiescent.Low+b.Quiescent.High) / 2
	known := float64(b.Reduced) / float64(b.Bleeder)
	if q.Control.Feed == "from_bus" {
		known += float64(q.Control.Power) / float64(b.Reduced)
	}
	u.board = max(0, total-known) / float64(b.Reduced)
	p.log.begin()
}

// edgeLoss is how much longer a loaded gate takes to fall to the device's threshold than to rise to it: the logic's dead time
// is longer by this.
func (p Params) edgeLoss() float64 {
	on, off, threshold := float64(p.Gate.On.Low+p.Gate.On.High)/2, float64(p.Gate.Off.Low+p.Gate.Off.High)/2, float64(p.Device.MinimumThreshold)
	if !(off < threshold && threshold < on) {
		return 0
	}
	tau := probeTau + (driverResistance+float64(p.Gate.Resistor))*float64(p.Gate.Load)
	return tau * math.Log((on-threshold)/(threshold-off))
}

func (p *Plant) buildBus(spread func(string, float64) float64) {
	q, b := p.params, p.params.Bus
	if p.opts.Bus == (SupplySpec{}) {
		p.opts.Bus = DefaultBusSupply(b.Nominal)
	}
	if p.opts.Control == (SupplySpec{}) {
		p.opts.Control = DefaultControlSupply()
	}
	p.bus = p.newFeed("bus", p.opts.Bus)
	p.busC, p.busESR = float64(b.Capacitance)*(1+spread("capacitance", float64(b.CapWithin))), 0.15
	p.control = p.newFeed("control", p.opts.Control)
	p.control.net.c, p.control.net.esr = 330e-6, 0.2
	if q.Control.Feed == "from_bus" {
		p.control.net.c = 1e-9
	}
	p.reference.gain = 2e-4 * evenly(hash(p.opts.Seed, word("reference gain")))
	p.reference.offset = 2e-3 * evenly(hash(p.opts.Seed, word("reference offset")))
	p.reference.rand = noise(p.opts.Seed, "reference")
}

func (p *Plant) newFeed(name string, s SupplySpec) *feed {
	within := func(what string, limit float64) float64 {
		return limit * evenly(hash(p.opts.Seed, word(name+" "+what)))
	}
	return &feed{
		spec: s, mode: Off, rand: noise(p.opts.Seed, name), overSince: math.Inf(1),
		limit: 0, gain: within("gain", float64(s.Gain)), offset: within("offset", float64(s.Offset)),
		readGain: within("read gain", float64(s.Gain)), readOffset: within("read offset", float64(s.Offset)),
		readGainA: within("read gain A", float64(s.GainA)), readOffsetA: within("read offset A", float64(s.OffsetA)),
		net: network{co: float64(s.Capacitance), series: max(1e-3, float64(s.Resistance)), c: 1e-9, esr: 0.1},
	}
}

// ln9 times its time constant is the 10 to 90 % time of a single pole.
var ln9 = math.Log(9)

func abs(x float64) float64 { return math.Abs(x) }
