package record

import (
	"encoding/binary"
	"encoding/json"
	"fmt"
	"math"
	"strconv"

	"benchwarden/daemon/event"
)

// storedTrace is what a trace event holds, as far as a spreadsheet wants it; the waveform package writes it.
type storedTrace struct {
	Start   float64 `json:"start_s"`
	Step    float64 `json:"step_s"`
	Form    string  `json:"form"`
	Scale   float64 `json:"volts_per_code"`
	Offset  float64 `json:"offset_v"`
	Samples []byte  `json:"samples"`
}

// trace writes a trace as time and volts, a line a sample.
func (w *exporter) trace(name string, e event.Trace) {
	var t storedTrace
	if err := json.Unmarshal(e.Data, &t); err != nil {
		w.err = fmt.Errorf("trace %s: %w", e.Name, err)
		return
	}
	codes, err := t.codes()
	if err != nil {
		w.err = fmt.Errorf("trace %s: %w", e.Name, err)
		return
	}
	rows := make([][]string, 0, len(codes)+1)
	rows = append(rows, []string{"time_s", "volts"})
	for i, code := range codes {
		at, volts := t.Start+float64(i)*t.Step, code*t.Scale+t.Offset
		rows = append(rows, []string{strconv.FormatFloat(at, 'g', 9, 64), strconv.FormatFloat(volts, 'g', 9, 64)})
	}
	w.csv(name, rows)
}

func (t storedTrace) codes() (codes []float64, err error) {
	switch t.Form {
	case "uint8":
		for _, b := range t.Samples {
			codes = append(codes, float64(b))
		}
	case "int16":
		for i := 0; i+2 <= len(t.Samples); i += 2 {
			codes = append(codes, float64(int16(binary.LittleEndian.Uint16(t.Samples[i:]))))
		}
	case "float64":
		for i := 0; i+8 <= len(t.Samples); i += 8 {
			codes = append(codes, math.Float64frombits(binary.LittleEndian.Uint64(t.Samples[i:])))
		}
	default:
		err = fmt.Errorf("its samples are of the form %q, which is not known", t.Form)
	}
	return codes, err
}
