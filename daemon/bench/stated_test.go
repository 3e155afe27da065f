package bench

import (
	"regexp"
	"strings"
	"testing"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/stretchr/testify/require"
)

// Whatever stands for a calibration date, for what its passing does, or for an accuracy: it is taken and can be used, or it is one
// line that names file, line and key.
func FuzzWhatIsStatedOfCalibrationAndAccuracy(f *testing.F) {
	for _, seed := range []string{"2027-03-31", "31.3.2027", "2027-02-30", "", "undecided_when_due", "said_when_du", "0.05 % of reading + 10 mV",
		"0.05 % of range", "10 mA", "5 %", "-1 V", "1e999 V", "NaN V", "~", "[]", "{a: b}", "it's", "2027-03-31T00:00:00Z", "µ", "0x10"} {
		f.Add(seed, uint8(0))
		f.Add(seed, uint8(1))
		f.Add(seed, uint8(2))
	}
	spots := []struct{ old, key, line string }{
		{"calibration_due: 2027-03-31", "calibration_due: ", "instruments.bus_meter.calibration_due"},
		{"safe_voltage: 50 V", "safe_voltage: 50 V\ncalibration: ", "calibration"},
		{"voltage: 0.05 % of reading + 10 mV", "voltage: ", "instruments.bus_meter.accuracy.voltage"},
	}
	f.Fuzz(func(t *testing.T, value string, which uint8) {
		if strings.ContainsFunc(value, func(r rune) bool { return r < ' ' || r == '\u0085' || r == '\u2028' || r == '\u2029' }) {
			return // more than one line
		}
		spot := spots[int(which)%len(spots)]
		text := strings.Replace(quay, spot.old, spot.key+"'"+strings.ReplaceAll(value, "'", "''")+"'", 1)
		file, err := DecodeFile("quay.yaml", []byte(text))
		if err == nil {
			faults := file.Validate(heronNeeds, spokeForTest).Faults
			if len(faults) == 0 {
				if due := file.Instruments["bus_meter"].CalibrationDue; due != "" {
					_, err := time.Parse(time.DateOnly, due)
					require.NoError(t, err)
				}
				a, ok := file.AccuracyAt("bus_meter", "voltage", 10)
				require.True(t, ok)
				require.Positive(t, a.At(10))
				require.Contains(t, []string{"", SaidWhenDue, UndecidedWhenDue}, file.Calibration)
				return
			}
			err = faults
		}
		// What no text holds is told of the line as a whole.
		want := regexp.MustCompile(`\Aquay\.yaml:1[0-4]: .+\z`)
		if !strings.ContainsFunc(value, func(r rune) bool { return r == utf8.RuneError || !unicode.IsPrint(r) }) {
			want = regexp.MustCompile(`\Aquay\.yaml:1[0-4]: ` + regexp.QuoteMeta(spot.line) + `\S*: .+\z`)
		}
		require.Regexp(t, want, err.Error())
		require.NotContains(t, err.Error(), "\n")
	})
}
