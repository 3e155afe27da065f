// Package waveform holds sampled traces and what can be said about them: state levels, transitions and pulses after IEEE
// Std 181, the dead time of a leg, missing pulses, excursions, and the arithmetic of a DC bus that is charged and
// discharged. It does no input or output.
//
// Every result carries its expanded uncertainty (about 95 %), or says that it is undecided, why, and what would change that.
package waveform

import (
	"math"

	"benchwarden/instruments/quantity"
)

// Trace is a record of equally spaced samples. Its samples keep the form in which the instrument gave them; volts are
// code·scale + offset. The zero value is an empty trace.
type Trace struct {
	Name  string
	Start quantity.Seconds // time of the first sample
	Step  quantity.Seconds // time between two samples

	codes             samples
	scale, offset     float64 // scale > 0
	bias              float64 // stored code minus the code that the instrument sent
	clipLow, clipHigh float64 // stored codes at or beyond these are clipped
	resolution        float64 // volts between two neighbouring codes, 0 where unknown
	flipped           bool    // codes were mirrored since the given scale was negative
}

// FromUint8 makes a trace of unsigned 8 bit codes, volts = code·scale + offset. It keeps the slice, which must not
// change afterwards. The codes 0 and 255 count as clipped until WithClip says otherwise.
func FromUint8(codes []byte, scale, offset float64) Trace {
	t := Trace{scale: scale, offset: offset, resolution: math.Abs(scale)}
	if scale < 0 {
		mirrored := make([]byte, len(codes))
		for i, c := range codes {
			mirrored[i] = 255 - c
		}
		codes = mirrored
		t.flip(255)
	}
	t.codes = octets(codes)
	return t.WithClip(0, 255)
}

// FromInt8 makes a trace of two's complement 8 bit codes as they stand in the bytes of a block, volts = code·scale +
// offset. It keeps the slice and rewrites it. The codes -128 and 127 count as clipped until WithClip says otherwise.
func FromInt8(raw []byte, scale, offset float64) Trace {
	for i := range raw {
		raw[i] ^= 0x80
	}
	t := FromUint8(raw, scale, offset-128*scale)
	t.bias = 128
	return t.WithClip(-128, 127)
}

// FromInt16 makes a trace of signed 16 bit codes, volts = code·scale + offset. It keeps the slice, which must not change
// afterwards. The codes -32768 and 32767 count as clipped until WithClip says otherwise.
func FromInt16(codes []int16, scale, offset float64) Trace {
	t := Trace{scale: scale, offset: offset, resolution: math.Abs(scale)}
	if scale < 0 {
		mirrored := make([]int16, len(codes))
		for i, c := range codes {
			mirrored[i] = -1 - c
		}
		codes = mirrored
		t.flip(-1)
	}
	t.codes = words(codes)
	return t.WithClip(math.MinInt16, math.MaxInt16)
}

// FromFloat64 makes a trace of values in volts. It keeps the slice, which must not change afterwards. Nothing counts as
// clipped and the resolution is unknown until WithClip and WithResolution say otherwise.
func FromFloat64(values []float64) Trace {
	return Trace{codes: floats(values), scale: 1, clipLow: math.Inf(-1), clipHigh: math.Inf(1)}
}

// flip turns code into sum-code, so that the stored codes rise with the volts.
func (t *Trace) flip(sum float64) {
	t.offset += t.scale * sum
	t.scale = -t.scale
	t.flipped = true
}

// WithClip returns the trace with the codes at or beyond which its converter was at its end, in the instrument's own
// codes (for FromFloat64: in volts).
func (t Trace) WithClip(low, high float64) Trace {
	low, high = low+t.bias, high+t.bias
	if t.flipped {
		sum := 255.0
		if _, wide := t.codes.(words); wide {
			sum = -1
		}
		low, high = sum-high, sum-low
	}
	t.clipLow, t.clipHigh = low, high
	return t
}

// WithResolution returns the trace with the volts between two neighbouring codes; for traces whose values were codes once.
func (t Trace) WithResolution(v quantity.Volts) Trace {
	t.resolution = float64(v)
	return t
}

// Shifted returns the trace with all its instants moved by d; its samples are shared.
func (t Trace) Shifted(d quantity.Seconds) Trace {
	t.Start += d
	return t
}

// Len is the number of samples.
func (t Trace) Len() int {
	if t.codes == nil {
		return 0
	}
	return t.codes.len()
}

// At returns sample i in volts.
func (t Trace) At(i int) float64 { return t.volts(t.codes.at(i)) }

// Time returns the instant of sample i.
func (t Trace) Time(i int) quantity.Seconds { return t.when(float64(i)) }

// Duration is the time from the first to the last sample.
func (t Trace) Duration() quantity.Seconds {
	return t.Step * quantity.Seconds(max(0, t.Len()-1))
}

// Resolution is the volts between two neighbouring codes, 0 where it is not known.
func (t Trace) Resolution() quantity.Volts { return quantity.Volts(t.resolution) }

func (t Trace) volts(code float64) float64          { return code*t.scale + t.offset }
func (t Trace) code(volts float64) float64          { return (volts - t.offset) / t.scale }
func (t Trace) when(index float64) quantity.Seconds { return t.Start + quantity.Seconds(index)*t.Step }
func (t Trace) resolutionCodes() float64            { return t.resolution / t.scale }
