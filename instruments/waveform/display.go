package waveform

import (
	"encoding/binary"
	"encoding/json"
	"fmt"
	"math"

	"benchwarden/instruments/quantity"
)

// Extent is the lowest and the highest sample of a stretch, in volts.
type Extent struct {
	Low  float64 `json:"low"`
	High float64 `json:"high"`
}

// Envelope divides the trace into up to n stretches of nearly equal length and returns the extremes of each, so that a
// drawing of few points still shows every spike.
func (t Trace) Envelope(n int) []Extent {
	length := t.Len()
	n = min(n, length)
	if n <= 0 {
		return nil
	}
	drawn := make([]Extent, n)
	for k := range drawn {
		low, high := t.codes.extent(k*length/n, (k+1)*length/n)
		drawn[k] = Extent{Low: t.volts(low), High: t.volts(high)}
	}
	return drawn
}

// stored is the JSON form of a trace: the samples as base64 of their bytes, little end first.
type stored struct {
	Name       string   `json:"name,omitempty"`
	Start      float64  `json:"start_s"`
	Step       float64  `json:"step_s"`
	Points     int      `json:"points"`
	Form       string   `json:"form"` // uint8, int16 or float64
	Scale      float64  `json:"volts_per_code"`
	Offset     float64  `json:"offset_v"`
	ClipLow    *float64 `json:"clip_low,omitempty"` // codes; none where nothing counts as clipped
	ClipHigh   *float64 `json:"clip_high,omitempty"`
	Resolution float64  `json:"resolution_v,omitempty"`
	Samples    []byte   `json:"samples"`
}

// MarshalJSON writes the trace in its compact form.
func (t Trace) MarshalJSON() ([]byte, error) {
	s := stored{Name: t.Name, Start: float64(t.Start), Step: float64(t.Step), Points: t.Len(), Scale: t.scale, Offset: t.offset, Resolution: t.resolution}
	if !math.IsInf(t.clipLow, 0) {
		s.ClipLow = &t.clipLow
	}
	if !math.IsInf(t.clipHigh, 0) {
		s.ClipHigh = &t.clipHigh
	}
	switch codes := t.codes.(type) {
	case octets:
		s.Form, s.Samples = "uint8", codes
	case words:
		s.Form = "int16"
		for _, c := range codes {
			s.Samples = binary.LittleEndian.AppendUint16(s.Samples, uint16(c))
		}
	case floats:
		s.Form = "float64"
		for _, v := range codes {
			s.Samples = binary.LittleEndian.AppendUint64(s.Samples, math.Float64bits(v))
		}
	default:
		s.Form, s.Scale = "uint8", 1
	}
	return json.Marshal(s)
}

// UnmarshalJSON reads the compact form; what does not fit together is refused.
func (t *Trace) UnmarshalJSON(data []byte) error {
	var s stored
	if err := json.Unmarshal(data, &s); err != nil {
		return fmt.Errorf("trace: %w", err)
	}
	if !(s.Scale > 0) || math.IsInf(s.Scale, 0) || s.Step < 0 {
		return fmt.Errorf("trace %q: volts_per_code %v and step_s %v: the first must be above zero, the second not below", s.Name, s.Scale, s.Step)
	}
	read := Trace{Name: s.Name, Start: quantity.Seconds(s.Start), Step: quantity.Seconds(s.Step), scale: s.Scale, offset: s.Offset,
		resolution: s.Resolution, clipLow: math.Inf(-1), clipHigh: math.Inf(1)}
	size := map[string]int{"uint8": 1, "int16": 2, "float64": 8}[s.Form]
	if size == 0 {
		return fmt.Errorf("trace %q: form %q is not known: uint8, int16 or float64", s.Name, s.Form)
	}
	if len(s.Samples) != s.Points*size {
		return fmt.Errorf("trace %q: %d points of %s need %d bytes, there are %d", s.Name, s.Points, s.Form, s.Points*size, len(s.Samples))
	}
	switch s.Form {
	case "uint8":
		read.codes = octets(s.Samples)
	case "int16":
		codes := make(words, s.Points)
		for i := range codes {
			codes[i] = int16(binary.LittleEndian.Uint16(s.Samples[2*i:]))
		}
		read.codes = codes
	case "float64":
		values := make(floats, s.Points)
		for i := range values {
			values[i] = math.Float64frombits(binary.LittleEndian.Uint64(s.Samples[8*i:]))
		}
		read.codes = values
	}
	if s.ClipLow != nil {
		read.clipLow = *s.ClipLow
	}
	if s.ClipHigh != nil {
		read.clipHigh = *s.ClipHigh
	}
	*t = read
	return nil
}
