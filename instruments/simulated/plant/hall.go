package plant

import (
	"math"

	"benchwarden/instruments/quantity"
)

// hallSource is the source in place of the motor's Hall sensors.
type hallSource struct {
	on      bool
	code    int // Hall 1 is bit 2, Hall 3 bit 0
	lines   [3]LineState
	spacing int
	running bool
	reverse bool
	period  float64 // of one code, s
	next    float64 // next change while running
}

// SetOutput connects the source; off, all three lines are open.
func (h *Hall) SetOutput(on bool) { h.p.do(func() { h.p.hall.on = on }) }

// SetCode holds a code: bit 2 is Hall 1, bit 1 Hall 2, bit 0 Hall 3. It ends a run.
func (h *Hall) SetCode(code int) {
	h.p.do(func() { h.p.hall.code, h.p.hall.running, h.p.hall.next = code&7, false, 0 })
}

// SetLine sets how line 1, 2 or 3 is driven.
func (h *Hall) SetLine(line int, s LineState) {
	if line < 1 || line > 3 {
		return
	}
	h.p.do(func() { h.p.hall.lines[line-1] = s })
}

// Spacing sets the sensors' spacing for Run: 60 or 120 electrical degrees.
func (h *Hall) Spacing(degrees int) { h.p.do(func() { h.p.hall.spacing = degrees }) }

// Run turns the absent motor at an electrical frequency, from the present code on; 0 Hz holds.
func (h *Hall) Run(f quantity.Hertz, reverse bool) {
	h.p.do(func() {
		s := &h.p.hall
		s.reverse, s.running, s.next = reverse, f > 0, 0
		if s.running {
			s.period = 1 / (6 * min(float64(f), 5000))
			s.next = h.p.now + s.period
		}
	})
}

// Lines is what the three lines show at the connector, as a code.
func (h *Hall) Lines() int {
	h.p.enter()
	defer h.p.mu.Unlock()
	return h.p.hallLines()
}

// turn lets the motor go on.
func (s *hallSource) turn(now float64) {
	for s.running && s.next <= now {
		turn := turn120
		if s.spacing == 60 {
			turn = turn60
		}
		at := 0
		for i, code := range turn {
			if code == s.code {
				at = i
			}
		}
		step := 1
		if s.reverse {
			step = len(turn) - 1
		}
		s.code = turn[(at+step)%len(turn)]
		s.next += s.period
	}
	if !s.running {
		s.next = math.Inf(1)
	}
}

// hallLines is what the lines show at the connector. The drive pulls open lines up to its Hall supply; a line that is driven
// shows its bit, whether the drive lives or not. A shorted Hall supply or input pulls its lines down for everybody.
func (p *Plant) hallLines() int {
	v := p.look()
	supply := p.params.Commutation != "none" && p.section.shape > 0.5
	if r, ok := v.rails["hall"]; ok && abs(r.level) < 0.5*abs(float64(p.params.Rails["hall"].Nominal)) {
		supply = false
	}
	if v.has("hall_supply_short", "") {
		return 0
	}
	code := 0
	for line := range 3 {
		bit := 4 >> line
		state := p.hall.lines[line]
		if !p.hall.on {
			state = Open
		}
		if state == Open && supply || (state == Driven || state == "") && p.hall.code&bit != 0 {
			code |= bit
		}
	}
	for _, n := range v.lines("hall_short") {
		code &^= 4 >> (n - 1)
	}
	return code
}

// hallSeen is the code that the drive's decoder gets.
func (p *Plant) hallSeen() int {
	v, code := p.look(), p.hallLines()
	for _, n := range v.lines("hall_open") {
		code |= 4 >> (n - 1)
	}
	if l := v.lines("hall_swapped"); len(l) >= 2 {
		a, b := 4>>(l[0]-1), 4>>(l[1]-1)
		if (code&a != 0) != (code&b != 0) {
			code ^= a | b
		}
	}
	return code
}
