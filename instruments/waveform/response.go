package waveform

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat"
)

// Response is the straight line through what an output does with its reference.
type Response struct {
	Gain, Offset   float64 // output = Offset + Gain·reference
	GainU, OffsetU float64 // standard uncertainties from the scatter about the line, with n-2 degrees of freedom
	Scatter        float64 // standard deviation about the line, in the output's unit
	Worst          float64 // greatest deviation from the line, in the output's unit
	WorstAt        float64 // the reference at which it was seen
	Zero, ZeroU    float64 // the reference at which the line gives nothing, with its standard uncertainty; NaN for a level line
	Points         int
}

// FitResponse fits outputs over references by least squares. It refuses fewer than three pairs, what is no finite
// number, and references that do not differ. Points in a dead zone bend the line: leave them out.
func FitResponse(references, outputs []float64) (Response, error) {
	if len(references) != len(outputs) || len(references) < 3 {
		return Response{}, fmt.Errorf("%d references and %d outputs: a line needs at least 3 of both, in pairs; take more readings", len(references), len(outputs))
	}
	for _, x := range slices.Concat(references, outputs) {
		if math.IsNaN(x) || math.IsInf(x, 0) {
			return Response{}, fmt.Errorf("a reading is no finite number; read again")
		}
	}
	mean := stat.Mean(references, nil)
	spread, meanSquare := 0.0, mean*mean
	for _, x := range references {
		spread += (x - mean) * (x - mean)
	}
	if spread == 0 {
		return Response{}, fmt.Errorf("the reference was the same in all readings; change it between them")
	}
	n := float64(len(references))
	r := Response{WorstAt: references[0], Points: len(references)}
	r.Offset, r.Gain = stat.LinearRegression(references, outputs, nil, false)
	squares := 0.0
	for i, x := range references {
		away := outputs[i] - r.Offset - r.Gain*x
		squares += away * away
		if math.Abs(away) > r.Worst {
			r.Worst, r.WorstAt = math.Abs(away), x
		}
	}
	r.Scatter = math.Sqrt(squares / (n - 2))
	r.GainU = r.Scatter / math.Sqrt(spread)
	r.OffsetU = r.Scatter * math.Sqrt(1/n+meanSquare/spread)
	r.Zero, r.ZeroU = math.NaN(), math.NaN()
	if r.Gain != 0 {
		// To the first order: the line's own uncertainty where it crosses, over its gain.
		r.Zero = -r.Offset / r.Gain
		r.ZeroU = r.Scatter / math.Abs(r.Gain) * math.Sqrt(1/n+(r.Zero-mean)*(r.Zero-mean)/spread)
	}
	return r, nil
}
