package scpi

import "strings"

// multipliers are the suffix multipliers of IEEE 488.2-1992, table 7-2.
var multipliers = map[string]float64{
	"EX": 1e18, "PE": 1e15, "T": 1e12, "G": 1e9, "MA": 1e6, "K": 1e3,
	"":  1,
	"M": 1e-3, "U": 1e-6, "N": 1e-9, "P": 1e-12, "F": 1e-15, "A": 1e-18,
}

// scale is the factor that a suffix such as MV puts on a number in the given
// unit ("V", "A", "OHM", "HZ", "S"; "" allows no suffix). A multiplier without
// its unit is no suffix: 5 A must not become 5E-18 V. The unit wins over the
// multiplier: MA is milliampere where amperes are meant. M is mega before OHM
// and HZ (IEEE 488.2-1992, table 7-2; that exception from memory).
func scale(suffix, unit string) (float64, error) {
	switch {
	case suffix == "":
		return 1, nil
	case unit == "":
		return 0, NewError(-138, suffix)
	}
	unit = strings.ToUpper(unit)
	prefix, ok := strings.CutSuffix(suffix, unit)
	factor, known := multipliers[prefix]
	switch {
	case ok && known && prefix == "M" && (unit == "OHM" || unit == "HZ"):
		return 1e6, nil
	case ok && known:
		return factor, nil
	}
	return 0, NewError(-131, suffix)
}
