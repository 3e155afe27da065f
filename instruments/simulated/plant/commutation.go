package plant

// sixStep says which leg carries the current in at each Hall code (high switch) and which carries it out (low switch) when
// the motor is asked to turn forward; reverse exchanges high and low. Codes are written Hall 1, Hall 2, Hall 3.
//
// Source: data sheet "10 A, 500 V, 3-phase IGBT brushless motor controller", Rev. B 10/00, "Commutation truth table",
// rows of both spacings. Codes that do not stand there switch everything off.
var sixStep = map[string]map[int]struct{ high, low int }{
	"hall_120": {
		0b100: {0, 2}, // A+ C-
		0b110: {1, 2}, // B+ C-
		0b010: {1, 0}, // B+ A-
		0b011: {2, 0}, // C+ A-
		0b001: {2, 1}, // C+ B-
		0b101: {0, 1}, // A+ B-
	},
	"hall_60": {
		0b100: {0, 2},
		0b110: {1, 2},
		0b111: {1, 0},
		0b011: {2, 0},
		0b001: {2, 1},
		0b000: {0, 1},
	},
}

// turn120 and turn60 are the codes of one electrical turn forward, in order: one line changes from each to the next.
var (
	turn120 = [6]int{0b100, 0b110, 0b010, 0b011, 0b001, 0b101}
	turn60  = [6]int{0b100, 0b110, 0b111, 0b011, 0b001, 0b000}
)
